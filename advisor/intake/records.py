"""Lines of a text table to rows of cells; a quote that goes wrong costs its own row alone, and is said."""

from __future__ import annotations

import csv
import re
from collections import deque
from collections.abc import Iterable, Iterator
from functools import cache
from typing import NamedTuple

from advisor.intake.encoding import MAX_LINE, mend, odd

MAX_CELL = 20_000
"""Longest cell kept [character]; longer ones are cut, as no fact about a PC is that long."""

MOST_EMPTY = 1_000
"""Most empty rows in a row that count as rows; behind more, something strayed far below the sheet."""

_QUOTES = 'quotes around the whole cell, and those within it doubled: "24"" screen"'
_ENCODING = "a sheet saved as UTF-8 throughout"
_SHORTER = f"up to {MAX_CELL} characters in a cell"


class Remark(NamedTuple):
    """What is wrong with a cell of a row, as it was read."""

    place: int  # Position of the cell
    problem: str
    accepted: str


class Row(NamedTuple):
    """A row of cells."""

    cells: list[str]
    remarks: tuple[Remark, ...] | list[Remark] = ()


class _Feed:
    """Lines handed to the csv module, remembered so that a record that went wrong can be read again."""

    def __init__(self, lines: Iterator[str], suspect: bool) -> None:
        self._lines, self._suspect = lines, suspect
        self._back: deque[str] = deque()
        self.taken: list[str] = []
        self.look = self.cut = False

    def __iter__(self) -> _Feed:
        return self

    def __next__(self) -> str:
        line = self._back.popleft() if self._back else next(self._lines)
        self.taken.append(line)
        if len(line) > MAX_CELL:
            self.look = True
            self.cut = self.cut or (len(line) == MAX_LINE and line[-1] not in "\r\n")
        elif self._suspect and not self.look:
            self.look = odd(line)
        return line

    def start(self) -> None:
        """Begin a new record."""
        self.taken, self.look, self.cut = [], False, False

    def plain(self) -> str | None:
        """The next line where it is a record by itself that needs no look: no quote, not long, nothing damaged."""
        line = self._back.popleft() if self._back else next(self._lines, None)
        if line is None or self._suspect or '"' in line or len(line) > MAX_CELL:
            if line is not None:
                self._back.appendleft(line)
            return None
        return line

    def give_back(self) -> str:
        """Keep the record's first line; the others are read again."""
        first, *others = self.taken
        self._back.extendleft(reversed(others))
        self.cut = len(first) == MAX_LINE and first[-1] not in "\r\n"
        return first


def rows(lines: Iterable[str], delimiter: str, width: int = 0, suspect: bool = False) -> Iterator[Row]:
    """Read rows of cells.

    Parameters
    ----------
    lines : iterable of str
        With their ends.
    width : int
        Cells of the header, 0 while it is not known.
    suspect : bool
        Characters may be damaged; see `encoding.Text`.

    Yields
    ------
    Row
        Blank lines are none. A quote that opens and does not close before the sheet, or a cell of `MAX_CELL`, ends,
        or that closes in the midst of a cell, is taken as it stands; so is one that would swallow lines which all have
        as many cells as the header, and one that ends a line where the next begins a cell. The row says so.
    """
    feed = _Feed(iter(lines), suspect)
    reader = csv.reader(feed, delimiter=delimiter, strict=True)
    while True:
        line = feed.plain()
        if line is not None:
            cells = line.rstrip("\r\n").split(delimiter)
            if cells != [""]:
                yield Row(cells)
            continue
        feed.start()
        torn = False
        try:
            cells = next(reader)
            torn = len(feed.taken) > 1 and _swallowed(cells, feed.taken, delimiter, width)
        except StopIteration:
            return
        except csv.Error:
            torn = True
        if torn:
            cells = as_it_stands(feed.give_back(), delimiter)
        if not cells or cells == [""]:
            continue
        yield _looked_at(cells, torn, feed.cut) if feed.look or torn else Row(cells)


def _swallowed(cells: list[str], lines: list[str], delimiter: str, width: int) -> bool:
    """Whether a record of several lines is a quote left open rather than a cell of several lines."""
    if any(len(cell) > MAX_CELL for cell in cells):
        return True
    # Two lines that each end in a lone quote: a ditto mark, not a cell that begins and ends in the midst of nothing.
    if any(cell[:1] in ("\r", "\n") and cell.endswith(delimiter) for cell in cells):
        return True
    if width < 3 or any(line.count(delimiter) < width - 1 for line in lines):
        return False
    return all(len(as_it_stands(line, delimiter)) == width for line in lines)


@cache
def _quoted(delimiter: str) -> re.Pattern[str]:
    blank = "[ ]*" if delimiter == "\t" else "[ \t]*"
    return re.compile(rf'"((?:[^"]|"")*)"{blank}(?={re.escape(delimiter)}|\Z)')


def as_it_stands(line: str, delimiter: str) -> list[str]:
    """Split one line into cells: quotes count where they are closed before the next separator, else they are text."""
    line = line.rstrip("\r\n")
    cells, at, pattern = [], 0, _quoted(delimiter)
    while True:
        found = pattern.match(line, at) if line.startswith('"', at) else None
        if found:
            cells.append(found[1].replace('""', '"'))
            at = found.end()
        else:
            end = line.find(delimiter, at)
            end = len(line) if end < 0 else end
            cells.append(line[at:end])
            at = end
        if at >= len(line):
            return cells
        at += len(delimiter)


def _looked_at(cells: list[str], torn: bool, cut: bool) -> Row:
    """Mend and shorten the cells of a row, and say what was wrong with them."""
    cells, remarks = tidied(cells)
    if torn:
        place = next((at for at, cell in enumerate(cells) if cell.lstrip().startswith('"')), 0)
        remarks.append(Remark(place, "a quote is not closed, or stands alone; the line was taken as it is", _QUOTES))
    if cut:
        remarks.append(Remark(0, f"the line is longer than {MAX_LINE} characters; the rest was left out", _SHORTER))
    return Row(cells, remarks)


def tidied(cells: list[str]) -> tuple[list[str], list[Remark]]:
    """Mend damaged characters of cells and cut those that are too long."""
    out, remarks = [], []
    for place, cell in enumerate(cells):
        if odd(cell):
            cell, problem = mend(cell)
            if problem:
                remarks.append(Remark(place, problem, _ENCODING))
        if len(cell) > MAX_CELL:
            remarks.append(Remark(place, f"{len(cell)} characters; cut at {MAX_CELL}", _SHORTER))
            cell = cell[:MAX_CELL]
        out.append(cell)
    return out, remarks
