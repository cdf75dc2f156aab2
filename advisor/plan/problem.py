"""The planning problem as plain numbers: jobs made of visits, and a bench with technicians, slots and sticks.

Times are whole tenths of a minute from the start of the day, as fine as minutes are predicted.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

T = TypeVar("T")

TICKS = 10
"""Ticks in a minute."""


@dataclass(frozen=True)
class Visit:
    """A stretch of hands-on work on one unit, by one technician without a break."""

    takes: tuple[int, ...]  # Ticks that each technician of the bench takes for it
    then: int = 0  # Ticks that the machine works by itself before the next visit may start
    phases: tuple[str, ...] = ()  # Names of the phases that it is of
    who: tuple[int, ...] = ()  # Technicians who may do it; all when empty
    earliest: int = 0  # It starts no earlier [ticks]
    running: bool = False  # It starts at that very moment: it is under way
    # When it was to start in an earlier plan, from which it moves later only where that helps [ticks].
    planned: int | None = None

    @property
    def able(self) -> tuple[int, ...]:
        """Technicians who may do it."""
        return self.who or tuple(range(len(self.takes)))

    @property
    def least(self) -> int:
        """Ticks that the quickest of them takes."""
        return min(self.takes[one] for one in self.able)


@dataclass(frozen=True)
class Spread:
    """How far a unit's minutes differ: standard deviations of the log of hands-on and of machine minutes."""

    hands: float = 0.0
    machine: float = 0.0


@dataclass(frozen=True)
class UnitJob:
    """A unit: it holds a slot from its first visit to the end of its machine's work after the last."""

    tag: str
    visits: tuple[Visit, ...]
    stick: str = ""  # Image of the stick that it is installed from; '' for none
    # The stick is held from the start of one visit to the start of another: their numbers; -1 for a stick that is held
    # already.
    held: tuple[int, int] = (0, 0)
    release: int = 0  # Its first visit starts no earlier [ticks]
    begun: bool = False  # It holds its slot from the release on
    due: int | None = None  # It is to be done by then [ticks]
    weight: int = 1  # How much it counts where the day does not hold all units
    row: int = 0  # Its row of the batch
    spread: Spread = Spread()
    buys: tuple[str, ...] = ()  # Parts that must be bought first

    def least(self, first: int = 0, last: int | None = None) -> int:
        """Ticks from the start of a visit to the start of another (to the end of all when left out), at the least."""
        return sum(one.least + one.then for one in self.visits[max(first, 0) : last])

    @property
    def holds(self) -> dict[str, tuple[int, int | None]]:
        """What it holds, '' a slot or the image of its stick: see `held`; None stands for the end of all."""
        slot: dict[str, tuple[int, int | None]] = {"": (-1 if self.begun else 0, None)}
        return slot | ({self.stick: self.held} if self.stick else {})

    def span(self, what: str, starts: Sequence[T], end: T) -> tuple[T | int, T]:
        """From when to when it holds something, by the starts of its visits and the end of all."""
        first, last = self.holds[what]
        return self.release if first < 0 else starts[first], end if last is None else starts[last]

    @property
    def tail(self) -> int:
        """Ticks that the machine works after the last visit."""
        return self.visits[-1].then


@dataclass(frozen=True)
class Technician:
    """Somebody at the bench; `away` are spans in which no visit runs [ticks], in order and apart."""

    name: str
    away: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Bench:
    """What there is to work with; the day ends at `close` [ticks], None for a day without an end."""

    technicians: tuple[Technician, ...]
    slots: int
    sticks: dict[str, int] = field(default_factory=dict)
    close: int | None = None

    @property
    def places(self) -> dict[str, int]:
        """How many there are of what jobs hold: slots under '', sticks under their image."""
        return {"": self.slots, **self.sticks}


@dataclass(frozen=True)
class Placed:
    """When a visit runs, and by whom."""

    start: int
    end: int
    technician: int


Schedule = dict[int, tuple[Placed, ...]]
"""Visits by the number of their job; a job that is left for another day is missing."""


def free_from(technician: Technician, at: int, takes: int) -> int:
    """The earliest moment from `at` on at which somebody has `takes` ticks without a break."""
    for start, end in technician.away:
        if at + takes <= start:
            break
        at = max(at, end)
    return at


def finish(jobs: tuple[UnitJob, ...], schedule: Schedule) -> int:
    """When the last machine is done [ticks]."""
    return max((placed[-1].end + jobs[at].tail for at, placed in schedule.items()), default=0)


def available(technician: Technician, until: int) -> int:
    """Ticks that somebody is there before a moment."""
    return until - sum(max(0, min(end, until) - start) for start, end in technician.away)


def load_bound(jobs: tuple[UnitJob, ...], bench: Bench) -> int:
    """A moment before which no plan can end: hands, slots, sticks or a single unit need until then.

    Hands: with any weight on each technician, the visits' least weighted ticks fit into the weighted ticks there are.
    """
    if not jobs:
        return 0
    people = bench.technicians
    visits = [visit for job in jobs for visit in job.visits]
    shared = [visit.takes for visit in visits if not visit.who]
    totals = [sum(takes[one] for takes in shared) for one in range(len(people))]
    weights = [totals[0] / total if total else 1.0 for total in totals]
    needed = sum(min(weights[one] * visit.takes[one] for one in visit.able) for visit in visits)
    high = 1 + sum(max(one.takes) for one in visits) + max((end for one in people for _, end in one.away), default=0)
    low = bisect_left(
        range(high), needed - 1e-6,
        key=lambda until: sum(weight * available(one, until) for weight, one in zip(weights, people, strict=True)),
    )  # fmt: skip
    bounds = [low + min(job.tail for job in jobs), *(job.release + job.least() for job in jobs)]
    for what, count in bench.places.items():
        some = [(job, *job.holds[what]) for job in jobs if what in job.holds]
        if some:
            held = sum(job.least(first, last) for job, first, last in some)
            before = min(job.least(0, max(first, 0)) for job, first, _ in some)
            bounds.append(
                before - (-held // count) + min(0 if last is None else job.least(last) for job, _, last in some)
            )
    bounds += [sum(visit.takes[one] for visit in visits if visit.able == (one,)) for one in range(len(people))]
    return max(bounds)


def weight_bound(jobs: tuple[UnitJob, ...], bench: Bench) -> int:
    """The most that any choice of jobs can weigh whose hands-on work fits into the day, if jobs could be cut."""
    if bench.close is None:
        return sum(job.weight for job in jobs)
    there = float(sum(available(one, bench.close) for one in bench.technicians))
    hands = [sum(visit.least for visit in job.visits) for job in jobs]
    total = 0.0
    for need, job in sorted(zip(hands, jobs, strict=True), key=lambda one: one[0] / one[1].weight):
        total += job.weight * min(1.0, there / need)
        there = max(0.0, there - need)
    return int(total + 1e-9)
