"""Rows of a workbook: the worksheet that has the units, every cell as somebody would have typed it."""

from __future__ import annotations

import datetime as dt
import io
import itertools
import warnings
import zipfile
from collections.abc import Iterator
from typing import Any

from advisor.errors import InputError
from advisor.intake.columns import text_of
from advisor.intake.encoding import SAVE_AS
from advisor.intake.headers import Vocabulary, recognised
from advisor.intake.records import MOST_EMPTY, Remark, Row, tidied

MAX_UNPACKED = 256 << 20
"""Most that an Excel file may unpack to [byte]: some 250,000 units."""

MAX_ROWS = 1_048_576
"""Last row of a worksheet (ISO/IEC 29500 leaves it open; spreadsheets end there)."""

MAX_CELLS = 40_000_000
"""Most cells of a worksheet, the empty ones to the left of a filled one counted."""

_PEEKED = 12


def rows(data: bytes, name: str, words: Vocabulary | None) -> Iterator[Row]:
    """Read the first worksheet that has a header the advisor knows, else the first one.

    Parameters
    ----------
    name : str
        Used in messages.

    Yields
    ------
    Row
        Cells up to the last that is filled; an empty row has none.

    Raises
    ------
    InputError
        When it is damaged, no workbook, or too large.
    """
    _look(data, name)
    import openpyxl

    try:
        with warnings.catch_warnings():
            # What openpyxl does not support, such as drop-down lists, is no concern of a reader of cells.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
            yield from _chosen(book, name, words)
    except InputError:
        raise
    # A damaged workbook makes the reader fail in many ways: missing parts, bad XML, impossible values.
    except Exception as error:
        reason = f"{type(error).__name__}: {str(error)[:200]}"
        raise InputError(f"{name} is a damaged Excel file: {reason}.", SAVE_AS) from error


def _look(data: bytes, name: str) -> None:
    """Refuse what is no workbook, or would not fit, before anything of it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
            unpacked = sum(item.file_size for item in archive.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        raise InputError(f"{name} is a damaged Excel file: {error}.", SAVE_AS) from error
    if "xl/workbook.xml" not in names:
        what = "an OpenDocument sheet" if "content.xml" in names else "a ZIP archive, not an Excel sheet"
        raise InputError(f"{name} is {what}.", SAVE_AS)
    if unpacked > MAX_UNPACKED:
        raise InputError(f"{name} unpacks to more than {MAX_UNPACKED >> 20} MiB.", "Split it, or save it as CSV.")


def _chosen(book: Any, name: str, words: Vocabulary | None) -> Iterator[Row]:
    fitting = [sheet for sheet in book.worksheets if _has_header(sheet, name, words)]
    for sheet in fitting[:1] or book.worksheets[:1]:
        others = ", ".join(repr(str(one.title)) for one in fitting[1:])
        yield from _and_said(_cells(sheet, name), others) if others else _cells(sheet, name)


def _has_header(sheet: Any, name: str, words: Vocabulary | None) -> bool:
    return any(recognised(row.cells, words) >= 2 for row in itertools.islice(_cells(sheet, name), _PEEKED))


def _and_said(found: Iterator[Row], others: str) -> Iterator[Row]:
    """The rows, and at the last that is filled that other worksheets have rows too."""
    held: list[Row] = []
    for row in found:
        if row.cells:
            yield from held
            held = []
        held.append(row)
    for number, row in enumerate(held):
        place = next((at for at, cell in enumerate(row.cells) if cell), 0)
        remark = Remark(
            place, f"the workbook has rows on {others} too, which were not read", "each worksheet by itself"
        )
        yield row if number else Row(row.cells, [*row.remarks, remark])


def _cells(sheet: Any, name: str) -> Iterator[Row]:
    # The size that the file states may be wrong, or a single cell in the last corner; rows come as they are filled.
    sheet.reset_dimensions()
    seen = empty = 0
    for number, values in enumerate(sheet.iter_rows(), 1):
        if number > MAX_ROWS:
            raise InputError(f"{name} has cells below row {MAX_ROWS}.", SAVE_AS)
        seen += len(values)
        if seen > MAX_CELLS:
            raise InputError(
                f"{name}, up to row {number}, spans more than {MAX_CELLS} cells.",
                "Delete what stands far right of the units, or save the sheet as CSV.",
            )
        cells = [_typed(cell) for cell in values]
        while cells and not cells[-1]:
            cells.pop()
        empty = 0 if cells else empty + 1
        # A million empty rows above a stray cell are not worth a million steps.
        if empty <= MOST_EMPTY + 1:
            yield Row(*tidied(cells))


def _typed(cell: Any) -> str:
    """A cell's value as somebody would have typed it: 85% where percent are shown, 0017 where four digits are."""
    value = cell.value
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(" ")
    if isinstance(value, bool) or not isinstance(value, int | float):
        return text_of(value)
    shown = str(cell.number_format)
    if "%" in shown:
        return f"{text_of(round(value * 100, 10))}%"
    number = text_of(round(value, 10))
    return number.zfill(len(shown)) if set(shown) == {"0"} and value >= 0 else number
