"""From a processor text to one answer: a row of the table, what a group of rows agree on, or a stated doubt."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np

from advisor.identify.agree import Z80, Answer, of_row, of_rows
from advisor.identify.catalogue import REFERENCE_GHZ, Catalogue, catalogue
from advisor.identify.names import NamedProcessor, ProcessorText, read_name
from advisor.phrases import few
from advisor.tables import compiled


def from_text(text: str) -> Answer:
    """Identify a processor by its name.

    Parameters
    ----------
    text : str
        A brand string or what somebody typed.
    """
    reading = read_name(text)
    shown = " ".join(text.split())
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
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
                dict.fromkeys(
                    a.name or f"{n.line} {n.number}".strip() for a, n in zip(answers, reading.named, strict=True)
                )
            )
            return Answer(problem=f"{shown!r} names several processors: {names}; give the one that is fitted")
    answer = answers[0]
    if reading.sockets > 1 and answer.cores:
        threads = answer.threads * reading.sockets if answer.threads else None
        answer = replace(answer, cores=answer.cores * reading.sockets, threads=threads)
    return answer


def _by_bare_number(tables: Catalogue, reading: ProcessorText, shown: str) -> Answer:
    known = [tables.by_number.get(bare) or tables.by_number.get(f"S{bare}", []) for bare in reading.bare]
    rows = [row for found in known for row in found if reading.vendor in ("", tables.rows[row]["vendor"])]
    rows = list(dict.fromkeys(rows))
    for bare in reading.bare:
        if re.fullmatch(r"E[357]\d{4}[LWMA]{0,2}", bare) and rows:
            return _by_xeon_version(tables, bare, reading, shown)
    if len(rows) == 1:
        return of_row(rows[0], "number alone, which one processor carries")
    if rows:
        return of_rows(tuple(rows), f"{shown!r} may be {_names(tables, rows)}; write the line before the number")
    if not shown:
        return Answer(problem="no processor given")
    return Answer(
        vendor=reading.vendor or None,
        problem=f"{shown!r} names no processor that the tables know; write it as 'i5-6300U' or 'Ryzen 5 3500U'",
    )


def _by_xeon_version(tables: Catalogue, number: str, reading: ProcessorText, shown: str) -> Answer:
    """A Xeon E3, E5 or E7 number without its version: only a stated clock tells the versions apart."""
    found = {version: tables.by_key.get(("xeon", f"{number}V{version}")) for version in range(1, 7)}
    rows = [row for row in found.values() if row is not None]
    if reading.clock_ghz and rows:
        same = tables.clocked(rows, reading.clock_ghz)
        if len(same) == 1:
            return of_row(same[0], "model number and clock")
        rows = same or rows
    if rows and rows == [found[1]]:
        return of_row(rows[0], "model number")
    if rows:
        problem = f"{shown!r} may be {_names(tables, rows)}; write the version (v2, v3 ...)"
        # Without the first version among them the table does not hold all that the number may be.
        return of_rows(tuple(rows), problem) if found[1] is not None else Answer(vendor="Intel", problem=problem)
    return _by_name(tables, NamedProcessor("xeon", f"{number}V1"), reading, shown)


def _by_name(tables: Catalogue, name: NamedProcessor, reading: ProcessorText, shown: str) -> Answer:
    if not name.number:
        rows = [row for line in _sisters(name.line) for bare in reading.bare for number in _variants(name.line, bare)
                if (row := tables.by_key.get((line, number))) is not None]  # fmt: skip
        if len(set(rows)) == 1:
            return of_row(rows[0], "model number")
        return _by_line(tables, name.line, reading, shown)
    if re.fullmatch(r"x\d", name.line):
        rows = [
            row for row in tables.by_number.get(name.number, []) if f" {name.line.upper()} " in tables.rows[row]["name"]
        ]
        if len(rows) == 1:
            return of_row(rows[0], "number of cores and model number")
    if name.line == "xeon" and re.fullmatch(r"E[357]\d{4}[LWMA]{0,2}", name.number):
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
            return of_row(rows[0], "number, without its 3, 5, 7 or 9")
        lines = tuple(line for line in tables.by_line if re.fullmatch(r"ryzen \d", line))
    near = [row for line in lines for row in tables.by_digits.get((line, name.number), [])]
    if near:
        return of_rows(
            tuple(near), f"{shown!r} lacks the letters of its number: {_names(tables, near)}; write the whole number"
        )
    if re.fullmatch(r"\d000", name.number) and name.line.startswith("ryzen"):
        kin = [row for line in lines for row in tables.by_line.get(line, [])
               if re.match(rf"{name.number[0]}\d{{3}}(?!\d)", tables.rows[row]["plain"])]  # fmt: skip
        if kin:
            return of_rows(tuple(kin), f"{shown!r} names a series, not a model; write the whole number")
    group = _group(name.line)
    elsewhere = [
        row
        for row in tables.by_number.get(name.number, [])
        if not name.number.isdigit() or _group(tables.rows[row]["short"]) == group
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
    for place in _series_of(lines):
        if compiled(tables.series[place]["pattern"]).fullmatch(name.number):
            return _series(tables, place, name, reading, shown)
    return Answer(
        vendor=_line_vendor(tables, name.line),
        problem=f"{shown!r}: the tables know no processor of this number; write it as the sticker or the system "
        f"shows it",
    )


def _group(line: str) -> str:
    """Lines that are easily taken for one another: Core i3 to i9, Ryzen 3 to 9, the A-series."""
    return re.sub(r"[\s\d]+$", "", line)


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


_MOBILE = {"M": "M", "Q": "QM", "L": "LM", "U": "UM", "X": "XM", "K": "K", "S": "S"}


def _variants(line: str, number: str) -> list[str]:
    """Forms under which firmware writes the same number: 'M 520' is 520M, '6600' of a Core 2 is E6600."""
    found = [number]
    lettered = re.fullmatch(r"([MQLUXKS])(\d{3})", number)
    if line in ("i3", "i5", "i7") and lettered:
        found.append(lettered[2] + _MOBILE[lettered[1]])
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


def _checked(tables: Catalogue, row: int, reading: ProcessorText, shown: str) -> Answer:
    answer = of_row(row, "model number")
    stated = f"Core {_ordinal(reading.generation)} gen" if reading.generation else ""
    known = re.fullmatch(r"Core \d+\w\w gen", answer.generation or "")
    if stated and known and answer.generation != stated:
        note = (
            f"{shown!r} says generation {reading.generation}, but {answer.name} is of {answer.generation};"
            " the number was used"
        )
        return replace(answer, problem=note)
    return answer


def _ordinal(number: int) -> str:
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number if number < 4 else 0, 'th') }"


def _by_line(tables: Catalogue, line: str, reading: ProcessorText, shown: str) -> Answer:
    if line.startswith("core2 "):
        letter = "Q" if line == "core2 quad" else "X"
        rows = [row for row in tables.by_line["core2"] if letter in tables.rows[row]["plain"]]
        return _any_of_line(tables, rows, shown)
    lines = [line] if line != "ryzen" else [known for known in tables.by_line if known.startswith("ryzen")]
    rows = [row for known in lines for row in tables.by_line.get(known, [])]
    if reading.generation and line in ("i3", "i5", "i7", "i9", "m3", "m5", "m7", "pentium", "celeron"):
        stated = f"Core {_ordinal(reading.generation)} gen"
        same = [row for row in rows if tables.rows[row]["generation"] == stated]
        if same:
            return of_rows(tuple(same), f"{shown!r} names a generation, not a model; write the whole number")
        return Answer(
            vendor=_line_vendor(tables, line),
            problem=f"{shown!r}: the tables know no {line} of generation {reading.generation}",
        )
    if reading.clock_ghz and line in ("pentium m", "celeron m", "pentium 4", "celeron d", "celeron", "core1", "core2"):
        same = tables.clocked(rows, reading.clock_ghz)
        rows = same or rows
    if not rows:
        places = _series_of((line,))
        if places:
            return _series(tables, places[0], NamedProcessor(line, ""), reading, shown)
        return Answer(
            vendor=_line_vendor(tables, line), problem=f"{shown!r} names a line, not a model; write the number"
        )
    return _any_of_line(tables, rows, shown)


def _any_of_line(tables: Catalogue, rows: list[int], shown: str) -> Answer:
    example = tables.rows[rows[len(rows) // 2]]["name"]
    problem = f"{shown!r} names a line of processors, not one model; write the number, such as {example}"
    return of_rows(tuple(rows), problem)


def _line_vendor(tables: Catalogue, line: str) -> str | None:
    rows = tables.by_line.get(line)
    if rows:
        return tables.rows[rows[0]]["vendor"]
    return "AMD" if line.startswith(("ryzen", "opteron", "duron", "athlon")) else None


def _names(tables: Catalogue, rows: list[int] | tuple[int, ...]) -> str:
    names = list(dict.fromkeys(tables.rows[row]["name"] for row in rows))
    return " or ".join(names) if len(names) <= 4 else few(names, 4, " or {} more")


@lru_cache(maxsize=1_000)
def _series_of(lines: tuple[str, ...]) -> list[int]:
    """Places in the table of series of those that hold any of these lines."""
    series = catalogue().series
    return [place for place, one in enumerate(series) if any(compiled(one["line"]).fullmatch(line) for line in lines)]


@lru_cache(maxsize=5_000)
def _kin(place: int, line: str, suffix: str) -> tuple[tuple[int, ...], bool]:
    """Rows of a series, those with the same letters behind the number if there are any; and whether there are three."""
    tables = catalogue()
    series = tables.series[place]
    kin = [row for sister in _sisters(line) for row in tables.by_line.get(sister, [])
           if compiled(series["pattern"]).fullmatch(tables.rows[row]["plain"])]  # fmt: skip
    alike = [row for row in kin if re.sub(r"^[A-Z]*\d+", "", tables.rows[row]["plain"]) == suffix]
    if not kin:
        kin = tables.by_microarch.get(series["microarch"], [])
    return tuple(alike or kin), len(alike) >= 3


def _series(tables: Catalogue, place: int, name: NamedProcessor, reading: ProcessorText, shown: str) -> Answer:
    """A number that the table lacks, but whose series is known: the core is sure, the rest is what its kin agree on."""
    series = tables.series[place]
    kin, enough = _kin(place, name.line, re.sub(r"^[A-Z]*\d+", "", name.number))
    agreed = of_rows(kin, "") if kin else Answer()
    core = tables.microarchs.get(series["microarch"])
    problem = (
        f"{shown!r} is not in the table; {series['generation']} known by its series alone" if name.number else None
    )
    speed, low, high = agreed.speed, agreed.speed_low, agreed.speed_high
    if speed is None and reading.clock_ghz and core:
        speed = core["ipc"] * reading.clock_ghz / REFERENCE_GHZ
        factor = float(np.exp(Z80 * core["ipc_log_sd"]))
        low, high = speed / factor, speed * factor
    sure = agreed if enough else Answer()
    return Answer(
        name=None if name.number else series["generation"], vendor=agreed.vendor or (core["vendor"] if core else None),
        microarch=series["microarch"] or agreed.microarch, generation=series["generation"], year=int(series["year"]),
        level=series["level"] or sure.level, speed=speed, speed_low=low, speed_high=high, cores=sure.cores,
        threads=sure.threads, graphics=sure.graphics, source=f"series of the number; {series['source']}",
        problem=problem,
    )  # fmt: skip
