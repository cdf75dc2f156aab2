"""Nullable columns as plain arrays: what every room does before it calculates."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Self, TypeVar

import numpy as np
import pandas as pd

T = TypeVar("T")


def numbers(column: pd.Series[Any]) -> np.ndarray:
    """Take a nullable column as floats, NaN for unknown.

    Parameters
    ----------
    column : pandas.Series, shape (n,)

    Returns
    -------
    numpy.ndarray of float64, shape (n,)
    """
    return column.to_numpy(dtype="float64", na_value=np.nan)


def figures(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Take a column that anybody filled, and that a frame may lack, as floats; NaN where a cell holds none."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return numbers(pd.to_numeric(frame[name], errors="coerce"))


def words(frame: pd.DataFrame, name: str) -> pd.Series[str]:
    """Take such a column as text, NA where a cell holds none."""
    if name not in frame:
        return pd.Series(pd.NA, index=frame.index, dtype="string")
    return frame[name].astype("string")


def holds(column: pd.Series[Any]) -> np.ndarray:
    """Take a nullable truth column as plain truth, False for unknown.

    Parameters
    ----------
    column : pandas.Series, shape (n,)

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    return column.fillna(False).to_numpy(dtype=bool)


def texts(column: pd.Series[Any]) -> np.ndarray:
    """Take a nullable text column as objects, None for unknown.

    Parameters
    ----------
    column : pandas.Series, shape (n,)

    Returns
    -------
    numpy.ndarray of object, shape (n,)
    """
    words = column.to_numpy(dtype=object, copy=True)
    words[pd.isna(words)] = None
    return words


@dataclass(frozen=True)
class ByUnit:
    """A record of arrays and frames, a row a unit."""

    WHOLE: ClassVar[frozenset[str]] = frozenset()
    """Fields that are not by unit: `take` leaves them as they are."""

    def take(self, at: np.ndarray) -> Self:
        """Some of the units, by mask or position, repeated where asked twice."""
        at = np.flatnonzero(at) if at.dtype == bool else at
        some = {one.name: _taken(getattr(self, one.name), at) for one in fields(self) if one.name not in self.WHOLE}
        return replace(self, **some)


def _taken(value: Any, at: np.ndarray) -> Any:
    if isinstance(value, pd.DataFrame | pd.Series):
        return value.iloc[at].reset_index(drop=True)
    if isinstance(value, Mapping):
        return {name: _taken(one, at) for name, one in value.items()}
    return value.take(at) if isinstance(value, ByUnit) else value[at]


class Columns(dict[str, np.ndarray]):
    """A frame's columns as `texts` gives them, each made when it is first asked for."""

    def __init__(self, frame: pd.DataFrame) -> None:
        super().__init__()
        self._frame = frame

    def __missing__(self, name: str) -> np.ndarray:
        self[name] = out = texts(self._frame[name])
        return out

    def row(self, at: int) -> dict[str, Any]:
        """One row as a dictionary, None for unknown."""
        return {name: self[name][at] for name in map(str, self._frame)}


def among(words: np.ndarray, some: Collection[str]) -> np.ndarray:
    """Tell where an array of words or None has one of some words.

    Parameters
    ----------
    words : numpy.ndarray of object, shape (n,)
    some : collection of str

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    wanted = frozenset(some)
    return np.fromiter(map(wanted.__contains__, words.tolist()), dtype=bool, count=len(words))


def present(words: np.ndarray) -> np.ndarray:
    """Tell where an array of words or None has a word.

    Parameters
    ----------
    words : numpy.ndarray of object, shape (n,)

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    return np.asarray(pd.notna(words), dtype=bool)


def distinct(columns: Iterable[Any], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Number the distinct rows of some columns in the order in which they first stand.

    Parameters
    ----------
    columns : iterable of array-like, each of shape (n,)
        What is unknown is alike.

    Returns
    -------
    codes : numpy.ndarray of int, shape (n,)
        Number of each row.
    first : numpy.ndarray of int, shape (n_distinct,)
        Row in which each number first stands.
    """
    codes = np.zeros(n, dtype=np.intp)
    for column in columns if n > 1 else ():
        of, values = pd.factorize(column, use_na_sentinel=False)
        if len(values) > 1:
            codes = pd.factorize(codes * len(values) + of)[0]
    return codes, np.unique(codes, return_index=True)[1]


def runs(starts: np.ndarray, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lay runs of items end to end: for each item the number of its run, and its place (`starts` its run's first)."""
    of = np.repeat(np.arange(len(counts)), counts)
    return of, np.arange(len(of)) + np.repeat(starts - (np.cumsum(counts) - counts), counts)


def typed(rows: Sequence[Sequence[object]], dtypes: Mapping[str, str]) -> pd.DataFrame:
    """Put rows of values into a frame whose columns have these dtypes, however few the rows."""
    columns = zip(*rows, strict=True) if rows else [()] * len(dtypes)
    return pd.DataFrame({
        name: np.array(values, dtype=dtype) if dtype == "int64" else pd.array(list(values), dtype=dtype)  # type: ignore[call-overload]
        for (name, dtype), values in zip(dtypes.items(), columns, strict=True)
    })  # fmt: skip


def by_row(rows: Iterable[Any], values: Iterable[T]) -> dict[int, list[T]]:
    """Values by the row that each belongs to, in their order."""
    out: dict[int, list[T]] = {}
    for row, value in zip(np.asarray(rows, dtype=int).tolist(), values, strict=True):
        out.setdefault(row, []).append(value)
    return out


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Take a frame as a list of rows, each a dictionary by column."""
    names = [str(name) for name in frame.columns]
    columns = [frame[name].tolist() for name in frame.columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
