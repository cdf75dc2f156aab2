"""Rules of dispatch: plans made in one pass, as a start for the solver and as the peers that it is measured beside."""

from __future__ import annotations

import heapq
import random
from collections import Counter
from collections.abc import Iterator, Sequence

from advisor.plan.problem import Bench, Placed, Schedule, UnitJob, Visit, finish, free_from

_TRIES = 40
"""Shuffled orders that are tried."""

SEED = 1
"""Of everything that is drawn while a plan is sought."""


class _Floor:
    """How far the work has got while a plan is made; what is begun holds its slot already, and its stick."""

    def __init__(self, jobs: tuple[UnitJob, ...], bench: Bench, order: Sequence[int]) -> None:
        self.jobs, self.bench = jobs, bench
        self.done: dict[int, list[Placed]] = {}
        self.ready = {at: max(jobs[at].release, jobs[at].visits[0].earliest) for at in order}
        self.inside = {at for at in order if jobs[at].begun}
        self.waiting = dict.fromkeys(at for at in order if at not in self.inside)
        self.given = Counter(jobs[at].stick for at in self.inside if jobs[at].held[0] < 0)
        self.leaving: list[int] = []

    def following(self, at: int) -> Visit:
        """The next visit of a job."""
        return self.jobs[at].visits[len(self.done.get(at, ()))]

    def may(self, at: int, now: int, technician: int) -> bool:
        """Whether the next visit of a job may start."""
        job = self.jobs[at]
        if technician not in self.following(at).able or self.ready[at] > now:
            return False
        takes = job.stick and len(self.done.get(at, ())) == job.held[0]
        return not takes or self.given[job.stick] < self.bench.sticks[job.stick]

    def choose(self, now: int, technician: int) -> int | None:
        """The unit whose next visit somebody takes up: work begun, whoever waits longest, before the next in order."""
        begun = [at for at in self.inside if self.may(at, now, technician)]
        if begun:
            return min(begun, key=lambda at: (not self.following(at).running, self.ready[at], at))
        while self.leaving and self.leaving[0] <= now:
            heapq.heappop(self.leaving)
        if len(self.inside) + len(self.leaving) >= self.bench.slots:
            return None
        return next((at for at in self.waiting if self.may(at, now, technician)), None)

    def start(self, at: int, now: int, technician: int) -> int:
        """Place the next visit of a job; its end."""
        job, placed, visit = self.jobs[at], self.done.setdefault(at, []), self.following(at)
        self.waiting.pop(at, None)
        self.inside.add(at)
        if job.stick:
            self.given[job.stick] += (len(placed) == job.held[0]) - (len(placed) == job.held[1])
        end = now + visit.takes[technician]
        placed.append(Placed(now, end, technician))
        self.ready[at] = end + visit.then
        if len(placed) < len(job.visits):
            self.ready[at] = max(self.ready[at], self.following(at).earliest)
        else:
            self.inside.remove(at)
            heapq.heappush(self.leaving, self.ready.pop(at))
        return end


def dispatch(jobs: tuple[UnitJob, ...], bench: Bench, order: Sequence[int]) -> Schedule:
    """Let every technician who is free take up what is ready, units in this order; jobs that end after the bench closes
    are left out.
    """
    floor, close = _Floor(jobs, bench, order), bench.close
    events = [(free_from(one, 0, 1), number) for number, one in enumerate(bench.technicians)]
    heapq.heapify(events)
    while events and floor.ready:
        now, technician = heapq.heappop(events)
        if close is not None and now >= close:
            continue
        person, at = bench.technicians[technician], floor.choose(now, technician)
        if at is None:
            moments = [*(time for time, _ in events), *floor.ready.values(), *floor.leaving]
            later = min((time for time in moments if time > now), default=None)
            if later is None and not events:
                break
            begins = free_from(person, now + 1 if later is None else later, 1)
        else:
            begins = free_from(person, now, floor.following(at).takes[technician])
            if begins == now:
                begins = free_from(person, floor.start(at, now, technician), 1)
        heapq.heappush(events, (begins, technician))
    whole = {at: tuple(placed) for at, placed in floor.done.items() if len(placed) == len(jobs[at].visits)}
    return {at: p for at, p in whole.items() if close is None or p[-1].end + jobs[at].tail <= close}


def longest_first(jobs: tuple[UnitJob, ...]) -> list[int]:
    """The order of Graham's rule: the longest unit first."""
    return sorted(range(len(jobs)), key=lambda at: (-jobs[at].least(), at))


def good_start(jobs: tuple[UnitJob, ...], bench: Bench) -> Schedule:
    """The best of the rules and of some shuffled orders."""
    chance = random.Random(SEED)
    urgent = sorted(longest_first(jobs), key=lambda at: (jobs[at].due is None, jobs[at].due or 0, -jobs[at].weight))
    short = sorted(range(len(jobs)), key=lambda at: (-jobs[at].weight, sum(v.least for v in jobs[at].visits)))
    orders = [urgent, short]
    for _ in range(_TRIES):
        orders.append(sorted(urgent, key=lambda at: (jobs[at].due or 10**9, -jobs[at].weight, chance.random())))
    return min((dispatch(jobs, bench, order) for order in orders), key=lambda one: cost(jobs, bench, one))


def put_last(jobs: tuple[UnitJob, ...], bench: Bench, some: frozenset[int]) -> Iterator[Schedule]:
    """Plans in whose order some jobs stand last."""
    chance = random.Random(SEED)
    for _ in range(_TRIES):
        yield dispatch(jobs, bench, sorted(range(len(jobs)), key=lambda at: (at in some, chance.random())))


def cost(jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule) -> int:
    """What a plan is judged by: units left, then lateness, then when the last is done; see `solver.solve`."""
    left = sum(job.weight for at, job in enumerate(jobs) if at not in schedule)
    late = sum(
        job.weight * max(0, schedule[at][-1].end + job.tail - job.due)
        for at, job in enumerate(jobs)
        if job.due is not None and at in schedule
    )
    moved = sum(
        max(0, one.start - visit.planned)
        for at, placed in schedule.items()
        for one, visit in zip(placed, jobs[at].visits, strict=True)
        if visit.planned is not None
    )
    return left * LEFT + late * LATE + moved + finish(jobs, schedule)


LEFT = 10_000_000
"""What a unit left for another day counts, in ticks: more than any lateness."""

LATE = 10
"""What a tick of a unit's lateness counts beside a tick of the day's end."""
