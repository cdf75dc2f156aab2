"""The stated chance of keeping the day, beside days simulated by other code from the same words."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from shops import bench, usual

from advisor.plan.chance import Lanes, assumed, chance, follow
from advisor.plan.day import lanes_of
from advisor.plan.problem import Bench, Schedule, Spread, UnitJob
from advisor.plan.rules import dispatch

HANDS, MACHINE = 0.2, 0.25


def one_day(jobs: tuple[UnitJob, ...], floor: Bench, schedule: Schedule, lanes: Lanes, draw: random.Random) -> float:
    """When the last unit is done on one day: everybody works down a list of their own, and waits where they must.

    A list has visits and breaks in the order of the plan. Written from what the policy says, without arrays.
    """
    lists: dict[int, list[tuple[int, int, int]]] = {who: [] for who in range(len(floor.technicians))}
    for at, placed in schedule.items():
        for number, one in enumerate(placed):
            lists[one.technician].append((one.start, at, number))
    for who, person in enumerate(floor.technicians):
        lists[who] += [(start, -1, end) for start, end in person.away if end < 10**5]
        lists[who].sort()
    slots: dict[int, list[int]] = {}
    sticks: dict[int, list[int]] = {}
    for at in sorted(schedule, key=lambda one: schedule[one][0].start):
        slots.setdefault(lanes.slots[at], []).append(at)
    for at in sorted(schedule, key=lambda one: schedule[one][jobs[one].held[0]].start):
        sticks.setdefault(lanes.sticks[at], []).append(at)
    link, image = draw.gauss(0, 1), draw.gauss(0, 1)
    person_of = [draw.gauss(0, 1) for _ in floor.technicians]
    own = {at: (draw.gauss(0, 1), draw.gauss(0, 1)) for at in schedule}
    begun: dict[tuple[int, int], float] = {}
    ready: dict[tuple[int, int], float] = {}
    clock = [0.0] * len(lists)
    while any(lists.values()):
        moved = False
        for who, mine in lists.items():
            if not mine:
                continue
            planned, at, number = mine[0]
            if at < 0:
                clock[who] = max(clock[who], planned) + number - planned
                mine.pop(0)
                moved = True
                continue
            job, waits = jobs[at], [clock[who]]
            before = []
            if number:
                before.append((at, number - 1))
            else:
                earlier = slots[lanes.slots[at]][: slots[lanes.slots[at]].index(at)]
                before += [(earlier[-1], len(jobs[earlier[-1]].visits) - 1)] if earlier else []
            waits += [ready.get(one, math.inf) for one in before]
            if number == job.held[0]:
                earlier = sticks[lanes.sticks[at]][: sticks[lanes.sticks[at]].index(at)]
                waits += [begun.get((earlier[-1], jobs[earlier[-1]].held[1]), math.inf)] if earlier else []
            if math.inf in waits:
                continue
            pace = math.sqrt(0.5) * person_of[who] + math.sqrt(0.5) * own[at][0]
            speed = math.sqrt(0.2) * image + math.sqrt(0.2) * link + math.sqrt(0.6) * own[at][1]
            begun[at, number] = max(waits)
            clock[who] = max(waits) + job.visits[number].takes[who] * math.exp(HANDS * pace)
            ready[at, number] = clock[who] + job.visits[number].then * math.exp(MACHINE * speed)
            mine.pop(0)
            moved = True
        assert moved, "nobody can go on"
    return max(ready.values())


@pytest.mark.slow
def test_the_stated_chance_is_true_within_five_points_over_a_thousand_days() -> None:
    jobs, floor = usual(24), bench(slots=4, sticks=2)
    schedule = dispatch(jobs, floor, list(range(len(jobs))))
    jobs = tuple(replace(job, spread=Spread(HANDS, MACHINE)) for job in jobs)
    lanes = lanes_of(jobs, floor, schedule)
    draw = random.Random(20261126)
    ends = [one_day(jobs, floor, schedule, lanes, draw) for _ in range(1000)]
    for level in (0.1, 0.3, 0.5, 0.7, 0.9):
        close = int(np.quantile(ends, level))
        told = chance(jobs, Bench(floor.technicians, 4, {"i": 2}, close), schedule, lanes, 0.5)
        assert told.kept == pytest.approx(np.mean(np.array(ends) <= close), abs=0.05)


def test_the_table_says_what_the_words_say() -> None:
    """From memory, as the table says; the other simulation uses the same shares."""
    facts = assumed()
    assert (facts["shared_technician"], facts["shared_image"], facts["shared_link"]) == (0.5, 0.2, 0.2)


def test_a_plan_that_is_kept_to_the_minute_is_the_plan() -> None:
    jobs, floor = usual(10), bench()
    schedule = dispatch(jobs, floor, list(range(10)))
    lanes = lanes_of(jobs, floor, schedule)
    takes = {(at, n): np.array([one.end - one.start], float) for at, p in schedule.items() for n, one in enumerate(p)}
    then = {(at, n): np.array([jobs[at].visits[n].then], float) for at, n in takes}
    starts, _ = follow(jobs, floor, schedule, lanes, takes, then)
    assert all(starts[at, n][0] <= schedule[at][n].start for at, n in takes)
    certain = chance(jobs, floor, schedule, lanes, 0.7, days=10)
    assert certain.kept == 1.0


def test_a_break_that_comes_while_somebody_works_is_taken_after_it() -> None:
    """A visit from 1,100 on takes 200 instead of 100: it ends at 1,300, the break of 150 at 1,450, then the next."""
    from shops import unit

    jobs = (unit("a", (100, 0), people=1, release=1100), unit("b", (50, 0), people=1, release=1300))
    floor = bench(people=1)
    schedule = dispatch(jobs, floor, [0, 1])
    one = np.ones(1)
    starts, _ = follow(
        jobs, floor, schedule, Lanes({0: 0, 1: 1}, {}), {(0, 0): 200 * one, (1, 0): 50 * one},
        {(0, 0): 0 * one, (1, 0): 0 * one},
    )  # fmt: skip
    assert starts[1, 0][0] == 1450
