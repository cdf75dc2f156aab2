"""The plan by OR-tools' CP-SAT: intervals for visits, stays and sticks, and a bound that no plan can beat."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import Any

from advisor.errors import library
from advisor.plan.problem import Bench, Placed, Schedule, Technician, UnitJob, finish, load_bound, weight_bound
from advisor.plan.rules import LATE, LEFT, SEED, cost, good_start, put_last

WORKERS = 2
"""Threads of the solver, on every machine."""

SEARCHES = ("no_lp", "max_lp")
"""What they do: one without linear relaxations, one with all. The two prove the optimum of ft10 in ten to sixty
seconds, which the solver's own choice for two threads did not in sixty."""


LATER = 150
"""The day may end this much later, if it is not over by then, so that parts may arrive later [ticks]: a quarter of an
hour; common practice, no source."""


@dataclass(frozen=True)
class Solution:
    """A plan with what is known of how good it can be."""

    schedule: Schedule
    finish: int  # When the last machine is done [ticks]
    bound: int  # No plan of these jobs ends earlier [ticks]
    most: int  # No plan keeps more jobs' weight in the day than this

    @property
    def gap(self) -> float:
        """How much later than the bound the plan ends, as a share of the bound."""
        return self.finish / self.bound - 1 if self.bound else 0.0


class _Model:
    """The jobs as CP-SAT sees them."""

    def __init__(self, jobs: tuple[UnitJob, ...], bench: Bench, horizon: int, may_leave: bool) -> None:
        needs = "Planning needs OR-tools, which is not installed."
        self.cp = library("ortools.sat.python.cp_model", needs, "plan")
        self.model = self.cp.CpModel()
        self.jobs, self.bench, self.horizon = jobs, bench, horizon
        self.here = [self.model.new_bool_var("") for _ in jobs]
        if not may_leave:
            self.model.add_bool_and(self.here)
        self.starts: list[list[Any]] = []
        self.ends: list[list[Any]] = []
        self.by: dict[tuple[int, int, int], Any] = {}
        self.hands: dict[int, list[Any]] = defaultdict(list)
        self.alike: list[Any] = []
        for at, job in enumerate(jobs):
            self._visits(at, job, may_leave)
        self._people()
        self._share()
        self.end = self.model.new_int_var(0, horizon, "end")
        terms = [self.end]
        for at, job in enumerate(jobs):
            done = self.ends[at][-1] + job.tail
            self.model.add(self.end >= done)
            if job.due is not None:
                late = self.model.new_int_var(0, horizon, "")
                self.model.add(late >= done - job.due)
                terms.append(LATE * job.weight * late)
            terms.append(LEFT * job.weight * (1 - self.here[at]))
            for number, visit in enumerate(job.visits):
                if visit.planned is not None:
                    moved = self.model.new_int_var(0, horizon, "")
                    self.model.add(moved >= self.starts[at][number] - visit.planned)
                    terms.append(moved)
        self.goal = sum(terms)
        self.model.minimize(self.goal)

    def _visits(self, at: int, job: UnitJob, may_leave: bool) -> None:
        model, starts, ends = self.model, list[Any](), list[Any]()
        for number, visit in enumerate(job.visits):
            # A job that is left for another day is free of its release.
            first = 0 if may_leave else max(job.release + job.least(0, number), visit.earliest)
            start, end = model.new_int_var(first, self.horizon, ""), model.new_int_var(0, self.horizon, "")
            model.add_linear_constraint(end - start, visit.least, max(visit.takes))
            if visit.running:
                model.add(start == visit.earliest)
            if number:
                model.add(start >= ends[-1] + job.visits[number - 1].then)
            else:
                model.add(start >= job.release).only_enforce_if(self.here[at])
            for one in visit.able:
                by = self.by[at, number, one] = model.new_bool_var("")
                self.hands[one].append(model.new_optional_interval_var(start, visit.takes[one], end, by, ""))
            model.add(sum(self.by[at, number, one] for one in visit.able) == self.here[at])
            if not visit.who and len(set(visit.takes)) == 1:
                self.alike.append(self._interval(at, start, visit.least, end))
            starts.append(start)
            ends.append(end)
        self.starts.append(starts)
        self.ends.append(ends)

    def _interval(self, at: int, start: Any, size: Any, end: Any) -> Any:
        """A span of a job, for as far as the job is planned at all."""
        return self.model.new_optional_interval_var(start, size, end, self.here[at], "")

    def _people(self) -> None:
        people = self.bench.technicians
        for one, person in enumerate(people):
            self.model.add_no_overlap(self.hands[one] + self._away(person))
        if len({person.away for person in people}) == 1 and len(people) > 1 and self.alike:
            # Says nothing new, but lets the solver reckon with all hands at once.
            away, many = self._away(people[0]), len(people)
            self.model.add_cumulative(self.alike + away, [1] * len(self.alike) + [many] * len(away), many)

    def _away(self, person: Technician) -> list[Any]:
        spans = ((start, min(end, self.horizon)) for start, end in person.away)
        return [self.model.new_fixed_size_interval_var(start, end - start, "") for start, end in spans if start < end]

    def _share(self) -> None:
        """Never more slots in use than there are, nor sticks of an image."""
        for what, count in self.bench.places.items():
            users = [at for at, job in enumerate(self.jobs) if what in job.holds]
            spans = []
            for at in users if len(users) > count else ():
                job = self.jobs[at]
                start, end = job.span(what, self.starts[at], self.ends[at][-1] + job.tail)
                size = self.model.new_int_var(job.least(*job.holds[what]), self.horizon, "")
                spans.append(self._interval(at, start, size, end))
            if spans:
                self.model.add_cumulative(spans, [1] * len(spans), count)

    def search(self, start: Schedule, seconds: float) -> tuple[Schedule, float | None]:
        """The best plan found from a start on, and the bound that was proved, None for none."""
        self.hint(start)
        solver = self.cp.CpSolver()
        solver.parameters.num_workers = WORKERS
        solver.parameters.subsolvers.extend(SEARCHES)
        solver.parameters.random_seed = SEED
        solver.parameters.max_time_in_seconds = seconds
        status = solver.solve(self.model)
        found = self.schedule(solver) if status in (self.cp.OPTIMAL, self.cp.FEASIBLE) else start
        return found, None if status == self.cp.UNKNOWN else solver.best_objective_bound

    def hint(self, schedule: Schedule) -> None:
        """Start the search from a plan."""
        for at in range(len(self.jobs)):
            placed = schedule.get(at)
            self.model.add_hint(self.here[at], placed is not None)
            for number, one in enumerate(placed or ()):
                self.model.add_hint(self.starts[at][number], one.start)
                self.model.add_hint(self.ends[at][number], one.end)
                for who in self.jobs[at].visits[number].able:
                    self.model.add_hint(self.by[at, number, who], who == one.technician)

    def schedule(self, solver: Any) -> Schedule:
        """The plan that the solver found."""
        out: Schedule = {}
        for at, job in enumerate(self.jobs):
            if not solver.value(self.here[at]):
                continue
            placed = []
            for number, visit in enumerate(job.visits):
                who = next(one for one in visit.able if solver.value(self.by[at, number, one]))
                start = int(solver.value(self.starts[at][number]))
                placed.append(Placed(start, start + visit.takes[who], who))
            out[at] = tuple(placed)
        return out


def solve(
    jobs: tuple[UnitJob, ...], bench: Bench, seconds: float = 20.0, *, start: Schedule | None = None,
    waits: frozenset[int] = frozenset(),
) -> Solution:  # fmt: skip
    """Plan jobs on a bench: as much weight as the day holds, then no unit late, then the day's end as early as can be.

    Parameters
    ----------
    jobs : tuple of UnitJob
        Each of which the bench can do within its day.
    seconds : float
        For the search [s].
    start : Schedule, optional
        Where the search begins; the best of some rules of dispatch when left out.
    waits : frozenset of int
        Jobs whose parts are not here yet: they start as late as the day's end, once found, and `LATER` allow.

    Raises
    ------
    ToolError
        When OR-tools is not installed.
    """
    start = good_start(jobs, bench) if start is None else start
    bound, whole = load_bound(jobs, bench), sum(job.weight for job in jobs)
    if not jobs:
        return Solution(start, 0, bound, whole)
    found, proved = start, float(bound)
    may_leave = bench.close is not None and len(start) < len(jobs)
    if cost(jobs, bench, start) > bound:
        found, proved = _search(jobs, bench, start, seconds * (0.7 if waits else 1.0), may_leave)
    kept = tuple(sorted(found))
    some = tuple(jobs[at] for at in kept)
    most = min(whole - int(max(0.0, proved) // LEFT), weight_bound(jobs, bench)) if may_leave else whole
    if may_leave:
        bound = load_bound(some, bench)
    elif _by_end_alone(jobs):
        bound = max(bound, round(proved))
    solution = Solution(found, finish(jobs, found), bound, most)
    late = frozenset(number for number, at in enumerate(kept) if at in waits)
    if not late or len(late) == len(kept):
        return solution
    placed = _later(some, bench, {number: found[at] for number, at in enumerate(kept)}, late, 0.3 * seconds)
    return replace(
        solution, schedule={kept[number]: one for number, one in placed.items()}, finish=finish(some, placed)
    )


def _by_end_alone(jobs: tuple[UnitJob, ...]) -> bool:
    """Whether a plan is judged by when the last unit is done, and by nothing else."""
    return not any(job.due is not None or any(one.planned is not None for one in job.visits) for job in jobs)


def _search(
    jobs: tuple[UnitJob, ...], bench: Bench, start: Schedule, seconds: float, may_leave: bool
) -> tuple[Schedule, float]:
    """The best plan found from a start on, and the bound that was proved for its cost."""
    last, bound = finish(jobs, start), load_bound(jobs, bench)
    horizon = bench.close if may_leave and bench.close is not None else 2 * max(last, bound)
    model = _Model(jobs, bench, horizon, may_leave)
    if not may_leave:
        model.model.add(model.end >= bound)
        if _by_end_alone(jobs) or bench.close is not None:
            model.model.add(model.end <= (last if _by_end_alone(jobs) else max(last, bench.close or 0)))
    found, proved = model.search(start, seconds)
    better = found if cost(jobs, bench, found) <= cost(jobs, bench, start) else start
    return better, float(bound) if proved is None else proved


def _later(jobs: tuple[UnitJob, ...], bench: Bench, start: Schedule, waits: frozenset[int], seconds: float) -> Schedule:
    """The same day with some jobs started as late as it allows: no job is later than due, or than it was."""
    last = min(finish(jobs, start) + LATER, bench.close if bench.close is not None else 10**9)

    def arrival_of(schedule: Schedule) -> int:
        return min(schedule[at][0].start for at in waits)

    limits = {at: max(job.due, start[at][-1].end + job.tail) for at, job in enumerate(jobs) if job.due is not None}
    for other in put_last(jobs, bench, waits):
        done = {at: placed[-1].end + jobs[at].tail for at, placed in other.items()}
        whole = len(done) == len(jobs) and max(done.values()) <= last
        if whole and all(done[at] <= limit for at, limit in limits.items()) and arrival_of(other) > arrival_of(start):
            start = other
    model = _Model(jobs, bench, last, may_leave=False)
    for at, limit in limits.items():
        model.model.add(model.ends[at][-1] + jobs[at].tail <= limit)
    arrival = model.model.new_int_var(0, last, "arrival")
    for at in waits:
        model.model.add(arrival <= model.starts[at][0])
    model.model.maximize(arrival)
    return model.search(start, seconds)[0]
