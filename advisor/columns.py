"""Nullable columns as plain arrays: what every room does before it calculates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd


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


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Take a frame as a list of rows, each a dictionary by column."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]
