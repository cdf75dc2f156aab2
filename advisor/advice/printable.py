"""Cells made fit for paper and terminals."""

from __future__ import annotations

import pandas as pd

from advisor.phrases import printable

_LONG = 2000


def clean(value: object) -> str:
    """Make a cell fit for paper and terminals, as `advisor.phrases.printable` does.

    Parameters
    ----------
    value : object
        A cell; NA gives ''.

    Returns
    -------
    str
        At most 2,000 characters.
    """
    if value is None or value is pd.NA or (isinstance(value, float) and value != value):
        return ""
    return printable(str(value)[:_LONG])
