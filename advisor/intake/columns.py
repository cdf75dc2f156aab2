"""Columns of a raw sheet, each distinct text once, and the ledger of what is said about their cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from advisor.intake.headers import Mapped
    from advisor.intake.parsed import Parsed

PROBLEM_COLUMNS = ("row", "column", "value", "problem", "accepted")
NOTE_COLUMNS = ("row", "column", "value", "note")
_SHOWN = 200


@dataclass(frozen=True)
class Column:
    """One raw column, factorised."""

    mapped: Mapped  # What its header was understood as
    codes: np.ndarray  # Position in `texts` of each row's text; -1 where the cell is NA, shape (n_rows,)
    texts: list[str]  # Distinct texts

    @classmethod
    def of(cls, raw: pd.DataFrame, position: int, mapped: Mapped) -> Column:
        """Factorise a column of the raw sheet."""
        codes, distinct = pd.factorize(raw.iloc[:, position])
        return cls(mapped, np.asarray(codes), [text_of(value) for value in distinct])

    def take(self, values: Sequence[Any]) -> np.ndarray:
        """Spread one value a distinct text over the rows; None where the cell is NA."""
        spread = np.empty(len(values) + 1, dtype=object)
        spread[:-1] = values
        spread[-1] = None
        return spread[self.codes]

    def rows(self, distinct: Sequence[int]) -> np.ndarray:
        """Positions of the rows that hold one of these distinct texts."""
        return np.flatnonzero(np.isin(self.codes, distinct))

    def split(self, among: np.ndarray) -> tuple[Column, list[bool]]:
        """The same column, its texts apart by whether the row is one of these; tells for each text whether it is."""
        codes, distinct = pd.factorize(np.where(self.codes < 0, -1, 2 * self.codes + among))
        kept = np.flatnonzero(distinct >= 0)
        place = np.full(len(distinct), -1)
        place[kept] = np.arange(len(kept))
        texts = [self.texts[code // 2] for code in distinct[kept]]
        return Column(self.mapped, place[codes], texts), [bool(code % 2) for code in distinct[kept]]


class Entries(NamedTuple):
    """Entries about rows that share their texts: each distinct entry once, and which of them each row has."""

    rows: np.ndarray  # Positions of the rows
    which: np.ndarray  # Position in `texts` of each row's entry
    texts: Sequence[tuple[str, ...]]  # Column, value and what is said of it

    def __deepcopy__(self, memo: dict[int, Any]) -> Entries:
        """Return itself: pandas copies what a frame carries at every step."""
        return self


@dataclass
class Ledger:
    """What was not understood, and what was assumed, row by row."""

    _problems: list[Entries] = field(default_factory=list)
    _notes: list[Entries] = field(default_factory=list)

    def outcomes(self, column: Column, outcomes: Sequence[Parsed], among: np.ndarray | None = None) -> np.ndarray:
        """Write down the problems and notes of a column's distinct texts.

        Parameters
        ----------
        outcomes : sequence of Parsed
            One for each distinct text.
        among : numpy.ndarray of bool, shape (n_rows,), optional
            Rows that are meant; all when left out.

        Returns
        -------
        numpy.ndarray of int
            Positions of the rows with a problem.
        """
        header, values = column.mapped.header, [text[:_SHOWN] for text in column.texts]
        notes = [(header, value, one.note) for value, one in zip(values, outcomes, strict=True)]
        problems = [(header, value, one.problem, one.accepted) for value, one in zip(values, outcomes, strict=True)]
        rows = np.array([], dtype=int)
        for kept, texts in ((self._notes, notes), (self._problems, problems)):
            rows = column.rows([i for i, text in enumerate(texts) if text[2]])
            rows = rows if among is None else rows[among[rows]]
            if len(rows):
                kept.append(Entries(rows, column.codes[rows], texts))
        return rows

    def problem(self, rows: np.ndarray, which: np.ndarray, texts: Sequence[tuple[str, ...]]) -> None:
        """Write down a problem of each of these rows: column, value, problem and accepted of each distinct one."""
        if len(rows):
            self._problems.append(Entries(rows, which, [(c, value[:_SHOWN], p, a) for c, value, p, a in texts]))

    def problems(self) -> pd.DataFrame:
        """Give all problems, sorted by row."""
        return table(self._problems, PROBLEM_COLUMNS)

    def notes(self) -> pd.DataFrame:
        """Give all notes, sorted by row."""
        return table(self._notes, NOTE_COLUMNS)


def table(entries: Sequence[Entries], names: Sequence[str]) -> pd.DataFrame:
    """Put entries together, a row an entry, sorted by row.

    Parameters
    ----------
    names : sequence of str
        'row', counted from 1, then the names of the texts.

    Returns
    -------
    pandas.DataFrame
        'row' is int64, the others text.
    """
    rows, which = [np.array([], dtype="int64")], [np.array([], dtype="int64")]
    texts: list[tuple[str, ...]] = []
    for entry in entries:
        rows.append(entry.rows)
        which.append(entry.which + len(texts))
        texts += entry.texts
    row = np.concatenate(rows)
    order = np.argsort(row, kind="stable")
    place = np.concatenate(which)[order]
    made: dict[str, Any] = {names[0]: row[order] + 1}
    for part, name in enumerate(names[1:]):
        distinct = np.array([text[part] for text in texts], dtype=object)
        made[name] = pd.Series(distinct[place], dtype="string").array
    return pd.DataFrame(made, copy=False)


def text_of(value: Any) -> str:
    """Write a cell's value as somebody would have typed it.

    Returns
    -------
    str
        '' when there is none; whole numbers without a point, booleans as yes or no.
    """
    if isinstance(value, str):
        return value
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        number = float(value)
        if number != number:
            return ""
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    return str(value)
