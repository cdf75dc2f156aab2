"""Cores and series of numbers: what each is stands here once more, from memory, and the tables must agree."""

from __future__ import annotations

import re

import pytest

from advisor.identify import COLUMNS, from_text
from advisor.identify.catalogue import catalogue

CORES = {
    "P6": ("Intel", 1995, "i686"), "NetBurst": ("Intel", 2000, None), "Banias": ("Intel", 2003, "i686"),
    "Dothan": ("Intel", 2004, "i686"), "Yonah": ("Intel", 2006, "i686"), "Merom": ("Intel", 2006, "v1"),
    "Penryn": ("Intel", 2007, "v1"), "Nehalem": ("Intel", 2008, "v2"), "Westmere": ("Intel", 2010, "v2"),
    "Sandy Bridge": ("Intel", 2011, "v2"), "Ivy Bridge": ("Intel", 2012, "v2"), "Haswell": ("Intel", 2013, "v3"),
    "Broadwell": ("Intel", 2014, "v3"), "Skylake": ("Intel", 2015, "v3"), "Kaby Lake": ("Intel", 2016, "v3"),
    "Coffee Lake": ("Intel", 2017, "v3"), "Skylake-X": ("Intel", 2017, "v4"), "Whiskey Lake": ("Intel", 2018, "v3"),
    "Amber Lake": ("Intel", 2018, "v3"), "Cannon Lake": ("Intel", 2018, "v4"), "Comet Lake": ("Intel", 2019, "v3"),
    "Cascade Lake": ("Intel", 2019, "v4"), "Ice Lake": ("Intel", 2019, "v4"), "Tiger Lake": ("Intel", 2020, "v4"),
    "Lakefield": ("Intel", 2020, "v2"), "Rocket Lake": ("Intel", 2021, "v4"), "Alder Lake": ("Intel", 2021, "v3"),
    "Raptor Lake": ("Intel", 2022, "v3"), "Sapphire Rapids": ("Intel", 2023, "v4"),
    "Meteor Lake": ("Intel", 2023, "v3"), "Lunar Lake": ("Intel", 2024, "v3"), "Arrow Lake": ("Intel", 2024, "v3"),
    "Panther Lake": ("Intel", 2026, "v3"), "Bonnell": ("Intel", 2008, None), "Saltwell": ("Intel", 2011, None),
    "Silvermont": ("Intel", 2013, "v2"), "Airmont": ("Intel", 2015, "v2"), "Goldmont": ("Intel", 2016, "v2"),
    "Goldmont Plus": ("Intel", 2017, "v2"), "Tremont": ("Intel", 2020, "v2"), "Gracemont": ("Intel", 2021, "v3"),
    "K7": ("AMD", 1999, "i686"), "K8": ("AMD", 2003, "v1"), "K10": ("AMD", 2007, "v1"),
    "K10 (Llano)": ("AMD", 2011, "v1"), "Bobcat": ("AMD", 2011, "v1"), "Jaguar": ("AMD", 2013, "v2"),
    "Puma": ("AMD", 2014, "v2"), "Bulldozer": ("AMD", 2011, "v2"), "Piledriver": ("AMD", 2012, "v2"),
    "Steamroller": ("AMD", 2014, "v2"), "Excavator": ("AMD", 2015, "v3"), "Zen": ("AMD", 2017, "v3"),
    "Zen+": ("AMD", 2018, "v3"), "Zen 2": ("AMD", 2019, "v3"), "Zen 3": ("AMD", 2020, "v3"),
    "Zen 3+": ("AMD", 2022, "v3"), "Zen 4": ("AMD", 2022, "v4"), "Zen 5": ("AMD", 2024, "v4"),
    "VIA C7": ("VIA", 2005, "i686"), "VIA Nano": ("VIA", 2008, "v1"),
}  # fmt: skip
"""Maker, year of the first, and level; None where 32-bit and 64-bit parts share the core."""


def test_each_core_is_whose_when_and_of_what_level() -> None:
    found = {name: (row["vendor"], int(row["year"]), row["level"] or None)
             for name, row in catalogue().microarchs.items()}  # fmt: skip
    assert found == CORES


def test_processors_are_their_cores_makers() -> None:
    assert [row["name"] for row in catalogue().rows if row["vendor"] != CORES[row["microarch"]][0]] == []


# Text: core, generation, year, level; of series of which no single processor is in the table.
SERIES = {
    "Core Ultra 7 355": ("Panther Lake", "Core Ultra Series 3", 2026, "v3"),
    "Xeon E7-4890 v2": ("Ivy Bridge", "Xeon E7 v2", 2014, "v2"),
    "Xeon E7-8890 v3": ("Haswell", "Xeon E7 v3", 2015, "v3"),
    "Xeon E7-8890 v4": ("Broadwell", "Xeon E7 v4", 2016, "v3"),
    "Xeon E7-4870 v1": ("Westmere", "Xeon E7 v1", 2011, "v2"),
    "Xeon D-2146NT": ("Skylake-X", "Xeon D-2100", 2018, "v4"),
    "Xeon D-1736NT": ("Ice Lake", "Xeon D-1700 and D-2700", 2022, "v4"),
    "Xeon W-3175X": ("Skylake-X", "Xeon W-3100", 2018, "v4"),
    "Xeon W-3235": ("Cascade Lake", "Xeon W-3200", 2019, "v4"),
    "Xeon W-3345": ("Ice Lake", "Xeon W-3300", 2021, "v4"),
    "Xeon Gold 6430": ("Sapphire Rapids", "Xeon Scalable 4th gen", 2023, "v4"),
    "Opteron 250": ("K8", "Opteron", 2003, "v1"), "Opteron 2218": ("K8", "Opteron", 2006, "v1"),
    "Opteron 2384": ("K10", "Opteron", 2009, "v1"), "Opteron 6172": ("K10", "Opteron", 2009, "v1"),
    "Opteron 6276": ("Bulldozer", "Opteron", 2011, "v2"), "Opteron 6376": ("Piledriver", "Opteron", 2012, "v2"),
    "EPYC 9555": ("Zen 5", "EPYC 9005", 2024, "v4"), "Athlon XP 2400+": ("K7", "Athlon XP", 2001, "i686"),
    "Duron 1300": ("K7", "Duron", 2000, "i686"), "Pentium III 800": ("P6", "Pentium III", 1999, "i686"),
    "Pentium II 400": ("P6", "Pentium II", 1997, "i686"), "VIA C7-M": ("VIA C7", "VIA C7", 2005, "i686"),
    "VIA Nano U2250": ("VIA Nano", "VIA Nano", 2008, "v1"),
}  # fmt: skip


@pytest.mark.parametrize("text", SERIES)
def test_a_series_tells_core_generation_year_and_level(text: str) -> None:
    found = from_text(text)
    assert (found.microarch, found.generation, found.year, found.level) == SERIES[text]
    assert found.vendor == CORES[SERIES[text][0]][0]


MERGED = {
    "Xeon E3 and E5 v1", "Xeon E3 and E5 v2", "Xeon E3 and E5 v3", "Xeon E3 and E5 v4", "Xeon E-2100 and E-2200",
    "Xeon 3300/5400", "Xeon 5100/5300", "Athlon II", "Turion", "Ryzen 7040", "A-series 7th generation",
}  # fmt: skip
"""Series that hold rows of more than one generation, or are called by more than their rows."""

NEWER = {("core [3579]", "Core Series 2")}
"""Series whose rows in the table are the first few, which were called by the generation before."""


def test_a_series_is_of_the_generation_the_level_and_the_years_of_its_processors() -> None:
    tables, wrong = catalogue(), []
    rows_of: dict[int, list[dict[str, object]]] = {}
    for row, text in enumerate(tables.rows):
        at = next((at for at, one in enumerate(tables.series) if re.fullmatch(one["line"], text["short"])
                   and re.fullmatch(one["pattern"], text["plain"])), -1)  # fmt: skip
        rows_of.setdefault(at, []).append(tables.record(row))
    seen = {generation for _, generation, _, _ in SERIES.values()}
    for at, one in enumerate(tables.series):
        generation, group = one["generation"], rows_of.get(at, [])
        if not group:
            wrong += [] if generation in seen else [(one["pattern"], "no processor, and no example above")]
            continue
        if (one["line"], generation) in NEWER:
            continue
        generations, levels, years = ({row[name] for row in group} for name in ("generation", "level", "year"))
        if generations != {generation} and generation not in MERGED:
            wrong.append((one["pattern"], generation, generations))
        if not min(years) <= int(one["year"]) <= max(years):
            wrong.append((one["pattern"], one["year"], years))
        # The i3-8121U alone of the eighth generation has AVX-512.
        if one["level"] and levels != {one["level"]} and levels - {"v4"} != {one["level"]}:
            wrong.append((one["pattern"], one["level"], levels))
    assert wrong == []


def test_a_number_that_is_missing_is_what_those_with_its_letters_are() -> None:
    """Every i5-6xxxU has two cores and four threads, every i5-6xxxHQ four of each."""
    small, large, other = from_text("i5-6999U"), from_text("i5-6999HQ"), from_text("i5-6999Z")
    assert (small.cores, small.threads, large.cores, large.threads) == (2, 4, 4, 4)
    assert (other.cores, other.threads, other.graphics) == (None, None, None)
    assert other.vendor == "Intel" and other.speed is not None
    # Every i5-6xxx reaches 2.8 to 3.9 GHz; a Celeron of the same core, 1.6 GHz, is none of their kind.
    assert other.speed_low is not None and other.speed_low > 0.8
    assert small.speed is not None and not small.exact and small.source.startswith("series of the number; ")


def test_a_clock_tells_the_speed_of_a_series_without_processors() -> None:
    """Work a clock of Westmere, 0.76 of the reference's, at 2.4 of its 3.0 GHz; give or take 13 %: from memory."""
    found = from_text("Opteron 6172 2.1GHz")
    assert found.speed is not None and found.speed_low < found.speed < found.speed_high
    assert found.name is None and found.problem == (
        "'Opteron 6172 2.1GHz' is not in the table; Opteron known by its series alone"
    )


def test_the_columns_of_the_answer() -> None:
    whole, real = ("year", "cores", "threads", "year_least"), ("speed", "speed_low", "speed_high", "speed_least",
                                                               "speed_most")  # fmt: skip
    text = ("name", "vendor", "microarch", "generation", "level", "graphics", "source", "problem", "level_least",
            "level_most")  # fmt: skip
    assert {f"cpu_{name}": dtype for names, dtype in ((whole, "Int64"), (real, "Float64"), (text, "string"))
            for name in names} == COLUMNS  # fmt: skip
