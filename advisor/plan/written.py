"""A plan as CSV, calendar, picture and printed page."""

from __future__ import annotations

import io
import json
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from advisor.errors import InputError, library
from advisor.files import write_whole
from advisor.plan.day import tuples
from advisor.plan.problem import TICKS

if TYPE_CHECKING:
    from advisor.plan.day import Plan

HERE = Path(__file__).resolve().parent

SIZES = (6.6, 6.2, 5.8, 5.4, 5.0)
"""Sizes of the lists' letters that are tried until all stands on one page [points]; below that, it takes several."""

SHORT = {
    "prepare": "prepare", "boot": "stick in", "installer": "install", "copy": "copy",
    "first_boot": "stick out", "refresh": "refresh", "base": "programs", "updates": "updates",
    "restart": "restart", "second_refresh": "refresh again",
    "customise": "customise", "skeleton": "settings", "seal": "seal", "check": "check",
}  # fmt: skip
"""Phases in few words."""


def save(plan: Plan, path: str | Path) -> Path:
    """Write a plan; the name's ending says how: .pdf, .svg, .csv, .ics or .txt.

    Raises
    ------
    InputError
        When the ending is none of these, or the file cannot be written.
    ToolError
        When a library that it needs is not installed, or fails.
    """
    return write_whole(path, way(path)(plan))


def way(path: str | Path) -> Callable[[Plan], bytes | str]:
    """The function that writes a file of this name; InputError when its ending is none of `WAYS`."""
    try:
        return WAYS[Path(path).suffix.lower()]
    except KeyError:
        raise InputError(f"{path} does not say what to write.", f"Let its name end in {', '.join(WAYS)}.") from None


def as_csv(plan: Plan) -> str:
    """The timetable as CSV, a row a visit; cells that a spreadsheet would run as a formula are kept from it."""
    from advisor.intake import safe_frame

    times = {name: [f"{one:%Y-%m-%dT%H:%M:%S}" for one in plan.frame[name]] for name in ("start", "end")}
    frame = plan.frame.assign(**times)
    return str(safe_frame(frame).to_csv(index=False))


def calendar(plan: Plan) -> bytes:
    """The visits as an iCalendar file (RFC 5545), an event a visit, in the local time of whoever reads it."""
    icalendar = library("icalendar", "A calendar needs icalendar, which is not installed.", "plan")
    out = icalendar.Calendar()
    out.add("prodid", "-//bench-advisor//plan//EN")
    out.add("version", "2.0")
    stamp = plan.frame["start"].min() if len(plan.frame) else pd.Timestamp(plan.day)
    for row in tuples(plan.frame):
        event = icalendar.Event()
        event.add("uid", f"{plan.day:%Y%m%d}-{_plain(row.tag)}-{row.visit}@bench-advisor")
        event.add("dtstamp", stamp.to_pydatetime().replace(tzinfo=UTC))
        event.add("dtstart", row.start.to_pydatetime().replace(microsecond=0))
        event.add("dtend", max(row.end, row.start + timedelta(seconds=1)).to_pydatetime().replace(microsecond=0))
        event.add("summary", f"{row.tag}, slot {row.slot}: {row.what}")
        event.add(
            "description", f"{row.technician}; image {row.image}; then {row.then_min:.0f} min of the machine alone"
        )
        event.add("categories", [row.technician])
        out.add_component(event)
    return bytes(out.to_ical())


def _plain(text: str) -> str:
    return "".join(one if one.isalnum() or one in "-_." else "-" for one in text)


def picture(plan: Plan) -> bytes:
    """The timetable by slot and by technician as SVG, in grey: hands solid, the machine alone hatched."""
    library("matplotlib", "A picture needs matplotlib, which is not installed.", "plan")
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    slots = plan.bench.slots
    names = [f"slot {number}" for number in range(1, slots + 1)] + [_shown(one.name) for one in plan.bench.technicians]
    with rc_context({"svg.hashsalt": "plan", "hatch.linewidth": 0.4, "font.size": 7, "svg.fonttype": "path"}):
        figure = Figure(figsize=(11.0, 0.28 * len(names) + 0.5), layout="constrained")
        axes = figure.subplots()
        for (row, height, look), spans in _bars(plan).items():
            axes.broken_barh(spans, (row - height / 2, height), **dict(look))
        for tag, visits in plan.frame.groupby("tag", sort=False):
            begins, row = _hour(plan, visits["start"].min()), int(visits["slot"].iloc[0]) - 1
            axes.text(begins, row - 0.26, _shown(str(tag))[-8:], fontsize=4.2, va="center", ha="left", parse_math=False)
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.5, -0.5)
        last = max(plan.solution.finish, plan.bench.close or 0) / TICKS
        hours = range(plan.opens // 60, -int(-(plan.opens + last) // 60) + 1)
        axes.set_xticks(list(hours), [f"{hour}:00" for hour in hours])
        axes.set_xlim(hours[0], hours[-1])
        axes.grid(axis="x", color="0.85", linewidth=0.4)
        axes.set_axisbelow(True)
        axes.spines[["top", "right", "left"]].set_visible(False)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Title": f"Plan of {plan.day:%Y-%m-%d}"})
    return out.getvalue()


Look = tuple[tuple[str, Any], ...]


def _bars(plan: Plan) -> dict[tuple[int, float, Look], list[tuple[float, float]]]:
    """Bars by row, height and look, each with where it begins and how long it is [h]."""
    people = {person.name: number for number, person in enumerate(plan.bench.technicians)}
    machine: Look = (("facecolor", "none"), ("edgecolor", "0.4"), ("hatch", "//////"), ("linewidth", 0))
    away: Look = (("facecolor", "none"), ("edgecolor", "0.5"), ("hatch", "xxxx"), ("linewidth", 0))
    stay: Look = (("facecolor", "none"), ("edgecolor", "black"), ("linewidth", 0.5))
    out: dict[tuple[int, float, Look], list[tuple[float, float]]] = defaultdict(list)
    whole: dict[tuple[int, str], list[float]] = {}
    for row in tuples(plan.frame):
        start, end, who = _hour(plan, row.start), _hour(plan, row.end), people[row.technician]
        hands: Look = (("facecolor", f"{0.1 + 0.6 * who / max(1, len(people) - 1):.2f}"), ("linewidth", 0))
        out[row.slot - 1, 0.4, hands].append((start, end - start))
        out[plan.bench.slots + who, 0.7, hands].append((start, end - start - 0.003))
        out[row.slot - 1, 0.4, machine].append((end, row.then_min / 60))
        spans = whole.setdefault((row.slot - 1, row.tag), [start, end])
        spans[1] = max(spans[1], end + row.then_min / 60)
    for (slot, _), (start, end) in whole.items():
        out[slot, 0.86, stay].append((start, end - start))
    for who, person in enumerate(plan.bench.technicians):
        for first, last in person.away:
            until = min(last, plan.bench.close or last)
            out[plan.bench.slots + who, 0.7, away].append(
                (plan.opens / 60 + first / TICKS / 60, max(0, until - first) / TICKS / 60)
            )
    return out


def _shown(text: str) -> str:
    """A name as a picture can show it."""
    return " ".join("".join(one for one in text if one.isprintable()).split())[:40]


def _hour(plan: Plan, when: pd.Timestamp) -> float:
    return (when - pd.Timestamp(plan.day)).total_seconds() / 3600


def page(plan: Plan) -> bytes:
    """The day on a printed page (PDF, A4): the picture, what to have ready, and each technician's visits to tick.

    Returns
    -------
    bytes
        One page for a day of some fifty units; the same for the same plan on every machine.

    Raises
    ------
    ToolError
        When the typesetter fails, or a library is missing.
    """
    from advisor.sheet.typeset import typeset

    template, hint = HERE / "day.typ", "Write the plan as .csv instead."
    inputs = {"day": json.dumps(content(plan), ensure_ascii=False)}
    for size in SIZES:
        inputs["size"] = str(size)
        if isinstance(typeset(template, inputs, hint, format="svg"), bytes):
            break  # several pages come as a list
    return bytes(typeset(template, inputs, hint, format="pdf", timestamp=0))


def content(plan: Plan) -> dict[str, Any]:
    """What stands on the printed page: title, sentences, the picture, and a list of visits for each technician.

    Visits of one technician that follow each other on one unit are one line.
    """
    jobs, lists = {job.tag: job for job in reversed(plan.jobs)}, []
    for person in plan.bench.technicians:
        lines: list[dict[str, Any]] = []
        visits = plan.frame[plan.frame["technician"].eq(person.name)]
        reached: Any = None
        for row in tuples(visits):
            same = lines and lines[-1]["tag"] == row.tag and reached == row.start
            if not same:
                lines.append({"at": f"{row.start:%H:%M}", "slot": str(row.slot), "tag": row.tag, "phases": ()})
            lines[-1]["phases"] += jobs[row.tag].visits[row.visit - 1].phases
            lines[-1]["do"] = _words(lines[-1]["phases"])
            reached = row.end
        lists.append({"name": person.name, "lines": lines})
    return {
        "title": f"Bench day {plan.day:%A, %d %B %Y}", "shop": plan.shop, "sentences": plan.summary().splitlines()[:60],
        "evening": plan.to_prepare, "picture": picture(plan).decode(), "lists": lists,
    }  # fmt: skip


def _words(phases: tuple[str, ...]) -> str:
    """What visits begin with and go on to, in few words."""
    first, last = (SHORT.get(phase, phase) for phase in (phases[0], phases[-1]))
    return first if first == last else f"{first} … {last}"


WAYS: dict[str, Callable[[Plan], bytes | str]] = {
    ".pdf": page, ".svg": picture, ".csv": as_csv, ".ics": calendar, ".txt": lambda plan: plan.summary() + "\n",
}  # fmt: skip
"""By the ending of a file's name, what it is made by."""
