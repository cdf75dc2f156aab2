"""What a reader found wrong with cells before they are understood; it travels with the frame, row by row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from advisor.intake.columns import Entries
from advisor.intake.records import Row

_KEY = "advisor.said"
_VALUE = 200
TAG_TWICE = "this tag stands on"
"""What is said of a tag that other rows of the batch have too begins so."""

CellEntry = tuple[int, int, str, str, str]
"""Row, place, value, problem and what is accepted: what was found wrong with a cell as it was read."""


def entries_of(number: int, row: Row) -> list[CellEntry]:
    """What was found wrong with the cells of a row."""
    out = []
    for place, problem, accepted in row.remarks:
        at = min(place, len(row.cells) - 1)
        out.append((number, at, row.cells[at][:_VALUE], problem, accepted))
    return out


def with_entries(frame: pd.DataFrame, entries: Sequence[CellEntry]) -> pd.DataFrame:
    """Let a frame carry what was found wrong with its cells; it is changed and returned."""
    if entries:
        texts = [(frame.columns[at], value, problem, asked) for _, at, value, problem, asked in entries]
        distinct = {text: number for number, text in enumerate(dict.fromkeys(texts))}
        rows = np.array([row for row, *_ in entries], dtype="int64")
        frame.attrs[_KEY] = Entries(rows, np.array([distinct[text] for text in texts]), list(distinct))
    return frame


def positions(frame: pd.DataFrame) -> Entries:
    """Entries about rows that the frame still has, by their positions.

    A row that was sorted or filtered away, or that a new index calls by another's number, is passed over: an entry
    counts only where the cell it is about still holds that value.
    """
    nothing = np.array([], dtype="int64")
    said = frame.attrs.get(_KEY)
    if not isinstance(said, Entries) or not frame.index.is_unique:
        return Entries(nothing, nothing, [])
    at = frame.index.get_indexer(pd.Index(said.rows))
    places = {str(name): place for place, name in reversed(list(enumerate(frame.columns)))}
    of_text = np.array([places.get(column, -1) for column, *_ in said.texts])
    begins = np.array([" ".join(value.split()) for _, value, *_ in said.texts], dtype=object)
    good = (at >= 0) & (of_text[said.which] >= 0)
    for place in set(of_text[said.which[good]].tolist()):
        mine = np.flatnonzero(good & (of_text[said.which] == place))
        cells = frame.iloc[at[mine], place]
        pairs = zip(cells, begins[said.which[mine]], strict=True)
        good[mine] = [" ".join(str(cell).split()).startswith(value) for cell, value in pairs]
    return Entries(at[good], said.which[good], said.texts)
