"""The rest of the day planned anew: what is begun stays put, and little beyond the next two hours moves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time
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


def logged_on(log: BenchLog, day: date) -> list[str]:
    """Tags of the units that were logged on a day."""
    return [str(row[0]) for row in log.rows("SELECT asset_tag FROM job WHERE done_on = ?", (day.isoformat(),))]


def rest_of_day(
    plan: Plan, now: datetime, log: BenchLog, gone: Iterable[str] = (), seconds: float = 10.0
) -> tuple[Plan, list[Change], int, int]:
    """Plan the rest of a day by a bench log: also how many units were begun by its stopwatches, and logged that day."""
    progress, done = progress_of(log, [job.tag for job in plan.jobs]), logged_on(log, plan.day)
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
    at_now = round((now - datetime.combine(plan.day, time())).total_seconds() / 60 - plan.opens) * TICKS
    if now.date() != plan.day:
        raise InputError(f"The plan is of {plan.day}, not of {now.date()}.", "Plan the day anew.")
    tags = {at: plan.jobs[at].tag for at in sorted(plan.solution.schedule)}
    fell_out, over = ({tag.casefold() for tag in some} for some in (gone, done))
    free = any(tag.casefold() in fell_out for tag in tags.values())
    kept = [at for at, tag in tags.items() if tag.casefold() not in fell_out | over]
    left = {at: _rest(plan, at, at_now, progress.get(tags[at]), free) for at in kept}
    origin = [at for at, rest in left.items() if rest is not None]
    jobs, olds = [rest[0] for rest in left.values() if rest], [rest[1] for rest in left.values() if rest]
    _one_each(jobs, len(plan.bench.technicians))
    if sum(job.begun for job in jobs) > plan.bench.slots:
        raise InputError("More units are begun than there are slots.", "Stop the stopwatches of those that are done.")
    bench = _bench(plan.bench, at_now, jobs)
    rest = tuple(jobs)
    before = Lanes(
        {number: plan.lanes.slots[at] for number, at in enumerate(origin)},
        {number: plan.lanes.sticks[at] for number, at in enumerate(origin)},
    )
    start = _start(rest, bench, dict(enumerate(olds)), before)
    solution = solve(rest, replace(bench, close=None), seconds, start=start) if jobs else Solution({}, 0, 0, 0)
    lanes = lanes_of(rest, bench, solution.schedule, before)
    ends = {job.tag: solution.schedule[number][-1].end + job.tail for number, job in enumerate(rest)}
    late = [
        f"{tag} ends at {clock(plan.opens, end)}, after the day."
        for tag, end in ends.items()
        if bench.close is not None and end > bench.close
    ]
    new = replace(
        plan, bench=bench, jobs=rest, solution=solution, lanes=lanes, problems=late,
        chance=chance(rest, bench, solution.schedule, lanes, plan.quantile),
    )  # fmt: skip
    return new, _changes(plan, new, origin)


def _rest(
    plan: Plan, at: int, now: int, progress: Progress | None, free: bool
) -> tuple[UnitJob, tuple[Placed, ...]] | None:
    """What is left of a unit, and where that stood in the plan; None when nothing is."""
    job, placed = plan.jobs[at], plan.solution.schedule[at]
    begun = progress is not None
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
            running = bool(progress and progress.running)
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
    if not visits:
        return None
    first = len(job.visits) - len(visits)
    stick, held = _stick(job, first, visits[0].running)
    release = now if begun else max(now, job.release)
    return replace(job, visits=tuple(visits), stick=stick, held=held, begun=begun, release=release), tuple(olds)


def _stick(job: UnitJob, first: int, running: bool) -> tuple[str, tuple[int, int]]:
    """The stick that a unit still holds or will, when its first visits are over or one of them is under way."""
    taken, pulled = job.held[0] - first, job.held[1] - first
    if not job.stick or pulled < 0 or (pulled == 0 and running):
        return "", (0, 0)
    return job.stick, (-1 if taken < 0 or (taken == 0 and running) else taken, pulled)


def _reached(plan: Plan, job: UnitJob, progress: Progress | None) -> tuple[int, int, bool]:
    """The visit that was begun last, when [ticks], and whether its last phase was; -1 for none.

    A phase at whose machine's work one visit ends and the next begins is the earlier one's.
    """
    if progress is None:
        return -1, 0, False
    by_machine = []
    for number, visit in enumerate(job.visits):
        before = job.visits[number - 1].phases[-1:] if number else ()
        by_machine.append([phase for phase in visit.phases if phase not in before])
    begun = [number for number, phases in enumerate(by_machine) if any(phase in progress.started for phase in phases)]
    if not begun:
        return -1, 0, False
    number = max(begun)
    started = [progress.started[phase] for phase in by_machine[number] if phase in progress.started]
    minutes = (min(started) - datetime.combine(plan.day, time())).total_seconds() / 60
    return number, round((minutes - plan.opens) * TICKS), by_machine[number][-1] in progress.started


def _one_each(jobs: list[UnitJob], people: int) -> None:
    """Nobody has their hands on two units at once: of stopwatches that run, each is another technician's, in place."""
    free = set(range(people))
    for at, job in enumerate(jobs):
        visit = job.visits[0]
        if visit.running:
            who = next((one for one in (*visit.who, *sorted(free)) if one in free), None)
            free.discard(-1 if who is None else who)
            changed = replace(visit, running=False, who=()) if who is None else replace(visit, who=(who,))
            jobs[at] = replace(job, visits=(changed, *job.visits[1:]))


def _bench(bench: Bench, now: int, jobs: list[UnitJob]) -> Bench:
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
    takes, then, same = {}, {}, {}
    for at, placed in olds.items():
        who = [next(iter(visit.who), one.technician) for visit, one in zip(jobs[at].visits, placed, strict=True)]
        same[at] = tuple(replace(one, technician=person) for one, person in zip(placed, who, strict=True))
        for number, (visit, person) in enumerate(zip(jobs[at].visits, who, strict=True)):
            takes[at, number] = np.array([float(visit.takes[person])])
            then[at, number] = np.array([float(visit.then)])
    starts, ends = follow(jobs, bench, same, lanes, takes, then)
    return {
        at: tuple(
            Placed(round(starts[at, number][0]), round(ends[at, number][0]), one.technician)
            for number, one in enumerate(placed)
        )
        for at, placed in same.items()
    }


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
