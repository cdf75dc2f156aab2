"""The rest of the day planned anew: what is begun stays put, and little beyond the next two hours moves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.errors import AdvisorError, InputError
from advisor.files import read_csv, shortened
from advisor.intake.safety import unguarded
from advisor.plan.chance import Lanes, chance, follow
from advisor.plan.day import Plan, fits, lanes_of, plan_of
from advisor.plan.hours import FOREVER, bench_of, clock, joined
from advisor.plan.problem import TICKS, Bench, Placed, Schedule, Technician, UnitJob, Visit, finish
from advisor.plan.rules import dispatch
from advisor.plan.solver import Solution, solve
from advisor.plan.work import work_of

if TYPE_CHECKING:
    from advisor.advice import Batch
    from advisor.benchlog import BenchLog

AHEAD_MIN = 120
"""What starts later than this from now on keeps its technician, and starts no sooner than planned [min]."""

TOLD_MIN = 5
"""A visit that moves by less than this is no change worth telling [min]; common practice, no source."""


@dataclass(frozen=True)
class Progress:
    """How far a unit has got, by its stopwatches."""

    started: Mapping[str, datetime]  # When each phase was started first
    running: str = ""  # Phase whose stopwatch runs, '' for none


@dataclass(frozen=True)
class Change:
    """What is other than it was planned: the unit, and how, in words."""

    tag: str
    words: str


def progress_of(log: BenchLog, tags: Iterable[str]) -> dict[str, Progress]:
    """How far units have got by the stopwatches of a bench log, in the local time of this machine."""
    out = {}
    for tag in tags:
        laps = log.laps(tag)
        started: dict[str, datetime] = {}
        for lap in laps:
            when = datetime.fromisoformat(str(lap["started_at"]))
            started.setdefault(str(lap["phase"]), when.astimezone().replace(tzinfo=None))
        if started:
            out[tag] = Progress(started, next((str(lap["phase"]) for lap in laps if lap["stopped_at"] is None), ""))
    return out


def read_plan(path: str | Path, batch: Batch, quantile: float) -> Plan:
    """Read a plan back that was written as CSV, of the same sheet and shop.

    Parameters
    ----------
    quantile : float
        At which it was planned.

    Raises
    ------
    InputError
        When it is no such plan.
    """
    frame = read_csv(path, "plan", dtype={"tag": str, "technician": str})
    try:
        starts = pd.to_datetime(frame["start"], format="ISO8601")
        if frame.empty:
            raise ValueError("no visit stands in it")
        bench, opens, problems = bench_of(batch.shop)
        day = starts.min().date()
        jobs, _ = work_of(batch, bench, day, quantile, opens)
        number = {unguarded(job.tag): at for at, job in enumerate(jobs)}
        people = {unguarded(person.name): at for at, person in enumerate(bench.technicians)}
        schedule: Schedule = {}
        slots, sticks = {}, {}
        for row in frame.sort_values(["tag", "visit"]).to_dict("records"):
            start = pd.Timestamp(row["start"])
            at, who = number[unguarded(row["tag"])], people[unguarded(row["technician"])]
            begins = round(((start - pd.Timestamp(day)).total_seconds() / 60 - opens) * TICKS)
            ends = begins + jobs[at].visits[int(row["visit"]) - 1].takes[who]
            if abs((ends - begins) / TICKS - float(row["hands_on_min"])) > 0.2:
                raise ValueError("its minutes are others than those of this sheet, shop and quantile")
            schedule[at] = (*schedule.get(at, ()), Placed(begins, ends, who))
            slots[at], sticks[at] = int(row["slot"]) - 1, int(row["stick"]) - 1
        if any(len(placed) != len(jobs[at].visits) for at, placed in schedule.items()):
            raise ValueError("visits are missing")
    except (KeyError, ValueError, IndexError, AttributeError) as error:
        if isinstance(error, AdvisorError):
            raise
        raise InputError(
            f"{path} is no plan of this sheet and shop: {shortened(str(error))}.", "Write one with: --out day.csv"
        ) from error
    found = Solution(schedule, finish(jobs, schedule), 0, 0)
    return plan_of(batch, day, opens, bench, jobs, found, Lanes(slots, sticks), quantile, problems)


def rest_of_day(
    plan: Plan, now: datetime, log: BenchLog, gone: Iterable[str] = (), seconds: float = 10.0
) -> tuple[Plan, list[Change], int, int]:
    """Plan the rest of a day by a bench log: also how many units were begun by its stopwatches, and logged that day."""
    progress = progress_of(log, [job.tag for job in plan.jobs])
    logged = log.rows("SELECT asset_tag FROM job WHERE done_on = ?", (plan.day.isoformat(),))
    done = [str(row["asset_tag"]) for row in logged]
    return *plan_again(plan, now, progress, gone, done, seconds), len(progress), len(done)


def plan_again(
    plan: Plan, now: datetime, progress: Mapping[str, Progress], gone: Iterable[str] = (), done: Iterable[str] = (),
    seconds: float = 10.0,
) -> tuple[Plan, list[Change]]:  # fmt: skip
    """Plan the rest of a day.

    Parameters
    ----------
    plan : Plan
        As it was.
    now : datetime.datetime
        Local time.
    progress : mapping of str to Progress
        Of the units begun, by tag; a unit that is not in it has not begun.
    gone : iterable of str
        Tags of units that fell out: the whole rest may then move.
    done : iterable of str
        Tags of units that are finished.
    seconds : float
        For the search [s].

    Returns
    -------
    plan : Plan
        Of what is left to do.
    changes : list of Change
        What moves by five minutes or more, or gets another technician.

    Raises
    ------
    InputError
        When it is not the plan's day, or more units are begun than there are slots.
    """
    if now.date() != plan.day:
        raise InputError(f"The plan is of {plan.day}, not of {now.date()}.", "Plan the day anew.")
    at_now = round((now - datetime.combine(plan.day, time())).total_seconds() / 60 - plan.opens) * TICKS
    tags = {at: plan.jobs[at].tag for at in sorted(plan.solution.schedule)}
    fell_out, over = ({tag.casefold() for tag in some} for some in (gone, done))
    free = any(tag.casefold() in fell_out for tag in tags.values())
    kept = [at for at, tag in tags.items() if tag.casefold() not in fell_out | over]
    left = [(at, *_rest(plan, at, at_now, progress.get(tags[at], Progress({})), free)) for at in kept]
    origin = [at for at, job, _ in left if job.visits]
    olds = dict(enumerate(old for _, _, old in left if old))
    jobs = _one_each([job for _, job, _ in left if job.visits], len(plan.bench.technicians))
    if sum(job.begun for job in jobs) > plan.bench.slots:
        raise InputError("More units are begun than there are slots.", "Stop the stopwatches of those that are done.")
    bench = _bench(plan.bench, at_now, jobs)
    before = Lanes(
        *({number: of[at] for number, at in enumerate(origin)} for of in (plan.lanes.slots, plan.lanes.sticks))
    )
    start = _start(jobs, bench, olds, before)
    solution = solve(jobs, replace(bench, close=None), seconds, start=start) if jobs else Solution({}, 0, 0, 0)
    lanes = lanes_of(jobs, bench, solution.schedule, before)
    new = replace(
        plan, bench=bench, jobs=jobs, solution=solution, lanes=lanes, problems=_late(plan.opens, bench, jobs, solution),
        chance=chance(jobs, bench, solution.schedule, lanes, plan.quantile),
    )  # fmt: skip
    return new, _changes(plan, new, origin)


def _rest(plan: Plan, at: int, now: int, progress: Progress, free: bool) -> tuple[UnitJob, tuple[Placed, ...]]:
    """What is left of a unit, without a visit where nothing is, and where that stood in the plan."""
    job, placed = plan.jobs[at], plan.solution.schedule[at]
    begun = bool(progress.started)
    reached, since, last = _reached(plan, job, progress)
    visits: list[Visit] = []
    olds: list[Placed] = []
    ready = now
    for number in range(max(reached, 0), len(job.visits)):
        visit, old = replace(job.visits[number], planned=placed[number].start), placed[number]
        spent = now - since
        if number == reached and last and spent >= visit.takes[old.technician]:
            # Its last phase is under way or stopped, and the hands' part is over: the machine works by itself.
            ready = max(now, since + visit.takes[old.technician] + visit.then)
            continue
        if number == reached:
            left = tuple(max(TICKS, takes - spent) for takes in visit.takes)
            running = bool(progress.running)
            who = (old.technician,) if running else ()
            visit = replace(visit, takes=left, who=who, earliest=now, running=running, planned=None)
            old = Placed(now - 1, now, old.technician)
        elif not free and old.start > now + AHEAD_MIN * TICKS:
            visit = replace(visit, who=(old.technician,), earliest=max(old.start, visit.earliest))
        if olds and old.start <= olds[-1].start:
            old = replace(old, start=olds[-1].start + 1)
        visits.append(replace(visit, earliest=max(ready, visit.earliest)))
        olds.append(old)
        ready = now
    first = len(job.visits) - len(visits)
    stick, held = _stick(job, first, bool(visits) and visits[0].running)
    release = now if begun else max(now, job.release)
    return replace(job, visits=tuple(visits), stick=stick, held=held, begun=begun, release=release), tuple(olds)


def _stick(job: UnitJob, first: int, running: bool) -> tuple[str, tuple[int, int]]:
    """The stick that a unit still holds or will, when its first visits are over or one of them is under way."""
    taken, pulled = job.held[0] - first, job.held[1] - first
    if not job.stick or pulled < 0 or (pulled == 0 and running):
        return "", (0, 0)
    return job.stick, (-1 if taken < 0 or (taken == 0 and running) else taken, pulled)


def _reached(plan: Plan, job: UnitJob, progress: Progress) -> tuple[int, int, bool]:
    """The visit that was begun last, when [ticks], and whether its last phase was; -1 for none.

    A phase at whose machine's work one visit ends and the next begins is the earlier one's.
    """
    for number in reversed(range(len(job.visits))):
        earlier = job.visits[number - 1].phases[-1:] if number else ()
        phases = [phase for phase in job.visits[number].phases if phase not in earlier]
        started = [progress.started[phase] for phase in phases if phase in progress.started]
        if started:
            minutes = (min(started) - datetime.combine(plan.day, time())).total_seconds() / 60
            return number, round((minutes - plan.opens) * TICKS), phases[-1] in progress.started
    return -1, 0, False


def _late(opens: int, bench: Bench, jobs: tuple[UnitJob, ...], solution: Solution) -> list[str]:
    """Units that end after the day, in sentences."""
    ends = {job.tag: solution.schedule[number][-1].end + job.tail for number, job in enumerate(jobs)}
    close = FOREVER if bench.close is None else bench.close
    return [f"{tag} ends at {clock(opens, end)}, after the day." for tag, end in ends.items() if end > close]


def _one_each(jobs: list[UnitJob], people: int) -> tuple[UnitJob, ...]:
    """Nobody has their hands on two units at once: of stopwatches that run, each is another technician's."""
    free, out = set(range(people)), []
    for job in jobs:
        visit = job.visits[0]
        if visit.running:
            who = next((one for one in (*visit.who, *sorted(free)) if one in free), None)
            free.discard(-1 if who is None else who)
            visit = replace(visit, running=False, who=()) if who is None else replace(visit, who=(who,))
        out.append(replace(job, visits=(visit, *job.visits[1:])))
    return tuple(out)


def _bench(bench: Bench, now: int, jobs: tuple[UnitJob, ...]) -> Bench:
    """Nobody is there before now, and a break that a running visit reaches into comes after it, in full."""
    busy = {visit.who[0]: visit for job in jobs for visit in job.visits if visit.running}
    people = []
    for number, person in enumerate(bench.technicians):
        spans = [(start, end) for start, end in person.away if end > now]
        if number in busy:
            until = now + busy[number].takes[number]
            spans = [(until, until + end - start) if start < until else (start, end) for start, end in spans]
        # Who is late works on: what ends after the day is said.
        spans = [(start, end) for start, end in spans if end < FOREVER // 2]
        people.append(Technician(person.name, joined([(0, now), *spans])))
    return replace(bench, technicians=tuple(people))


def _start(jobs: tuple[UnitJob, ...], bench: Bench, olds: Schedule, lanes: Lanes) -> Schedule:
    """What the search starts from: the plan as it was, shifted; anew by the old order where that cannot be followed."""
    shifted = _shifted(jobs, bench, olds, lanes)
    first = {at: jobs[at].visits[0] for at in shifted}
    followed = all(shifted[at][0].start == visit.earliest for at, visit in first.items() if visit.running)
    if followed and fits(jobs, bench, shifted):
        return shifted
    return dispatch(jobs, replace(bench, close=None), sorted(olds, key=lambda at: olds[at][0].start))


def _shifted(jobs: tuple[UnitJob, ...], bench: Bench, olds: Schedule, lanes: Lanes) -> Schedule:
    """The plan as it was, each visit as soon as it can be: what the search starts from."""
    same = {
        at: tuple(
            replace(one, technician=next(iter(visit.who), one.technician))
            for visit, one in zip(jobs[at].visits, placed, strict=True)
        )
        for at, placed in olds.items()
    }
    each = [(at, number, one.technician) for at, placed in same.items() for number, one in enumerate(placed)]
    takes = {(at, number): np.array([float(jobs[at].visits[number].takes[who])]) for at, number, who in each}
    then = {(at, number): np.array([float(jobs[at].visits[number].then)]) for at, number, _ in each}
    starts, ends = follow(jobs, bench, same, lanes, takes, then)
    out: dict[int, list[Placed]] = defaultdict(list)
    for at, number, who in each:
        out[at].append(Placed(round(starts[at, number][0]), round(ends[at, number][0]), who))
    return {at: tuple(placed) for at, placed in out.items()}


def _changes(old: Plan, new: Plan, origin: list[int]) -> list[Change]:
    """What is other than it was, in words."""
    out = []
    for number, at in enumerate(origin):
        job, before, after = new.jobs[number], old.solution.schedule[at], new.solution.schedule[number]
        names = [person.name for person in new.bench.technicians]
        for was, now, visit in zip(before[len(before) - len(after) :], after, job.visits, strict=True):
            if visit.running or (abs(now.start - was.start) < TOLD_MIN * TICKS and now.technician == was.technician):
                continue
            words = f"{visit.phases[0] if visit.phases else 'visit'} at {clock(new.opens, now.start)}"
            words += f" instead of {clock(old.opens, was.start)}"
            if now.technician != was.technician:
                words += f", by {names[now.technician]} instead of {names[was.technician]}"
            out.append(Change(job.tag, words))
    return out
