"""The units in the queue, where the work on each stands, and what is to be done with it next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import pandas as pd

from advisor.unit import Advice, Capture, Unit, unit_of
from advisor.views.findings import word
from advisor.views.panels.queue import Place
from advisor.views.shelf import Kept
from advisor.views.wording import LABELS

if TYPE_CHECKING:
    from advisor.intake import Understood


class State(StrEnum):
    """Where the work on a unit stands."""

    MISSING = "facts missing"
    READY = "ready"
    ASIDE = "set aside"
    SHEET = "sheet made"
    DONE = "minutes logged"


@dataclass
class Entry:
    """One unit in the queue.

    Attributes
    ----------
    key : int
    kept : Kept
        What is kept of it between two sittings.
    short : mapping
        Its scored row; empty until it was scored.
    page : str
        Its sheet as HTML, '' until it was made in this sitting.
    logging : bool
        The log form is open.
    """

    key: int
    kept: Kept
    short: Mapping[str, Any] = field(default_factory=dict)
    page: str = ""
    logging: bool = False

    @property
    def tag(self) -> str:
        """Asset tag, '' for none."""
        return word(self.kept.unit.asset_tag)


@dataclass
class Loaded:
    """A sheet whose rows may be taken.

    Attributes
    ----------
    name : str
    understood : Understood
    listed : pandas.DataFrame
        row, asset_tag, name, cpu; a row a unit.
    words : str
        What the list is narrowed by.
    """

    name: str
    understood: Understood
    listed: pd.DataFrame
    words: str = ""

    def shown(self, most: int = 50) -> pd.DataFrame:
        """Rows that fit the words, the first ones only."""
        words = self.words.strip()
        if not words:
            return self.listed.head(most)
        text = self.listed[["asset_tag", "name", "cpu"]].astype("string").fillna("").agg(" ".join, axis=1)
        return self.listed[text.str.contains(words, case=False, regex=False)].head(most)


def state_of(entry: Entry) -> State:
    """Tell where the work on a unit stands.

    Parameters
    ----------
    entry : Entry

    Returns
    -------
    State
    """
    if entry.kept.logged:
        return State.DONE
    if entry.kept.made:
        return State.SHEET
    advice = word(entry.short.get("advice"))
    if advice == Advice.HOLD or not advice:
        return State.MISSING
    return State.ASIDE if advice == Advice.SET_ASIDE else State.READY


def next_action(entry: Entry) -> str:
    """Tell what to do with a unit now.

    Parameters
    ----------
    entry : Entry

    Returns
    -------
    str
    """
    state = state_of(entry)
    if state == State.DONE:
        return "nothing left to do"
    if state == State.SHEET:
        return "do the work, then log the minutes"
    if state == State.MISSING:
        unit = entry.kept.unit
        missing = [
            LABELS[name].lower()
            for name in ("cpu", "ram_gib", "storage_kind", "storage_gib")
            if getattr(unit, name) is None
        ]
        return f"fill in: {', '.join(missing)}" if missing else "correct what was not understood"
    if state == State.ASIDE:
        return "make the sheet and set it aside"
    packages = word(entry.short.get("firmware_packages")).replace(";", ", ")
    advice = word(entry.short.get("advice"))
    if advice == Advice.FIRMWARE_FIRST and packages:
        return f"get {packages}, make the sheet"
    if advice == Advice.PART_FIRST:
        return "get the part, make the sheet"
    return "make the sheet"


def place_of(entry: Entry) -> Place:
    """Show an entry as it stands in the queue."""
    return Place(
        entry.key,
        entry.tag,
        name_of(entry.kept.unit),
        state_of(entry),
        next_action(entry),
        word(entry.short.get("advice")),
        entry.short.get("elapsed_min"),
    )


def safe_name(tag: str) -> str:
    """Make a file name of a tag: letters, digits, dash and underscore only.

    Parameters
    ----------
    tag : str

    Returns
    -------
    str
    """
    plain = "".join(one if one.isascii() and (one.isalnum() or one in "-_") else "-" for one in tag)
    return plain.strip("-")[:60] or "unit"


def name_of(unit: Unit) -> str:
    """Maker and model in one line, '' for none."""
    return " ".join(one for one in (word(unit.maker), word(unit.model)) if one)


def kept_of(taken: Capture, origin: str) -> Kept:
    """What is kept of a capture, and where it is from."""
    return Kept(unit=taken.unit, origin=origin, unread=dict(taken.unread))


def kept_row(loaded: Loaded, row: int) -> Kept:
    """What is kept of a sheet's row (counted from 0), with what was not understood of it."""
    problems = loaded.understood.problems
    own = problems[problems["row"].eq(row + 1)]
    columns = loaded.understood.columns
    fields = dict(zip(columns["header"], columns["field"], strict=True))
    wrong: dict[str, tuple[str, str]] = {}
    for one in own.to_dict("records"):
        name = one["column"] if one["column"] in LABELS else fields.get(one["column"])
        if name in LABELS:
            accepted = f"; accepted: {one['accepted']}." if word(one["accepted"]) else ""
            wrong[str(name)] = (word(one["value"]), f"{one['problem']}{accepted}")
    return Kept(unit=unit_of(loaded.understood.units, row), origin=f"row {row + 1} of {loaded.name}", problems=wrong)
