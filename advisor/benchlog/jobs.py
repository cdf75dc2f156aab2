"""A job of the bench log: what was done to one unit, the rules it keeps, and how it is written."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from advisor.errors import InputError

OUTCOMES = ("fine", "slow", "returned")
STAGES = ("first-boot check", "later")
LOGGED_HERE = "logged here"
"""Source of a job that no sheet brought."""


@dataclass(frozen=True)
class Job:
    """What was done to one unit.

    Attributes
    ----------
    asset_tag : str
    done_on : str
        Day, ISO 8601 (YYYY-MM-DD).
    hands_on_min, elapsed_min : float or None
        Minutes as known [min].
    edition, image, parts, technician, note : str or None
    phases : dict of str to float
        Phase to minutes [min], as far as known.
    outcome, reason : str or None
        At the first-boot check: fine, slow or returned, and why.
    source : str
        'logged here', or the name of the sheet it was imported from.
    """

    asset_tag: str
    done_on: str
    hands_on_min: float | None = None
    elapsed_min: float | None = None
    edition: str | None = None
    image: str | None = None
    parts: str | None = None
    technician: str | None = None
    note: str | None = None
    phases: Mapping[str, float] = field(default_factory=dict)
    outcome: str | None = None
    reason: str | None = None
    source: str = LOGGED_HERE


def insert_job(db: sqlite3.Connection, job: Job, unit_id: int | None, logged_at: str) -> int:
    """Write a checked job inside a running transaction.

    Parameters
    ----------
    db : sqlite3.Connection
        From `BenchLog.writing`.
    job : Job
    unit_id : int or None
        Row of the unit as it was scored.
    logged_at : str
        As `now` gives it.

    Returns
    -------
    int
        Row id.
    """
    cursor = db.execute(
        "INSERT INTO job (unit_id, asset_tag, done_on, edition, image, parts, technician, hands_on_min,"
        " elapsed_min, note, source, logged_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            unit_id, job.asset_tag, job.done_on, job.edition, job.image, job.parts, job.technician,
            job.hands_on_min, job.elapsed_min, job.note, job.source, logged_at,
        ),
    )  # fmt: skip
    number = int(cursor.lastrowid or 0)
    db.executemany(
        "INSERT INTO job_phase (job_id, phase, minutes) VALUES (?, ?, ?)",
        [(number, phase, minutes) for phase, minutes in job.phases.items()],
    )
    if job.outcome:
        db.execute(
            "INSERT INTO outcome (job_id, seen_on, stage, result, reason) VALUES (?, ?, ?, ?, ?)",
            (number, job.done_on, STAGES[0], job.outcome, job.reason),
        )
    return number


def check(job: Job) -> None:
    """Refuse a job that breaks a rule, naming its tag.

    Raises
    ------
    InputError
    """
    where = f"The job of {job.asset_tag or '(no tag)'}"
    if not job.asset_tag.strip():
        raise InputError(f"{where} has no asset tag.", "Give the unit's tag.")
    try:
        datetime.strptime(job.done_on, "%Y-%m-%d")
    except ValueError as error:
        raise InputError(f"{where}: {job.done_on!r} is no day.", "Write it as YYYY-MM-DD.") from error
    if job.hands_on_min is None and job.elapsed_min is None and not job.phases:
        raise InputError(f"{where} has no minutes.", "Give at least the hands-on or the elapsed minutes.")
    for name, value in (("hands-on", job.hands_on_min), ("elapsed", job.elapsed_min), *job.phases.items()):
        if value is not None and not 0 <= value < 100_000:
            raise InputError(f"{where}: {name} of {value} minutes is not believable.", "Minutes from 0 to 100000.")
    if job.outcome is not None and job.outcome not in OUTCOMES:
        raise InputError(f"{where}: {job.outcome!r} is no outcome.", f"Outcomes: {', '.join(OUTCOMES)}.")
