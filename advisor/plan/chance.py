"""The chance that a day is kept: the plan followed on many days whose minutes differ as predictions do."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from advisor import tables
from advisor.plan.problem import Bench, Schedule, UnitJob

Array = NDArray[np.float64]

DAYS = 2000
"""Days that are simulated: the chance is then known to 1 point (standard error)."""


def assumed() -> dict[str, float]:
    """Figures of the table `plan/assumed`."""
    return {row["name"]: float(row["value"]) for row in tables.dicts("plan/assumed")}


@dataclass(frozen=True)
class Lanes:
    """The slot of each job, and which of its image's sticks it gets, by the number of the job."""

    slots: dict[int, int]
    sticks: dict[int, int]


@dataclass(frozen=True)
class Chance:
    """What came of the simulated days."""

    kept: float  # Share of days on which every planned unit was done by the day's end, and by when it is due
    done: dict[int, float]  # The same by job
    # When the last unit was done on the tenth, the middle and the ninetieth of a hundred days [ticks].
    finish: tuple[float, float, float]


def follow(
    jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule, lanes: Lanes, takes: dict[tuple[int, int], Array],
    then: dict[tuple[int, int], Array],
) -> tuple[dict[tuple[int, int], Array], dict[tuple[int, int], Array]]:  # fmt: skip
    """Follow a plan: every technician, slot and stick keeps its order, and each visit starts as soon as it can.

    A break that comes while a visit runs is taken after it, in full.

    Parameters
    ----------
    takes, then : dict
        Ticks of each visit and of the machine after it, by job and visit, an array of days.

    Returns
    -------
    starts, ends : dict
        Of each visit, an array of days.
    """
    order = sorted(
        (placed.start, number != jobs[at].held[1], at, number)
        for at, all_of in schedule.items()
        for number, placed in enumerate(all_of)
    )
    zero = np.zeros_like(next(iter(takes.values()))) if takes else np.zeros(1)
    free: list[Array] = [zero for _ in bench.technicians]
    breaks = [list(person.away) for person in bench.technicians]
    slot: dict[int, Array] = {}
    stick: dict[tuple[str, int], Array] = {}
    starts: dict[tuple[int, int], Array] = {}
    ends: dict[tuple[int, int], Array] = {}
    for planned, _, at, number in order:
        job, who = jobs[at], schedule[at][number].technician
        while breaks[who] and breaks[who][0][0] < planned:
            begins, until = breaks[who].pop(0)
            free[who] = np.maximum(free[who], begins) + (until - begins)
        waits = [free[who], zero + max(job.release, job.visits[number].earliest)]
        if number:
            waits.append(ends[at, number - 1] + then[at, number - 1])
        elif lanes.slots[at] in slot and not job.begun:
            waits.append(slot[lanes.slots[at]])
        lane = (job.stick, lanes.sticks.get(at, 0))
        if job.stick and number == job.held[0] and lane in stick:
            waits.append(stick[lane])
        starts[at, number] = np.maximum.reduce(waits)
        ends[at, number] = free[who] = starts[at, number] + takes[at, number]
        if job.stick and number == job.held[1]:
            stick[lane] = starts[at, number]
        if number + 1 == len(job.visits):
            slot[lanes.slots[at]] = ends[at, number] + then[at, number]
    return starts, ends


def chance(
    jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule, lanes: Lanes, quantile: float, days: int = DAYS,
) -> Chance:  # fmt: skip
    """Simulate days on which the plan is followed.

    Minutes are log-normal about their median. Hands-on minutes share what their technician is like that day, machine
    minutes what their image and the link are like; how much, says the table `plan/assumed`.

    Parameters
    ----------
    quantile : float
        At which the jobs' minutes stand.
    """
    if not schedule:
        return Chance(1.0, {}, (0.0, 0.0, 0.0))
    draw, facts, late = np.random.default_rng(1), assumed(), NormalDist().inv_cdf(quantile)
    people = draw.standard_normal((len(bench.technicians), days))
    images = {image: draw.standard_normal(days) for image in sorted({job.stick for job in jobs})}
    link = draw.standard_normal(days)
    takes, then = {}, {}
    for at, placed in schedule.items():
        own_hands, own_machine = draw.standard_normal((2, days))
        shared = np.sqrt(facts["shared_image"]) * images[jobs[at].stick] + np.sqrt(facts["shared_link"]) * link
        rest = np.sqrt(1 - facts["shared_image"] - facts["shared_link"])
        machine = np.exp(jobs[at].spread.machine * (shared + rest * own_machine - late))
        for number, one in enumerate(placed):
            pace = np.sqrt(facts["shared_technician"]) * people[one.technician]
            pace = pace + np.sqrt(1 - facts["shared_technician"]) * own_hands
            takes[at, number] = (one.end - one.start) * np.exp(jobs[at].spread.hands * (pace - late))
            then[at, number] = jobs[at].visits[number].then * machine
    _, ends = follow(jobs, bench, schedule, lanes, takes, then)
    done = {at: ends[at, len(placed) - 1] + then[at, len(placed) - 1] for at, placed in schedule.items()}
    limits = {at: min(x for x in (jobs[at].due, bench.close, 10**9) if x is not None) for at in done}
    in_time = {at: done[at] <= limits[at] for at in done}
    last = np.max(np.stack(list(done.values())), axis=0)
    low, middle, high = (float(one) for one in np.quantile(last, (0.1, 0.5, 0.9)))
    return Chance(
        float(np.all(np.stack(list(in_time.values())), axis=0).mean()),
        {at: float(one.mean()) for at, one in in_time.items()}, (low, middle, high),
    )  # fmt: skip
