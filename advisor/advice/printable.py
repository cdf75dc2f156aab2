"""Cells made fit for paper and terminals."""

from __future__ import annotations

import unicodedata

import pandas as pd

_STRAY = {"Cc", "Cs", "Co", "Cn", "Zl", "Zp"}
_BIDI_CONTROLS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
_LONG = 2000


def clean(value: object) -> str:
    """Make a cell fit for paper and terminals.

    Control characters (a terminal would obey them), bidirectional overrides (they reorder what stands beside them)
    and unassigned code points become spaces; runs of space become one.

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
    text = str(value)[:_LONG]
    if not text.isascii() or not text.isprintable():
        text = "".join(
            " " if character in _BIDI_CONTROLS or unicodedata.category(character) in _STRAY else character
            for character in text
        )
    return " ".join(text.split())
