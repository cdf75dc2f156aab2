"""Rows of the room's own small tables, as plain text."""

from __future__ import annotations

from advisor.tables import dicts


def rows(name: str) -> list[dict[str, str]]:
    """Read a table of datasets/drivers as dicts of text, '' for an empty cell.

    Parameters
    ----------
    name : str
        Such as 'severity'.

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    return dicts(f"drivers/{name}")


def parts(text: str) -> list[str]:
    """Split a cell at ';', without blanks and empty parts."""
    return [part.strip() for part in text.split(";") if part.strip()]
