"""The Review tab: how well the minutes hold, in one sentence and in pictures, without a press."""

from __future__ import annotations

from typing import TYPE_CHECKING

import ipywidgets as w

from advisor.benchlog.compare import sentence, shop_log
from advisor.views import show
from advisor.views.widgets import html

if TYPE_CHECKING:
    from advisor.views.app_view import App


class Review(w.VBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.first, self.of_batch = html("", "ba"), html("", "ba")
        self.body = html("<p>The pictures are being drawn …</p>", "ba")
        self._batch: object = None
        self._drawn = False
        super().__init__([self.first, self.of_batch, self.body])
        self.add_class("ba-review")

    def refresh(self) -> None:
        """Show the sentence and the pictures; those of the models are drawn once."""
        from advisor.views import review_plots as plots

        bench = self.app.bench
        compared = shop_log(bench.shop, bench.log.path)
        drawn = plots.scatter(compared).figure_html() if len(compared) else ""
        self.first.value = f"<h2 class='headline sentence'>{sentence(compared)}</h2>{drawn}"
        batch = self.app.batch.batch
        if batch is not None and batch is not self._batch:
            self._batch = batch
            self.of_batch.value = (
                "<h3>The batch that is open</h3>"
                + show.side_by_side(batch.plot.measured(), plots.swings(batch))
                + show.part("savings", batch.savings().to_dict("records"))
            )
        if not self._drawn:
            pictures = (
                plots.scatter(), plots.misses("disk"), plots.misses("edition"), plots.coverage("disk"),
                plots.coverage("edition"),
            )  # fmt: skip
            title = "<h3>The model that ships, on what it had not seen</h3>"
            self.body.value = title + show.side_by_side(*pictures) + plots.curves().figure_html()
            self._drawn = True
