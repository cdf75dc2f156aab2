"""What cells say beyond their own field, and what notes say of fields that have no cell.

A condition that decides, such as a swollen battery under 'Battery', is put into the notes, so that everything behind
the Unit frame finds it in one place. From the notes in turn come the storage controller's mode, a missing disk and a
processor, where no cell gives them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.intake.columns import Column
from advisor.intake.headers import intake_words, map_headers
from advisor.intake.merged import pieces
from advisor.intake.notes import NoteState, said
from advisor.intake.parsed import Parsed, squeeze
from advisor.intake.values import mode_said
from advisor.unit import StorageKind

if TYPE_CHECKING:
    from advisor.intake.parsing import Parsing

NO_DISK = "disk-missing"
_NEVER = frozenset({"asset_tag", "cpu", "devices", "image", "notes"})
_WORDS = re.compile(r"[^\W\d_]{2}|[?!]")
_NUMBER = re.compile(r"\d{2,}")
MOST = 2_000
"""Distinct cells up to which a column of no known kind is read for conditions: states repeat, serials do not."""

OWN_COLUMNS = frozenset({"status", "problem", "advice", "reasons", "flags", "best_fix", "taken_as"})
"""Columns of a scored sheet, which hold this program's words."""


def read_all(sheet: Parsing) -> None:
    """Carry conditions from cells to the notes, then facts from the notes to fields that are still unknown."""
    own = scored_before(mapped.header for mapped in sheet.mapping)
    for position, mapped in enumerate(sheet.mapping):
        if mapped.field not in _NEVER and mapped.header not in own:
            _carry(sheet, sheet.column(position))
    for position, mapped in enumerate(sheet.mapping):
        if mapped.field == "notes" or (mapped.field is None and is_free_text(mapped.header)):
            _facts(sheet, sheet.column(position))


def scored_before(headers: Iterable[str]) -> frozenset[str]:
    """Columns in which a sheet that was scored before holds this program's words."""
    return OWN_COLUMNS if len(OWN_COLUMNS.intersection(headers)) > 2 else frozenset()


def is_free_text(header: str) -> bool:
    """Whether a column that is no field is read as notes are."""
    return map_headers([header], intake_words())[0].field == "notes"


def _carry(sheet: Parsing, column: Column) -> None:
    """Add the cells of a column that state a condition to the notes."""
    free = is_free_text(column.mapped.header)
    if column.mapped.field is None and not free and len(column.texts) > MOST:
        return
    texts_read = [telling(text, "" if free else column.mapped.header) for text in column.texts]
    if not any(texts_read):
        return
    added = column.take(texts_read)
    notes = sheet.have("notes").copy()
    for row in np.flatnonzero(~pd.isna(added)):
        notes[row] = added[row] if notes[row] is None else f"{notes[row]}; {added[row]}"
    sheet.values["notes"] = notes


def telling(text: str, header: str) -> str | None:
    """What a cell adds to the notes, under its header; None where it states no condition."""
    word = f"{header}: {' '.join(text.split())}" if header else " ".join(text.split())
    return word if _WORDS.search(text) and _said(word) else None


def _said(text: str) -> tuple[NoteState, ...]:
    """What a text states, its numbers made alike, so that texts that differ in them are read once."""
    return said(_NUMBER.sub("99", text))


def _facts(sheet: Parsing, column: Column) -> None:
    """Fill fields that no cell has given from free text, and say so."""
    modes = [mode_said(squeeze(text))[0] for text in column.texts]
    if any(modes):
        taken = sheet.fill("storage_mode", column.take([None if mode is None else str(mode) for mode in modes]))
        _say(sheet, column, [f"controller mode {mode} taken from this cell" if mode else "" for mode in modes], taken)
    gone = [any(one.condition.code == NO_DISK and not one.doubted for one in _said(text)) for text in column.texts]
    if any(gone):
        open_ = pd.isna(sheet.have("storage_kind")) & pd.isna(sheet.have("storage_gib"))
        none = np.where(open_, column.take([str(StorageKind.NONE) if one else None for one in gone]), None)
        taken = sheet.fill("storage_kind", none)
        sheet.fill("storage_gib", np.where(taken, 0.0, None))
        _say(sheet, column, ["no disk, as this cell says" if one else "" for one in gone], taken)
    nameless = column.holding(pd.isna(sheet.have("cpu")))
    if any(nameless):
        found = [pieces(text, lines=False) if one else None for text, one in zip(column.texts, nameless, strict=True)]
        named = [piece.cpu if piece and piece.cpu and not piece.several else None for piece in found]
        taken = sheet.fill("cpu", column.take(named))
        _say(sheet, column, [f"processor {one!r} taken from this cell" if one else "" for one in named], taken)


def _say(sheet: Parsing, column: Column, notes: list[str], rows: np.ndarray) -> None:
    if rows.any():
        sheet.ledger.outcomes(column, [Parsed(None, note=note) for note in notes], among=rows)
