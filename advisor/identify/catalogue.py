"""The processor tables as arrays, with the look-ups that a name or a signature needs."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache

import pandas as pd

from advisor.identify.names import number as plain_number
from advisor.tables import load

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
    pattern: re.Pattern[str]
    microarch: str
    generation: str
    year: int
    level: str
    source: str


@dataclass
class Catalogue:
    """Processors as parallel arrays, and the indexes into them."""

    # The processor table; year, cores and threads Int64, clocks and speeds Float64, level filled in.
    frame: pd.DataFrame
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


def _key_number(line: str, number: str) -> str:
    """Number as the name reader would give it: the letter that names an AMD line is part of the line."""
    plain = plain_number(number)
    if line in ("E-series", "C-series", "Z-series", "G-series"):
        return plain[1:]
    if line == "Xeon" and re.fullmatch(r"E[357]\d{4}[LWMA]{0,2}", plain):
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
    frame = load("identify/processors").frame.copy()
    frame["line"] = frame["line"].fillna("")
    frame["number"] = frame["number"].fillna("")
    for column in ("year", "cores", "threads"):
        frame[column] = frame[column].astype("Int64")
    for column in ("base_ghz", "boost_ghz"):
        frame[column] = frame[column].astype("Float64")
    frame["level"] = frame["level"].fillna(frame["microarch"].map(microarchs["level"]))
    frame["speed"] = frame["microarch"].map(microarchs["ipc"]) * frame["boost_ghz"] / REFERENCE_GHZ
    frame["log_sd"] = frame["microarch"].map(microarchs["ipc_log_sd"])
    made = Catalogue(frame, microarchs, _signatures(), _series())
    made.lines = [short_line(line) for line in frame["line"]]
    made.numbers = [plain_number(number) for number in frame["number"]]
    made.names, made.vendors, made.generations, microarchitectures = (
        frame[name].fillna("").tolist() for name in ("name", "vendor", "generation", "microarch")
    )
    made.base_ghz = frame["base_ghz"].to_numpy("float64", na_value=float("nan")).tolist()
    for row, (line, full) in enumerate(zip(made.lines, frame["line"], strict=True)):
        key = _key_number(full, made.numbers[row])
        made.by_key[line, key] = row
        made.by_number.setdefault(made.numbers[row], []).append(row)
        made.by_line.setdefault(line, []).append(row)
        made.by_microarch.setdefault(microarchitectures[row], []).append(row)
        made.by_digits.setdefault((line, re.sub(r"^[A-Z]+|[A-Z+]+$", "", key)), []).append(row)
    return made


def _signatures() -> pd.DataFrame:
    frame = load("identify/signatures").frame.copy()
    for column in ("family", "model_low", "model_high", "stepping_low", "stepping_high"):
        frame[column] = frame[column].astype("Int64")
    return frame


def _series() -> list[Series]:
    made = []
    for row in load("identify/series").frame.itertuples(index=False):
        made.append(
            Series(
                re.compile(str(row.line)), re.compile(str(row.pattern)), _text(row.microarch), _text(row.generation),
                int(str(row.year)), _text(row.level), _text(row.source),
            )
        )  # fmt: skip
    return made


def _text(value: object) -> str:
    return "" if pd.isna(value) else str(value)  # type: ignore[call-overload]
