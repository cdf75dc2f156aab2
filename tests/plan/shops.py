"""Invented benches and jobs for the tests of the plan, and a checker that knows nothing of how plans are made."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from advisor.plan.problem import Bench, Schedule, Technician, UnitJob, Visit

DAY = date(2026, 11, 30)
"""The day of the demo's plan."""

MORNING = (("K", ((1200, 1350),)), ("M", ((1200, 1350),)))


def bench(slots: int = 4, people: int = 2, sticks: int = 2, close: int | None = None, breaks: bool = True) -> Bench:
    away = ((1200, 1350),) if breaks else ()
    if close is not None:
        away = (*away, (close, 10**6))
    return Bench(tuple(Technician(f"t{one}", away) for one in range(people)), slots, {"i": sticks}, close)


def unit(tag: str, *legs: tuple[int, int], people: int = 2, **how: object) -> UnitJob:
    """A unit whose visits take so many ticks, with so many of the machine after each; the stick is for the second."""
    visits = tuple(Visit((hands,) * people, then, ("prepare",)) for hands, then in legs)
    stick: dict[str, object] = {"stick": "i", "held": (1, 2)} if len(legs) > 2 else {}
    return UnitJob(tag, visits, **{**stick, **how})  # type: ignore[arg-type]


def usual(many: int) -> tuple[UnitJob, ...]:
    """Units as a bench has them: prepare, install, set up, finish; sizes differ in a fixed way."""
    return tuple(
        unit(f"U-{n}", (30 + 7 * n % 40, 0), (25, 10 + 13 * n % 50), (30, 15 + 11 * n % 30), (90 + 5 * n % 30, 3))
        for n in range(many)
    )


def overlaps(jobs: tuple[UnitJob, ...], bench: Bench, schedule: Schedule) -> list[str]:
    """What a plan breaks: looked at by events, each resource at a time."""
    wrong: list[str] = []
    hands: dict[int, list[tuple[int, int]]] = defaultdict(list)
    uses: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for at, placed in schedule.items():
        job = jobs[at]
        if len(placed) != len(job.visits) or placed[0].start < job.release:
            wrong.append(f"{job.tag} is not whole, or too early")
        for number, one in enumerate(placed):
            hands[one.technician].append((one.start, one.end))
            if one.end - one.start != job.visits[number].takes[one.technician]:
                wrong.append(f"{job.tag} takes another time")
            if number and one.start < placed[number - 1].end + job.visits[number - 1].then:
                wrong.append(f"{job.tag} goes on before its machine is ready")
        done = placed[-1].end + job.visits[-1].then
        uses["slot"].append((placed[0].start, done))
        if job.stick:
            uses[f"stick {job.stick}"].append((placed[job.held[0]].start, placed[job.held[1]].start))
        if bench.close is not None and done > bench.close:
            wrong.append(f"{job.tag} ends after the day")
    for who, spans in hands.items():
        if _most([*spans, *bench.technicians[who].away]) > 1:
            wrong.append(f"technician {who} does two things at once")
    if _most(uses.pop("slot", [])) > bench.slots:
        wrong.append("too few slots")
    wrong += [name for name, spans in uses.items() if _most(spans) > bench.sticks[name.removeprefix("stick ")]]
    return wrong


def _most(spans: list[tuple[int, int]]) -> int:
    """How many spans lie side by side at the most."""
    now = most = 0
    for _, change in sorted([(end, -1) for _, end in spans] + [(start, 1) for start, _ in spans]):
        now += change
        most = max(most, now)
    return most
