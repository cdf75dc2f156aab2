"""Rows of the room's own small tables, as plain text."""

from __future__ import annotations

from advisor.tables import load


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
    frame = load(f"drivers/{name}").frame.fillna("")
    columns = [str(column) for column in frame.columns]
    listed = [[str(value) for value in frame[column]] for column in columns]
    return [dict(zip(columns, values, strict=True)) for values in zip(*listed, strict=True)]


def parts(text: str) -> list[str]:
    """Split a cell at ';', without blanks and empty parts."""
    return [part.strip() for part in text.split(";") if part.strip()]
