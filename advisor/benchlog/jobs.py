"""A job of the bench log: what was done to one unit, the rules it keeps, and how it is written."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from advisor.errors import InputError
from advisor.phrases import tidy_text

MOST_MIN = 99_999.0
"""Most minutes that a job of the log may have [min]."""

EARLIEST = date(1990, 1, 1)
"""First day that a job may have."""

LONGEST = {"asset_tag": 200, "note": 10_000}
"""Longest texts [character]; of the other fields `LONGEST_OTHER`."""

LONGEST_OTHER = 2_000

KEPT = (
    "asset_tag", "done_on", "edition", "image", "parts", "technician", "hands_on_min", "elapsed_min", "note", "source",
)  # fmt: skip
"""Fields of a job that stand in its own row of the log."""

TEXTS = ("asset_tag", "edition", "image", "parts", "technician", "note", "reason", "source", "despite")
"""Fields of a job that are text."""

Fault = tuple[str, str, str]
"""A rule that a job breaks: the field, as sheets call it, what is wrong, and what is accepted."""

_UNKEPT = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffd]")


class Outcome(StrEnum):
    """How a unit turned out."""

    FINE = "fine"
    SLOW = "slow"
    RETURNED = "returned"


OUTCOMES = tuple(map(str, Outcome))
STAGES = ("first-boot check", "later")
LOGGED_HERE = "logged here"
"""Source of a job that no sheet brought."""


@dataclass(frozen=True)
class Job:
    """What was done to one unit."""

    asset_tag: str
    done_on: str  # Day, ISO 8601 (YYYY-MM-DD)
    # hands_on_min, elapsed_min: Minutes as known [min].
    hands_on_min: float | None = None
    elapsed_min: float | None = None
    edition: str | None = None
    image: str | None = None
    parts: str | None = None
    technician: str | None = None
    note: str | None = None
    phases: Mapping[str, float] = field(default_factory=dict)  # Phase to minutes [min], as far as known
    # outcome, reason: At the first-boot check: fine, slow or returned, and why.
    outcome: str | None = None
    reason: str | None = None
    source: str = LOGGED_HERE  # 'logged here', or the name of the sheet it was imported from
    despite: str | None = None  # Why the unit leaves although its hand-over check has something that must be mended


def insert(db: sqlite3.Connection, table: str, **values: Any) -> int:
    """Write a row inside a running transaction; its number."""
    marks = ", ".join("?" * len(values))
    cursor = db.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values()))
    return int(cursor.lastrowid or 0)


def insert_job(db: sqlite3.Connection, job: Job, unit_id: int | None, logged_at: str) -> int:
    """Write a checked job inside a running transaction."""
    own = {name: getattr(job, name) for name in KEPT}
    number = insert(db, "job", unit_id=unit_id, **own, logged_at=logged_at)
    for phase, minutes in job.phases.items():
        insert(db, "job_phase", job_id=number, phase=phase, minutes=minutes)
    if job.outcome:
        insert_outcome(db, number, job)
    return number


def insert_outcome(db: sqlite3.Connection, number: int, job: Job) -> None:
    """Write how a job's unit fared at its first-boot check."""
    insert(db, "outcome", job_id=number, seen_on=job.done_on, stage=STAGES[0], result=job.outcome, reason=job.reason)


def word(text: str | None) -> str | None:
    """Read a text of the log; None where it says that nothing is known."""
    from advisor.intake.parsed import MISSING_WORDS

    tidy = tidy_text(text or "")
    return tidy if tidy and tidy.lower() not in MISSING_WORDS - {"na"} else None


def tidied(job: Job) -> Job:
    """Bring a job's texts to the form in which an import reads them.

    Returns
    -------
    Job
        Blanks squeezed, words for unknown emptied, an edition that is known under its own name; a note keeps its lines.
    """
    lines = (tidy_text(line) for line in (job.note or "").splitlines())
    edition = word(job.edition)
    if edition is not None:
        from advisor.benchlog.sheet_cells import edition as known

        edition = known(edition).value
    texts: dict[str, Any] = {
        name: word(getattr(job, name)) for name in ("image", "parts", "technician", "reason", "despite")
    }
    return replace(
        job, asset_tag=word(job.asset_tag) or "", edition=edition, note="\n".join(lines).strip() or None,
        source=tidy_text(job.source) or LOGGED_HERE, **texts,
    )  # fmt: skip


def check(job: Job) -> None:
    """Refuse (InputError) a job that breaks a rule of the log, naming its tag."""
    refuse(f"The job of {job.asset_tag[:40] or '(no tag)'}", faults(job))


def refuse(where: str, found: Iterable[Fault]) -> None:
    """Refuse (InputError) what has a fault; the first one is told."""
    for _, problem, accepted in found:
        raise InputError(f"{where}: {problem}.", f"Accepted: {accepted}.")


def faults(job: Job) -> Iterator[Fault]:
    """Rules of the log that a job breaks: the same for a new, an edited, an imported one."""
    if not job.asset_tag.strip():
        yield "asset_tag", "no asset tag", "the unit's tag"
    for name in TEXTS:
        text, longest = getattr(job, name) or "", LONGEST.get(name, LONGEST_OTHER)
        if len(text) > longest:
            yield name, f"{name} has {len(text)} characters", f"up to {longest}"
        elif found := _UNKEPT.search(text):
            yield name, f"{name} holds {found[0]!r}, which is no character of a text", "the text without it"
    yield from day_faults(job.done_on)
    hands, elapsed = job.hands_on_min, job.elapsed_min
    if hands is None and elapsed is None and not job.phases:
        yield "elapsed_min", "no minutes are given", "minutes in the slot, or hands-on minutes"
    for name, value in {"hands_on": hands, "elapsed": elapsed, **job.phases}.items():
        if value is not None and not 0 <= value <= MOST_MIN:
            problem = f"{name.replace('_', '-')} of {value} minutes is not believable"
            yield f"{name}_min", problem, f"minutes from 0 to {MOST_MIN:.0f}"
    if elapsed == 0:
        yield "elapsed_min", "no unit is done in no time", "minutes above 0, or none"
    if hands is not None and elapsed is not None and hands > elapsed:
        problem = f"{hands:g} hands-on minutes are more than the {elapsed:g} in the slot"
        yield "hands_on_min", problem, "hands-on minutes within those in the slot"
    if job.phases:
        from advisor.benchlog.frames import phase_names

        for name in (name for name in job.phases if name not in phase_names()):
            yield f"{name}_min", f"{name!r} is no phase", ", ".join(phase_names())
    yield from outcome_faults(job.outcome, STAGES[0])


def day_faults(text: str, first: date = EARLIEST) -> Iterator[Fault]:
    """What is wrong with a day: it is none, lies ahead, or before a first one."""
    day = None
    with suppress(ValueError):
        day = date.fromisoformat(text)
    if not text:
        yield "date", "no day is given", "a day such as 2026-03-04"
    elif day is None or day.isoformat() != text:
        yield "date", f"{text[:40]!r} is no day", "a day such as 2026-03-04"
    # A day more, as the clocks of two places may differ.
    elif day > date.today() + timedelta(days=1):
        yield "date", f"{text} lies ahead", "the day on which it was done"
    elif day < first:
        yield "date", f"{text} lies before {first.isoformat()}", "that day, or a later one"


def outcome_faults(outcome: str | None, stage: str) -> Iterator[Fault]:
    """What is wrong with an outcome: it is none, or was seen at no known stage."""
    if outcome is not None and (outcome not in OUTCOMES or stage not in STAGES):
        problem = f"{outcome[:40]!r} at {stage!r} is no outcome"
        yield "outcome", problem, f"{', '.join(OUTCOMES)}; at: {', '.join(STAGES)}"
