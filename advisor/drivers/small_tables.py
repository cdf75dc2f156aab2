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


def ids_in(cell: str) -> list[tuple[str, int, int]]:
    """Bus, vendor and device of each id in a cell; -1 for the device where '*' stands for all of a vendor's."""
    split = [part.split(":") for part in parts(cell) if part != "*"]
    return [(bus, int(vendor, 16), -1 if device == "*" else int(device, 16)) for bus, vendor, device in split]
