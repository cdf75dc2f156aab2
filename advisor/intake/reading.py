"""Read a sheet as it is: CSV, TSV, semicolons or Excel; every cell as text, nothing executed, nothing followed."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from advisor.errors import InputError
from advisor.intake.encoding import OLE, SAVE_AS, ZIP, decode
from advisor.intake.headers import Vocabulary, recognised

MAX_BYTES = 1 << 30
"""Largest file read [byte]."""

MAX_UNPACKED = 1 << 30
"""Most that an Excel file may unpack to [byte]."""

MAX_CELL = 20_000
"""Longest cell kept [character]; longer ones are cut, as no fact about a PC is that long."""

MAX_COLUMNS = 512
"""Most columns of a sheet."""

_DELIMITERS = (",", ";", "\t", "|")
_HEADER_ROWS = 12
NO_HEADER = "(no header)"
"""Start of the name given to a column whose header cell is empty."""


def read(path: str | Path, words: Vocabulary | None = None) -> pd.DataFrame:
    """Read a sheet of units.

    Parameters
    ----------
    path : path-like
        CSV (commas, semicolons, tabs or bars between; UTF-8, UTF-16 or Windows-1252) or .xlsx.
    words : Vocabulary, optional
        By which the header line is found; that of an intake sheet when left out.

    Returns
    -------
    pandas.DataFrame, shape (n_rows, n_columns)
        Text cells ('' when empty) under the headers found, RangeIndex. Wholly empty rows are left out. A header
        that occurs twice gets a number behind; a column without header is named '(no header) N'.

    Raises
    ------
    InputError
        When there is no such file, it is empty, or it is no table; the message says what would be accepted.
    """
    file = Path(path)
    try:
        if file.is_dir():
            raise InputError(f"{file} is a folder, not a sheet.", "Name the CSV or .xlsx file in it.")
        if file.stat().st_size > MAX_BYTES:
            raise InputError(f"{file} is larger than {MAX_BYTES >> 20} MiB.", "Split it into several sheets.")
        data = file.read_bytes()
    except OSError as error:
        raise InputError(
            f"{file} cannot be read: {error.strerror or error}.", "Check the name and the folder."
        ) from error
    except ValueError as error:
        raise InputError(f"{str(path)!r} is no file name: {error}.") from error
    return read_bytes(data, file.name, words)


def read_bytes(data: bytes, name: str = "the sheet", words: Vocabulary | None = None) -> pd.DataFrame:
    """Read a sheet from its bytes; see `read`.

    Parameters
    ----------
    data : bytes
    name : str
        Used in messages.
    words : Vocabulary, optional

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    InputError
    """
    if not data.strip(b"\x00\xff\xfe\xef\xbb\xbf \t\r\n"):
        raise InputError(f"{name} is empty.", "A sheet needs a header line with asset_tag and cpu, and a line a unit.")
    if data.startswith(OLE):
        raise InputError(f"{name} is in the Excel format from before 2007.", SAVE_AS)
    if data.startswith(ZIP):
        return _frame(_excel(data, name, words), name, words)
    text, _ = decode(data, name)
    delimiter = _delimiter(text, words)
    frame = _fast(text, delimiter, words)
    if frame is not None:
        return frame
    return _frame(_rows(text, delimiter, name), name, words)


def _rows(text: str, delimiter: str, name: str) -> list[list[str]]:
    limit = csv.field_size_limit(1 << 24)
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise InputError(f"{name} is not a well-formed table: {error}.", SAVE_AS) from error
    finally:
        csv.field_size_limit(limit)


def _head(text: str, delimiter: str, count: int) -> list[list[str]]:
    """First records; a quote that never closes gives what came before it."""
    rows: list[list[str]] = []
    reader = csv.reader(io.StringIO(text[:200_000], newline=""), delimiter=delimiter)
    try:
        for row in reader:
            rows.append(row)
            if len(rows) >= count:
                break
    except csv.Error:
        pass
    return rows


def _delimiter(text: str, words: Vocabulary | None) -> str:
    """The separator under which most headers are recognised, then most rows are equally wide."""
    best, best_score = ",", (-1, -1.0, -1)
    for delimiter in _DELIMITERS:
        rows = [row for row in _head(text, delimiter, 40) if any(cell.strip() for cell in row)]
        if not rows:
            return delimiter
        known = max(recognised(row, words) for row in rows[:_HEADER_ROWS])
        widths = [len(row) for row in rows]
        common = max(set(widths), key=widths.count)
        even = widths.count(common) / len(widths) if common > 1 else 0.0
        score = (known, round(even, 1), common)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _fast(text: str, delimiter: str, words: Vocabulary | None) -> pd.DataFrame | None:
    """The common case with pandas' C reader: header in the first line, no row longer than it."""
    head = _head(text, delimiter, _HEADER_ROWS)
    if len(text) < 500_000 or not head or _header_row(head, words) != 0 or len(head[0]) > MAX_COLUMNS:
        return None
    try:
        frame = pd.read_csv(
            io.StringIO(text), sep=delimiter, header=None, skiprows=0, dtype=str, keep_default_na=False,
            na_filter=False,
            names=range(len(head[0])), index_col=False, on_bad_lines="error", engine="c", low_memory=False,
        )  # fmt: skip
    except (ValueError, pd.errors.ParserError):
        return None
    if frame.empty or [str(v) for v in frame.iloc[0]] != head[0]:
        return None
    frame = frame.iloc[1:].reset_index(drop=True)
    frame.columns = _headers(head[0], len(head[0]))
    return frame


def _header_row(rows: list[list[str]], words: Vocabulary | None) -> int:
    """Position of the header: the first row with two known headers or more, else the first row that is not empty."""
    for position, row in enumerate(rows):
        if recognised(row, words) >= 2:
            return position
    scores = [recognised(row, words) for row in rows]
    if max(scores, default=0) == 1:
        return scores.index(1)
    return next((i for i, row in enumerate(rows) if any(cell.strip() for cell in row)), 0)


def _headers(cells: Iterable[str], width: int) -> list[str]:
    names: list[str] = []
    seen: set[str] = set()
    padded = [" ".join(str(cell).split()) for cell in cells]
    padded += [""] * (width - len(padded))
    for position, cell in enumerate(padded[:width], start=1):
        name = cell or f"{NO_HEADER} {position}"
        base, number = name, 2
        while name in seen:
            name = f"{base} ({number})"
            number += 1
        seen.add(name)
        names.append(name)
    return names


def _frame(rows: list[list[str]], name: str, words: Vocabulary | None) -> pd.DataFrame:
    start = _header_row(rows[:_HEADER_ROWS], words)
    filled = [row for row in rows[start:] if any(cell.strip() for cell in row)]
    if not filled:
        raise InputError(f"{name} is empty.", "A sheet needs a header line with asset_tag and cpu, and a line a unit.")
    width = max(len(row) for row in filled)
    while width > len(filled[0]) and not any(len(row) >= width and row[width - 1].strip() for row in filled):
        width -= 1
    width = max(width, len(filled[0]))
    if width > MAX_COLUMNS:
        raise InputError(f"{name} has {width} columns; up to {MAX_COLUMNS} are read.", SAVE_AS)
    body = [(row + [""] * (width - len(row)))[:width] for row in filled[1:]]
    columns = _headers(filled[0], width)
    if not body:
        return pd.DataFrame({column: pd.Series([], dtype="str") for column in columns})
    frame = pd.DataFrame(body, columns=columns, dtype="str")
    return frame


def _excel(data: bytes, name: str, words: Vocabulary | None) -> list[list[str]]:
    """Rows of the first worksheet that has a header the advisor knows, else of the first one."""
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
            unpacked = sum(item.file_size for item in archive.infolist())
    except (zipfile.BadZipFile, ValueError, OSError) as error:
        raise InputError(f"{name} is a damaged Excel file: {error}.", SAVE_AS) from error
    if "xl/workbook.xml" not in names:
        what = "an OpenDocument sheet" if "content.xml" in names else "a ZIP archive, not an Excel sheet"
        raise InputError(f"{name} is {what}.", SAVE_AS)
    if unpacked > MAX_UNPACKED:
        raise InputError(f"{name} unpacks to more than {MAX_UNPACKED >> 20} MiB.", "Split it, or save it as CSV.")
    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        first: list[list[str]] = []
        for sheet in book.worksheets:
            rows = []
            for values in sheet.iter_rows(values_only=True, max_col=MAX_COLUMNS):
                cells = [_cell(value) for value in values]
                while cells and not cells[-1]:
                    cells.pop()
                rows.append(cells)
            if any(recognised(row, words) >= 2 for row in rows[:_HEADER_ROWS]):
                return rows
            first = first or rows
        return first
    except InputError:
        raise
    # A damaged workbook makes the reader fail in many ways: missing parts, bad XML, impossible values.
    except Exception as error:
        raise InputError(f"{name} is a damaged Excel file: {type(error).__name__}: {error}.", SAVE_AS) from error


def _cell(value: Any) -> str:
    """A cell's value as somebody would have typed it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(round(value, 10))
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(" ")
    return str(value)[:MAX_CELL]
