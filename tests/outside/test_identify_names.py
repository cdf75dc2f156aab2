"""Names, cores, threads, cores' names and launch years against other projects' lists of processors."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections import Counter

import pytest

from advisor.identify import from_text

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def specifications(wheel):
    """Rows of cpu_specs.csv of PyPI boaviztapi 2.5.0 (most from a hardware database, the source is in each row)."""
    with zipfile.ZipFile(wheel("boaviztapi", "2.5.0")) as archive:
        text = archive.read("boaviztapi/data/crowdsourcing/cpu_specs.csv").decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) > 1700
    return [(row, answer) for row in rows if (answer := from_text(row["name"])).exact]


# Where the list and we differ and other evidence stands with us:
# - Athlon PRO 200GE has two threads a core, as its plain sister has in the same list;
# - Celeron 7300 and 7305 have one P-core without a second thread and four E-cores: five threads;
# - Ryzen Embedded R1102G has two cores and no second threads, by AMD's product brief (from memory).
THREADS_DIFFER = {"AMD Athlon 200GE", "Intel Celeron 7300", "Intel Celeron 7305", "AMD Ryzen Embedded R1102G"}


def test_cores_and_threads_agree(specifications):
    checked, differ = 0, []
    for row, answer in specifications:
        if not row["cores"] or not row["threads"]:
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
    known = [
        (int(row["release_date"][:4]), answer) for row, answer in specifications if row["release_date"][:4].isdigit()
    ]
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
            (start for start in sorted(CODE_NAMES, key=len, reverse=True) if row["code_name"].startswith(start)), ""
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


@pytest.fixture(scope="module")
def machines(debian_package):
    """Machines people ran hardinfo2 on: benchmark.json of Debian 13's hardinfo2 (2.2.10)."""
    path = debian_package("hardinfo2", "debian-13") / "usr/share/hardinfo2/benchmark.json"
    return [machine for results in json.loads(path.read_text()).values() for machine in results]


NOT_X86 = ("Apple", "ARM", "Broadcom", "Qualcom", "Rockchip", "RockChip", "MediaTek", "Amlogic", "RISC-V", "IBM",
"Loongson",
           "Elbrus", "Unisoc", "Allwinner", "Samsung", "NVIDIA", "Marvell", "Ampere", "Phytium", "HiSilicon",
           "StarFive",
           "Sophgo", "Freescale", "NXP", "Texas", "ZHAOXIN", "Cavium", "Huawei", "SpacemiT")  # fmt: skip


def test_processors_that_real_machines_have_are_known(machines):
    names = {m["CpuName"] for m in machines if m["CpuName"] and not m["CpuName"].startswith(NOT_X86)}
    answers = {name: from_text(name) for name in names}
    assert len(names) > 1000
    share = sum(answer.exact for answer in answers.values()) / len(names)
    assert share > 0.95, sorted(name for name, answer in answers.items() if not answer.exact)


# Machines whose firmware hides threads or whose count is by node: i5-10400H, i5-8279U, i7-3770T and the old Xeons with
# second threads switched off; Threadripper counted by die; others where the kernel saw a virtual machine's share.
COUNTS_DIFFER = 20


def test_real_machines_have_the_cores_and_threads_of_the_table(machines):
    seen: dict[str, set[tuple[int, int]]] = {}
    for machine in machines:
        if machine["NumCpus"] == 1:
            seen.setdefault(machine["CpuName"], set()).add((machine["NumCores"], machine["NumThreads"]))
    known = {name: from_text(name) for name in seen}
    known = {name: answer for name, answer in known.items() if answer.exact}
    differ = {n: (a.cores, a.threads, seen[n]) for n, a in known.items() if (a.cores, a.threads) not in seen[n]}
    assert len(known) > 1000
    assert len(differ) <= COUNTS_DIFFER, differ
    # A machine may show fewer threads than the processor has, hardly ever more.
    more = {n: d for n, d in differ.items() if all(threads > d[1] for _, threads in d[2])}
    assert not more
