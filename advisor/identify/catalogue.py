"""The processor tables as arrays, with the look-ups that a name or a signature needs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

import pandas as pd

from advisor.identify.names import number as plain_number
from advisor.tables import compiled, dicts, load

REFERENCE = "Intel Core i5-6300U"
"""The processor whose single-thread speed is 1: Skylake at 3.0 GHz."""

REFERENCE_GHZ = 3.0

_LINES = {
    "Core 2 Duo": "core2", "Core 2 Quad": "core2", "Core 2 Extreme": "core2", "Core 2 Solo": "core2",
    "Core Duo": "core1", "Core Solo": "core1", "Core M": "m",
    "Pentium Dual-Core": "pentium", "Pentium Gold": "pentium", "Pentium Silver": "pentium",
    "Atom x5": "atom", "Atom x7": "atom", "Atom x6000": "atom", "Processor": "intel",
    "Xeon Bronze": "xeon scalable", "Xeon Silver": "xeon scalable", "Xeon Gold": "xeon scalable",
    "Xeon Platinum": "xeon scalable", "Xeon D": "xeon",
    "Athlon 64 X2": "athlon x2", "Athlon II X2": "athlon ii", "Athlon II X3": "athlon ii",
    "Athlon II X4": "athlon ii", "Athlon Silver": "athlon", "Athlon Gold": "athlon",
    "Turion 64": "turion", "Turion 64 X2": "turion", "Turion X2": "turion", "Turion II": "turion",
    "Phenom X3": "phenom", "Phenom X4": "phenom", "Phenom II X2": "phenom ii", "Phenom II X3": "phenom ii",
    "Phenom II X4": "phenom ii", "Phenom II X6": "phenom ii",
    "V-series": "v", "E-series": "e", "C-series": "c", "Z-series": "z", "G-series": "g", "3000 series": "3000",
    "Ryzen Threadripper": "threadripper", "Ryzen Z1": "ryzen z",
}  # fmt: skip


_DIGITS = re.compile(r"^[A-Z]+|[A-Z+]+$")
_FIRST_XEON = re.compile(r"E[357]\d{4}[LWMA]{0,2}")


@cache
def short_line(line: str) -> str:
    """Short name of a product line, as the name reader gives it: 'i5' for 'Core i5', 'pentium' for 'Pentium Gold'."""
    if line in _LINES:
        return _LINES[line]
    plain = line.lower()
    found = re.fullmatch(r"core ([im]\d)", plain)
    return found[1] if found else plain


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
    """Processors as parallel arrays, and the indexes into them."""

    rows: list[dict[str, str]]  # The processor table as text, a dict a row
    microarchs: pd.DataFrame  # Indexed by microarchitecture
    signatures: pd.DataFrame
    series: list[Series]
    by_key: dict[tuple[str, str], int] = field(default_factory=dict)  # (short line, number) to the row
    by_number: dict[str, list[int]] = field(default_factory=dict)  # Number to the rows that carry it, whatever the line
    by_line: dict[str, list[int]] = field(default_factory=dict)  # Short line to its rows
    by_microarch: dict[str, list[int]] = field(default_factory=dict)  # Microarchitecture to its rows
    # (short line, digits of the number) to the rows.
    by_digits: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    # names, lines, numbers, vendors, generations, base_ghz: Columns of the table as plain lists, lines by their short
    # names, numbers without spaces and dashes.
    names: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    numbers: list[str] = field(default_factory=list)
    vendors: list[str] = field(default_factory=list)
    generations: list[str] = field(default_factory=list)
    base_ghz: list[float] = field(default_factory=list)

    def record(self, row: int) -> dict[str, Any]:
        """One processor: numbers as such, speed and its spread worked out, level filled in, None for unknown."""
        text = self.rows[row]
        core = self._cores.get(text["microarch"], {})
        found: dict[str, Any] = {name: cell or None for name, cell in text.items()}
        found |= {name: int(text[name]) if text[name] else None for name in ("year", "cores", "threads")}
        found |= {name: float(text[name]) if text[name] else None for name in ("base_ghz", "boost_ghz")}
        ipc, clock = core.get("ipc"), found["boost_ghz"]
        speed = None if ipc is None or clock is None else ipc * clock / REFERENCE_GHZ
        return found | {
            "line": text["line"], "number": text["number"], "level": found["level"] or core.get("level"),
            "speed": speed, "log_sd": core.get("ipc_log_sd"),
        }  # fmt: skip

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


def _key_number(line: str, number: str) -> str:
    """Number as the name reader would give it: the letter that names an AMD line is part of the line."""
    plain = plain_number(number)
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
    rows = dicts("identify/processors")
    made = Catalogue(rows, microarchs, _signatures(), _series())
    made.lines = [short_line(row["line"]) for row in rows]
    made.numbers = [plain_number(row["number"]) for row in rows]
    made.names, made.vendors, made.generations = (
        [row[name] for row in rows] for name in ("name", "vendor", "generation")
    )
    made.base_ghz = [float(row["base_ghz"] or "nan") for row in rows]
    for at, (line, row) in enumerate(zip(made.lines, rows, strict=True)):
        key = _key_number(row["line"], made.numbers[at])
        made.by_key[line, key] = at
        made.by_number.setdefault(made.numbers[at], []).append(at)
        made.by_line.setdefault(line, []).append(at)
        made.by_microarch.setdefault(row["microarch"], []).append(at)
        made.by_digits.setdefault((line, _DIGITS.sub("", key)), []).append(at)
    return made


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
