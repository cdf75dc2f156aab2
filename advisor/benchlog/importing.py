"""Writing an understood sheet into the bench log: what it has already is not written twice."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from advisor.benchlog.database import PREDICTED, BenchLog, now
from advisor.benchlog.jobs import KEPT, insert, insert_job, insert_outcome
from advisor.benchlog.sheets import SheetRow
from advisor.phrases import counted, few

_FIELDS = tuple(name for name in KEPT if name != "source")
_Key = tuple[Any, ...]


@dataclass(frozen=True)
class Imported:
    """What became of a sheet's good rows."""

    added: int  # Jobs written, or to be written
    known: int  # Rows that the log has already
    outcomes: int  # Outcomes added to jobs that the log had without one
    # Data row, the log's outcome and the sheet's, where they differ; the log's stays.
    differing: list[tuple[int, str, str]]


def import_rows(log: BenchLog | None, rows: Sequence[SheetRow], *, write: bool = True) -> Imported:
    """Write the rows that the log does not have yet, all of them or none.

    Parameters
    ----------
    log : BenchLog or None
        None stands for an empty one that is not written to.
    write : bool
        Only look when False.

    Returns
    -------
    Imported
        A row is known when a job of the log says the same, or said so before it was edited. A sheet that holds the
        same row twice is taken to mean two jobs.
    """
    if log is None:
        return Imported(len(rows), 0, 0, [])
    if not write:
        known = _known(log)
        return _sorted(rows, known, log)[1]
    with log.writing() as db:
        # Looked up inside the same transaction: two imports of one sheet at once cannot both add it.
        new, result = _sorted(rows, _known(log), log, db)
        for row in new:
            _insert(db, row)
    return result


def _sorted(
    rows: Sequence[SheetRow], known: Mapping[_Key, list[int]], log: BenchLog, db: sqlite3.Connection | None = None
) -> tuple[list[SheetRow], Imported]:
    """Part the new rows from the known; with a connection, add the outcomes that the known ones bring."""
    used: set[int] = set()
    new: list[SheetRow] = []
    outcomes, differing = 0, []
    in_log = {
        int(one["job_id"]): str(one["result"])
        for one in log.rows("SELECT job_id, result FROM outcome ORDER BY seen_on, id")
    }
    for row in rows:
        job = row.job
        key = _key(vars(job), job.phases)
        number = next((one for one in known.get(key, ()) if one not in used), None)
        if number is None:
            new.append(row)
            continue
        used.add(number)
        if job.outcome and number not in in_log:
            outcomes += 1
            if db is not None:
                insert_outcome(db, number, job)
        elif job.outcome and in_log[number] != job.outcome:
            differing.append((row.number, in_log[number], job.outcome))
    return new, Imported(len(new), len(rows) - len(new), outcomes, differing)


def _known(log: BenchLog) -> dict[_Key, list[int]]:
    """Numbers of the jobs by what they say, by what they said before each edit, and by what an export says of them,
    which fills edition and image in as they were advised.
    """
    timed: dict[int, dict[str, float]] = defaultdict(dict)
    for one in log.rows("SELECT job_id, phase, minutes FROM job_phase"):
        timed[one["job_id"]][one["phase"]] = one["minutes"]
    advised = "unit.edition AS unit_edition, unit.image AS unit_image"
    names = ", ".join(f"job.{name}" for name in _FIELDS)
    said = log.rows(
        f"SELECT job.id, {names}, {advised}, '{{}}' AS before FROM job LEFT JOIN unit ON unit.id = job.unit_id"
        " ORDER BY job.id"
    ) + log.rows(
        f"SELECT row_id AS id, {advised}, before FROM history LEFT JOIN job ON job.id = row_id"
        " LEFT JOIN unit ON unit.id = job.unit_id WHERE kind = 'job' ORDER BY history.id"
    )
    out: dict[_Key, list[int]] = defaultdict(list)
    for one in said:
        values = {**dict(one), **json.loads(one["before"])}
        filled = {name: values.get(name) or values[f"unit_{name}"] for name in ("edition", "image")}
        for key in {_key(values, timed[one["id"]]), _key(values | filled, timed[one["id"]])}:
            if one["id"] not in out[key]:
                out[key].append(one["id"])
    return out


def _key(values: Mapping[str, Any], phases: Mapping[str, float]) -> _Key:
    def same(value: Any) -> Any:
        return round(value, 6) if isinstance(value, float | int) else value or None

    timed = tuple(sorted((name, round(value, 6)) for name, value in phases.items()))
    return (*(same(values.get(name)) for name in _FIELDS), timed)


def _insert(db: sqlite3.Connection, row: SheetRow) -> None:
    """Write one row, beside the unit as it was scored before that day or, else, as the sheet describes it."""
    job, scored = row.job, row.scored
    unit = None
    # An exported row has its own unit, or had none.
    if not row.exported:
        unit = db.execute(
            "SELECT id FROM unit WHERE asset_tag = ? AND substr(scored_at, 1, 10) <= ? ORDER BY scored_at DESC LIMIT 1",
            (job.asset_tag, job.done_on),
        ).fetchone()
    number = unit["id"] if unit else None
    if unit is None and (row.facts or scored):
        # Dated by the job, so that an old sheet never stands before what was scored since.
        number = insert(
            db, "unit", asset_tag=job.asset_tag, scored_at=f"{job.done_on}T00:00:00.000Z", facts=json.dumps(row.facts),
            edition=job.edition, image=job.image, **{name: scored.get(name) for name in (*PREDICTED.values(), "model")},
        )  # fmt: skip
    insert_job(db, job, number, now())


def repeated(rows: Sequence[SheetRow]) -> list[int]:
    """Data rows of a sheet that say just what an earlier one says."""
    seen: Counter[_Key] = Counter()
    out = []
    for row in rows:
        key = _key(vars(row.job), row.job.phases)
        if seen[key]:
            out.append(row.number)
        seen[key] += 1
    return out


def words(result: Imported, rows: Sequence[SheetRow], dry: bool = False) -> list[str]:
    """Say what became of a sheet.

    Parameters
    ----------
    rows : sequence of SheetRow
        The good ones.
    dry : bool
        Nothing was written.

    Returns
    -------
    list of str
        Sentences.
    """
    out = []
    twice = repeated(rows)
    if twice:
        out.append(f"Rows that say the same as an earlier one, taken as jobs of their own: {few(twice, 8)}.")
    would = "would be " if dry else ""
    if result.added or not result.known:
        out.append(f"{counted(result.added, 'job')} {would}written.")
    else:
        out.append(f"Nothing {'would be' if dry else 'was'} added.")
    if result.known:
        out.append(f"{counted(result.known, 'row')} in the log already.")
    if result.outcomes:
        out.append(f"{result.outcomes} of those had no outcome; the sheet's {would}added.")
    for number, ours, theirs in result.differing[:8]:
        out.append(f"Row {number}: the log says {ours}, the sheet {theirs}; the log's stays.")
    return out
