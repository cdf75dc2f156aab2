"""Read a sheet as it is: CSV, TSV, semicolons or Excel; every cell as text, nothing executed, nothing followed."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

import pandas as pd

from advisor.errors import InputError
from advisor.files import read_whole
from advisor.intake import records, said, workbook
from advisor.intake.carried import free
from advisor.intake.encoding import OLE, SAVE_AS, ZIP, decode
from advisor.intake.headers import Vocabulary, recognised
from advisor.intake.records import MOST_EMPTY, Remark, Row

MAX_BYTES = 512 << 20
"""Largest file read [byte]: some two million units."""

MAX_ROWS = 2_000_000
"""Most rows of a sheet."""

MAX_COLUMNS = 512
"""Most columns of a sheet."""

MOST_BEYOND = 32
"""Most cells kept right of the last header; a row that has more is torn."""

_DELIMITERS = (",", ";", "\t", "|")
_HEADER_ROWS = 12
_PEEKED_ROWS = 40
_PEEKED_LINES = 400
_PEEKED_TEXT = 1 << 20
_CHUNK = 20_000
_BESIDE = "a header over every column, and quotes around values that hold the separator"
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
        Text cells ('' when empty) under the headers found, RangeIndex. A row of empty cells is a row, unless only
        such follow, or more than `MOST_EMPTY` stand together; a blank line is none. A header that occurs twice gets a
        number behind; a column without header is named '(no header) N'. What could not be read as it stands is
        carried along for `understand` to say.

    Raises
    ------
    InputError
        When there is no such file, it is empty, or it is no table; the message says what would be accepted.
    """
    return read_bytes(read_whole(path, MAX_BYTES), Path(path).name, words)


def read_bytes(data: bytes, name: str = "the sheet", words: Vocabulary | None = None) -> pd.DataFrame:
    """Read a sheet from its bytes; see `read`.

    Parameters
    ----------
    name : str
        Used in messages.

    Raises
    ------
    InputError
    """
    if not data.strip(b"\x00\xff\xfe\xef\xbb\xbf \t\r\n"):
        raise InputError(f"{name} is empty.", "A sheet needs a header line with asset_tag and cpu, and a line a unit.")
    if data.startswith(OLE):
        raise InputError(f"{name} is locked with a password, or in the Excel format from before 2007.", SAVE_AS)
    if data.startswith(ZIP):
        return _frame(*_headed(workbook.rows(data, name, words), name, words), name)
    return _frame(*rows_of(lambda: io.BytesIO(data), name, words), name)


def rows_of(
    source: Callable[[], BinaryIO], name: str, words: Vocabulary | None = None
) -> tuple[list[str], Iterator[Row]]:
    """Header and rows of a text table, one after the other, so that its size does not matter; see `read`.

    Parameters
    ----------
    source : callable
        Opens its bytes, anew each time.
    name : str
        Used in messages.

    Raises
    ------
    InputError
        At once, when it is no table.
    """
    text = decode(source, name)
    lines = text.lines()
    peeked = _peeked(lines)
    delimiter = _delimiter(peeked, words)
    head = list(itertools.islice(records.rows(peeked, delimiter), _HEADER_ROWS))
    at = _header_row([row.cells for row in head], words)
    width = len(head[at].cells) if head else 0
    return _headed(records.rows(itertools.chain(peeked, lines), delimiter, width, text.suspect), name, words)


def _peeked(lines: Iterator[str]) -> list[str]:
    """First lines, enough to find separator and header."""
    out: list[str] = []
    size = 0
    for line in itertools.islice(lines, _PEEKED_LINES):
        out.append(line)
        size += len(line)
        if size > _PEEKED_TEXT:
            break
    return out


def _delimiter(lines: list[str], words: Vocabulary | None) -> str:
    """The separator under which most headers are recognised, then most rows are equally wide."""
    best, best_score = ",", (-1, -1.0, -1)
    for delimiter in _DELIMITERS:
        found = itertools.islice(records.rows(lines, delimiter), _PEEKED_ROWS)
        rows = [row.cells for row in found if any(cell.strip() for cell in row.cells)]
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


def _header_row(rows: list[list[str]], words: Vocabulary | None) -> int:
    """Position of the header: the first row with two known headers or more, else the first row that is not empty."""
    scores = [recognised(row, words) for row in rows]
    if least := min(2, max(scores, default=0)):
        return next(at for at, score in enumerate(scores) if score >= least)
    return next((i for i, row in enumerate(rows) if any(cell.strip() for cell in row)), 0)


def headers(cells: Iterable[str], width: int) -> list[str]:
    """Names of columns: those of the header line, each once, and '(no header) N' where it has none."""
    names: dict[str, None] = {}
    padded = [" ".join(str(cell).split()) for cell in cells]
    padded += [""] * (width - len(padded))
    for position, cell in enumerate(padded[:width], start=1):
        names[free(cell or f"{NO_HEADER} {position}", names)] = None
    return list(names)


def _kept(rows: Iterator[Row], width: int) -> Iterator[Row]:
    """The rows of a sheet below its header: empty ones kept where units follow, what stands too far right left out."""
    empty, most = 0, width + MOST_BEYOND
    for row in rows:
        cells = row.cells
        if not (row.remarks or empty) and len(cells) <= width and cells and cells[0].strip():
            yield row
            continue
        if not any(cell and not cell.isspace() for cell in cells):
            empty += 1
            continue
        remarks = list(row.remarks)
        if empty > MOST_EMPTY:
            strayed = f"stands below more than {MOST_EMPTY} empty rows, which were left out"
            remarks.append(Remark(_first(cells), strayed, "units in consecutive rows"))
        else:
            yield from itertools.repeat(Row([]), empty)
        empty = 0
        if len(cells) > width:
            cells = _without_blank_end(cells, width)
            if len(cells) > most:
                torn = f"{len(cells)} cells under {width} headers; those from the {most + 1}th on left out"
                remarks.append(Remark(_first(cells), torn, _BESIDE))
                cells = cells[:most]
        yield Row(cells, remarks)


def _without_blank_end(cells: list[str], width: int) -> list[str]:
    end = len(cells)
    while end > width and not cells[end - 1].strip():
        end -= 1
    return cells[:end]


def _first(cells: list[str]) -> int:
    """Position of the first filled cell."""
    return next(at for at, cell in enumerate(cells) if cell.strip())


def _headed(rows: Iterator[Row], name: str, words: Vocabulary | None) -> tuple[list[str], Iterator[Row]]:
    head = list(itertools.islice(rows, _HEADER_ROWS))
    if not any(cell.strip() for row in head for cell in row.cells):
        head += list(itertools.islice(itertools.dropwhile(lambda row: not any(map(str.strip, row.cells)), rows), 1))
    start = _header_row([row.cells for row in head], words)
    if start >= len(head) or not any(cell.strip() for cell in head[start].cells):
        raise InputError(f"{name} is empty.", "A sheet needs a header line with asset_tag and cpu, and a line a unit.")
    header = head[start].cells
    if len(header) > MAX_COLUMNS:
        raise InputError(f"{name} has {len(header)} columns; up to {MAX_COLUMNS} are read.", SAVE_AS)
    return header, _kept(itertools.chain(head[start + 1 :], rows), len(header))


def _frame(header: list[str], rows: Iterator[Row], name: str) -> pd.DataFrame:
    """Rows as a frame, made in chunks, so that a large sheet never stands in memory as lists."""
    entries: list[said.CellEntry] = []
    chunks: list[pd.DataFrame] = []
    widest, count = len(header), 0
    while held := list(itertools.islice(rows, _CHUNK)):
        for number, row in enumerate(held, count):
            entries += said.entries_of(number, row) if row.remarks else []
        count += len(held)
        if count > MAX_ROWS:
            raise InputError(f"{name} has more than {MAX_ROWS} rows.", "Split it into several sheets.")
        columns = list(itertools.zip_longest(*(row.cells for row in held), fillvalue=""))
        columns += [("",) * len(held)] * (len(header) - len(columns))
        chunks.append(pd.DataFrame({at: pd.Series(column, dtype="str") for at, column in enumerate(columns)}))
        widest = max(widest, len(columns))
    names = headers(header, widest)
    if not chunks:
        return pd.DataFrame({name: pd.Series([], dtype="str") for name in names})
    frame = pd.concat(chunks, ignore_index=True) if len(chunks) > 1 else chunks[0]
    for place in range(len(header), widest):
        frame[place] = frame[place].fillna("")
    frame.columns = pd.Index(names, dtype="str")
    return said.with_entries(frame, entries)
