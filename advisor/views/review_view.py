"""The Review tab: how well the minutes hold, in one sentence and in pictures, without a press."""

from __future__ import annotations

from typing import TYPE_CHECKING

import ipywidgets as w
from markupsafe import escape

from advisor.benchlog.compare import sentence, shop_log
from advisor.views.widgets import html

if TYPE_CHECKING:
    import pandas as pd

    from advisor.views.app_view import App
    from advisor.views.plots import Picture


class Review(w.VBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.first, self.body, self.of_batch = html("", "ba"), html("", "ba"), html("", "ba")
        self._batch: object = None
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
                + _side_by_side(batch.plot.measured(), plots.swings(batch))
                + saving_table(batch.savings())
            )
        if not self.body.value:
            pictures = (
                plots.scatter(), plots.misses("disk"), plots.misses("edition"), plots.coverage("disk"),
                plots.coverage("edition"),
            )  # fmt: skip
            title = "<h3>The model that ships, on what it had not seen</h3>"
            self.body.value = title + _side_by_side(*pictures) + plots.curves().figure_html()


def saving_table(found: pd.DataFrame) -> str:
    """What each way of working would save, as a table."""
    head = ("Way of working", "hands a unit [min]", "slot a unit [min]", "hands, this batch [min]")
    cells = "".join(
        f"<tr><th scope='row'>{escape(row['practice'])}</th><td class='num'>{row['hands_min']:.1f}</td>"
        f"<td class='num'>{row['slot_min']:.1f}</td><td class='num'>{row['hands_month_min']:.0f}</td></tr>"
        for row in found.to_dict("records")
    )
    titles = "".join(f"<th scope='col'>{title}</th>" for title in head)
    return f"<h3>What would save hands</h3><table><thead><tr>{titles}</tr></thead><tbody>{cells}</tbody></table>"


def _side_by_side(*pictures: Picture) -> str:
    return "<div class='cols'>" + "".join(one.figure_html() for one in pictures) + "</div>"
