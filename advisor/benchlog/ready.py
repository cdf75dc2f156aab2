"""Whether a unit may be logged as ready: what its hand-over check found, and who let it go all the same."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import TYPE_CHECKING

from advisor.benchlog.jobs import Job, insert
from advisor.errors import InputError
from advisor.phrases import tidy_text

if TYPE_CHECKING:
    from advisor.benchlog.database import BenchLog


def keep(book: BenchLog, asset_tag: str, must: int, findings: Sequence[str]) -> None:
    """Keep the result of a unit's hand-over check; the newest one counts.

    Parameters
    ----------
    must : int
        How many findings must be mended.
    findings : sequence of str
        A line each; no secret stands in them.
    """
    from advisor.benchlog.database import now

    with book.writing() as db:
        insert(
            db, "handover", asset_tag=tidy_text(asset_tag), checked_at=now(), must=must, findings=json.dumps(findings)
        )


def latest(book: BenchLog, asset_tag: str) -> sqlite3.Row | None:
    """The newest check of a unit: checked_at, must, findings (JSON), released_by, released_why; None for none."""
    rows = book.rows("SELECT * FROM handover WHERE asset_tag = ? ORDER BY id DESC LIMIT 1", (tidy_text(asset_tag),))
    return rows[0] if rows else None


def pass_or_refuse(book: BenchLog, db: sqlite3.Connection, job: Job) -> None:
    """Refuse (InputError) to log a unit with something to mend, unless somebody answers for it: a reason and a name."""
    row = latest(book, job.asset_tag)
    if row is None or not row["must"] or row["released_why"]:
        return
    if not (job.despite and job.technician):
        first = next(iter(json.loads(row["findings"])), "")
        raise InputError(
            f"{job.asset_tag} is not ready: its hand-over check has {row['must']} open 'must mend' ({first[:200]}).",
            "Mend it and check again; or say why it leaves all the same (--despite), and who says so (--technician).",
        )
    db.execute(
        "UPDATE handover SET released_by = ?, released_why = ? WHERE id = ?", (job.technician, job.despite, row["id"])
    )
