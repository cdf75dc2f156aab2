"""What people write in notes that decides: passwords, damage, missing parts, doubts about ownership.

Each sentence of a note is tried by itself, so that 'screen fine, keyboard broken' damages no screen; what is denied
('no liquid damage', 'password removed') does not hold, and what is doubted ('maybe a BIOS password?') holds the unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from typing import NamedTuple
from unicodedata import normalize

import numpy as np
import pandas as pd

from advisor.columns import texts, typed
from advisor.tables import damaged, dicts
from advisor.unit import Advice, worst_first

CONDITION_COLUMNS = ("row", "code", "severity", "effect", "title", "reason", "action", "source", "rules_out")

EFFECTS = (Advice.SET_ASIDE, Advice.HOLD, "none")

_SHOWN = 80


@dataclass(frozen=True)
class Condition:
    """One row of the table of notes."""

    code: str
    words: str
    pattern: str
    unless: str
    severity: str
    effect: str
    title: str
    action: str
    rules_out: str
    also_in: str
    source: str

    @cached_property
    def states(self) -> re.Pattern[str]:
        """What states it; made when a note first holds one of the words. TableError where it cannot be used."""
        return self._made(self.pattern)

    @cached_property
    def excludes(self) -> re.Pattern[str] | None:
        """What a sentence that states it must not hold."""
        return self._made(self.unless) if self.unless else None

    def _made(self, text: str) -> re.Pattern[str]:
        try:
            return _compiled(text)
        except re.error as error:
            raise damaged("intake/notes", f"a row of {self.code!r}: {error}") from error


class NoteState(NamedTuple):
    """A condition that a note states."""

    condition: Condition
    part: str
    doubted: bool


@cache
def table() -> list[Condition]:
    """The conditions, in the order of their table.

    Raises
    ------
    TableError
        When a row cannot be used; the message names it.
    """
    made: list[Condition] = []
    first: dict[str, dict[str, str]] = {}
    for row in dicts("intake/notes"):
        kin = first.setdefault(row["code"], row)
        one = Condition(**{name: value or (kin[name] if name in _INHERITED else "") for name, value in row.items()})
        if not (one.words and one.severity and one.effect and one.title):
            raise damaged("intake/notes", f"the first row of {one.code!r} lacks words, severity, effect or title")
        made.append(one)
    return made


@cache
def _places(column: str) -> dict[str, list[tuple[str, list[int]]]]:
    """By the first two letters: words, each with the places in the table of the rows that it may lead to."""
    places: dict[str, list[int]] = {}
    for place, one in enumerate(table()):
        if column == "notes" or column in one.also_in.split(";"):
            for word in filter(None, one.words.lower().split(";")):
                places.setdefault(word, []).append(place)
    starts: dict[str, list[tuple[str, list[int]]]] = {}
    for word, rows in places.items():
        starts.setdefault(word[:2], []).append((word, rows))
    return starts


_INHERITED = ("words", "unless", "severity", "effect", "title", "action", "rules_out", "also_in")


@cache
def _shorthand() -> dict[str, str]:
    """Words that stand for what many patterns share, in angle brackets, and that."""
    return {row["name"]: row["pattern"] for row in dicts("intake/note_grammar") if row["name"].startswith("<")}


@cache
def _grammar(name: str) -> re.Pattern[str]:
    """What takes a note apart, by its name in the table of the grammar."""
    found = next(re.compile(row["pattern"], re.I) for row in dicts("intake/note_grammar") if row["name"] == name)
    if name == "list" and found.groups != 2:
        raise damaged("intake/note_grammar", "the row 'list' needs two groups: the word, and the list")
    return found


_PART_BROKEN = re.compile(r"<BROKEN:(.*)>")


def _compiled(pattern: str) -> re.Pattern[str]:
    if part := _PART_BROKEN.fullmatch(pattern):
        pattern = _shorthand()["<BROKEN>"].replace("<PART>", f"(?:{part[1]})")
    for name, words in _shorthand().items():
        pattern = pattern.replace(name, words)
    return re.compile(pattern, re.I)


@lru_cache(maxsize=100_000)
def said(text: str, column: str = "notes") -> tuple[NoteState, ...]:
    """Find the conditions that one text states.

    Parameters
    ----------
    column : str
        Column of the unit that holds it; 'notes' for notes.

    Returns
    -------
    tuple of NoteState
        Each code once, where it is stated most surely.
    """
    text = normalize("NFC", text)
    small = text.lower()
    words = _places(column)
    starts = {small[at : at + 2] for at in range(len(small) - 1)} & words.keys()
    told = {place for start in starts for word, places in words[start] if word in small for place in places}
    if not told:
        return ()
    likely = [table()[place] for place in sorted(told)]
    found: dict[str, NoteState] = {}
    spelled = _grammar("list").sub(_spelled_out, " ".join(text[:4000].replace("’", "'").split(" ")))
    for sentence in _grammar("sentence end").split(spelled):
        parts = [part.strip() for part in _grammar("part end").split(sentence) if part.strip()]
        for one in likely:
            if one.excludes and one.excludes.search(sentence):
                continue
            for part in parts:
                doubted = _states(one, part)
                if doubted is None:
                    continue
                said_before = found.get(one.code)
                if said_before is None or _weight(one, doubted) > _weight(said_before.condition, said_before.doubted):
                    found[one.code] = NoteState(one, part, doubted)
    return tuple(found.values())


def _weight(one: Condition, doubted: bool) -> tuple[bool, int]:
    """Of two places that state the same condition the surer counts, then the one with more effect."""
    return not doubted, -EFFECTS.index(one.effect)


def _spelled_out(match: re.Match[str]) -> str:
    """'no battery, memory or' becomes 'no battery, no memory, no', as the 'no' reaches over the whole list."""
    items = re.split(r", ?", match[2].strip())
    return ", ".join(f"{match[1]} {item}" for item in items) + f", {match[1]} "


def _states(one: Condition, part: str) -> bool | None:
    """Whether a part of a note doubts the condition, None when it does not state it."""
    for match in one.states.finditer(part):
        before, behind = part[: match.start()], part[match.end() :]
        doubt = _grammar("doubt")
        mended = _grammar("denied behind").search(behind) and not _grammar("to do").search(part)
        if not mended and not _grammar("denied before").search(doubt.sub(" ", before)):
            return bool(doubt.search(part))
    return None


def conditions(units: pd.DataFrame) -> pd.DataFrame:
    """Say what the notes of every unit decide.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, any)
        A Unit frame. What other columns of a sheet say in words ('Battery: swollen') has been put into the notes by
        `understand`.

    Returns
    -------
    pandas.DataFrame
        A row a condition, sorted by unit, worst first: row (position of the unit, from 0), code, severity (stop, act,
        note), effect (set aside, hold, none), title, reason (quotes the note), action, source, rules_out (kinds of part
        that cannot be fitted, ';' between).

    Raises
    ------
    advisor.errors.TableError
        When the table of notes is damaged.
    """
    columns = ["notes", *dict.fromkeys(name for one in table() for name in one.also_in.split(";") if name)]
    fitted = {code: (name, texts(units[name].astype("string"))) for code, name in _CONTRADICTS.items() if name in units}
    records: list[tuple[object, ...]] = []
    for column in columns:
        if column not in units:
            continue
        codes, distinct = pd.factorize(units[column])
        each = [_records(str(text), column) for text in distinct]
        hit = np.array([bool(found) for found in each] + [False])
        for row in np.flatnonzero(hit[codes]).tolist():
            records += [(row, *_held(record, fitted, row)) for record in each[codes[row]]]
    frame = typed(records, dict.fromkeys(CONDITION_COLUMNS, "string") | {"row": "int64"})
    return worst_first(frame).drop_duplicates(["row", "code"]).reset_index(drop=True)


_CONTRADICTS = {"disk-missing": "storage_kind", "memory-missing": "ram_gib"}
"""Conditions that say that a part is out, and the field that says otherwise when it holds something."""


def _held(record: tuple[str, ...], fitted: dict[str, tuple[str, np.ndarray]], row: int) -> tuple[str, ...]:
    """A condition that says that a part is out, as a reason to hold where the part's cell says what is fitted."""
    field, says = fitted.get(record[0], ("", np.array([])))
    if not field or says[row] in (None, "none"):
        return record
    code, severity, _, title, reason, *rest = record
    reason = f"{reason}, but {field} says {says[row]}: find out which holds"
    return (code, severity, str(Advice.HOLD), title, reason, *rest)


@lru_cache(maxsize=100_000)
def _records(text: str, column: str) -> tuple[tuple[str, ...], ...]:
    """The conditions of one text, as rows of the answer."""
    where = "the notes say" if column == "notes" else f"the {column} is"
    made = []
    for one, part, doubted in said(text, column):
        quoted = part if len(part) <= _SHOWN else part[: _SHOWN - 3] + "..."
        effect = str(Advice.HOLD) if doubted and one.effect == Advice.SET_ASIDE else one.effect
        reason = f"{where} '{quoted}'" + (", which is in doubt: find out first" if doubted else "")
        made.append((one.code, one.severity, effect, one.title, reason, one.action, one.source, one.rules_out))
    return tuple(made)
