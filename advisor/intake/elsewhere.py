"""What cells say beyond their own field, and what notes say of fields that have no cell.

A condition that decides, such as a swollen battery under 'Battery', is put into the notes, so that everything behind
the Unit frame finds it in one place. From the notes in turn come the storage controller's mode, the type of memory, a
missing disk and a processor, where no cell gives them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.intake.columns import Column
from advisor.intake.headers import intake_words, map_headers
from advisor.intake.memory import memory_type
from advisor.intake.merged import pieces
from advisor.intake.notes import NoteState, said
from advisor.intake.parsed import squeeze
from advisor.intake.values import mode_said
from advisor.unit import StorageKind

if TYPE_CHECKING:
    from advisor.intake.parsing import Parsing

NO_DISK = "disk-missing"
_NEVER = frozenset({"asset_tag", "cpu", "devices", "image", "notes"})
_WORDS = re.compile(r"[^\W\d_]{2}|[?!]")
_NUMBER = re.compile(r"\d{2,}")
_NOT_BOARDS = re.compile(
    r"\b(?:geforce|gtx?|quadro|radeon|nvs|hd ?\d{4}|graphics?|gpu|video|vram|not|no|or)\b|\?", re.I
)
"""A kind of memory named beside these may be the graphics card's, is denied or in doubt."""
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
    """Fill fields that no cell has given from free text."""
    modes = [mode and str(mode) for mode, _ in (mode_said(squeeze(text)) for text in column.texts)]
    sheet.take(column, "storage_mode", modes, "controller mode {} taken from this cell")
    kinds = [None if _NOT_BOARDS.search(text) else memory_type(text).value for text in column.texts]
    sheet.take(column, "ram_type", kinds, "memory type {} taken from this cell")
    said_gone = (any(one.condition.code == NO_DISK and not one.doubted for one in _said(text)) for text in column.texts)
    gone = [str(StorageKind.NONE) if one else None for one in said_gone]
    unknown = pd.isna(sheet.have("storage_kind")) & pd.isna(sheet.have("storage_gib"))
    taken = sheet.take(column, "storage_kind", gone, "no disk, as this cell says", unknown)
    sheet.fill("storage_gib", np.zeros(sheet.length, dtype=object), taken)
    nameless = set(column.codes[pd.isna(sheet.have("cpu"))].tolist())
    found = [pieces(text, lines=False) if at in nameless else None for at, text in enumerate(column.texts)]
    named = [piece.cpu if piece and piece.cpu and not piece.several else None for piece in found]
    sheet.take(column, "cpu", named, "processor {!r} taken from this cell")
