"""The day's plan of a batch: what to start when, by whom, in which slot, from which stick."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from advisor.errors import InputError
from advisor.phrases import counted
from advisor.plan.chance import Chance, Lanes, chance
from advisor.plan.evening import Evening, evening_of
from advisor.plan.hours import bench_of, clock, moment
from advisor.plan.link import Link, link_of
from advisor.plan.problem import TICKS, Bench, Schedule, UnitJob, free_from
from advisor.plan.solver import Solution, solve
from advisor.plan.work import work_of
from advisor.timing.hands import phase_table

if TYPE_CHECKING:
    from advisor.advice import Batch

QUANTILE = 0.7
"""Minutes are planned so that this share of units stays within them; common practice, no source."""

PLAN_COLUMNS = (
    "tag", "visit", "start", "end", "technician", "slot", "image", "stick", "what", "hands_on_min", "then_min",
)  # fmt: skip

BOARD_COLUMNS = ("slot", "tag", "doing", "technician", "minutes_left", "next", "next_at", "next_by", "done_at")


@dataclass(frozen=True)
class Plan:
    """A day at the bench. `plan.frame` is the timetable, `plan.board(now)` what runs where.

    Attributes
    ----------
    shop : str
        The shop's name.
    opens : int
        When tick 0 is [minutes from midnight].
    evening : Evening
        What to prepare the evening before.
    problems : list of str
        What could not be planned or not be meant, in sentences.
    """

    shop: str
    day: date
    opens: int
    bench: Bench
    jobs: tuple[UnitJob, ...]
    solution: Solution
    lanes: Lanes
    quantile: float
    chance: Chance
    evening: Evening
    link: Link
    problems: list[str] = field(default_factory=list)

    @property
    def to_prepare(self) -> list[str]:
        """What to prepare the evening before, a line to tick each."""
        return self.evening.lines(self.bench.sticks)

    @property
    def left(self) -> list[str]:
        """Units that the day does not hold."""
        return [job.tag for at, job in enumerate(self.jobs) if at not in self.solution.schedule]

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The timetable, a row a visit in the order of their start.

        Returns
        -------
        pandas.DataFrame
            tag, visit (from 1), start, end (moments), technician, slot (from 1), image, stick (which of the image's,
            from 1), what (titles of the phases), hands_on_min, then_min (what the machine works by itself after) [min].
        """
        titles = dict(zip(phase_table().names, phase_table().titles, strict=True))
        rows = []
        for at, placed in self.solution.schedule.items():
            job = self.jobs[at]
            for number, one in enumerate(placed):
                visit = job.visits[number]
                rows.append((
                    job.tag, number + 1, moment(self.day, self.opens, one.start), moment(self.day, self.opens, one.end),
                    self.bench.technicians[one.technician].name, self.lanes.slots[at] + 1, job.stick,
                    self.lanes.sticks[at] + 1, "; ".join(titles.get(name, name) for name in visit.phases),
                    (one.end - one.start) / TICKS, visit.then / TICKS,
                ))  # fmt: skip
        frame = pd.DataFrame(rows, columns=list(PLAN_COLUMNS))
        return frame.sort_values(["start", "slot"], kind="stable", ignore_index=True)

    @property
    def delivery(self) -> dict[str, tuple[str, list[str]]]:
        """Parts that must be bought: when they must be here at the latest, and for which units."""
        out: dict[str, tuple[int, list[str]]] = {}
        for at, job in enumerate(self.jobs):
            if job.buys and at in self.solution.schedule:
                start = self.solution.schedule[at][0].start
                for part in job.buys:
                    before, tags = out.get(part, (start, []))
                    out[part] = (min(before, start), [*tags, job.tag])
        return {part: (clock(self.opens, start), tags) for part, (start, tags) in sorted(out.items())}

    def board(self, now: datetime) -> pd.DataFrame:
        """What runs where at a moment, if all goes as planned.

        Returns
        -------
        pandas.DataFrame
            A row a slot: slot (from 1), tag ('' for an empty one), doing ('hands', 'machine', 'waits' or ''),
            technician (whose hands), minutes_left (of that), next (what needs hands next, '' for nothing), next_at,
            next_by, and done_at (moment).
        """
        visits, rows = tuples(self.frame), []
        for slot in range(1, self.bench.slots + 1):
            of_slot = [one for one in visits if one.slot == slot]
            # In the order of their start: a unit's last visit is what stays, and tells when its machine is ready.
            ready = {one.tag: one.end + timedelta(minutes=one.then_min) for one in of_slot}
            there = {one.tag for one in of_slot if one.start <= now < ready[one.tag]}
            here = [one for one in of_slot if one.tag in there]
            coming = next((one for one in here or of_slot if one.start > now), None)
            doing, by, until = "", "", now
            if here:
                last = [one for one in here if one.start <= now][-1]
                alone = last.end + timedelta(minutes=last.then_min)
                doing = "hands" if now < last.end else "machine" if now < alone else "waits"
                by, until = (last.technician, last.end) if doing == "hands" else ("", max(now, alone))
            rows.append((
                slot, here[0].tag if here else "", doing, by, round((until - now).total_seconds() / 60, 1),
                f"{coming.tag}: {coming.what}" if coming else "", coming.start if coming else pd.NaT,
                coming.technician if coming else "", ready[here[0].tag] if here else pd.NaT,
            ))  # fmt: skip
        return pd.DataFrame(rows, columns=list(BOARD_COLUMNS))

    def summary(self) -> str:
        """The plan in a few sentences, a line each."""
        planned, found, chance = self.solution.schedule, self.solution, self.chance
        lines = [
            f"{self.day:%A, %d %B %Y}: {len(planned)} of {counted(len(self.jobs), 'unit')}, {clock(self.opens, 0)} to "
            f"{clock(self.opens, found.finish)}, {counted(len(self.bench.technicians), 'technician')}, "
            f"{counted(self.bench.slots, 'slot')}."
        ]
        if planned:
            low, _, high = (clock(self.opens, one) for one in chance.finish)
            lines.append(
                f"Planned so that {100 * self.quantile:.0f} of 100 units stay within their minutes. Chance that the "
                f"day is kept: {100 * chance.kept:.0f} %; "
                f"on 8 of 10 such days the last unit is done from {low} to {high}."
            )
        if self.left:
            kept = sum(self.jobs[at].weight for at in planned)
            proved = f"kept by weight: {kept}; no plan can keep more than {found.most}"
            lines.append(f"Left for another day: {', '.join(self.left)}" + (f" ({proved})." if found.most else "."))
        elif planned and found.bound:
            bound = clock(self.opens, found.bound)
            lines.append(f"No plan of them ends before {bound}, which is {100 * found.gap:.1f} % sooner.")
        for part, (when, tags) in self.delivery.items():
            lines.append(f"To be bought and here by {when}: {part}, for {', '.join(tags)}.")
        return "\n".join(lines + self.link.sentences() + self.problems)


def plan_day(
    batch: Batch, day: date | None = None, *, quantile: float = QUANTILE, delivery: int | None = None,
    seconds: float = 20.0,
) -> Plan:  # fmt: skip
    """Plan a day for a batch.

    Parameters
    ----------
    day : datetime.date, optional
        Today when left out.
    quantile : float
        Minutes are planned so that this share of units stays within them, between 0 and 1.
    delivery : int, optional
        When parts that must be bought arrive [minutes from midnight]; when left out, units that need them are planned
        as late as can be without the day ending a quarter of an hour later.
    seconds : float
        For the search [s].

    Raises
    ------
    InputError
        When the quantile is none.
    ToolError
        When OR-tools is not installed.
    """
    if not 0 < quantile < 1:
        raise InputError(f"The quantile {quantile:g} is not between 0 and 1.", "Usual is 0.5 to 0.9.")
    day = day or date.today()
    bench, opens, problems = bench_of(batch.shop)
    arrives = None if delivery is None else max(1, (delivery - opens) * TICKS)
    jobs, unplanned = work_of(batch, bench, day, quantile, opens, arrives)
    waits = frozenset(at for at, job in enumerate(jobs) if job.buys) if delivery is None else frozenset()
    solution = solve(jobs, bench, seconds, waits=waits)
    lanes = lanes_of(jobs, bench, solution.schedule)
    return plan_of(batch, day, opens, bench, jobs, solution, lanes, quantile, problems + unplanned)


def plan_of(
    batch: Batch, day: date, opens: int, bench: Bench, jobs: tuple[UnitJob, ...], solution: Solution, lanes: Lanes,
    quantile: float, problems: list[str],
) -> Plan:  # fmt: skip
    """Put a plan together with what follows of it: its chance, what to prepare and what it downloads."""
    schedule = solution.schedule
    return Plan(
        batch.shop.name, day, opens, bench, jobs, solution, lanes, quantile,
        chance(jobs, bench, schedule, lanes, quantile), evening_of(batch, jobs, schedule),
        link_of(batch, jobs, schedule), problems,
    )  # fmt: skip


def lanes_of(
    jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule, before: Lanes | None = None
) -> Lanes:  # fmt: skip
    """Give each unit a slot and a stick that is free when it needs it; what it had before, where that is free."""
    before = before or Lanes({}, {})
    lanes: dict[str, dict[int, int]] = {}
    for what, count in bench.places.items():
        spans = []
        for at, placed in schedule.items():
            job = jobs[at]
            if what in job.holds:
                span = job.span(what, [one.start for one in placed], placed[-1].end + job.tail)
                spans.append((*span, job.holds[what][0] >= 0, at))
        lanes[what] = _lanes(spans, count, before.sticks if what else before.slots)
    slots, sticks = lanes.pop(""), dict.fromkeys(schedule, 0)
    return Lanes(slots, sticks | {at: lane for some in lanes.values() for at, lane in some.items()})


def fits(jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule) -> bool:
    """Whether slots and sticks are enough for a plan, and nobody works in a break."""
    try:
        lanes_of(jobs, bench, schedule)
    except IndexError:
        return False
    return all(
        free_from(bench.technicians[one.technician], one.start, one.end - one.start) == one.start
        for placed in schedule.values()
        for one in placed
    )


def _lanes(spans: list[tuple[int, int, bool, int]], count: int, before: dict[int, int]) -> dict[int, int]:
    """Lanes of spans of which never more than `count` lie side by side; those under way first."""
    until = [-1] * count
    out = {}
    for start, end, _, at in sorted(spans):
        free = [lane for lane in range(count) if until[lane] <= start]
        out[at] = before[at] if before.get(at) in free else free[0]
        until[out[at]] = end
    return out


def tuples(frame: pd.DataFrame) -> list[Any]:
    """The rows of a frame, each with its columns as attributes."""
    return list(frame.itertuples())
