"""A job of the bench log: what was done to one unit, the rules it keeps, and how it is written."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping
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
    """Refuse a job that breaks a rule of the log, naming its tag: the same rules for a new, an edited, an imported one.

    Raises
    ------
    InputError
    """
    where = f"The job of {job.asset_tag[:40] or '(no tag)'}"
    if not job.asset_tag.strip():
        raise InputError(f"{where} has no asset tag.", "Give the unit's tag.")
    for name in TEXTS:
        _check_text(getattr(job, name), LONGEST.get(name, LONGEST_OTHER), f"{where}, {name}")
    check_day(job.done_on, where)
    if job.hands_on_min is None and job.elapsed_min is None and not job.phases:
        raise InputError(f"{where} has no minutes.", "Give at least the hands-on or the elapsed minutes.")
    for name, value in (("hands-on", job.hands_on_min), ("elapsed", job.elapsed_min), *job.phases.items()):
        if value is not None and not 0 <= value <= MOST_MIN:
            raise InputError(
                f"{where}: {name} of {value} minutes is not believable.", f"Minutes from 0 to {MOST_MIN:.0f}."
            )
    if job.elapsed_min == 0:
        raise InputError(f"{where}: no unit is done in no time.", "Give the minutes in the slot, or leave them out.")
    if job.hands_on_min is not None and job.elapsed_min is not None and job.hands_on_min > job.elapsed_min:
        raise InputError(
            f"{where}: {job.hands_on_min:g} hands-on minutes are more than the {job.elapsed_min:g} in the slot.",
            "Hands-on minutes are part of those in the slot: correct one of the two.",
        )
    if job.phases:
        from advisor.benchlog.frames import phase_names

        for name in job.phases:
            if name not in phase_names():
                raise InputError(f"{where}: {name!r} is no phase.", f"Phases: {', '.join(phase_names())}.")
    check_outcome(job.outcome, STAGES[0], where)


def check_day(text: str, where: str, first: date = EARLIEST) -> None:
    """Refuse what is no day, lies ahead, or before a first one."""
    day = None
    with suppress(ValueError):
        day = date.fromisoformat(text)
    if day is None or day.isoformat() != text:
        raise InputError(f"{where}: {text[:40]!r} is no day.", "Write it as YYYY-MM-DD.")
    # A day more, as the clocks of two places may differ.
    if day > date.today() + timedelta(days=1):
        raise InputError(f"{where}: {text} lies ahead.", "Give the day on which it was done.")
    if day < first:
        raise InputError(f"{where}: {text} lies before {first.isoformat()}.", "Correct the day.")


def check_outcome(outcome: str | None, stage: str, where: str) -> None:
    """Refuse what is no outcome, or was seen at no known stage."""
    if outcome is not None and (outcome not in OUTCOMES or stage not in STAGES):
        raise InputError(
            f"{where}: {outcome[:40]!r} at {stage!r} is no outcome.",
            f"Outcomes: {', '.join(OUTCOMES)}; at: {', '.join(STAGES)}.",
        )


def _check_text(text: str | None, longest: int, where: str) -> None:
    if text is None:
        return
    if len(text) > longest:
        raise InputError(f"{where} has {len(text)} characters.", f"Up to {longest} are kept.")
    if found := _UNKEPT.search(text):
        raise InputError(f"{where} holds {found[0]!r}, which is no character of a text.", "Leave it out.")
