"""From what was advised to jobs: each unit's phases as visits of a technician, the machine at work between them."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from advisor.columns import numbers
from advisor.plan.problem import TICKS, Bench, Spread, UnitJob, Visit
from advisor.plan.rules import dispatch
from advisor.timing import operations
from advisor.timing.conformal import Z
from advisor.timing.hands import phase_table

if TYPE_CHECKING:
    from advisor.advice import Batch
    from advisor.timing import TimingModel

LEAVE_MIN = 0.5
"""Nobody leaves a unit for less than this while its machine works [min]; common practice, no source."""

LONGEST_MIN = 15.0
"""Phases are put together in one visit up to about this long, so that breaks and colleagues fit between [min]; common
practice, no source."""

PIECE_MIN = 30.0
"""Hands-on work that lasts longer may be interrupted, in pieces of at most this [min]; common practice, no source."""

DUE = {"due", "due date", "due on", "deadline", "needed by"}
PRIORITY = {"priority", "prio", "urgency"}
"""Headers of the sheet's own columns that the plan reads."""

WEIGHTS = {"high": 9, "normal": 3, "low": 1}
"""How much a unit counts by its priority where the day does not hold all of them; common practice, no
source."""

WORDS = {"1": "high", "2": "normal", "3": "low", "urgent": "high", "": "normal", "nan": "normal", "medium": "normal"}


def work_of(
    batch: Batch, bench: Bench, day: date, quantile: float, opens: int, delivery: int | None = None
) -> tuple[tuple[UnitJob, ...], list[str]]:
    """Make jobs of the units that are to be prepared.

    Parameters
    ----------
    quantile : float
        The minutes that this share of units stays within, between 0 and 1.
    opens : int
        When tick 0 is [minutes from midnight].
    delivery : int, optional
        When parts that must be bought arrive [ticks].

    Returns
    -------
    problems : list of str
        Units that cannot be planned, and cells that were not understood.
    """
    by_case = _jobs(batch, bench, quantile)
    due, weight, problems = _wishes(batch, day, opens, bench.close or 0)
    jobs: list[UnitJob] = []
    for row, tag in enumerate(batch.tags):
        of_case = by_case.get(int(batch.case[row]))
        if of_case is None:
            continue
        waits = delivery if of_case.buys and delivery else 0
        job = replace(of_case, tag=tag, row=row, release=waits, due=due[row], weight=weight[row])
        reason = _impossible(job, bench)
        if reason:
            problems.append(reason)
        else:
            jobs.append(job)
    return tuple(jobs), problems


def _impossible(job: UnitJob, bench: Bench) -> str:
    """Why a unit cannot be planned on any day like this one; '' where it can."""
    if not bench.technicians:
        return f"{job.tag} is not planned: nobody works that day."
    if not bench.sticks.get(job.stick, 0):
        return f"{job.tag} is not planned: there is no stick with the image {job.stick}."
    alone = Bench(bench.technicians, 1, bench.sticks, bench.close)
    if not dispatch((job,), alone, [0]):
        hands = sum(visit.least for visit in job.visits) / TICKS
        return (
            f"{job.tag} is not planned: it takes {job.least() / TICKS:.0f} min ({hands:.0f} hands-on), which do not "
            "fit between the day's beginning, its breaks and its end."
        )
    return ""


def _jobs(batch: Batch, bench: Bench, quantile: float) -> dict[int, UnitJob]:
    """The job of each case, without what is a unit's own."""
    timing, cases = batch.timing, batch.cases
    late = NormalDist().inv_cdf(quantile)
    steps = operations.steps()
    after = {pair for pair, last in zip(zip(steps.phase, steps.title, strict=True), steps.after, strict=True) if last}
    some = timing.steps
    last = np.array([pair in after for pair in zip(some["phase"], some["step"], strict=True)], dtype=bool)
    by_phase = some[last].groupby(["row", "phase"])["seconds"].sum().div(60).to_dict()
    spreads = _spreads(batch)
    paces = _paces(timing.model, bench)
    out = {}
    for case, rows in timing.phases.groupby("row"):
        at = int(str(case))
        hands, machine = (float(np.exp(late * one)) for one in (spreads[at].hands, spreads[at].machine))
        legs = []
        columns = ("phase", "hands_on_min", "work_min", "overlap_min")
        for phase, on, works, under in zip(*(rows[name] for name in columns), strict=True):
            behind = min(by_phase.get((at, str(phase)), 0.0), on)
            legs.append((str(phase), hands * (on - behind), machine * max(0.0, works - under), hands * behind))
        visits, held = _put_together(legs, paces)
        buys = tuple(one.name for one in cases.parts_of(at) if one.bought)
        out[at] = UnitJob("", visits, str(cases.image_used[at]), held, spread=spreads[at], buys=buys)
    return out


def _spreads(batch: Batch) -> dict[int, Spread]:
    """Spreads of each case: what the interval of elapsed minutes says beyond that of the hands is the machine's."""
    timing = batch.timing
    works = timing.phases.groupby("row")["work_min"].sum()
    cases = works.index.astype(int)
    hands, high, elapsed, most = (
        numbers(series)[cases]
        for series in (timing.hands_on_min, timing.hands_high_min, timing.elapsed_min, timing.elapsed_high_min)
    )
    of_hands = np.log(high / hands) / Z
    total = np.log(most / elapsed) / Z * elapsed
    of_machine = np.sqrt(np.maximum(total**2 - (of_hands * hands) ** 2, 0.0)) / np.maximum(numbers(works), 0.1)
    both = zip(of_hands.tolist(), of_machine.tolist(), strict=True)
    return {case: Spread(*one) for case, one in zip(cases, both, strict=True)}


def _paces(model: TimingModel, bench: Bench) -> dict[str, tuple[float, ...]]:
    """Factor of each technician on the hands-on minutes of each phase, as the log taught it."""
    log = model.log
    by_name = {" ".join(name.split()).casefold(): name for name in (*log.technicians, *log.paces)}
    out = {}
    for phase in phase_table().names:
        factors = []
        for person in bench.technicians:
            name = by_name.get(" ".join(person.name.split()).casefold(), "")
            factors.append(log.paces.get(name, {}).get(phase, log.technicians.get(name, 1.0)))
        out[phase] = tuple(factors)
    return out


@dataclass
class _Stretch:
    """What is put together in one visit: hands by phase and standing by before the machine works alone [min]."""

    hands: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    standing: float = 0.0
    then: float = 0.0


def _put_together(
    legs: list[tuple[str, float, float, float]], paces: dict[str, tuple[float, ...]]
) -> tuple[tuple[Visit, ...], tuple[int, int]]:
    """Visits of legs (phase, minutes of hands, of the machine alone, of hands once it is ready).

    A visit ends where the machine works long enough to leave, before the stick is taken and before it is pulled, and
    where it would get long.
    """
    names, kinds = phase_table().names, phase_table().machine
    held = names[kinds.index("medium")], names[kinds.index("start", kinds.index("copy"))]
    stretches = [_Stretch()]
    for phase, before, alone, behind in legs:
        now = stretches[-1]
        if now.hands and (phase in held or sum(now.hands.values()) + before > LONGEST_MIN):
            stretches.append(now := _Stretch())
        now.hands[phase] += before
        if alone >= LEAVE_MIN:
            now.then = alone
            stretches.append(now := _Stretch())
        else:
            now.standing += alone
        if behind:
            now.hands[phase] += behind
    out: list[Visit] = []
    marks: dict[str, int] = {}
    for one in stretches:
        marks |= {phase: len(out) for phase in one.hands if phase in held and phase not in marks}
        then = round(TICKS * one.then)
        if out and not one.standing and not any(one.hands.values()):
            # Nobody is needed: the machine goes on.
            out[-1] = replace(out[-1], then=out[-1].then + then)
            continue
        shares = [[on * pace for pace in paces[name]] for name, on in one.hands.items()]
        takes = [one.standing + sum(of_one) for of_one in zip(*shares, strict=True)]
        pieces = int(np.ceil(max(takes, default=0.0) / PIECE_MIN)) or 1
        ticks = tuple(max(1, round(TICKS * each / pieces)) for each in takes)
        out += [Visit(ticks, 0, tuple(one.hands))] * (pieces - 1) + [Visit(ticks, then, tuple(one.hands))]
    return tuple(out), (marks[held[0]], marks[held[1]])


def _wishes(batch: Batch, day: date, opens: int, close: int) -> tuple[list[int | None], list[int], list[str]]:
    """Due ticks and weight of each row, and cells that were not understood."""
    extra, problems = batch.understood.extra, []
    due: list[int | None] = [None] * len(batch)
    weight = [WEIGHTS["normal"]] * len(batch)
    for name in extra.columns:
        header = " ".join(re.sub(r"[_\W]+", " ", str(name)).split()).casefold()
        if header not in DUE | PRIORITY:
            continue
        for row, cell in enumerate(extra[name].astype("string").fillna("")):
            text = " ".join(str(cell).split()).casefold()
            if header in PRIORITY:
                word = WORDS.get(text, text)
                if word not in WEIGHTS:
                    problems.append(
                        f"{batch.tags[row]}: the priority {cell!r} is none of high, normal, low; normal is taken."
                    )
                weight[row] = WEIGHTS.get(word, WEIGHTS["normal"])
            elif text:
                try:
                    due[row] = _due(text, day, opens, close)
                except ValueError:
                    problems.append(
                        f"{batch.tags[row]}: {cell!r} is no day or time it is due, such as 2026-11-30 or 14:00."
                    )
    return due, weight, problems


def _due(text: str, day: date, opens: int, close: int) -> int | None:
    """When a unit is due, in ticks of the day; None on a later day."""
    if re.fullmatch(r"\d{1,2}:\d\d", text):
        text = f"{day.isoformat()} {text.zfill(5)}"
    when = datetime.fromisoformat(text)
    if when.date() != day:
        return close if when.date() < day else None
    if len(text) <= len("2026-11-30"):
        return close
    return round((when.hour * 60 + when.minute - opens) * TICKS)
