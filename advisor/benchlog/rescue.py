"""Finding out whether a bench log is damaged, and saving what is readable of a damaged one."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from advisor.benchlog.database import APPLICATION_ID, LogError, now, statements
from advisor.benchlog.schema import MIGRATIONS
from advisor.files import is_there, refuse_odd, write_whole

LAYOUT = [statement for script in MIGRATIONS for statement in statements(script)]
TABLES = [found[1] for statement in LAYOUT if (found := re.match(r"\s*CREATE TABLE (\w+)", statement))]
"""Statements that make a new log, and its tables; what a row of one points at stands before it."""


@dataclass(frozen=True)
class Health:
    """State of a bench log's file."""

    path: Path
    problems: tuple[str, ...]  # SQLite's own findings (integrity_check, foreign_key_check); empty when sound
    counts: dict[str, int]  # Rows by table, as far as they can be counted

    @property
    def sound(self) -> bool:
        """True when SQLite found nothing wrong."""
        return not self.problems


def _open_to_read(path: Path) -> sqlite3.Connection:
    refuse_odd(path, LogError)
    if not is_there(path):
        raise LogError(f"There is no bench log at {path}.", "It is made when the first unit is logged.")
    try:
        database = sqlite3.connect(path.resolve().as_uri() + "?mode=ro", uri=True, isolation_level=None)
    except sqlite3.DatabaseError as error:
        raise LogError(f"The bench log {path} cannot be opened: {error}.", "Look at its rights.") from error
    # Names and texts in a damaged file may be no UTF-8; that must not stop the reading of the rest.
    database.text_factory = lambda data: data.decode("utf-8", "replace")
    return database


def examine(path: str | Path) -> Health:
    """Examine a bench log with SQLite's own integrity check.

    Raises
    ------
    LogError
        When there is no such file.
    """
    file = Path(path)
    database = _open_to_read(file)
    problems: list[str] = []
    counts: dict[str, int] = {}
    try:
        found = [str(row[0]) for row in database.execute("PRAGMA integrity_check(20)")]
        problems += [text for text in found if text != "ok"]
        problems += [
            f"row {row[1]} of {row[0]} points at no {row[2]}" for row in database.execute("PRAGMA foreign_key_check")
        ]
        if database.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            problems.append("the file is not marked as a bench log")
    except sqlite3.DatabaseError as error:
        problems.append(str(error))
    for table in TABLES:
        with contextlib.suppress(sqlite3.DatabaseError):
            counts[table] = database.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    database.close()
    return Health(file, tuple(problems), counts)


def repair(path: str | Path) -> tuple[Path, dict[str, int], dict[str, int]]:
    """Save what is readable into a new file in the damaged one's place; the damaged file is kept beside it.

    Returns
    -------
    kept : pathlib.Path
        Where the damaged file lies now.
    saved, lost : dict of str to int
        Rows by table that were saved, and row numbers that could not be read.

    Raises
    ------
    LogError
        When there is no such file, or nothing of it can be read as a bench log.
    """
    # SQLite keeps what belongs to a log beside the file itself, not beside a link to it.
    file = Path(path).resolve()
    source = _open_to_read(file)
    target = sqlite3.connect(":memory:", isolation_level=None)
    saved: dict[str, int] = {}
    lost: dict[str, int] = {}
    try:
        triggers = [statement for statement in LAYOUT if statement.lstrip().startswith("CREATE TRIGGER")]
        for statement in LAYOUT:
            if statement not in triggers:
                target.execute(statement)
        target.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        target.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        target.execute("BEGIN")
        for table in TABLES:
            saved[table], lost[table] = _save(source, target, table)
        # What pointed at a lost row: a job keeps its minutes without the unit's facts, minutes of no job are no use.
        for table, column, other in (("job", "unit_id", "unit"), ("queue", "job_id", "job")):
            target.execute(f"UPDATE {table} SET {column} = NULL WHERE {column} NOT IN (SELECT id FROM {other})")
        for table in ("job_phase", "outcome"):
            gone = target.execute(f"DELETE FROM {table} WHERE job_id NOT IN (SELECT id FROM job)").rowcount
            saved[table], lost[table] = saved[table] - gone, lost[table] + gone
        for statement in triggers:
            target.execute(statement)
        target.execute("COMMIT")
        content = target.serialize()
    except sqlite3.DatabaseError as error:
        raise LogError(f"{file} cannot be repaired: {error}.", "Restore it from a copy.") from error
    finally:
        source.close()
        target.close()
    if not sum(saved.values()):
        raise LogError(f"Nothing of {file} can be read as a bench log.", "Restore it from a copy.")
    kept = file.with_name(f"{file.name}.damaged-{now().replace(':', '')}")
    beside = [ending for ending in ("-wal", "-shm") if is_there(Path(f"{file}{ending}"), LogError)]
    for ending in ("", *beside):
        try:
            os.link(f"{file}{ending}", f"{kept}{ending}")
        except OSError:
            # Not every file system can do that; a copy has to read what may not be readable.
            shutil.copy(f"{file}{ending}", f"{kept}{ending}")
    # The write-ahead log belongs to the damaged file; beside the new one it would be taken for its own.
    for ending in beside:
        os.unlink(f"{file}{ending}")
    write_whole(file, content)
    return kept, saved, lost


def _save(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> tuple[int, int]:
    """Copy the readable rows of one table; returns how many were saved, and how many could not be read."""
    columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    select = f"SELECT {names} FROM {table} NOT INDEXED"
    insert = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})"
    saved = lost = 0
    try:
        spans = [(1, source.execute(f"SELECT max(id) FROM {table}").fetchone()[0] or 0)]
    except sqlite3.DatabaseError as error:
        if "no such table" in str(error):
            # A log of an earlier version.
            return 0, 0
        spans = []
        try:
            for row in source.execute(select):
                saved += _insert(target, insert, [row])
        except sqlite3.DatabaseError:
            lost = 1
    # Halved where a part cannot be read: a damaged page costs its own rows only.
    while spans:
        first, last = spans.pop()
        try:
            rows = source.execute(f"{select} WHERE id BETWEEN ? AND ?", (first, last)).fetchall()
        except sqlite3.DatabaseError:
            middle = (first + last) // 2
            lost += first == last
            spans += [(middle + 1, last), (first, middle)] if first < last else []
            continue
        saved += _insert(target, insert, rows)
    return saved, lost


def _insert(target: sqlite3.Connection, insert: str, rows: list[tuple[object, ...]]) -> int:
    saved = 0
    for row in rows:
        try:
            saved += target.execute(insert, row).rowcount
        except (sqlite3.DatabaseError, ValueError):
            # A row that breaks the log's own rules was damaged even if its page could be read.
            continue
    return saved
