"""Columns of a raw sheet, each distinct text once, and the ledger of what is said about their cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from advisor.intake.headers import Mapped
from advisor.intake.parsed import Parsed

PROBLEM_COLUMNS = ("row", "column", "value", "problem", "accepted")
NOTE_COLUMNS = ("row", "column", "value", "note")
_SHOWN = 200


@dataclass(frozen=True)
class Column:
    """One raw column, factorised.

    Attributes
    ----------
    mapped : Mapped
        What its header was understood as.
    codes : numpy.ndarray of int, shape (n_rows,)
        Position in `texts` of each row's text; -1 where the cell is NA.
    texts : list of str
        Distinct texts.
    """

    mapped: Mapped
    codes: np.ndarray
    texts: list[str]

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
        wanted = np.zeros(len(self.texts) + 1, dtype=bool)
        wanted[list(distinct)] = True
        return np.flatnonzero(wanted[self.codes])

    def cells(self, rows: np.ndarray) -> np.ndarray:
        """Texts of these rows, cut to what a message shows."""
        shown = np.array([*(text[:_SHOWN] for text in self.texts), ""], dtype=object)
        return shown[self.codes[rows]]


def _filled(rows: np.ndarray, text: str) -> np.ndarray:
    return np.full(len(rows), text, dtype=object)


@dataclass
class Ledger:
    """What was not understood, and what was assumed, row by row."""

    _problems: list[dict[str, np.ndarray]] = field(default_factory=list)
    _notes: list[dict[str, np.ndarray]] = field(default_factory=list)

    def outcomes(self, column: Column, outcomes: Sequence[Parsed]) -> np.ndarray:
        """Write down the problems and notes of a column's distinct texts.

        Parameters
        ----------
        column : Column
        outcomes : sequence of Parsed
            One for each distinct text.

        Returns
        -------
        numpy.ndarray of int
            Positions of the rows with a problem.
        """
        noted = [i for i, outcome in enumerate(outcomes) if outcome.note]
        if noted:
            self._notes.append(self._chunk(column, noted, {"note": [outcomes[i].note for i in noted]}))
        bad = [i for i, outcome in enumerate(outcomes) if outcome.problem]
        if not bad:
            return np.array([], dtype=int)
        texts = {"problem": [outcomes[i].problem for i in bad], "accepted": [outcomes[i].accepted for i in bad]}
        self._problems.append(self._chunk(column, bad, texts))
        return column.rows(bad)

    @staticmethod
    def _chunk(column: Column, distinct: list[int], texts: dict[str, list[str]]) -> dict[str, np.ndarray]:
        rows = column.rows(distinct)
        place = np.full(len(column.texts) + 1, -1)
        place[distinct] = np.arange(len(distinct))
        which = place[column.codes[rows]]
        values = np.array([column.texts[d][:_SHOWN] for d in distinct], dtype=object)
        made = {"row": rows + 1, "column": _filled(rows, column.mapped.header), "value": values[which]}
        return made | {name: np.array(said, dtype=object)[which] for name, said in texts.items()}

    def problem(
        self, rows: np.ndarray, header: str, values: np.ndarray, problem: str | np.ndarray, accepted: str
    ) -> None:
        """Write down a problem of each of these rows; `values` and an array of problems are as long as `rows`."""
        made = {"row": rows + 1, "column": _filled(rows, header), "value": values, "accepted": _filled(rows, accepted)}
        self._problems.append(made | {"problem": _filled(rows, problem) if isinstance(problem, str) else problem})

    def note(self, rows: np.ndarray, header: str, values: np.ndarray, notes: np.ndarray) -> None:
        """Write down a note on each of these rows."""
        self._notes.append({"row": rows + 1, "column": _filled(rows, header), "value": values, "note": notes})

    def problems(self) -> pd.DataFrame:
        """Give all problems, sorted by row."""
        return table(self._problems, PROBLEM_COLUMNS)

    def notes(self) -> pd.DataFrame:
        """Give all notes, sorted by row."""
        return table(self._notes, NOTE_COLUMNS)


def table(chunks: Sequence[dict[str, np.ndarray]], names: Sequence[str]) -> pd.DataFrame:
    """Put chunks of equal-length arrays together, sorted by row.

    Parameters
    ----------
    chunks : sequence of dict
    names : sequence of str
        Columns of the result; 'row' is int64, the others text.

    Returns
    -------
    pandas.DataFrame
    """
    made = {}
    for name in names:
        whole = np.concatenate([chunk[name] for chunk in chunks]) if chunks else np.array([], dtype=object)
        made[name] = (
            pd.array(whole.astype("int64"), dtype="int64") if name == "row" else pd.array(whole, dtype="string")
        )
    return pd.DataFrame(made, copy=False).sort_values("row", kind="stable", ignore_index=True)


def text_of(value: Any) -> str:
    """Write a cell's value as somebody would have typed it.

    Parameters
    ----------
    value : object

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


def array_of(values: np.ndarray, dtype: str) -> Any:
    """Make a nullable array of objects, None standing for NA.

    Parameters
    ----------
    values : numpy.ndarray of object
    dtype : str
        'string', 'boolean', 'Int64' or 'Float64'.

    Returns
    -------
    pandas.api.extensions.ExtensionArray
    """
    if dtype == "string":
        return pd.Series(values, dtype="string").array
    if dtype == "boolean":
        return pd.Series(values, dtype="boolean").array
    numbers = np.array(values, dtype=float)
    mask = np.isnan(numbers)
    if dtype == "Int64":
        return pd.arrays.IntegerArray(np.where(mask, 0, numbers).astype("int64"), mask)
    return pd.arrays.FloatingArray(np.where(mask, 0.0, numbers), mask)


def is_none(values: np.ndarray) -> np.ndarray:
    """Tell where an array of objects holds None.

    Parameters
    ----------
    values : numpy.ndarray of object

    Returns
    -------
    numpy.ndarray of bool
    """
    found: np.ndarray = values == np.array(None, dtype=object)
    return found
