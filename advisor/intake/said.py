"""What a reader found wrong with cells before they are understood; it travels with the frame, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

_KEY = "advisor.said"
TAG_TWICE = "this tag stands on"
"""What is said of a tag that other rows of the batch have too begins so."""


@dataclass(frozen=True, eq=False)
class CellProblems:
    """Problems of a frame's cells, each distinct one once."""

    rows: np.ndarray  # Labels of the rows in the frame's index
    which: np.ndarray  # Position in `texts` of each row's entry
    texts: Sequence[tuple[str, str, str, str]]  # Column, value, problem and what is accepted

    def __deepcopy__(self, memo: dict[int, Any]) -> CellProblems:
        """Return itself: pandas copies a frame's attributes at every step."""
        return self


def of_entries(entries: Sequence[tuple[int, tuple[str, str, str, str]]]) -> CellProblems:
    """Put single entries together: the row's label, and column, value, problem and what is accepted."""
    distinct = {text: number for number, text in enumerate(dict.fromkeys(text for _, text in entries))}
    rows = np.array([row for row, _ in entries], dtype="int64")
    return CellProblems(rows, np.array([distinct[text] for _, text in entries], dtype="int64"), list(distinct))


def attach(frame: pd.DataFrame, said: CellProblems) -> pd.DataFrame:
    """Let a frame carry what was said of it; the frame itself is changed and returned."""
    frame.attrs[_KEY] = said
    return frame


def carried(frame: pd.DataFrame) -> CellProblems | None:
    """What a frame carries, None when nothing."""
    found = frame.attrs.get(_KEY)
    return found if isinstance(found, CellProblems) else None


def positions(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, Sequence[tuple[str, str, str, str]]]:
    """Entries about rows that the frame still has: positions of the rows, which text, and the texts.

    A row that was sorted or filtered away, or that a new index calls by another's number, is passed over: an entry
    counts only where the cell it is about still holds that value.
    """
    nothing = np.array([], dtype="int64")
    said = carried(frame)
    if said is None or not len(said.rows) or not frame.index.is_unique:
        return nothing, nothing, []
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
    return at[good], said.which[good], said.texts
