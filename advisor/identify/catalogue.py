"""The processor tables, with the look-ups that a name or a signature needs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from advisor.identify.names import number as plain_number
from advisor.tables import dicts, rows

K = TypeVar("K")

REFERENCE = "Intel Core i5-6300U"
"""The processor whose single-thread speed is 1: Skylake at 3.0 GHz."""

REFERENCE_GHZ = 3.0

_DIGITS = re.compile(r"^[A-Z]+|[A-Z+]+$")
_FIRST_XEON = re.compile(r"E[357]\d{4}[LWMA]{0,2}")


@cache
def short_line(line: str) -> str:
    """Short name of a product line, as the name reader gives it: 'i5' for 'Core i5', 'pentium' for 'Pentium Gold'."""
    own = {name: short for name, short, _ in rows("identify/lines")}
    return own.get(line) or re.sub(r"\Acore ([im]\d)\Z", r"\1", line.lower())


_NUMBERS: dict[str, type] = {"year": int, "cores": int, "threads": int, "base_ghz": float, "boost_ghz": float}
"""Columns of the processor table that are no text."""


@dataclass
class Catalogue:
    """Processors, and the indexes into them."""

    # The processor table as text, a dict a row; beside its columns `short`, the short name of the line, and `plain`,
    # the number without spaces and dashes.
    rows: list[dict[str, str]]
    microarchs: dict[str, dict[str, Any]]  # By microarchitecture; `ipc` and its spread as numbers
    signatures: list[dict[str, str]]
    series: list[dict[str, str]]
    by_key: dict[tuple[str, str], int]  # (short line, number) to the row
    # by_number, by_line, by_microarch, by_digits: To the rows from the number whatever the line, the short line, the
    # microarchitecture, and the short line with the digits of the number.
    by_number: dict[str, list[int]]
    by_line: dict[str, list[int]]
    by_microarch: dict[str, list[int]]
    by_digits: dict[tuple[str, str], list[int]]

    def record(self, row: int) -> dict[str, Any]:
        """One processor: numbers as such, speed and its spread worked out, level filled in, None for unknown."""
        text = self.rows[row]
        core = self.microarchs[text["microarch"]]
        found: dict[str, Any] = {name: _NUMBERS.get(name, str)(cell) if cell else None for name, cell in text.items()}
        clock = found["boost_ghz"]
        found["speed"] = None if clock is None else core["ipc"] * clock / REFERENCE_GHZ
        return found | {"level": found["level"] or core["level"] or None, "log_sd": core["ipc_log_sd"]}

    def clocked(self, rows: list[int], ghz: float) -> list[int]:
        """Those of some processors that run at a clock [GHz]."""
        return [row for row in rows if abs(float(self.rows[row]["base_ghz"] or "nan") - ghz) < 0.02]


def _key_number(line: str, plain: str) -> str:
    """Number as the name reader would give it: the letter that names an AMD line is part of the line."""
    if line in ("E-series", "C-series", "Z-series", "G-series"):
        return plain[1:]
    if line == "Xeon" and _FIRST_XEON.fullmatch(plain):
        return f"{plain}V1"
    return plain


@cache
def catalogue() -> Catalogue:
    """Load the tables, the user's own rows last, so that they win.

    Raises
    ------
    TableError
        When a value cannot be used; the message names file, line and column.
    """
    table = [
        row | {"short": short_line(row["line"]), "plain": plain_number(row["number"])}
        for row in dicts("identify/processors")
    ]
    keys = [(row["short"], _key_number(row["line"], row["plain"])) for row in table]
    return Catalogue(
        table,
        {
            row["microarch"]: row | {name: float(row[name]) for name in ("ipc", "ipc_log_sd")}
            for row in dicts("identify/microarchitectures")
        },
        dicts("identify/signatures"),
        dicts("identify/series"),
        by_key={key: at for at, key in enumerate(keys)},
        by_number=_places(row["plain"] for row in table),
        by_line=_places(row["short"] for row in table),
        by_microarch=_places(row["microarch"] for row in table),
        by_digits=_places((line, _DIGITS.sub("", number)) for line, number in keys),
    )


def _places(keys: Iterable[K]) -> dict[K, list[int]]:
    """Rows by what each goes by."""
    found: dict[K, list[int]] = {}
    for at, key in enumerate(keys):
        found.setdefault(key, []).append(at)
    return found
