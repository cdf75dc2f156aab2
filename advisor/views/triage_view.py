"""The Triage tab: the queue, the unit in view with its advice first, and what is known of it."""

from __future__ import annotations

from functools import partial
from html import escape
from typing import TYPE_CHECKING

import ipywidgets as w

from advisor.advice.record import Record
from advisor.benchlog.queue import Queued
from advisor.phrases import counted, titled
from advisor.views import show
from advisor.views.facts_form import FactsForm
from advisor.views.log_view import ALL_THE_SAME, LOG_IT
from advisor.views.widgets import button, classed, html, text, upload

if TYPE_CHECKING:
    from advisor.views.app_view import App

WELCOME = (
    "<h2 class='headline'>What is on the bench?</h2><p>Read this PC, hand in captures or an intake sheet (choose, drop"
    " or paste them), or type a unit in. The advice follows at once.</p>"
)


class Triage(w.HBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app, self.bench = app, app.bench
        self.find = text("Find", self._find, "ba-find", placeholder="tag, maker or model F2")
        self.queue = classed(w.Select(description="Queue", rows=16), "ba-queue")
        self.queue.observe(self._chosen, "value")
        self._filling = False
        self.head, self.rest = html("", "ba", "ba-head"), html("", "ba")
        self.question = w.HBox([])
        self.actions = w.HBox(self._actions())
        self.facts = FactsForm(self._correct)
        self.ways = self._ways()
        self.off = button("Take off the queue", lambda: app.act(self.bench.take_off, ".ba-queue select"))
        left = classed(w.VBox([self.find, self.queue, self.off, self.ways]), "ba-left")
        middle = classed(w.VBox([self.question, self.head, self.actions, self.rest]), "ba-middle")
        super().__init__([left, middle, self.facts])
        self.add_class("ba-triage")

    def _actions(self) -> list[w.Widget]:
        app = self.app
        return [
            button("Print sheet", app.print_sheet, "ba-do-print", "mod-primary", hint="Ctrl+P"),
            button("Start the clock", app.go_on, "ba-do-go", hint="F8: stop this step, start the next"),
            button(LOG_IT, app.to_log, "ba-do-log", hint="F9"),
            button("Next unit", app.next_unit, "ba-do-next", hint="F7"),
            button("Save PDF", app.save_sheet, "ba-do-pdf"),
        ]

    def _ways(self) -> w.VBox:
        app, bench = self.app, self.bench
        self.pasted = classed(
            w.Textarea(placeholder="Paste rows of a sheet, a capture, or listings such as lspci -nn", rows=4),
            "ba-pasted",
        )
        self.folder = text(
            "", lambda typed: app.act(lambda: bench.watch(typed)), "ba-folder", placeholder="folder of the stick"
        )
        paste_box = w.VBox([self.pasted, button("Take the text", self._paste, "ba-do-take")])
        watch_box = w.VBox([self.folder])
        more = w.Accordion([paste_box, watch_box], titles=["Paste text", "Watch a folder"], selected_index=None)
        return classed(w.VBox([
            html("<h3>Add units</h3>", "ba"),
            button("This PC", lambda: app.act(bench.this_pc, ".ba-fact-asset_tag input"), "ba-do-this"),
            upload("Open files", app.take_files),
            button("Type it in", lambda: app.act(bench.type_in, ".ba-fact-asset_tag input"), "ba-do-type"),
            more,
            button("Try the invented workshop", lambda: app.act(bench.try_demo, ".ba-queue select"), "ba-do-demo"),
        ]), "ba-ways")  # fmt: skip

    # -- what a person does -------------------------------------------------------------------------------------------

    def _find(self, typed: str) -> None:
        if typed.strip():
            self.app.act(lambda: self.bench.find(typed), ".ba-do-print")
            self.find.value = ""

    def _chosen(self, change: dict[str, object]) -> None:
        if not self._filling and isinstance(change["new"], int):
            number = change["new"]
            self.app.act(lambda: self.bench.select(number))

    def _correct(self, name: str, typed: str) -> None:
        self.app.act(lambda: self.bench.correct(name, typed))

    def _paste(self) -> None:
        self.app.act(lambda: self.bench.take_text(self.pasted.value), ".ba-queue select")
        self.pasted.value = ""

    # -- what is shown ------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the queue and the unit in view as they stand."""
        bench = self.bench
        self._filling = True
        options = [(_line(*each), each[0].number) for each in zip(bench.units, bench.states(), strict=True)]
        if tuple(options) != tuple(self.queue.options):
            self.queue.options = options
        self.queue.value = bench.number if bench.entry else None
        self._filling = False
        record = bench.record if bench.entry else None
        # The boxes first: who sees a unit's advice can type at once.
        self.facts.fill(bench.entry)
        self.head.value = show.part("head", record) + self._drawer(record) if record else WELCOME
        self.rest.value = show.part("rest", record) if record else ""
        shown = "" if record else "none"
        for part in (self.actions, self.facts, self.off):
            part.layout.display = shown
        for part in (self.find, self.queue):
            part.layout.display = "" if bench.units else "none"
        (self.remove_class if bench.units else self.add_class)("ba-empty")
        running = [lap for lap in bench.watches().laps if lap.minutes is None]
        despite = "" if record is None or record.edition else f" {ALL_THE_SAME}"
        self.actions.children[1].description = "Next step" if running else f"Start the clock{despite}"
        self.actions.children[2].description = f"{LOG_IT}{despite}"
        self._ask()

    def _drawer(self, record: Record) -> str:
        """What the drawer is for the unit, and what the sheet of the Batch tab says of it where that differs."""
        batch, lines = self.app.batch.batch, []
        if record.parts and self.bench.entry and self.bench.entry.job is None:
            lines.append(self.bench.left_by_others())
        rows = batch.rows_of(record.tag)[:1] if batch is not None and record.tag else []
        if batch is not None and rows and batch[rows[0]].headline != record.headline:
            shared = f"{counted(len(batch), 'unit')} of {batch.shop.name}"
            lines.append(f"In the Batch tab, where the drawer is shared out over {shared}: {batch[rows[0]].headline}.")
        return "".join(f'<p class="small">{escape(line)}</p>' for line in lines if line)

    def _ask(self) -> None:
        """Ask what becomes of a unit whose tag stands in the queue already."""
        if not self.bench.twice:
            if self.question.children:
                self.question.children = []
            return
        fresh, _ = self.bench.twice[0]
        question = f"<b>{escape(fresh.tag)}</b> stands in the queue already; it came again from {escape(fresh.origin)}."
        ways = {"update": "Take its new facts", "both": "Keep both", "leave": "Leave it as it is"}
        self.question.children = [
            html(question, "ba", "ba-twice"),
            *(button(title, partial(self.app.act, partial(self.bench.answer, how))) for how, title in ways.items()),
        ]


def _line(one: Queued, state: str) -> str:
    """A unit as one line of the queue."""
    unit = one.unit
    name = titled(unit.maker, unit.model) or unit.cpu or "new unit"
    return f"{unit.asset_tag or 'no tag'} · {name}"[:60] + (f" · {state}" if state else "")
