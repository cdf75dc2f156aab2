"""Cells that hold more than their own field: descriptions, the model with its processor, the processor with memory."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.intake.columns import Column
from advisor.intake.disks import disks
from advisor.intake.headers import DISK_COLUMNS, MERGED, combined
from advisor.intake.memory import memory
from advisor.intake.merged import Pieces, amounts_in, pieces
from advisor.intake.parsed import UNKNOWN, Parsed

if TYPE_CHECKING:
    from advisor.intake.parsing import Parsing

_LABELLED = re.compile(r"ram|memory|mem\b|ddr", re.I)


def read_all(sheet: Parsing) -> None:
    """Fill what is still unknown from descriptions, then from cells meant for the model or the processor alone."""
    for position, mapped in enumerate(sheet.mapping):
        if mapped.field == MERGED:
            column = sheet.column(position)
            fields = combined(mapped.header)
            sheet.count(position, column)
            _fill(sheet, position, column, [pieces(text, fields) for text in column.texts])
    for position, mapped in enumerate(sheet.mapping):
        if mapped.field == "model":
            column = sheet.column(position)
            # A row is understood by itself, whatever others with the same text lack.
            column, nameless = column.split(pd.isna(sheet.have("cpu")))
            found = [
                _surely(pieces(text, lines=False) if named else amounts_in(text))
                for text, named in zip(column.texts, nameless, strict=True)
            ]
            taken = _fill(sheet, position, column, [piece._replace(rest="") for piece in found])
            if taken.any():
                rest = column.take([piece.rest or None for piece in found])
                sheet.values["model"] = np.where(taken, rest, sheet.have("model"))
        elif mapped.field == "cpu":
            column = sheet.column(position)
            _fill(sheet, position, column, [amounts_in(text)._replace(rest="") for text in column.texts])


def _surely(piece: Pieces) -> Pieces:
    """Leave an amount alone that may belong to the model's name, such as the 64GB of a tablet."""
    if piece.ram and not (piece.disk or piece.cpu or _LABELLED.search(piece.ram)):
        return piece._replace(ram="", disk="")
    return piece


def _fill(sheet: Parsing, position: int, column: Column, found: list[Pieces]) -> np.ndarray:
    """Take from a column what no other cell has given; tells the rows from which something was taken."""
    taken = _processor_from(sheet, column, position, found)
    if not any(piece.ram or piece.disk or piece.rest for piece in found):
        return taken
    known = any(mapped.field in DISK_COLUMNS for mapped in sheet.mapping)
    amounts = [memory(piece.ram) if piece.ram else UNKNOWN for piece in found]
    drives = [disks(piece.disk, hint=piece.hint) if piece.disk else None for piece in found]
    with_ram = sheet.fill("ram_gib", column.take([amount.value for amount in amounts]))
    kinds = [None if d is None or d.kind.value is None else str(d.kind.value) for d in drives]
    no_disk = pd.isna(sheet.have("storage_kind")) & pd.isna(sheet.have("storage_gib"))
    sizes = column.take([None if d is None else d.size.value for d in drives])
    with_disk = no_disk & ~(pd.isna(column.take(kinds)) & pd.isna(sizes))
    sheet.fill("storage_kind", column.take(kinds), no_disk)
    sheet.fill("storage_gib", sizes, no_disk)
    sheet.fill("model", column.take([piece.rest or None for piece in found]))
    sheet.told += [(column, amounts), (column, [d.kind if d else UNKNOWN for d in drives])]
    said = []
    for piece, drive, amount in zip(found, drives, amounts, strict=True):
        parts = [f"memory {piece.ram!r}" if piece.ram else "", f"disk {piece.disk!r}" if piece.disk else ""]
        words = " and ".join(filter(None, parts))
        outcome = drive.outcome if drive else UNKNOWN
        notes = [f"{words} taken from this cell" if words else "", amount.note, outcome.note]
        outcome = outcome._replace(problem="", accepted="") if known else outcome
        said.append(outcome._replace(note="; ".join(filter(None, notes))))
    sheet.mark(position, sheet.ledger.outcomes(column, said, among=with_ram | with_disk))
    return taken | with_ram | with_disk


def _processor_from(sheet: Parsing, column: Column, position: int, found: list[Pieces]) -> np.ndarray:
    empty = pd.isna(sheet.have("cpu"))
    if not empty.any() or not any(piece.cpu for piece in found):
        return np.zeros(sheet.length, dtype=bool)
    named = [piece.cpu if piece.cpu and not piece.several else None for piece in found]
    several = Parsed(None, "names several processors; none was taken", "one processor")
    asked = [several if piece.several else UNKNOWN for piece in found]
    sheet.mark(position, sheet.ledger.outcomes(column, asked, among=empty))
    return sheet.take(column, "cpu", named, "processor {!r} taken from this cell")
