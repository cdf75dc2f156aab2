"""The processor tables as arrays, with the look-ups that a name or a signature needs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any, TypeVar

import pandas as pd

from advisor.identify.names import number as plain_number
from advisor.tables import compiled, dicts, load, rows

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


@dataclass(frozen=True)
class Series:
    """One row of the table of number series."""

    line: re.Pattern[str]
    numbers: str
    microarch: str
    generation: str
    year: int
    level: str
    source: str

    @property
    def pattern(self) -> re.Pattern[str]:
        """Expression that the series' numbers fit."""
        return compiled(self.numbers)


_DTYPES: dict[str, Any] = dict.fromkeys(("year", "cores", "threads"), "Int64")
_DTYPES |= dict.fromkeys(("base_ghz", "boost_ghz", "speed", "log_sd"), "Float64")
"""Columns of the processor table that are no text."""


@dataclass
class Catalogue:
    """Processors, and the indexes into them."""

    rows: list[dict[str, str]]  # The processor table as text, a dict a row
    microarchs: pd.DataFrame  # Indexed by microarchitecture
    signatures: pd.DataFrame
    series: list[Series]
    # names, lines, numbers: Columns of the table, lines by their short names, numbers without spaces and dashes.
    names: list[str]
    lines: list[str]
    numbers: list[str]
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
        core = self._cores.get(text["microarch"], {})
        found: dict[str, Any] = {name: cell or None for name, cell in text.items()}
        found |= {name: int(text[name]) if text[name] else None for name in ("year", "cores", "threads")}
        found |= {name: float(text[name]) if text[name] else None for name in ("base_ghz", "boost_ghz")}
        ipc, clock = core.get("ipc"), found["boost_ghz"]
        speed = None if ipc is None or clock is None else ipc * clock / REFERENCE_GHZ
        return found | {"level": found["level"] or core.get("level"), "speed": speed, "log_sd": core.get("ipc_log_sd")}

    def clocked(self, rows: list[int], ghz: float) -> list[int]:
        """Those of some processors that run at a clock [GHz]."""
        return [row for row in rows if abs(float(self.rows[row]["base_ghz"] or "nan") - ghz) < 0.02]

    @cached_property
    def _cores(self) -> dict[str, dict[str, Any]]:
        frame = self.microarchs.astype(object).where(self.microarchs.notna(), None)
        return {str(core): dict(zip(frame.columns, row, strict=True)) for core, *row in frame.itertuples()}

    def take(self, rows: Iterable[int]) -> pd.DataFrame:
        """Some processors; year, cores and threads Int64, clocks and speeds Float64, level filled in."""
        records = [self.record(row) for row in rows]
        names = [*self.rows[0], "speed", "log_sd"]
        return pd.DataFrame(
            {name: pd.Series([one[name] for one in records], dtype=_DTYPES.get(name, "string")) for name in names}
        )

    @cached_property
    def frame(self) -> pd.DataFrame:
        """All processors, as `take` gives some."""
        return self.take(range(len(self.rows)))


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
    microarchs = load("identify/microarchitectures").frame.set_index("microarch")
    for column in ("ipc", "ipc_log_sd"):
        microarchs[column] = microarchs[column].astype("Float64")
    table = dicts("identify/processors")
    lines = [short_line(row["line"]) for row in table]
    numbers = [plain_number(row["number"]) for row in table]
    keys = [(short, _key_number(row["line"], number)) for short, number, row in zip(lines, numbers, table, strict=True)]
    return Catalogue(
        table, microarchs, _signatures(), _series(), [row["name"] for row in table], lines, numbers,
        by_key={key: at for at, key in enumerate(keys)}, by_number=_places(numbers), by_line=_places(lines),
        by_microarch=_places(row["microarch"] for row in table),
        by_digits=_places((line, _DIGITS.sub("", number)) for line, number in keys),
    )  # fmt: skip


def _places(keys: Iterable[K]) -> dict[K, list[int]]:
    """Rows by what each goes by."""
    found: dict[K, list[int]] = {}
    for at, key in enumerate(keys):
        found.setdefault(key, []).append(at)
    return found


def _signatures() -> pd.DataFrame:
    frame = load("identify/signatures").frame.copy()
    for column in ("family", "model_low", "model_high", "stepping_low", "stepping_high"):
        frame[column] = frame[column].astype("Int64")
    return frame


def _series() -> list[Series]:
    return [
        Series(
            compiled(row["line"]), row["pattern"], row["microarch"], row["generation"], int(row["year"]),
            row["level"], row["source"],
        )
        for row in dicts("identify/series")
    ]  # fmt: skip
