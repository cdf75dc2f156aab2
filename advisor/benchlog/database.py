"""The bench log's file: one SQLite database, opened safely, written one writer at a time."""

from __future__ import annotations

import json
import re
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from advisor.benchlog.jobs import (
    KEPT,
    LOGGED_HERE,
    Job,
    check,
    day_faults,
    insert,
    insert_job,
    outcome_faults,
    refuse,
    tidied,
    word,
)  # fmt: skip
from advisor.benchlog.ready import pass_or_refuse
from advisor.benchlog.schema import MIGRATIONS
from advisor.errors import AdvisorError, InputError
from advisor.files import is_there, refuse_odd, user_data
from advisor.phrases import tidy_text

PREDICTED = {
    "predicted_hands_on_min": "hands_on_min", "predicted_min": "elapsed_min", "predicted_low_min": "elapsed_low_min",
    "predicted_high_min": "elapsed_high_min",
}  # fmt: skip
"""Predicted minutes as a row of the log has them, and as the scored unit does."""

APPLICATION_ID = 0x62_61_6C_67
"""Marks the file as a bench log ('balg'), so that another database is not taken for one."""


class LogError(AdvisorError, OSError):
    """The bench log cannot be opened, read or written."""


def default_path() -> Path:
    """Where the bench log lives unless told otherwise."""
    return user_data() / "bench_log.sqlite"


def now() -> str:
    """This moment in UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# A unit's stopwatches since its last job logged here; takes its tag twice, and LOGGED_HERE.
_NOT_LOGGED = (
    "asset_tag = ? AND started_at > coalesce((SELECT max(logged_at) FROM job WHERE asset_tag = ? AND source = ?), '')"
)


_HINTS = {
    "disk is full": "Free some room on the disk; the log is as it was.",
    "readonly|unable to open": "Choose a folder that you may write to with --log FILE; the log is as it was.",
    "malformed|not a database|corrupt": "Run: advisor log check --repair",
}
"""What to do next, by words of SQLite's errors."""


class BenchLog:
    """An open bench log.

    Parameters
    ----------
    path : path-like, optional
        The file; made when missing. The platform's data folder when left out.
    make : bool, default True
        Make the file, and its folder, when missing; else that is an error, as for whoever only reads.
    wait_s : float, default 30
        How long to wait for another writer [s].
    on_wait : callable, optional
        Called once with a sentence when another process is writing.

    Raises
    ------
    LogError
        When the file cannot be opened, is damaged, is no bench log, or was written by a newer version.
    """

    def __init__(
        self, path: str | Path | None = None, *, make: bool = True, wait_s: float = 30,
        on_wait: Callable[[str], None] | None = None,
    ) -> None:  # fmt: skip
        self.path = Path(path) if path is not None else default_path()
        self._make, self._wait_s = make, wait_s
        self._on_wait = on_wait
        refuse_odd(self.path, LogError)
        try:
            if make:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            elif not is_there(self.path, LogError):
                raise LogError(f"There is no bench log at {self.path}.", "It is made when the first unit is logged.")
            with self._translated("opened"):
                self._db = sqlite3.connect(self.path, timeout=0, isolation_level=None)
                self._db.row_factory = sqlite3.Row
                self._open()
        except OSError as error:
            if isinstance(error, LogError):
                raise
            raise LogError(
                f"The bench log {self.path} cannot be opened: {error.strerror or error}.",
                "Choose a folder that you may write to with --log FILE.",
            ) from error

    def _open(self) -> None:
        if self._make:
            self._patiently(lambda: self._db.execute("PRAGMA journal_mode = WAL").fetchone())
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA foreign_keys = ON")
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        mark = self._db.execute("PRAGMA application_id").fetchone()[0]
        tables = self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        if tables and mark != APPLICATION_ID:
            raise LogError(f"{self.path} is an SQLite file, but not a bench log.", "Name another file with --log FILE.")
        if version > len(MIGRATIONS):
            raise LogError(
                f"The bench log {self.path} is of version {version}; this package knows up to {len(MIGRATIONS)}.",
                "Install a newer version of the package.",
            )
        for number in range(version, len(MIGRATIONS)):
            with self.writing():
                if self._db.execute("PRAGMA user_version").fetchone()[0] > number:
                    continue
                for statement in statements(MIGRATIONS[number]):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {number + 1}")
                self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> BenchLog:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    @contextmanager
    def _translated(self, what: str) -> Iterator[None]:
        """Turn SQLite's errors into sentences."""
        try:
            yield
        except sqlite3.IntegrityError as error:
            raise InputError(
                f"The bench log refuses the row: {error}.", "Minutes are not negative; tags are given."
            ) from error
        except sqlite3.DatabaseError as error:
            hint = next((hint for words, hint in _HINTS.items() if re.search(words, str(error))), "Try again.")
            raise LogError(f"The bench log {self.path} could not be {what}: {error}.", hint) from error
        # Texts that are no UTF-8 and names of columns that are none: the sqlite3 module passes these through.
        except (UnicodeDecodeError, IndexError) as error:
            raise LogError(
                f"The bench log {self.path} could not be {what}: it is damaged.", "Run: advisor log check --repair"
            ) from error

    def _patiently(self, act: Callable[[], Any]) -> Any:
        """Do something, waiting while another process writes."""
        until = time.monotonic() + self._wait_s
        warned = False
        pause = 0.002
        while True:
            try:
                return act()
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) and "busy" not in str(error):
                    raise
                if time.monotonic() > until:
                    raise LogError(
                        f"The bench log {self.path} is being written by another program for over {self._wait_s:g} s.",
                        "Close the other program, or try again.",
                    ) from error
                if not warned and self._on_wait is not None and until - time.monotonic() < self._wait_s - 1:
                    self._on_wait("Another program is writing to the bench log; waiting for it.")
                    warned = True
                time.sleep(pause)
                pause = min(pause * 1.5, 0.05)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Write several rows as one whole: all are kept when the block ends, none when it fails."""
        with self._translated("written"):
            self._patiently(lambda: self._db.execute("BEGIN IMMEDIATE"))
            try:
                yield self._db
                self._patiently(lambda: self._db.execute("COMMIT"))
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def rows(self, sql: str, values: tuple[Any, ...] = ()) -> list[sqlite3.Row]:
        """Read rows.

        Parameters
        ----------
        sql : str
            A SELECT of this package; never text from outside.
        """
        with self._translated("read"):
            return list(self._patiently(lambda: self._db.execute(sql, values).fetchall()))

    def add_unit(
        self, asset_tag: str, facts: Mapping[str, Any], scored: Mapping[str, Any], phases: Any, model: str
    ) -> int:
        """Keep a unit as it was scored.

        Parameters
        ----------
        facts : mapping
            The unit's known fields.
        scored : mapping
            advice, edition, image_used and the predicted minutes, None for unknown.
        phases : list of mappings, or None
            Predicted minutes by phase.
        model : str
            Version of the model that predicted.

        Returns
        -------
        int
            Row id.
        """
        with self.writing() as db:
            return insert(
                db, "unit", asset_tag=tidy_text(asset_tag), scored_at=now(), facts=json.dumps(dict(facts)),
                advice=scored.get("advice"), edition=scored.get("edition"), image=scored.get("image_used"),
                **{name: scored.get(name) for name in PREDICTED.values()},
                phases=None if phases is None else json.dumps(phases), model=model,
            )  # fmt: skip

    def add_jobs(self, jobs: list[Job]) -> list[int]:
        """Add jobs, all of them or none.

        Returns
        -------
        list of int
            Row ids, in order.

        Raises
        ------
        InputError
            When a job breaks a rule of the log; the message names its tag.
        """
        ids: list[int] = []
        with self.writing() as db:
            for job in map(tidied, jobs):
                check(job)
                if job.source == LOGGED_HERE:
                    pass_or_refuse(self, db, job)
                unit = db.execute(
                    "SELECT id FROM unit WHERE asset_tag = ? ORDER BY scored_at DESC, id DESC LIMIT 1", (job.asset_tag,)
                ).fetchone()
                ids.append(insert_job(db, job, unit["id"] if unit else None, now()))
        return ids

    def edit_job(self, number: int, **changes: Any) -> None:
        """Change fields of a job; what stood before is kept in the history.

        Parameters
        ----------
        number : int
            The job's row id.
        **changes
            Fields of the job's table: done_on, edition, image, parts, technician, hands_on_min, elapsed_min, note.

        Raises
        ------
        InputError
            When there is no such job or field, or the job would break a rule of the log.
        """
        fields = set(KEPT) - {"asset_tag", "source"}
        unknown = changes.keys() - fields
        if unknown or not changes:
            raise InputError(
                f"A job has no field {', '.join(sorted(unknown)) or '(none named)'}.",
                f"Fields: {', '.join(sorted(fields))}.",
            )
        with self.writing() as db:
            row = _job(db, number)
            timed = db.execute("SELECT phase, minutes FROM job_phase WHERE job_id = ?", (number,)).fetchall()
            now_said = {name: row[name] for name in KEPT}
            job = tidied(Job(**{**now_said, **changes}, phases={one["phase"]: one["minutes"] for one in timed}))
            check(job)
            names = sorted(changes)
            db.execute(
                f"UPDATE job SET {', '.join(f'{name} = ?' for name in names)} WHERE id = ?",
                (*[getattr(job, name) for name in names], number),
            )

    def add_outcome(self, number: int, result: str, reason: str | None, stage: str, seen_on: str) -> None:
        """Add how a unit fared.

        Parameters
        ----------
        number : int
            The job's row id.
        result : str
            fine, slow or returned.
        stage : str
            'first-boot check' or 'later'.
        seen_on : str
            Day, ISO 8601.
        """
        with self.writing() as db:
            row = _job(db, number)
            where = f"The outcome of {row['asset_tag']}"
            refuse(f"The job of {row['asset_tag']}", day_faults(row["done_on"]))
            refuse(where, outcome_faults(result, stage))
            refuse(where, day_faults(seen_on, date.fromisoformat(row["done_on"])))
            insert(db, "outcome", job_id=number, seen_on=seen_on, stage=stage, result=result, reason=word(reason))

    def start(self, asset_tag: str, phase: str, at: str | None = None) -> None:
        """Start a stopwatch; several units and phases may run at once, and they survive a restart.

        Raises
        ------
        InputError
            When that one is running already, or no tag is given.
        """
        asset_tag = tidy_text(asset_tag)
        if not asset_tag:
            raise InputError("A stopwatch has no asset tag.", "Give the unit's tag.")
        with self.writing() as db:
            if db.execute(
                "SELECT 1 FROM stopwatch WHERE asset_tag = ? AND phase = ? AND stopped_at IS NULL", (asset_tag, phase)
            ).fetchone():
                raise InputError(f"The stopwatch of {asset_tag}, {phase}, is running already.", "Stop it first.")
            insert(db, "stopwatch", asset_tag=asset_tag, phase=phase, started_at=at or now())

    def stop(self, asset_tag: str, phase: str, at: str | None = None) -> float:
        """Stop a stopwatch.

        Returns
        -------
        float
            Minutes it ran [min].

        Raises
        ------
        InputError
            When none is running.
        """
        asset_tag = tidy_text(asset_tag)
        with self.writing() as db:
            row = db.execute(
                "SELECT id, started_at FROM stopwatch WHERE asset_tag = ? AND phase = ? AND stopped_at IS NULL",
                (asset_tag, phase),
            ).fetchone()
            if row is None:
                raise InputError(f"No stopwatch of {asset_tag}, {phase}, is running.", "See: advisor log running")
            # A clock that was set back meanwhile gives no negative minutes.
            stopped = max(at or now(), row["started_at"])
            db.execute("UPDATE stopwatch SET stopped_at = ? WHERE id = ?", (stopped, row["id"]))
        return minutes_between(row["started_at"], stopped)

    def running(self) -> list[sqlite3.Row]:
        """Stopwatches that run: asset_tag, phase, started_at."""
        return self.rows(
            "SELECT asset_tag, phase, started_at FROM stopwatch WHERE stopped_at IS NULL ORDER BY started_at"
        )

    def laps(self, asset_tag: str) -> list[sqlite3.Row]:
        """What stopwatches counted for a unit since its last job logged here: phase, started_at, stopped_at or None."""
        tag = tidy_text(asset_tag)
        return self.rows(
            f"SELECT phase, started_at, stopped_at FROM stopwatch WHERE {_NOT_LOGGED} ORDER BY started_at, id",
            (tag, tag, LOGGED_HERE),
        )

    def retag(self, asset_tag: str, corrected: str) -> int:
        """Give what stopwatches counted since a unit's last job logged here to the tag that it should have had.

        Returns
        -------
        int
            Stopwatches moved, running or stopped.

        Raises
        ------
        InputError
            When one of the same phase runs under both tags.
        """
        asset_tag, corrected = tidy_text(asset_tag), tidy_text(corrected)
        with self.writing() as db:
            of_tag, theirs = (
                {row["phase"] for row in self.running() if row["asset_tag"] == tag} for tag in (asset_tag, corrected)
            )
            if both := of_tag & theirs:
                raise InputError(
                    f"The stopwatch of {min(both)} runs for {asset_tag} and for {corrected}.", "Stop one of them first."
                )
            return db.execute(
                f"UPDATE stopwatch SET asset_tag = ? WHERE {_NOT_LOGGED}",
                (corrected, asset_tag, asset_tag, LOGGED_HERE),
            ).rowcount


def _job(db: sqlite3.Connection, number: int) -> sqlite3.Row:
    """A job's row; InputError where there is none."""
    row: sqlite3.Row | None = db.execute("SELECT * FROM job WHERE id = ?", (number,)).fetchone()
    if row is None:
        raise InputError(f"The bench log has no job {number}.", "List them with: advisor log list")
    return row


def minutes_between(start: str, stop: str) -> float:
    """Minutes between two moments written by `now` [min]."""
    return (datetime.fromisoformat(stop) - datetime.fromisoformat(start)).total_seconds() / 60


def statements(script: str) -> Iterator[str]:
    """Split a script into whole statements, so that each runs inside the migration's own transaction."""
    text = ""
    for line in script.splitlines(keepends=True):
        text += line
        if sqlite3.complete_statement(text):
            yield text
            text = ""
    if text.strip():
        yield text
