"""The bench as one page: a bar that stays in view, and the tabs Triage, Batch, Day, Log and Review on one queue."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from html import escape
from typing import Any

import ipywidgets as w

from advisor.benchlog.laps import Lap, titles
from advisor.errors import AdvisorError
from advisor.phrases import printable
from advisor.views.batch_view import Scoring
from advisor.views.day_view import Day
from advisor.views.log_view import Log
from advisor.views.review_view import Review
from advisor.views.show import style
from advisor.views.state import BenchPage
from advisor.views.triage_view import Triage
from advisor.views.widgets import Keys, button, classed, html, text

TABS = ("triage", "batch", "day", "log", "review")


class App(w.VBox):
    """The page.

    Parameters
    ----------
    tab : str
        One of `TABS`, shown first.
    """

    def __init__(self, bench: BenchPage, tab: str = "triage") -> None:
        self.bench = bench
        self.front = Keys()
        self.front.on_msg(self._heard)
        self.unit, self.message = html("", "ba", "ba-unit"), html("", "ba", "ba-message")
        self.running = classed(w.HBox([]), "ba-running")
        self._running: list[tuple[str, str]] = []
        self.undo = button("Undo", lambda: self.act(bench.undo), "ba-do-undo")
        self.shop = text("Shop", self._shop, "ba-shop", placeholder="file of its settings (TOML)")
        bar = classed(w.HBox([self.unit, self.running, self.message, self.undo, self.shop, self.front]), "ba-bar")
        self.triage, self.batch, self.day = Triage(self), Scoring(self), Day(self)
        self.pages = (self.triage, self.batch, self.day, Log(self), Review(self))
        self.tabs = w.Tab(self.pages, titles=[one.title() for one in TABS])
        self.tabs.selected_index = TABS.index(tab)
        self.tabs.observe(lambda _: self.refresh(), "selected_index")
        super().__init__([html(f"<style>{style()}</style>", "ba-style"), bar, self.tabs])
        self.add_class("ba-app")
        if bench.units:
            self.act(lambda: bench.select(bench.units[0].number))
        self.refresh()
        self.say(bench.told)

    # -- doing --------------------------------------------------------------------------------------------------------

    def act(self, do: Callable[[], Any], focus: str = "") -> Any:
        """Do something, show everything as it stands then, and say in the bar what came of it."""
        try:
            done = do()
        except AdvisorError as error:
            self.refresh()
            self.say(f"{error.message} {error.hint}".strip(), wrong=True)
            return None
        except Exception as error:
            self.say(f"This failed: {type(error).__name__}: {error}", wrong=True)
            raise
        self.refresh()
        if isinstance(done, str) and done:
            self.say(done)
        if focus:
            self.front.focus(focus)
        return done

    def say(self, words: str, *, wrong: bool = False) -> None:
        """Put a message in the bar; a screen reader speaks it."""
        self.message.value = (
            f'<span role="{"alert" if wrong else "status"}" class="{"wrong" if wrong else ""}">'
            f"{escape(printable(words))}</span>"
        )

    def print_sheet(self) -> None:
        """Print the sheet of the unit in view."""
        page = self.act(self.bench.print_sheet)
        if page:
            self.front.print(page[0])
            self.say(f"The sheet of {self.bench.here().tag or 'the unit'} goes to the printer.")

    def save_sheet(self) -> None:
        """Hand the sheet of the unit in view to the downloads, as PDF."""
        page = self.act(self.bench.print_sheet)
        if page:
            name = "".join(one if one.isalnum() or one in "-_" else "-" for one in self.bench.here().tag or "unit")
            self.front.save(f"{name[:80]}-sheet.pdf", page[1])

    def go_on(self) -> None:
        """Stop this step of the unit in view and start the next."""
        self.act(self.bench.go_on)

    def to_log(self) -> None:
        """Open the Log tab for the unit in view."""
        self.tabs.selected_index = TABS.index("log")
        self.front.focus(".ba-log-elapsed_min input")

    def next_unit(self) -> None:
        """Bring the next unit into view."""
        self.tabs.selected_index = TABS.index("triage")
        self.act(self.bench.next_unit, ".ba-do-print")

    def take_files(self, files: list[tuple[str, bytes]]) -> None:
        """Take files that were chosen, dropped or pasted; in the Batch tab a sheet is scored instead."""
        if self.tabs.selected_index == TABS.index("batch"):
            self.batch.take_files(files)
            return
        for name, content in files:
            self.act(partial(self.bench.take_file, name, content), ".ba-queue select")

    def _shop(self, typed: str) -> None:
        if typed.strip() != self.bench.shop_file:
            self.act(lambda: self.bench.take_shop(typed))

    def _heard(self, _: Any, message: dict[str, Any], buffers: list[memoryview]) -> None:
        do, value = message.get("do"), str(message.get("value", ""))
        acts: dict[str, Callable[[], Any]] = {
            "to find": self._to_find, "print": self.print_sheet, "go on": self.go_on, "to log": self.to_log,
            "next": self.next_unit, "tick": self._tick,
            "find": lambda: self.act(lambda: self.bench.find(value), ".ba-do-print"),
            "paste": lambda: self.act(lambda: self.bench.take_text(value), ".ba-queue select"),
            "files": lambda: self.take_files(list(zip(message["names"], map(bytes, buffers), strict=True))),
            "wrong": lambda: self.say(value, wrong=True),
        }  # fmt: skip
        if do in acts:
            acts[do]()

    def _to_find(self) -> None:
        self.tabs.selected_index = TABS.index("triage")
        self.front.focus(".ba-find input")

    def _tick(self) -> None:
        """Look at the watched folder, and whether somebody else wrote to the log's file."""
        if self.bench.folder:
            try:
                found = self.bench.look()
                if found:
                    self.say(found)
                    self.refresh()
            except AdvisorError as error:
                self.say(f"{error.message} {error.hint}", wrong=True)
        if self.tabs.selected_index == TABS.index("day"):
            self.day.tick()
        if self.bench.changed_elsewhere():
            if self.bench.reload():
                self.act(lambda: self.bench.select(self.bench.number))
            else:
                self.refresh()

    # -- showing ------------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show everything as it stands."""
        bench = self.bench
        record = bench.record if bench.entry else None
        self.pages[self.tabs.selected_index or 0].refresh()
        self.unit.value = f"<b>{escape(record.tag)}</b> {escape(record.headline)}" if record else "<b>The bench</b>"
        self.undo.layout.display = "" if bench.taken_off else "none"
        self.shop.placeholder, self.shop.value = bench.shop.name, bench.shop_file
        self._clocks(bench.watches().running)

    def _clocks(self, running: tuple[Lap, ...]) -> None:
        now = [(lap.tag, lap.phase) for lap in running]
        if now == self._running:
            return
        self._running = now
        children: list[w.Widget] = []
        for lap in running:
            title = titles().get(lap.phase, lap.phase)
            children += [
                html(f'{escape(lap.tag)} {escape(title)} <b data-since="{escape(lap.started_at)}"></b>', "ba"),
                button("Stop", partial(self.act, partial(self.bench.stop, lap.tag, lap.phase)), "ba-do-stop",
                       hint=f"Stop {title} of {lap.tag}"),
            ]  # fmt: skip
        self.running.children = children
