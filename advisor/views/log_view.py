"""The Log tab: what a unit really took, beside what was predicted, and why."""

from __future__ import annotations

import json
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any

import ipywidgets as w
from markupsafe import escape

from advisor.benchlog import Job, ready
from advisor.benchlog.jobs import OUTCOMES
from advisor.benchlog.laps import titles
from advisor.benchlog.sheet_cells import read_minutes
from advisor.views import show
from advisor.views.state import WHYS, JustLogged
from advisor.views.widgets import button, choice, classed, html, text

if TYPE_CHECKING:
    from advisor.views.app_view import App

LATEST = 12
"""Jobs of the log that are listed."""


LOG_IT, ALL_THE_SAME = "Log it", "all the same"
"""The button, and what it says beside where nothing is to be installed."""

NOTHING_TO_INSTALL = (
    "Nothing is to be installed on this unit as it stands. If something was all the same, choose its desktop below."
)


class Log(w.VBox):
    """The tab."""

    def __init__(self, app: App) -> None:
        self.app, self.bench = app, app.bench
        self.head = html("", "ba")
        self.boxes: dict[str, w.Widget] = {
            "elapsed_min": text("In the slot", None, "ba-log-elapsed_min", placeholder="such as 75 or 1:15"),
            "hands_on_min": text("Hands-on", None, "ba-log-hands_on_min", placeholder="minutes"),
            "edition": choice("Desktop", (), None, "ba-log-edition"),
            "parts": text("Parts fitted", None, "ba-log-parts"),
            "outcome": choice(
                "First start", [("not checked", ""), *((one, one) for one in OUTCOMES)], None, "ba-log-outcome"
            ),
            "technician": text("Technician", None, "ba-log-technician"),
            "note": text("Note", None, "ba-log-note"),
            "despite": text("Leaves despite", None, "ba-log-despite", placeholder="what must be mended, and why not"),
        }
        self.day = classed(w.DatePicker(description="Day"), "ba-log-day")
        self.steps = {name: text(title, None, f"ba-log-{name}") for name, title in titles().items()}
        steps = w.Accordion([w.VBox(list(self.steps.values()))], titles=["Minutes by step"], selected_index=None)
        self.do = button(LOG_IT, self.log_it, "ba-log-do", "mod-primary")
        self.form = classed(w.VBox([*self.boxes.values(), self.day, steps, self.do]), "ba-form")
        self.after = w.VBox([])
        self.list = html("", "ba")
        self._number, self._job, self._advised = -1, 0, ""
        super().__init__([self.head, classed(w.HBox([self.form, w.VBox([self.after, self.list])]), "ba-log")])

    def log_it(self) -> None:
        """Log the unit in view with what stands in the boxes."""
        self.app.act(lambda: f"{self.bench.log_it(self._read()).tag} is logged.", ".ba-why button")

    def _read(self) -> Job:
        values: dict[str, Any] = {name: (box.value or "").strip() or None for name, box in self.boxes.items()}
        took = {name: read_minutes(box.value, titles()[name]) for name, box in self.steps.items()}
        steps = {name: minutes for name, minutes in took.items() if minutes is not None}
        return Job(
            asset_tag=self.bench.here().tag, done_on=(self.day.value or date.today()).isoformat(),
            elapsed_min=read_minutes(values.pop("elapsed_min"), "In the slot"),
            hands_on_min=read_minutes(values.pop("hands_on_min"), "Hands-on"),
            image=self.bench.record.image if self.bench.record else None, phases=steps, **values,
        )  # fmt: skip

    def refresh(self) -> None:
        """Show the form for the unit in view, and the newest jobs."""
        bench = self.bench
        record = bench.record if bench.entry else None
        self.head.value = show.part("head", record) if record else "<p>Choose a unit in the Triage tab first.</p>"
        if record and not record.edition:
            self.head.value += f'<p class="warn">{NOTHING_TO_INSTALL}</p>'
        found = ready.latest(bench.log, record.tag) if record else None
        self.boxes["despite"].layout.display = "" if found and found["must"] else "none"
        if found:
            lines = [f"Hand-over check, {found['checked_at'][:10]}:", *(json.loads(found["findings"]) or ["clean"])]
            self.head.value += "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines[:8]) + "</ul>"
        self.form.layout.display = "" if record and bench.last is None else "none"
        if record and self._number != bench.number:
            self._fill()
        elif record and self._advised != record.edition:
            self._desktop(record.edition)
        if bench.last is None and self.after.children:
            self.after.children = []
        if bench.last is not None and self._job != bench.last.job:
            self._beside(bench.last)
        rows = bench.log.rows(
            "SELECT job.*, unit.elapsed_min AS predicted FROM job LEFT JOIN unit ON unit.id = job.unit_id"
            " ORDER BY job.id DESC LIMIT ?", (LATEST,)
        )  # fmt: skip
        self.list.value = show.part("jobs", [dict(row) for row in rows])

    def _fill(self) -> None:
        """Put in what is known: the stopwatches' minutes, what was advised, who logged last and for which day."""
        bench, record = self.bench, self.bench.record
        assert record is not None
        self._number, watches = bench.number, bench.watches()
        timed = watches.timed()
        for name, box in self.steps.items():
            box.value = f"{timed[name]:.1f}" if name in timed else ""
        known = {
            "elapsed_min": f"{watches.slot_min:.0f}" if watches.slot_min >= 1 else "",
            "parts": ", ".join(one.name for one in record.parts),
            "technician": bench.technician,
        }  # fmt: skip
        for name, box in self.boxes.items():
            if isinstance(box, w.Text):
                box.value = known.get(name, "")
        self._desktop(record.edition)
        self.boxes["outcome"].value = ""
        self.day.value = date.fromisoformat(bench.day)

    def _desktop(self, advised: str) -> None:
        """Put in the desktop that is advised; where none is, nothing is chosen, and the button says so."""
        none = [] if advised else [("nothing was installed", "")]
        box, self._advised = self.boxes["edition"], advised
        box.options = [*none, *((one, one) for one in self.bench.shop.richness)]
        box.value = advised
        self.do.description = LOG_IT if advised else f"{LOG_IT} {ALL_THE_SAME}"

    def _beside(self, last: JustLogged) -> None:
        """Predicted and actual side by side, and why."""
        self._job = last.job
        line = text(
            "",
            lambda typed: typed.strip() and self.app.act(lambda: self.bench.why(typed)),
            "ba-why-line",
            placeholder="something else",
        )
        whys = [button(one, partial(self.app.act, partial(self.bench.why, one))) for one in WHYS]
        self.after.children = [
            html(show.part("beside", last), "ba"),
            html("<h3>Why?</h3>", "ba"),
            classed(w.HBox([*whys, line]), "ba-why"),
            button("Next unit", self.app.next_unit, "ba-do-next", "mod-primary", hint="F7"),
        ]  # fmt: skip
