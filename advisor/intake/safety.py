"""Cells that spreadsheets would run as formulas, made harmless on the way out."""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""With what a text begins that a spreadsheet takes for a formula: OWASP, "CSV Injection"."""

_SOME_START = re.compile("\n['" + re.escape("".join(FORMULA_STARTS)) + "]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_PLAIN = re.compile(r"[+-]?\d+(?:[.,]\d+)?%?|-+|\+")


def safe_cell(value: object) -> object:
    """Put an apostrophe before a text that a spreadsheet would take for a formula [1]_.

    Parameters
    ----------
    value : object
        Anything but text comes back as it is.

    Returns
    -------
    object
        The text with an apostrophe before it when it starts with =, +, -, @, tab or return. Plain numbers such as
        '-5' and '+3,5' and lone dashes stay: they are no formulas, and an apostrophe would turn them into text.
        The price: a text such as '-5 dB' or '@home' gains an apostrophe that a program reading the CSV will see.

    References
    ----------
    .. [1] OWASP, "CSV Injection".
    """
    if not isinstance(value, str) or not value.startswith(FORMULA_STARTS) or _PLAIN.fullmatch(value):
        return value
    return f"'{value}"


def guarded(value: object) -> object:
    """Put an apostrophe before a formula as `safe_cell` does, so that `unguarded` gives back every text exactly.

    Returns
    -------
    object
        A text of apostrophes before a formula gains one too.
    """
    if isinstance(value, str) and _GUARDED.match(value):
        return f"'{value}"
    return safe_cell(value)


def unguarded(value: object) -> object:
    """Take off the apostrophe that `guarded` put before a text."""
    return value[1:] if isinstance(value, str) and _GUARDED.match(value) else value


def safe_frame(frame: pd.DataFrame, cell: Callable[[object], object] = safe_cell) -> pd.DataFrame:
    """Make every text cell and header of a frame harmless; numbers keep their type.

    Parameters
    ----------
    cell : callable
        `safe_cell`, or `guarded` where a program will read the cells back.

    Returns
    -------
    pandas.DataFrame
        A copy; only text columns are looked at, each distinct value once.
    """
    safe = frame.copy()
    for position, name in enumerate(frame.columns):
        column = frame.iloc[:, position]
        if not (pd.api.types.is_string_dtype(column) or pd.api.types.is_object_dtype(column)):
            continue
        if not _SOME_START.search("\n".join(["", *(text for text in column.tolist() if isinstance(text, str))])):
            continue
        codes, distinct = pd.factorize(column)
        mapped = pd.Series([cell(value) for value in distinct], dtype=object)
        values = mapped.reindex(codes).array
        safe.isetitem(position, pd.Series(values, index=frame.index, dtype=column.dtype, name=name).array)
    safe.columns = [cell(name) for name in frame.columns]
    return safe
