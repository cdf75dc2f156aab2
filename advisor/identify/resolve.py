"""From a processor text to one answer: a row of the table, what a group of rows agree on, or a stated doubt."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from advisor.identify.catalogue import REFERENCE_GHZ, Catalogue, Series, catalogue, short_line
from advisor.identify.names import Named, Reading, read_name

Z80 = 1.2815515655446004
"""Half-width of the central 80 % of a normal distribution [standard deviations]."""

WIDEST = 2.5
"""A speed is given only while the high end of its 80 % spread is at most this many times the low end."""

COLUMNS = ("name", "vendor", "microarch", "generation", "year", "level", "speed", "speed_low", "speed_high",
           "cores", "threads", "graphics", "source", "problem")  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """What is known of one processor; None stands for unknown.

    Attributes
    ----------
    exact : bool
        The answer is one row of the table.
    """

    name: str | None = None
    vendor: str | None = None
    microarch: str | None = None
    generation: str | None = None
    year: int | None = None
    level: str | None = None
    speed: float | None = None
    speed_low: float | None = None
    speed_high: float | None = None
    cores: int | None = None
    threads: int | None = None
    graphics: str | None = None
    source: str | None = None
    problem: str | None = None
    exact: bool = False


def from_text(text: str) -> Answer:
    """Identify a processor by its name.

    Parameters
    ----------
    text : str
        A brand string or what somebody typed.

    Returns
    -------
    Answer
    """
    return _answer(read_name(text), _shown(text))


def _shown(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 60 else text[:57] + "..."


def _answer(reading: Reading, shown: str) -> Answer:
    tables = catalogue()
    if reading.foreign:
        return Answer(
            problem=f"{shown!r} is not an x86 processor ({reading.foreign}); Debian's PC images do not fit it"
        )
    if not reading.named:
        return _by_bare_number(tables, reading, shown)
    answers = [_by_name(tables, name, reading, shown) for name in reading.named]
    if len(answers) > 1:
        numbered = [a for a, n in zip(answers, reading.named, strict=True) if n.number]
        if len(numbered) == 1:
            answers = numbered
        elif len({a.name for a in answers}) > 1 or len(numbered) > 1:
            names = " or ".join(
                dict.fromkeys(a.name or f"{n.line} {n.number}" for a, n in zip(answers, reading.named, strict=True))
            )
            return Answer(problem=f"{shown!r} names several processors: {names}; give the one that is fitted")
    answer = answers[0]
    if reading.sockets > 1 and answer.cores:
        answer = Answer(**{**answer.__dict__, "cores": answer.cores * reading.sockets,
                           "threads": (answer.threads or 0) * reading.sockets or None})  # fmt: skip
    return answer


def _by_bare_number(tables: Catalogue, reading: Reading, shown: str) -> Answer:
    known = [tables.by_number.get(bare) or tables.by_number.get(f"S{bare}", []) for bare in reading.bare]
    rows = [row for found in known for row in _vendor(tables, found, reading.vendor)]
    rows = list(dict.fromkeys(rows))
    for bare in reading.bare:
        if re.fullmatch(r"E[357]\d{4}[LWM]{0,2}", bare) and rows:
            return _by_xeon_version(tables, bare, reading, shown)
    if len(rows) == 1:
        return _row(rows[0], "number alone, which one processor carries")
    if rows:
        return _candidates(tuple(rows), f"{shown!r} may be {_names(tables, rows)}; write the line before the number")
    if not shown:
        return Answer(problem="no processor given")
    return Answer(
        vendor=reading.vendor or None,
        problem=f"{shown!r} names no processor that the tables know; write it as 'i5-6300U' or 'Ryzen 5 3500U'",
    )


def _by_xeon_version(tables: Catalogue, number: str, reading: Reading, shown: str) -> Answer:
    """A Xeon E3, E5 or E7 number without its version: only a stated clock tells the versions apart."""
    found = {version: tables.by_key.get(("xeon", f"{number}V{version}")) for version in range(1, 7)}
    rows = [row for row in found.values() if row is not None]
    if reading.clock_ghz and rows:
        clocks = tables.frame["base_ghz"]
        same = [row for row in rows if abs(float(str(clocks.iat[row])) - reading.clock_ghz) < 0.02]
        if len(same) == 1:
            return _row(same[0], "model number and clock")
        rows = same or rows
    if rows and rows == [found[1]]:
        return _row(rows[0], "model number")
    if rows:
        return _candidates(tuple(rows), f"{shown!r} may be {_names(tables, rows)}; write the version (v2, v3 ...)")
    return _by_name(tables, Named("xeon", f"{number}V1"), reading, shown)


def _vendor(tables: Catalogue, rows: list[int], vendor: str) -> list[int]:
    if not vendor:
        return rows
    vendors = tables.frame["vendor"]
    return [row for row in rows if vendors.iat[row] == vendor]


def _by_name(tables: Catalogue, name: Named, reading: Reading, shown: str) -> Answer:
    if not name.number:
        rows = [row for line in _sisters(name.line) for bare in reading.bare for number in _variants(name.line, bare)
                if (row := tables.by_key.get((line, number))) is not None]  # fmt: skip
        if len(set(rows)) == 1:
            return _row(rows[0], "model number")
        return _by_line(tables, name.line, reading, shown)
    if name.line == "xeon" and re.fullmatch(r"E[357]\d{4}[LWM]{0,2}", name.number):
        return _by_xeon_version(tables, name.number, reading, shown)
    for line in _sisters(name.line):
        for number in _variants(name.line, name.number):
            row = tables.by_key.get((line, number))
            if row is not None:
                return _checked(tables, row, reading, shown)
    lines = _sisters(name.line)
    if name.line == "ryzen":
        rows = [r for line in tables.by_line if line.startswith("ryzen") for r in tables.by_line[line]
                if tables.by_key.get((line, name.number)) == r]  # fmt: skip
        if len(rows) == 1:
            return _row(rows[0], "number, without its 3, 5, 7 or 9")
        lines = tuple(line for line in tables.by_line if re.fullmatch(r"ryzen \d", line))
    near = [row for line in lines for row in tables.by_line.get(line, [])
            if tables.digits[row] == name.number and name.number.isdigit()]  # fmt: skip
    if near:
        return _candidates(
            tuple(near), f"{shown!r} lacks the letters of its number: {_names(tables, near)}; write the whole number"
        )
    if re.fullmatch(r"\d000", name.number) and name.line.startswith("ryzen"):
        kin = [row for line in lines for row in tables.by_line.get(line, [])
               if re.fullmatch(rf"{name.number[0]}\d{{3}}\D*", tables.digits[row])]  # fmt: skip
        if kin:
            return _candidates(tuple(kin), f"{shown!r} names a series, not a model; write the whole number")
    group = _group(name.line)
    elsewhere = [
        row
        for row in tables.by_number.get(name.number, [])
        if not name.number.isdigit() or _group(short_line(str(tables.frame["line"].iat[row]))) == group
    ]
    servers = name.line.startswith(("xeon", "epyc", "opteron"))
    if elsewhere and not servers and any(tables.by_line.get(line) for line in lines):
        return Answer(
            vendor=_line_vendor(tables, name.line),
            problem=f"{shown!r}: no processor of that line carries this number, but {_names(tables, elsewhere)} does;"
            " write which it is",
        )
    if name.number.isdigit() and 2005 <= int(name.number) <= 2026:
        return _by_line(tables, name.line, reading, shown)
    for series in tables.series:
        if any(series.line.fullmatch(line) for line in lines) and series.pattern.fullmatch(name.number):
            return _series(tables, series, name, reading, shown)
    return Answer(
        vendor=_line_vendor(tables, name.line),
        problem=f"{shown!r}: the tables know no processor of this number; write it as the sticker or the system "
        f"shows it",
    )


def _group(line: str) -> str:
    """Lines that are easily taken for one another: Core i3 to i9, Ryzen 3 to 9, the A-series, Core 2."""
    return re.sub(r"[\s\d]+$", "", line.removesuffix(" quad").removesuffix(" extreme"))


_SISTERS = {
    "celeron": ("celeron", "celeron m", "celeron d"), "celeron m": ("celeron m", "celeron"),
    "celeron d": ("celeron d",), "pentium": ("pentium", "pentium d", "pentium m", "pentium 4"),
    "athlon": ("athlon", "athlon x2", "athlon ii", "athlon x4", "athlon 64"), "athlon 64": ("athlon 64", "athlon x2"),
    "athlon x2": ("athlon x2", "athlon ii"), "athlon x4": ("athlon x4", "athlon ii"),
    "xeon": ("xeon", "xeon scalable"), "phenom": ("phenom", "phenom ii"), "core1": ("core1", "core2"),
    "core2 quad": ("core2",), "core2 extreme": ("core2",),
}  # fmt: skip


def _sisters(line: str) -> tuple[str, ...]:
    """Lines whose numbers do not clash, so that leaving out a word does no harm."""
    return _SISTERS.get(line, (line,))


_MOBILE = {"M": "{}M", "Q": "{}QM", "L": "{}LM", "U": "{}UM", "X": "{}XM", "K": "{}K", "S": "{}S"}


def _variants(line: str, number: str) -> list[str]:
    """Forms under which firmware writes the same number: 'M 520' is 520M, '6600' of a Core 2 is E6600."""
    found = [number]
    lettered = re.fullmatch(r"([MQLUXKS])(\d{3})", number)
    if line in ("i3", "i5", "i7") and lettered:
        found.append(_MOBILE[lettered[1]].format(lettered[2]))
        if lettered[1] == "X":
            found.append(f"{lettered[2]}X")
    if re.fullmatch(r"\d{4}", number) and line.startswith("core2"):
        letters = {"core2 quad": ("Q",), "core2 extreme": ("QX", "X")}.get(line, ("E",))
        found += [f"{letter}{number}" for letter in letters]
    if line.split()[0] in ("core2", "pentium", "celeron") and re.fullmatch(r"[LPU]\d{4}", number):
        found.append(f"S{number}")
    if line in ("e", "c", "z", "g") and number[:1] in "ECZG":
        found.append(number[1:])
    return found


def _checked(tables: Catalogue, row: int, reading: Reading, shown: str) -> Answer:
    answer = _row(row, "model number")
    stated = f"Core {_ordinal(reading.generation)} gen" if reading.generation else ""
    if (
        stated
        and answer.generation
        and re.fullmatch(r"Core \d+\w\w gen", answer.generation)
        and answer.generation != stated
    ):
        note = (
            f"{shown!r} says generation {reading.generation}, but {answer.name} is of {answer.generation};"
            " the number was used"
        )
        return Answer(**{**answer.__dict__, "problem": note})
    return answer


def _ordinal(number: int) -> str:
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number if number < 4 else 0, 'th') }"


def _by_line(tables: Catalogue, line: str, reading: Reading, shown: str) -> Answer:
    if line.startswith("core2 "):
        letter = "Q" if line == "core2 quad" else "X"
        rows = [row for row in tables.by_line["core2"] if letter in str(tables.frame["number"].iat[row])]
        return _candidates(
            tuple(rows),
            f"{shown!r} names a line of processors, not one model; write the number, such as {_example(tables, rows)}",
        )
    lines = [line] if line != "ryzen" else [known for known in tables.by_line if known.startswith("ryzen")]
    rows = [row for known in lines for row in tables.by_line.get(known, [])]
    if reading.generation and line in ("i3", "i5", "i7", "i9", "m3", "m5", "m7", "pentium", "celeron"):
        stated = f"Core {_ordinal(reading.generation)} gen"
        generations = tables.frame["generation"]
        same = [row for row in rows if generations.iat[row] == stated]
        if same:
            return _candidates(tuple(same), f"{shown!r} names a generation, not a model; write the whole number")
        return Answer(
            vendor=_line_vendor(tables, line),
            problem=f"{shown!r}: the tables know no {line} of generation {reading.generation}",
        )
    if reading.clock_ghz and line in ("pentium m", "celeron m", "pentium 4", "celeron d", "celeron", "core1", "core2"):
        clocks = tables.frame["base_ghz"]
        same = [row for row in rows if abs(float(str(clocks.iat[row])) - reading.clock_ghz) < 0.02]
        rows = same or rows
    if not rows:
        for series in tables.series:
            if series.line.fullmatch(line):
                return _series(tables, series, Named(line, ""), reading, shown)
        return Answer(
            vendor=_line_vendor(tables, line), problem=f"{shown!r} names a line, not a model; write the number"
        )
    return _candidates(
        tuple(rows),
        f"{shown!r} names a line of processors, not one model; write the number, such as {_example(tables, rows)}",
    )


def _example(tables: Catalogue, rows: list[int]) -> str:
    return str(tables.frame["name"].iat[rows[len(rows) // 2]])


def _line_vendor(tables: Catalogue, line: str) -> str | None:
    rows = tables.by_line.get(line)
    if rows:
        return str(tables.frame["vendor"].iat[rows[0]])
    return "AMD" if line.startswith(("ryzen", "opteron", "duron", "athlon")) else None


def _names(tables: Catalogue, rows: list[int] | tuple[int, ...]) -> str:
    names = list(dict.fromkeys(str(tables.frame["name"].iat[row]) for row in rows))
    if len(names) <= 4:
        return " or ".join(names)
    return ", ".join(names[:4]) + f" or {len(names) - 4} more"


@lru_cache(maxsize=20_000)
def _row(row: int, how: str) -> Answer:
    record = catalogue().frame.iloc[row]
    speed, spread = _float(record["speed"]), _float(record["log_sd"])
    low = high = None
    if speed is not None and spread is not None:
        low, high = speed * float(np.exp(-Z80 * spread)), speed * float(np.exp(Z80 * spread))
    return Answer(
        name=_str(record["name"]), vendor=_str(record["vendor"]), microarch=_str(record["microarch"]),
        generation=_str(record["generation"]), year=_int(record["year"]), level=_str(record["level"]),
        speed=speed, speed_low=low, speed_high=high, cores=_int(record["cores"]), threads=_int(record["threads"]),
        graphics=_str(record["graphics"]), source=f"{how}; table row {record['source']}", exact=True,
    )  # fmt: skip


def _series(tables: Catalogue, series: Series, name: Named, reading: Reading, shown: str) -> Answer:
    """A number that the table lacks, but whose series is known: the core is sure, the rest is what its kin agree on."""
    suffix = re.sub(r"^[A-Z]*\d+", "", name.number)
    kin = [row for line in _sisters(name.line) for row in tables.by_line.get(line, [])
           if series.pattern.fullmatch(_number_of(tables, row))]  # fmt: skip
    alike = [row for row in kin if re.sub(r"^[A-Z]*\d+", "", _number_of(tables, row)) == suffix]
    if not kin and series.microarch:
        kin = tables.by_microarch.get(series.microarch, [])
    agreed = _candidates(tuple(alike or kin), "") if kin else Answer()
    level = series.level or (agreed.level if alike else None)
    label = series.generation if not name.number else f"{name.number}"
    problem = f"{shown!r} is not in the table; {series.generation} known by its series alone" if name.number else None
    few = len(alike) < 3
    speed, low, high = agreed.speed, agreed.speed_low, agreed.speed_high
    if speed is None and reading.clock_ghz and series.microarch in tables.microarchs.index:
        record = tables.microarchs.loc[series.microarch]
        speed = float(str(record["ipc"])) * reading.clock_ghz / REFERENCE_GHZ
        factor = float(np.exp(Z80 * float(str(record["ipc_log_sd"]))))
        low, high = speed / factor, speed * factor
    return Answer(
        name=None if name.number else label, vendor=agreed.vendor or _series_vendor(tables, series),
        microarch=series.microarch or agreed.microarch, generation=series.generation, year=series.year,
        level=level, speed=speed, speed_low=low, speed_high=high, cores=None if few else agreed.cores,
        threads=None if few else agreed.threads, graphics=None if few else agreed.graphics,
        source=f"series of the number; {series.source}", problem=problem,
    )  # fmt: skip


def _series_vendor(tables: Catalogue, series: Series) -> str | None:
    if series.microarch in tables.microarchs.index:
        return _str(tables.microarchs.at[series.microarch, "vendor"])
    return None


def _number_of(tables: Catalogue, row: int) -> str:
    return re.sub(r"[\s-]+", "", str(tables.frame["number"].iat[row])).upper()


@lru_cache(maxsize=5_000)
def _candidates(rows: tuple[int, ...], problem: str) -> Answer:
    """What several processors have in common; where they differ the value is unknown."""
    group = catalogue().frame.iloc[list(rows)]

    def same(column: str) -> object:
        values = group[column].drop_duplicates()
        return values.iloc[0] if len(values) == 1 and not pd.isna(values.iloc[0]) else None

    speed, low, high = spread(group)
    return Answer(
        vendor=_str(same("vendor")), microarch=_str(same("microarch")), generation=_str(same("generation")),
        year=_int(same("year")), level=_str(same("level")), speed=speed, speed_low=low, speed_high=high,
        cores=_int(same("cores")), threads=_int(same("threads")), graphics=_str(same("graphics")),
        source="what the processors that the name leaves open have in common", problem=problem or None,
    )  # fmt: skip


def spread(group: pd.DataFrame) -> tuple[float | None, float | None, float | None]:
    """Middle and 80 % spread of the speed over several processors, each as likely as the other.

    Parameters
    ----------
    group : pandas.DataFrame
        Rows of the processor table with 'speed' and 'log_sd'.

    Returns
    -------
    tuple of three floats or None
        Middle, low and high [1 = reference]; all None when unknown or too wide to be of use.
    """
    known = group[group["speed"].notna()]
    if known.empty:
        return None, None, None
    logs = np.log(known["speed"].to_numpy(float))
    sds = known["log_sd"].to_numpy(float)
    steps = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5])
    weights = np.exp(-(steps**2) / 2)
    values = (logs[:, None] + sds[:, None] * steps).ravel()
    mass = np.tile(weights, len(logs))
    order = np.argsort(values)
    share = np.cumsum(mass[order]) / mass.sum()
    low, middle, high = (float(np.exp(np.interp(q, share, values[order]))) for q in (0.1, 0.5, 0.9))
    if high / low > WIDEST:
        return None, None, None
    return middle, low, high


def _str(value: object) -> str | None:
    return None if value is None or pd.isna(value) else str(value)  # type: ignore[call-overload]


def _int(value: object) -> int | None:
    return None if value is None or pd.isna(value) else int(str(value))  # type: ignore[call-overload]


def _float(value: object) -> float | None:
    return None if value is None or pd.isna(value) else float(str(value))  # type: ignore[call-overload]


__all__ = ["Answer", "from_text", "short_line", "spread"]
