"""The queue of the bench: the units that wait or are worked on, one table for every page and technician."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from advisor.benchlog.database import BenchLog, now
from advisor.benchlog.jobs import insert
from advisor.errors import InputError
from advisor.shop import Shop
from advisor.unit import Unit


@dataclass(frozen=True)
class Queued:
    """A unit in the queue."""

    unit: Unit
    origin: str = "typed in"  # Where it came from, in words
    unread: dict[str, str] = field(default_factory=dict)  # Field: why the capture could not read it
    wrong: dict[str, list[str]] = field(default_factory=dict)  # Field: what was typed, and why it was not taken
    kept: dict[str, int] = field(default_factory=dict)  # Parts of the drawer kept for it: name to how many
    # Parts of the drawer that the batch it came from keeps for its other units.
    spoken_for: dict[str, int] = field(default_factory=dict)
    printed: bool = False
    job: int | None = None  # Row of the log in which it was logged
    number: int = 0  # Its row; 0 before it is added

    @property
    def tag(self) -> str:
        """Asset tag, '' for none."""
        return self.unit.asset_tag or ""


_MAPPINGS = ("unread", "wrong", "kept", "spoken_for")


class Queue:
    """The queue of a bench log."""

    def __init__(self, log: BenchLog) -> None:
        self.log = log

    def units(self) -> list[Queued]:
        """Every unit in the queue, in the order they came."""
        rows = self.log.rows("SELECT * FROM queue WHERE left_at IS NULL ORDER BY id")
        return [_queued(row) for row in rows]

    def get(self, number: int) -> Queued:
        """One unit.

        Raises
        ------
        InputError
            When it was taken off the queue.
        """
        rows = self.log.rows("SELECT * FROM queue WHERE id = ? AND left_at IS NULL", (number,))
        if not rows:
            raise InputError("That unit is no longer in the queue.", "Somebody took it off; undo puts it back.")
        return _queued(rows[0])

    def add(self, units: Iterable[Queued]) -> list[int]:
        """Add units, all or none; gives their rows."""
        with self.log.writing() as db:
            return [
                insert(
                    db, "queue", asset_tag=one.tag, facts=_facts(one.unit), origin=one.origin, came_at=now(),
                    **{name: json.dumps(getattr(one, name)) for name in _MAPPINGS},
                )
                for one in units
            ]  # fmt: skip

    def tagged(self, tag: str) -> list[Queued]:
        """Units in the queue that carry a tag, whatever its case."""
        return [one for one in self.units() if tag and one.tag.casefold() == tag.casefold()]

    def change(self, number: int, facts: Mapping[str, Any], seen: Mapping[str, Any]) -> tuple[Queued, dict[str, Any]]:
        """Change some facts of a unit; what others changed meanwhile stays.

        Parameters
        ----------
        facts : mapping
            Field to new value, None for unknown.
        seen : mapping
            Field to the value that stood there when it was changed.

        Returns
        -------
        Queued
            The unit as it stands now.
        dict
            Fields that somebody else had changed too, with their value, which is replaced.
        """
        with self.log.writing() as db:
            before = self.get(number)
            stands = before.unit.model_dump(mode="json")
            theirs = {name: stands[name] for name in facts if name in seen and stands[name] != seen[name]}
            unit = Unit.model_validate({**stands, **facts})
            wrong = {name: why for name, why in before.wrong.items() if name not in facts}
            db.execute(
                "UPDATE queue SET asset_tag = ?, facts = ?, wrong = ?, printed_at = NULL WHERE id = ?",
                (unit.asset_tag or "", _facts(unit), json.dumps(wrong), number),
            )
        return self.get(number), theirs

    def refuse(self, number: int, field: str, typed: str, why: str) -> None:
        """Keep what was typed and not taken, so that every page shows it at its field."""
        with self.log.writing() as db:
            wrong = {**self.get(number).wrong, field: [typed, why]}
            db.execute("UPDATE queue SET wrong = ? WHERE id = ?", (json.dumps(wrong), number))

    def keep(self, kept: Mapping[int, Mapping[str, int]]) -> None:
        """Keep parts of the drawer for some units; those kept for them before are free again."""
        with self.log.writing() as db:
            for number, parts in kept.items():
                db.execute("UPDATE queue SET kept = ? WHERE id = ?", (json.dumps(dict(parts)), number))

    def offered(self, number: int, shop: Shop) -> Shop:
        """The shop as one unit is offered it: what is kept for other units, not logged yet, is out of the drawer."""
        kept, spoken = Counter[str](), dict[str, int]()
        for one in self.units():
            if one.number != number and one.job is None:
                kept.update(one.kept)
            elif one.number == number:
                spoken = one.spoken_for
        # The batch's other units may stand in the queue too: the larger of the two counts.
        kept |= Counter(spoken)
        stock = tuple(part.model_copy(update={"count": max(0, part.count - kept[part.name])}) for part in shop.stock)
        return shop.model_copy(update={"stock": stock}) if kept else shop

    def choose_shop(self, path: str, start: str) -> None:
        """Keep which shop's file was chosen on a page that was started with `start`; '' for none."""
        with self.log.writing() as db:
            db.execute("DELETE FROM chosen_shop")
            if path:
                insert(db, "chosen_shop", path=path, start=start, chosen_at=now())

    def chosen_shop(self, start: str) -> str:
        """The shop's file that was chosen on a page started with `start`, '' for none."""
        rows = self.log.rows("SELECT path FROM chosen_shop WHERE start = ?", (start,))
        return str(rows[0]["path"]) if rows else ""

    def mark(self, number: int, *, printed: bool = False, job: int | None = None) -> None:
        """Note that a unit's sheet was printed, or its job logged."""
        if printed:
            self._set(number, "printed_at", now())
        if job is not None:
            self._set(number, "job_id", job)

    def take_off(self, number: int) -> None:
        """Take a unit off the queue; `put_back` undoes it."""
        self._set(number, "left_at", now())

    def put_back(self, number: int) -> None:
        """Put a unit back that was taken off."""
        self._set(number, "left_at", None)

    def _set(self, number: int, column: str, value: Any) -> None:
        with self.log.writing() as db:
            db.execute(f"UPDATE queue SET {column} = ? WHERE id = ?", (value, number))

    def stamp(self) -> int:
        """A number that is another one as soon as somebody else wrote to the file."""
        return int(self.log.rows("PRAGMA data_version")[0][0])


def _facts(unit: Unit) -> str:
    return json.dumps(unit.model_dump(mode="json", exclude_none=True))


def _queued(row: sqlite3.Row) -> Queued:
    said = {name: json.loads(row[name]) for name in _MAPPINGS}
    printed = row["printed_at"] is not None
    return Queued(_unit(row["facts"]), row["origin"], **said, printed=printed, job=row["job_id"], number=row["id"])


@lru_cache(maxsize=4096)
def _unit(facts: str) -> Unit:
    return Unit.model_validate(json.loads(facts))
