"""The Day tab: the plan of a day for the sheet of the Batch tab or for the queue, and the board of what runs where."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime
from html import escape
from typing import TYPE_CHECKING

import ipywidgets as w
import pandas as pd

from advisor.advice import Batch, assess
from advisor.errors import InputError
from advisor.phrases import counted
from advisor.unit import frame
from advisor.views import show
from advisor.views.widgets import button, choice, classed, html, text

if TYPE_CHECKING:
    from advisor.plan import Plan
    from advisor.views.app_view import App

WELCOME = (
    "<h2>The day at the bench</h2><p>Score a sheet in the Batch tab, or put units in the queue; then plan who starts"
    " what when, in which slot and from which stick. Slots, people, hours and sticks stand in the shop's settings.</p>"
)
LEGEND = "Black and grey: the hands of each technician. Hatched: the machine alone. Crossed: breaks."
KEPT = [("half", 0.5), ("7 of 10", 0.7), ("9 of 10", 0.9)]
"""Share of units that stay within the minutes that are planned for them."""


class Day(w.VBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app = app
        self.plan: Plan | None = None
        self.day = classed(w.DatePicker(description="Day", value=date.today()), "ba-day-day")
        self.kept = choice("In time", KEPT, None, "ba-day-kept", value=0.7)
        self.delivery = text("Parts arrive", None, "ba-day-delivery", placeholder="such as 13:00")
        self.at = text(
            "Look at", lambda _: self.app.act(lambda: self._now(date.today())), "ba-day-at", placeholder="now"
        )
        asked = w.HBox([
            self.day, self.kept, self.delivery, button("Plan the day", self._plan, "ba-day-do", "mod-primary"),
        ])  # fmt: skip
        self.actions = w.HBox([
            self.at,
            button("Plan again by the clocks", lambda: self.app.act(self._again), "ba-day-again",
                   hint="what runs stays, what fell out is left out, the next two hours may move"),
            button("Save page (PDF)", lambda: self._save("pdf"), "ba-day-pdf"),
            button("Save calendar", lambda: self._save("ics"), "ba-day-ics"),
            button("Save CSV", lambda: self._save("csv"), "ba-day-csv"),
        ])  # fmt: skip
        self.welcome, self.summary = html(WELCOME, "ba"), html("", "ba", "ba-day-summary")
        self.changes = html("", "ba", "ba-day-changes")
        self.board, self.picture = html("", "ba", "ba-day-board"), html("", "ba", "ba-day-picture")
        super().__init__([self.welcome, asked, self.summary, self.actions, self.changes, self.board, self.picture])
        self.add_class("ba-day")

    # -- what a person does -------------------------------------------------------------------------------------------

    def _plan(self) -> None:
        self.app.say("Planning; this takes some seconds.")
        self.app.act(self._planned, ".ba-day-at input")

    def _planned(self) -> str:
        from advisor.plan import plan_day
        from advisor.plan.hours import time_of_day

        batch, name = self._batch()
        arrives = time_of_day(self.delivery.value) if self.delivery.value.strip() else None
        self.plan = plan_day(batch, self.day.value, quantile=self.kept.value, seconds=10.0, delivery=arrives)
        self.changes.value = ""
        self._show()
        return f"{name}: {counted(len(self.plan.solution.schedule), 'unit')} planned."

    def _batch(self) -> tuple[Batch, str]:
        """The units of the day: those of the sheet that was scored last, else the queue's that are not logged yet."""
        if self.app.batch.batch is not None:
            return self.app.batch.batch, "The sheet of the Batch tab"
        waiting = [one.unit for one in self.app.bench.units if one.job is None]
        if not waiting:
            raise InputError("There is nothing to plan.", "Score a sheet in the Batch tab, or put units in the queue.")
        return assess(frame(waiting), self.app.bench.shop), "The queue"

    def _again(self) -> str:
        """Plan the rest of the day by the stopwatches and the log; units taken off the queue fell out."""
        from advisor.plan.again import rest_of_day

        bench = self.app.bench
        if self.plan is None:
            raise InputError("There is no plan yet.", "Plan the day first.")
        gone = [tag for _, tag in bench.taken_off]
        self.plan, changes, begun, _ = rest_of_day(self.plan, self._now(self.plan.day), bench.log, gone)
        rows = "".join(f"<li><b>{escape(one.tag)}</b> {escape(one.words)}</li>" for one in changes)
        self.changes.value = f"<h3>What changes</h3><ul>{rows}</ul>" if rows else ""
        self._show()
        self.tick()
        return f"{counted(begun, 'unit')} begun; {counted(len(changes), 'change')} of the plan."

    def _now(self, day: date) -> datetime:
        from advisor.plan.hours import typed_time

        return typed_time(day, self.at.value)

    def _save(self, kind: str) -> None:
        from advisor.plan import written

        def send() -> None:
            assert self.plan is not None
            whole = written.way(f"day.{kind}")(self.plan)
            self.app.front.save(f"day.{kind}", whole.encode() if isinstance(whole, str) else whole)

        self.app.act(send)

    # -- what is shown ------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        assert self.plan is not None
        lines = "".join(f"<p>{escape(line)}</p>" for line in self.plan.summary().splitlines())
        before = "".join(f"<li>{escape(one)}</li>" for one in self.plan.to_prepare)
        ready = f"<details><summary>The evening before</summary><ul>{before}</ul></details>" if before else ""
        self.summary.value = lines + ready
        self.picture.value = picture(self.plan)

    def tick(self) -> None:
        """Bring the board up to now; it stays while what is typed there is no time, which is said."""
        with suppress(InputError):
            if self.plan is not None:
                now = self._now(self.plan.day)
                # What is the same already is not sent.
                self.board.value = board_html(self.plan.board(now), now)

    def refresh(self) -> None:
        """Show what there is to do."""
        self.welcome.layout.display = "none" if self.plan is not None else ""
        self.actions.layout.display = "" if self.plan is not None else "none"
        self.tick()


def picture(plan: Plan) -> str:
    """The timetable by slot and by technician as a figure: on paper's white, since it tells by greys and hatching."""
    from advisor.plan import written

    svg = show.labelled(written.picture(plan).decode(), plan.summary().partition("\n")[0])
    return f"<figure class='paper'>{svg}<figcaption>{LEGEND}</figcaption></figure>"


def board_html(board: pd.DataFrame, now: datetime) -> str:
    """What runs where as a table: slot, unit, what it does, what needs hands next."""
    rows = []
    for one in board.to_dict("records"):
        left = f"{one['minutes_left']:.0f} min left"
        doing = {
            "hands": f"{one['technician']} at work, {left}", "machine": f"works by itself, {left}",
            "waits": "waits for hands", "": "empty",
        }[one["doing"]]  # fmt: skip
        cells = (
            str(one["slot"]), one["tag"], doing,
            f"{one['next_at']:%H:%M} {one['next_by']}: {one['next']}" if one["next"] else "",
            "" if pd.isna(one["done_at"]) else f"{one['done_at']:%H:%M}",
        )  # fmt: skip
        rows.append((one["doing"] == "waits", cells))
    return show.part("board", f"{now:%H:%M}", rows)
