"""The Batch tab: a sheet scored whole, its table, its pictures, its parts; from a row to the bench or the printer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import ipywidgets as w
import pandas as pd

from advisor.advice import Batch, assess
from advisor.benchlog.queue import Queued
from advisor.errors import InputError
from advisor.intake.handed_in import Sheet, read_file, read_pasted
from advisor.phrases import counted, titled
from advisor.unit import unit_of
from advisor.views import show
from advisor.views.state import invented
from advisor.views.widgets import button, classed, html, text, upload

if TYPE_CHECKING:
    from advisor.views.app_view import App

SHOWN = {
    "tag": "tag", "title": "unit", "advice": "advice", "do_first": "first thing to do", "edition": "desktop",
    "image_used": "stick", "elapsed_min": "in the slot [min]", "hands_on_min": "hands-on [min]",
    "wireless_support": "Wi-Fi", "status": "read",
}  # fmt: skip
"""Columns of the table on the screen, and what they are called there."""

WELCOME = (
    "<h2>A whole sheet at once</h2><p>Open the list that came with the lot (CSV or Excel, a row a PC,"
    " any order of columns). Every row gets its advice, the parts in the drawer are shared out, and the"
    " scored list can be saved and printed.</p>"
)


class Scoring(w.VBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app, self.row = app, -1
        self.batch: Batch | None = None
        self.pasted = w.Textarea(placeholder="Rows of a sheet, with their header", rows=3)
        more = w.Accordion(
            [w.VBox([self.pasted, button("Score the text", self._paste)])], titles=["Paste rows"], selected_index=None
        )
        self.find = text("Go to", self._find, "ba-batch-find", placeholder="scan or type a tag")
        self.actions = w.HBox([
            self.find,
            button("Take to the bench", self._to_bench, "ba-batch-take", "mod-primary"),
            button("Print sheet", self._print, "ba-batch-print"),
            button("Print all", lambda: self._print(True), "ba-batch-print-all"),
            button("Save scored CSV", self._save, "ba-batch-save"),
            button("Save parts list", lambda: self._save(True), "ba-batch-parts"),
        ])  # fmt: skip
        self.summary, self.chosen, self.detail = html("", "ba"), html("", "ba"), html("", "ba")
        self.table, self.pictures = classed(w.VBox([]), "ba-table"), html("", "ba")
        sheets = upload("Open a sheet", self.take_files, "ba-batch-upload")
        opened = w.HBox([sheets, button("Score the invented workshop", self._demo, "ba-batch-demo"), more])
        self.welcome = html(WELCOME, "ba")
        super().__init__(
            [
                self.welcome,
                opened,
                self.summary,
                self.actions,
                self.chosen,
                self.table,
                self.detail,
                self.pictures,
            ]
        )
        self.add_class("ba-batch")

    # -- what a person does -------------------------------------------------------------------------------------------

    def take_files(self, files: list[tuple[str, bytes]]) -> None:
        """Score the sheets that were handed in, one below the other."""
        self.app.act(lambda: self._score([read_file(name, content) for name, content in files]))

    def _paste(self) -> None:
        self.app.act(lambda: self._score([read_pasted(self.pasted.value)]))

    def _demo(self) -> None:
        shop, sheet = invented()
        self.app.act(lambda: self.app.bench.take_shop(shop))
        self.take_files([sheet])

    def _score(self, got: list[Any]) -> str:
        sheets = [one for one in got if isinstance(one, Sheet)]
        if not sheets:
            raise InputError("That is no sheet of units.", "Captures go to the Triage tab.")
        raw = pd.concat([one.raw for one in sheets], ignore_index=True)
        self.app.say(f"Scoring {counted(len(raw), 'row')}.")
        self.batch = assess(raw, self.app.bench.shop)
        self._show()
        return f"{counted(len(raw), 'row')} of {', '.join(one.name for one in sheets)} scored."

    def _here(self, every: bool = False) -> tuple[Batch, int]:
        if self.batch is None or (self.row < 0 and not every):
            raise InputError("No row is chosen.", "Click one, or type its tag.")
        return self.batch, self.row

    def _find(self, typed: str) -> None:
        if typed.strip():
            self.app.act(lambda: self._choose(self._named(typed)))

    def _named(self, typed: str) -> int:
        assert self.batch is not None
        at = self.batch.rows_of(typed)
        if not at:
            raise InputError(
                f"No row has the tag {typed.strip()!r}.", f"Tags begin with {', '.join(self.batch.tags[:3])}."
            )
        return at[0]

    def _choose(self, row: int) -> None:
        assert self.batch is not None
        self.row = row
        record = self.batch[row]
        self.chosen.value, self.detail.value = show.part("head", record), show.part("rest", record)

    def _to_bench(self) -> None:
        def take() -> str:
            batch, row = self._here()
            unit = unit_of(batch.understood.units, row)
            kept, drawer = batch.kept_for(row), batch.drawer
            pairs = zip(drawer["part"], drawer["kept"], strict=True)
            others = {name: int(count) - kept.get(name, 0) for name, count in pairs}
            return self.app.bench.join([Queued(unit, f"batch, row {row + 1}", kept=kept, spoken_for=others)])

        if self.app.act(take) is not None:
            self.app.tabs.selected_index = 0
            self.app.front.focus(".ba-do-print")

    def _print(self, every: bool = False) -> None:
        def send() -> None:
            batch, row = self._here(every)
            self.app.front.print(show.page(batch if every else [batch[row]]).html)

        self.app.act(send)

    def _save(self, parts: bool = False) -> None:
        from advisor.intake import safe_frame

        assert self.batch is not None
        frame = self.batch.drawer if parts else self.batch.frame
        self.app.front.save("parts.csv" if parts else "scored.csv", safe_frame(frame).to_csv(index=False).encode())

    # -- what is shown ------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        assert self.batch is not None
        self.row, self.chosen.value, self.detail.value = -1, "", ""
        self.summary.value = show.batch_html(self.batch, rows=0)
        self.table.children = [table_of(self.batch, self._choose)]
        plot = self.batch.plot
        self.pictures.value = show.side_by_side(plot.advice(), plot.minutes(), plot.parts())

    def refresh(self) -> None:
        """Show what there is to do."""
        self.actions.layout.display = "" if self.batch is not None else "none"
        self.welcome.layout.display = "none" if self.batch is not None else ""


def frame_of(batch: Batch) -> pd.DataFrame:
    """The table on the screen, in the words of the bench."""
    units = batch.understood.units
    names = units[["maker", "model"]].fillna("")
    title = [titled(maker, model) for maker, model in names.itertuples(index=False)]
    scored = batch.scored.assign(tag=batch.tags, title=title)
    out = scored[list(SHOWN)].rename(columns=SHOWN)
    for name in ("in the slot [min]", "hands-on [min]"):
        out[name] = out[name].astype("Float64").round(0).astype("Int64")
    return out.astype(object).where(out.notna(), "")


def table_of(batch: Batch, choose: Any) -> Any:
    """The table: sorts, searches and pages in the browser; a row that is clicked is shown below."""
    from itables.widget import ITable

    table = ITable(
        frame_of(batch), select="single", maxBytes=0, showIndex=False, classes="display compact",
        style="width:100%;table-layout:auto",
        lengthMenu=[10, 25, 50, 100], pageLength=10, layout={"topStart": "pageLength", "topEnd": "search"},
        deferRender=True, language={"search": "Show only rows with"},
    )  # fmt: skip
    table.observe(lambda change: change["new"] and choose(int(change["new"][0])), "selected_rows")
    return table
