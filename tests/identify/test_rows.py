"""Rows of the tables of processors, signatures, traps and likely facts against what the trade knows of them.

Written by hand before the program was asked: cores and threads by product line and letters from memory of the makers'
product pages, models of family 6 as arch/x86/include/asm/intel-family.h of Linux 6.12 has them,
AMD's as cpu/amd.c there.
"""

from __future__ import annotations

import re
from itertools import pairwise

import pandas as pd
import pytest

from advisor.identify import from_text, processors, signature
from advisor.identify.catalogue import catalogue
from advisor.identify.likely import likely
from advisor.tables import dicts
from advisor.unit import Unit, frame

INTEL_6: dict[str, str] = {
    "P6": "01 02 03 04 05 06 07 08 0a 0b", "Banias": "09", "Dothan": "0d", "Yonah": "0e", "Merom": "0f 16",
    "Penryn": "17 1d",
    "Nehalem": "1a 1e 1f 2e", "Westmere": "25 2c 2f", "Sandy Bridge": "2a 2d", "Ivy Bridge": "3a 3e",
    "Haswell": "3c 3f 45 46",
    "Broadwell": "3d 47 4f 56", "Skylake": "4e 5e", "Skylake-X": "55", "Kaby Lake": "8e 9e", "Comet Lake": "a5 a6",
    "Cannon Lake": "66", "Ice Lake": "7d 7e 6a 6c", "Lakefield": "8a", "Tiger Lake": "8c 8d", "Rocket Lake": "a7",
    "Alder Lake": "97 9a", "Raptor Lake": "b7 ba bf", "Meteor Lake": "aa ac b5", "Arrow Lake": "c5 c6",
    "Lunar Lake": "bd",
    "Panther Lake": "cc", "Sapphire Rapids": "8f cf", "Bonnell": "1c 26", "Saltwell": "27 35 36",
    "Silvermont": "37 4a 4d",
    "Airmont": "4c 5a", "Goldmont": "5c 5f", "Goldmont Plus": "7a", "Tremont": "86 96 9c", "Gracemont": "be",
}  # fmt: skip
AMD: dict[int, dict[str, str]] = {
    6: {"K7": "00-ff"}, 15: {"K8": "00-ff"}, 16: {"K10": "00-ff"}, 17: {"K8": "00-ff"}, 18: {"K10 (Llano)": "00-ff"},
    20: {"Bobcat": "00-ff"},
    21: {"Bulldozer": "00-01", "Piledriver": "02-02 10-1f", "Steamroller": "30-3f", "Excavator": "60-7f"},
    22: {"Jaguar": "00-0f", "Puma": "30-3f"},
    23: {"Zen": "00-07 11-11 20-20", "Zen+": "08-0f 18-18", "Zen 2": "31-31 47-47 60-6f 71-7f 84-84 90-af"},
    25: {"Zen 3": "00-0f 20-2f 50-5f", "Zen 3+": "40-4f", "Zen 4": "10-1f 60-7f a0-af"},
    26: {"Zen 5": "00-2f 40-4f 60-7f"},
}  # fmt: skip
"""Families, and the ranges of models of each core."""


def every_processor() -> pd.DataFrame:
    return pd.DataFrame([catalogue().record(row) for row in range(len(catalogue().rows))])


def core(vendor: str, family: int, model: int, stepping: int | None = None) -> str | None:
    found = signature(vendor, family, model, stepping)
    return found[0] if found else None


def known(vendor: str, family: int) -> dict[int, str]:
    """Every model of a family that some row holds; the first row counts."""
    found: dict[int, str] = {}
    for row in reversed(catalogue().signatures):
        if row["vendor"] == vendor and int(row["family"]) == family:
            found |= dict.fromkeys(range(int(row["model_low"]), int(row["model_high"]) + 1), row["microarch"])
    return found


def test_models_of_family_6_are_the_cores_that_the_kernel_calls_them() -> None:
    expected = {int(model, 16): name for name, models in INTEL_6.items() for model in models.split()}
    assert known("Intel", 6) == expected
    assert {core("Intel", 15, model) for model in range(7)} == {"NetBurst"} and core("Intel", 15, 7) is None


@pytest.mark.parametrize("family", AMD)
def test_models_of_amds_families(family: int) -> None:
    expected = {}
    for name, ranges in AMD[family].items():
        for one in ranges.split():
            low, high = (int(end, 16) for end in one.split("-"))
            expected |= dict.fromkeys(range(low, high + 1), name)
    assert known("AMD", family) == expected


@pytest.mark.parametrize(
    ("model", "cores"),
    [
        (0x55, {0: "Skylake-X", 4: "Skylake-X", 5: "Cascade Lake", 7: "Cascade Lake", 8: "Cascade Lake",
        11: "Cascade Lake"}),
        (0x8E, {0: "Kaby Lake", 9: "Kaby Lake", 10: "Kaby Lake", 11: "Whiskey Lake", 12: "Whiskey Lake",
        13: "Whiskey Lake"}),
        (0x9E, {0: "Kaby Lake", 9: "Kaby Lake", 10: "Coffee Lake", 13: "Coffee Lake"}),
        (0x3C, {0: "Haswell", 255: "Haswell"}), (0x17, {0: "Penryn", 255: "Penryn"}),
    ],
)  # fmt: skip
def test_steppings_tell_cores_of_one_model_apart(model: int, cores: dict[int, str]) -> None:
    assert {stepping: core("Intel", 6, model, stepping) for stepping in cores} == cores


def test_what_else_carries_the_same_numbers() -> None:
    """Kaby Lake's U die was sold as Coffee, Whiskey, Amber and Comet Lake; Dali carries Picasso's model."""
    also = {(model, step): signature("Intel", 6, model, step)[1] for model, step in ((0x8E, 9), (0x8E, 10), (0x8E, 11))}
    assert also == {(0x8E, 9): ("Amber Lake",), (0x8E, 10): ("Coffee Lake", "Amber Lake"),
                    (0x8E, 11): ("Amber Lake", "Comet Lake")}  # fmt: skip
    assert signature("Intel", 6, 0x97)[1] == ("Raptor Lake",) and signature("Intel", 6, 0xBF)[1] == ("Alder Lake",)
    assert signature("AMD", 23, 24)[1] == ("Zen",) and signature("AMD", 23, 1)[1] == ("Zen+",)
    assert signature("Intel", 6, 0xB5)[1] == ("Arrow Lake",) and signature("Intel", 6, 0x4E)[1] == ()
    assert {core("VIA", 6, model) for model in (10, 13)} == {"VIA C7"} and core("VIA", 6, 15) == "VIA Nano"
    assert core("VIA", 6, 9) is None and core("VIA", 6, 14) is None


COUNTS: list[tuple[str, int, int]] = [
    # Intel, first to seventh generation of Core
    (r"Core i3-(?:[35]\d\d|[2-7]\d{3})(?!.*[FGN]\d)\w*$", 2, 4), (r"Core m\d-|Core M-", 2, 4),
    (r"Core i[57]-[2-7]\d{3}[UY]$|Core i7-75Y75|Core i5-7Y\d\d|Core i7-7Y75", 2, 4),
    (r"Core i5-[45]\d\d(?:M|UM|E)$", 2, 4),
    (r"Core i5-6\d\dK?$", 2, 4), (r"Core i5-7\d\dS?$", 4, 4), (r"Core i7-6\d\d(?:M|LM|UM|E|LE|UE)$", 2, 4),
    (r"Core i7-(?:[789]\d\d(?:QM|XM|S|K)|8\d\d|9[2-6]\d|975)$", 4, 8), (r"Core i7-9(?:70|80|80X|90X)$", 6, 12),
    (r"Core i5-[2-5]\d{3}M$", 2, 4), (r"Core i7-[234]\d{3}M$", 2, 4),
    (r"Core i5-(?:2390T|3470T|4570TE?)$", 2, 4), (r"Core i5-[2-7][3-6]\d\d(?:K|S|T|P|R|C)?$", 4, 4),
    (r"Core i5-[4-7]\d{3}HQ?$", 4, 4),
    (r"Core i7-[2-7]\d{3}(?:QM|QE|XM|MQ|HQ|MX|EQ|HK)$", 4, 8),
    (r"Core i7-(?:2[67]00|37[78]0|47[789]0|67[078]\d|77[07]\d)\w?$", 4, 8),
    (r"Core i7-(?:3820|4820K)$", 4, 8), (r"Core i7-(?:39[37]0K|3960X|3970X|49[36]0[KX]|58[23]0K|68[05]0K)$", 6, 12),
    (r"Core i7-(?:5960X|6900K)$", 8, 16), (r"Core i7-6950X$", 10, 20),
    # eighth to eleventh
    (r"Core i3-8[13]\d\d(?:K|T|H|B)?$|Core i3-9\d{3}\w*$", 4, 4),
    (r"Core i3-(?:81[34]\dU|8109U|8121U|101\d0[UY])", 2, 4),
    (r"Core i3-10[13]\d\d[FTE]?$", 4, 8), (r"Core i5-8[456]\d\d[KT]?$|Core i5-9[456]\d\d(?:K|KF|F|T)?$", 6, 6),
    (r"Core i[57]-8[2356]\d\dU$|Core i5-(?:8[34]00H|9[34]00H\w?|10[234]\d\dH)$|Core i[57]-10[2356]10[UY]$", 4, 8),
    (r"Core i[57]-8[25]\d0Y$", 2, 4), (r"Core i7-8[78]\d0(?:H|K)$|Core i7-8700[BT]?$|Core i7-9[78]50H\w?$", 6, 12),
    (r"Core i7-9700\w*$", 8, 8), (r"Core i9-99[08]0(?:K|KF|KS|H|HK|T)?$|Core i9-9900$", 8, 16),
    (r"Core i5-10[456]\d\d(?:K|KF|F|T|E)?$|Core i5-11[456]\d\d(?:K|KF|F|T)?$", 6, 12),
    (r"Core i7-107[15]0H?U?$|Core i7-10850H|Core i7-10810U", 6, 12),
    (r"Core i7-10700\w*$|Core i7-11700\w*$|Core i7-108[78]\dH$", 8, 16),
    (r"Core i9-10[89]\d\d(?:K|KF|F|T|E)?$|Core i9-10850K", 10, 20),
    (r"Core i[57]-10[36]\dG\d$|Core i[57]-11[3-9]\dG7$", 4, 8),
    (r"Core i3-(?:100\dG\d|111\dG4)", 2, 4), (r"Core i3-112\dG4", 4, 8), (r"Core i9-11900(?:K|KF|F|T)?$", 8, 16),
    # older Intel
    (r"Core 2 Duo ", 2, 2), (r"Core 2 Quad ", 4, 4), (r"Core 2 Extreme QX", 4, 4), (r"Core 2 Extreme X", 2, 2),
    (r"Core 2 Solo|Core Solo", 1, 1), (r"Core Duo", 2, 2), (r"Pentium M |Celeron M |Celeron D ", 1, 1),
    (r"Pentium Dual-Core (?:E|T|SU4)", 2, 2), (r"Pentium D [89][0-46-9]\d", 2, 2), (r"Pentium D 9[56]5", 2, 4),
    (r"Atom N2\d\d$", 1, 2), (r"Atom N4\d\d$", 1, 2), (r"Atom N5\d\d$|Atom [ND]2[568]\d0$|Atom (?:330|D5\d\d)$", 2, 4),
    (r"Atom Z37\d\d|Atom x[57]-Z", 4, 4), (r"Celeron N28\d\d|Celeron N3[03]5?\d|Celeron N40\d0", 2, 2),
    (r"Celeron J1900$", 4, 4), (r"Pentium [NJ](?:35|37|42)\d\d$", 4, 4),
    (r"Celeron [JN](?:41|345|51)\d\d$|Pentium Silver ", 4, 4), (r"Pentium G[236]\d{3}T?E?$", 2, 2),
    (r"Pentium Gold G[56]\d{3}\w?$", 2, 4),
    (r"Xeon (?:51\d\d|30[4-7]\d|31\d\d)$", 2, 2), (r"Xeon X56[5-9]\d$", 6, 12), (r"Xeon [EX]55[2-7]\d$", 4, 8),
    (r"Xeon E3-12[3-9][0-46-9] ?(?:v[1-6])?$", 4, 8), (r"Xeon E3-12[24]5 ?(?:v[1-6])?$", 4, 0),
    # AMD
    (r"Athlon 64 \d|Turion 64 M|Sempron (?!X2|M1|2650|3850)", 1, 1),
    (r"Athlon 64 X2|Turion (?:64 X2|X2|II)|Athlon II X2|Phenom II X2", 2, 2),
    (r"Athlon II X3|Phenom X3|Phenom II X3", 3, 3), (r"Athlon II X4|Phenom X4|Phenom II X4|Athlon X4", 4, 4),
    (r"Phenom II X6", 6, 6), (r"FX-4\d{3}", 4, 4), (r"FX-6\d{3}", 6, 6), (r"FX-[89][1-9]\d\d\w?$", 8, 8),
    (r"AMD A10-|AMD A12-|AMD A8-(?!4\d55M|7150|4\d55)", 4, 4),
    (r"AMD E-|AMD E1-[12][0-8]00$|AMD C-[56]0|AMD E2-1800", 0, 0),
    (r"AMD A9-|AMD A6-9[2]\d\d", 2, 2), (r"Ryzen 3 (?:1[23]00X?|2[23]00[GU]|2300X|3200G)$", 4, 4),
    (r"Ryzen 3 3200U|Ryzen 3 3250U", 2, 4),
    (r"Ryzen 5 (?:1[45]00X?|2[45]00[XGU]|3[45][05]0[GU]H?)$", 4, 8), (r"Ryzen 5 (?:1600|2600|3600)\w*$", 6, 12),
    (r"Ryzen 5 [45][56]\d0[UHG]S?$|Ryzen 5 5[56]00$|Ryzen 5 5600X$|Ryzen 5 7[56]00\w?$", 6, 12),
    (r"Ryzen 7 [1-3][78]00X?$", 8, 16),
    (r"Ryzen 7 [45][789][05]0[UHGX]S?$|Ryzen 7 5800X3D", 8, 16), (r"Ryzen 9 [357]900X?$", 12, 24),
    (r"Ryzen 9 [357]950X3?D?$", 16, 32),
    (r"Athlon (?:200|220|240|300)GE$|Athlon (?:Silver|Gold) 3", 2, 4),
]  # fmt: skip
"""Expression of the name, cores and threads; 0 is not asked. The first that fits counts."""
OTHERWISE: dict[str, tuple[int, int]] = {
    "Intel Core i5-4200H": (2, 4), "Intel Core i5-4210H": (2, 4), "Intel Atom D2500": (2, 2),
    **dict.fromkeys((f"Intel Xeon X56{number}" for number in (67, 72, 77, 87)), (4, 8)),
    "AMD Sempron 180": (2, 2), "AMD Sempron 190": (2, 2),
    **dict.fromkeys((f"AMD FX-{number}P" for number in (8800, 9800, 9830)), (4, 4)),
    "AMD Ryzen 3 2200U": (2, 4), "AMD Ryzen 5 2600H": (4, 8), "AMD Ryzen 5 4500U": (6, 6), "AMD Ryzen 7 4700U": (8, 8),
    "AMD Athlon Silver 3050U": (2, 2), "AMD Athlon Silver 3050C": (2, 2), "AMD Athlon Gold 3150G": (4, 4),
    "AMD Athlon Gold 3150GE": (4, 4),
}  # fmt: skip
"""Those that the rules above are too wide for."""


def test_cores_and_threads_are_those_of_the_line() -> None:
    tables = every_processor()
    asked, differ = 0, {}
    for name, cores, threads in zip(tables["name"], tables["cores"], tables["threads"], strict=True):
        rule = next(((c, t) for pattern, c, t in COUNTS if re.search(pattern, name)), None)
        if rule is None:
            continue
        asked += 1
        if any(want and want != has for want, has in zip(rule, (cores, threads), strict=True)):
            differ[name] = (int(cores), int(threads))
    assert differ == OTHERWISE and asked > 1500


def test_a_core_has_one_thread_or_two_unless_cores_of_two_kinds_are_mixed() -> None:
    tables = every_processor()
    mixed = tables["microarch"].isin(["Alder Lake", "Raptor Lake", "Meteor Lake", "Arrow Lake", "Lunar Lake",
    "Panther Lake",
                                      "Lakefield"])  # fmt: skip
    plain = tables[~mixed]
    odd = plain[~(plain["threads"].eq(plain["cores"]) | plain["threads"].eq(2 * plain["cores"]))]
    assert odd["name"].tolist() == []
    counts = "1 2 3 4 6 8 10 12 14 15 16 18 20 22 24 26 28 32 36 38 40 48 56 64 96"
    assert {str(one) for one in plain["cores"]} <= set(counts.split())


GENERATIONS = {
    1: {"Nehalem", "Westmere"}, 2: {"Sandy Bridge"}, 3: {"Ivy Bridge", "Sandy Bridge"}, 4: {"Haswell", "Ivy Bridge"},
    5: {"Broadwell", "Haswell"}, 6: {"Skylake", "Broadwell", "Skylake-X"}, 7: {"Kaby Lake", "Skylake-X"},
    8: {"Kaby Lake", "Coffee Lake", "Whiskey Lake", "Amber Lake", "Cannon Lake"}, 9: {"Coffee Lake", "Skylake-X"},
    10: {"Comet Lake", "Ice Lake", "Amber Lake", "Cascade Lake"}, 11: {"Tiger Lake", "Rocket Lake"}, 12: {"Alder Lake"},
    13: {"Raptor Lake"}, 14: {"Raptor Lake"},
}  # fmt: skip
YEARS = {1: (2008, 2011), 2: (2011, 2013), 3: (2012, 2013), 4: (2013, 2015), 5: (2014, 2015), 6: (2015, 2017),
7: (2016, 2018),
         8: (2017, 2019), 9: (2018, 2020), 10: (2019, 2021), 11: (2020, 2022), 12: (2021, 2023), 13: (2022, 2024),
         14: (2023, 2025)}  # fmt: skip
PICTURES = {
    2: "2000|3000", 3: "2500|4000|P4000", 4: "4200|4400|4600|5000|Iris.* 5100|Iris Pro.* 5200",
    5: "5300|5500|5600|6000|Iris.* 6[12]00",
    6: "510|515|520|530|Iris.* (?:540|550|580)", 7: "610|615|620|630|Iris.* 6[45]0",
    8: "605|610|615|617|620|630|Iris.* 6[45]5",
    9: "610|630", 10: "610|615|620|630|Ice Lake|Comet Lake|Iris Plus", 11: "730|750|Tiger Lake|Iris Xe|UHD Graphics",
}  # fmt: skip


EXTREME = r"i[79]-(?:3[89]|4[89]|5[89]|6[89]|7[89]|9[89]|109)\d\d(?:K|X|XE)?$"


def test_a_number_of_core_tells_generation_cores_years_and_graphics() -> None:
    """The first digits of the number are the generation's; the X series, with cores of the one before, has none."""
    asked = 0
    for row in every_processor().itertuples():
        match = re.fullmatch(r"Intel Core i[3579]-(\d{3,5})\w*", str(row.name))
        if match is None:
            continue
        digits = match[1]
        number = {3: 1, 5: int(digits[:2])}.get(len(digits), int(digits[0]))
        if re.search(r"-1[01]\d\dN?G\d|-1[234]\d\d[UPHY]", str(row.name)) or re.search(
            r"-1[1-4]\d\dG\dE|-1[23]\d\dU?[ER]", str(row.name)
        ):
            number = int(digits[:2])
        ending = {1: "st", 2: "nd", 3: "rd"}.get(number, "th")
        extreme = re.search(EXTREME, str(row.name))
        if extreme and row.graphics == "none":
            continue
        asked += 1
        assert row.generation == f"Core {number}{ending} gen", row.name
        assert row.microarch in GENERATIONS[number], row.name
        assert YEARS[number][0] <= row.year <= YEARS[number][1], row.name
        if number in PICTURES and row.graphics != "none":
            assert re.search(PICTURES[number], str(row.graphics)), (row.name, row.graphics)
    assert asked > 850


BLIND = (
    r"Core 2 |Core Duo|Core Solo|Pentium [4DM] |Pentium Dual-Core|Celeron [DM] |Athlon 64|Athlon II|Athlon X|Phenom|"
    r"Turion|FX-(?!7500)\d+E?$|Xeon (?:E5|[LEXW]?\d{4}|Gold|Silver|Bronze|D)|EPYC|Threadripper [123]|"
    r"Core i[3579]-\d+K?F$"
)


def test_graphics_are_the_makers_own_or_none() -> None:
    for row in every_processor().itertuples():
        assert row.graphics == "none" or str(row.graphics).startswith(f"{row.vendor} "), row.name
        if re.match(rf"\w+ (?:Ryzen )?(?:{BLIND})", str(row.name)):
            assert row.graphics == "none", row.name


CLOCKS: dict[str, tuple[float, float]] = {
    "i5-520M": (2.4, 2.93), "i7-920": (2.66, 2.93), "i5-2400": (3.1, 3.4), "i7-2600": (3.4, 3.8),
    "i5-2520M": (2.5, 3.2),
    "i5-2540M": (2.6, 3.3), "i3-2100": (3.1, 3.1), "i5-3470": (3.2, 3.6), "i7-3770": (3.4, 3.9), "i5-3320M": (2.6, 3.3),
    "i5-3210M": (2.5, 3.1), "i3-4130": (3.4, 3.4), "i5-4590": (3.3, 3.7), "i7-4790": (3.6, 4.0), "i5-4300U": (1.9, 2.9),
    "i5-4200U": (1.6, 2.6), "i5-4300M": (2.6, 3.3), "i5-5200U": (2.2, 2.7), "i5-5300U": (2.3, 2.9),
    "i3-6100": (3.7, 3.7),
    "i5-6200U": (2.3, 2.8), "i5-6300U": (2.4, 3.0), "i5-6500": (3.2, 3.6), "i7-6700": (3.4, 4.0),
    "i5-7200U": (2.5, 3.1),
    "i5-7300U": (2.6, 3.5), "i5-7500": (3.4, 3.8), "i5-8250U": (1.6, 3.4), "i5-8350U": (1.7, 3.6),
    "i7-8550U": (1.8, 4.0),
    "i5-8265U": (1.6, 3.9), "i5-10210U": (1.6, 4.2), "i5-1135G7": (2.4, 4.2), "E8400": (3.0, 3.0),
    "Core 2 Duo E6600": (2.4, 2.4),
    "T7300": (2.0, 2.0), "P8400": (2.26, 2.26), "Q6600": (2.4, 2.4), "Q9550": (2.83, 2.83), "T2300": (1.66, 1.66),
    "Pentium M 740": (1.73, 1.73), "Atom N270": (1.6, 1.6), "Atom N450": (1.66, 1.66), "Celeron N4000": (1.1, 2.6),
    "Celeron N3350": (1.1, 2.4), "Celeron N2840": (2.16, 2.58), "Celeron J1900": (2.0, 2.42),
    "Pentium N3540": (2.16, 2.66),
    "E-350": (1.6, 1.6), "A10-7850K": (3.7, 4.0), "A8-7600": (3.1, 3.8), "FX-8350": (4.0, 4.2), "FX-6300": (3.5, 4.1),
    "Phenom II X4 955": (3.2, 3.2), "Athlon II X2 250": (3.0, 3.0), "Ryzen 5 3500U": (2.1, 3.7),
    "Ryzen 5 2500U": (2.0, 3.6),
    "Ryzen 5 3600": (3.6, 4.2), "Ryzen 5 2600": (3.4, 3.9), "Ryzen 7 1700": (3.0, 3.7), "Ryzen 3 2200G": (3.5, 3.7),
    "Ryzen 5 5500U": (2.1, 4.0), "Ryzen 5 5600X": (3.7, 4.6), "Ryzen 7 4750U": (1.7, 4.1),
    "Xeon E3-1230 v2": (3.3, 3.7),
    "Xeon E5-1650 v1": (3.2, 3.8), "Xeon X5650": (2.66, 3.06), "Xeon E5-2670 0": (2.6, 3.3),
}  # fmt: skip
"""Clock and highest clock [GHz] of what a bench sees often, spread over the table: makers' pages, from memory."""


def test_clocks_of_what_a_bench_sees_often() -> None:
    rows = {row["name"]: row for row in catalogue().rows}
    found = {text: [float(rows[from_text(text).name][name]) for name in ("base_ghz", "boost_ghz")] for text in CLOCKS}
    # Two hundredths: makers round a multiple of 33 or 133 MHz either way.
    assert {text: pair for text, pair in found.items() if pair != pytest.approx(CLOCKS[text], abs=0.021)} == {}


KINDS: dict[str, tuple[str, str, str, str, str, str]] = {
    # Severity, effect, parts ruled out, form of the disk, what the firmware starts, extra minutes.
    "soldered-all": ("act", "none", "memory;ssd", "soldered", "", ""),
    "soldered-memory": ("act", "none", "memory", "", "", ""),
    "glued": ("act", "none", "memory;ssd", "soldered", "", ""), "hard-to-open": ("note", "none", "", "", "", ""),
    "glued-screen": ("act", "none", "", "", "", ""), "disk-1.8": ("act", "none", "ssd", "1.8-inch", "", "15"),
    "disk-pata": ("act", "none", "ssd", "pata", "", ""), "disk-own": ("act", "none", "ssd", "maker's own", "", ""),
    "flash-module": ("act", "none", "", "flash module", "", ""), "uefi-32": ("act", "none", "", "", "uefi 32-bit", ""),
    "mac-efi-32": ("act", "none", "", "", "uefi 32-bit", ""),
    "security-chip": ("stop", "hold", "ssd", "maker's own", "", "15"),
    "write-protect": ("stop", "set aside", "", "", "", "40"),
    "android-firmware": ("stop", "hold", "memory;ssd", "soldered", "", ""),
    "touch-only": ("act", "none", "", "", "", "10"), "rotated-panel": ("note", "none", "", "", "", ""),
    "touch-firmware": ("note", "none", "", "", "", ""), "wireless-whitelist": ("note", "none", "", "", "", ""),
    "own-power": ("note", "none", "", "", "", ""), "own-psu": ("note", "none", "", "", "", ""),
    "legacy-only": ("note", "none", "", "", "legacy bios", ""), "no-pae": ("act", "none", "", "", "", "5"),
    "one-port": ("note", "none", "", "", "", "5"), "dual-graphics-dead": ("note", "none", "", "", "", ""),
    "disk-msata": ("note", "none", "", "msata", "", ""), "disk-m2": ("note", "none", "", "m.2", "", ""),
    "no-sound": ("act", "none", "", "", "", ""),
}  # fmt: skip
WORDS = {
    "soldered-all": ("Memory and disk", "memory and its flash disk are soldered", "neither memory nor a disk"),
    "soldered-memory": ("Memory is soldered", "its memory is soldered", "fit a disk only"),
    "glued": ("Glued body", "may break the glass", "Do not open it"),
    "hard-to-open": ("Hard to open", "most of it apart", "extra minutes"),
    "glued-screen": ("Screen glued", "behind a glued screen", "new adhesive"),
    "disk-1.8": ("1.8-inch", "no 2.5-inch disk fits", "1.8-inch disk of the same connector"),
    "disk-pata": ("Parallel disk", "PATA", "parallel disk"),
    "disk-msata": ("mSATA card", "no 2.5-inch disk has room", "an mSATA SSD"),
    "disk-m2": ("M.2 card of the SATA kind", "no 2.5-inch disk has room", "one of NVMe does not start"),
    "no-sound": ("stays silent", "other makers' boards alone", "USB sound adapter"),
    "disk-own": ("maker's own kind", "own connector", "that very model"),
    "flash-module": ("Flash module", "small flash module", "SATA or M.2 place"),
    "uefi-32": ("32-bit UEFI on a 64-bit", "32-bit UEFI", "32-bit boot files, with Secure Boot off"),
    "mac-efi-32": ("early Mac", "32-bit EFI", "Alt key"),
    "security-chip": ("Security chip", "start-up security", "lower the security"),
    "write-protect": ("ChromeOS", "write-protect screw", "Set it aside unless"),
    "android-firmware": ("Android", "with Android", "USB stick"),
    "touch-only": ("No port for keyboard", "one small port only", "powered USB hub"),
    "rotated-panel": ("on its side", "turned by 90", "sideways"),
    "touch-firmware": ("Touchscreen", "firmware file", "without touch"),
    "wireless-whitelist": ("other Wi-Fi cards", "maker approved", "USB adapter"),
    "own-power": ("Charger", "charger", "very charger"),
    "own-psu": ("Power supply", "power supply", "same kind"),
    "legacy-only": ("without UEFI", "the old way", "without UEFI"),
    "no-pae": ("PAE", "page extension", "forcepae"), "one-port": ("One port", "single USB-C", "power delivery"),
    "dual-graphics-dead": ("Graphics chip", "fail with age", "under load"),
}  # fmt: skip


def test_what_each_kind_of_trap_does_and_says() -> None:
    """What stops work, what rules a part out and the words that matter; minutes from memory."""
    rows = {row["code"]: row for row in dicts("identify/trap_kinds")}
    names = ("severity", "effect", "rules_out", "disk_form", "boot_mode", "extra_min")
    assert {code: tuple(row[name] for name in names) for code, row in rows.items()} == KINDS
    for code, words in WORDS.items():
        said = (rows[code]["title"], rows[code]["reason"], rows[code]["action"])
        assert all(word in text for word, text in zip(words, said, strict=True)), said
    assert WORDS.keys() == KINDS.keys()


YEAR_OF = {2004: "Pentium M 725", 2005: "Pentium M 750", 2006: "T2300", 2007: "Q6600", 2008: "E8400",
2010: "i5-520M", 2011: "i5-2400",
           2012: "i5-3320M", 2013: "i5-4570", 2014: "i5-4590", 2015: "i5-6500", 2018: "i5-8265U",
           2019: "i5-10210U"}  # fmt: skip
"""A processor of each year, as its maker brought it out."""
OLD, MIDDLE, ODD = (20, 30, 40, 60, 80, 100, 120, 160, 200), (250, 500), (320, 640)
LARGE = (160, 750, 1000, 1500, 2000, 3000)
FLASH, LATER = (128, 240, 256, 480, 512), (120, 960)


def kinds(cases: list[tuple[float, str, str]], field: str = "storage_kind") -> list[str]:
    """What is likely of units of a size [GB], processor and model each; '' for what stays open."""
    units = frame([Unit(model=model or None, cpu=cpu, storage_gib=gb * 1e9 / 2**30) for gb, cpu, model in cases])
    return likely(units, processors(units))[field].fillna("").tolist()


@pytest.mark.parametrize(
    ("sizes", "year", "expected"),
    [
        (OLD, 2008, "spinning disk"), ((20, 30, 40, 60, 80, 100, 120, 200), 2010, ""),
        (MIDDLE, 2010, "spinning disk"), (MIDDLE, 2011, ""),
        (LARGE, 2012, "spinning disk"), (LARGE, 2013, ""), (ODD, 2018, "spinning disk"), (ODD, 2019, ""),
        (FLASH, 2006, "sata ssd"),
        ((128, 256), 2005, ""), (FLASH, 2015, "sata ssd"), (LATER, 2015, "sata ssd"), (LATER, 2014, ""), ((400,),
        2008, ""),
    ],
)  # fmt: skip
def test_what_a_disk_of_a_size_and_a_year_is(sizes: tuple[int, ...], year: int, expected: str) -> None:
    """SSDs came in sizes of their own from about 2008; from memory, as the rows say."""
    units = frame([Unit(cpu=YEAR_OF[year])])
    assert processors(units)["cpu_year"].iloc[0] == year
    assert kinds([(size, YEAR_OF[year], "") for size in sizes]) == [expected] * len(sizes)


@pytest.mark.parametrize(
    ("cpu", "model", "expected"),
    [
        ("Atom Z3735F", "", "emmc"), ("Atom x5-Z8350", "", "emmc"), ("Atom x7-Z8700", "", "emmc"),
        ("Celeron N2840", "", "emmc"),
        ("Celeron N3350", "", "emmc"), ("Celeron N4000", "", "emmc"), ("Celeron N5100", "", "emmc"),
        ("Pentium N3710", "", "emmc"),
        ("Pentium N4200", "", "emmc"), ("Celeron N2840", "Stick compute", ""), ("Celeron N2840", "thin one", ""),
        ("Celeron N2840", "Futro S520", ""), ("Celeron N2840", "igel M340", ""), ("Celeron N2840", "wyse 3040", ""),
        ("Celeron N2840", "t520", ""), ("Celeron N2840", "t530", ""), ("Celeron N2840", "t610", ""),
        ("Celeron N2840", "t620", ""),
        ("Celeron N2840", "t630", ""), ("Celeron N2840", "t730", ""), ("i5-6300U", "", ""), ("Celeron J1900", "", ""),
    ],
)  # fmt: skip
def test_a_small_disk_beside_a_small_processor_is_soldered_flash(cpu: str, model: str, expected: str) -> None:
    assert kinds([(size, cpu, model) for size in (16, 32, 64)]) == [expected] * 3


@pytest.mark.parametrize(
    ("model", "cpu", "expected"),
    [
        ("", "Q6600", "legacy bios"), ("", "E8400", ""), ("MacBook", "T7500", ""), ("apple", "Q6600", ""),
        ("itanium", "Q6600", ""),
        ("", "i5-6500", "uefi 64-bit"), ("", "i5-4590", ""), ("chromebox", "i5-6500", ""), ("MacBook", "i5-6500", ""),
        ("futro", "i5-6500", ""), ("igel", "i5-6500", ""), ("wyse", "i5-6500", ""), ("apple", "i5-6500", ""),
    ],
)  # fmt: skip
def test_what_a_firmware_of_a_year_starts(model: str, cpu: str, expected: str) -> None:
    assert kinds([(80, cpu, model)], "boot_mode")[0] in ({expected} if expected else {"", "uefi 32-bit"})


FORMS = {
    "server": ["PowerEdge T110", "ProLiant ML110", "Primergy TX100", "Primergy RX200", "System x3100",
    "ThinkSystem ST50",
               "ThinkServer TS140"],
    "thin client": ["Wyse 5010", "Futro S920", "Igel UD3", "HP t5740", "HP t510", "HP t520", "HP t530", "HP t540",
    "HP t610",
                    "HP t620", "HP t628", "HP t630", "HP t640", "HP t730", "HP t740", "Compaq t5530",
                    "some thin client"],
    "tablet": ["Surface Pro 4", "Surface Go", "Surface 3", "Surface 2", "Surface RT", "ElitePad 1000", "Venue 8",
    "Venue 10",
               "Iconia W510", "Iconia Tab 8", "ThinkPad Tablet 2", "ThinkPad 8", "ThinkPad 10", "Stylistic Q550",
               "Encore 2 WT8",
               "Stream 7", "Stream 8", "Miix 320", "ATIV Smart PC", "Galaxy Book"],
    "convertible": ["Yoga 710", "ThinkPad Yoga 12", "Pavilion x360", "Spin 5", "ThinkPad X230 Tablet",
    "ThinkPad X61 tablet",
                    "ThinkPad X220T", "some 2-in-1", "some 2 in 1", "Transformer T100", "Switch 11",
                    "EliteBook Revolve 810",
                    "Venue 11 Pro", "Surface Book", "TX2500", "2710p", "EliteBook 2730p", "2740p", "2760p",
                    "Latitude XT2",
                    "Latitude ST"],
    "all-in-one": ["iMac", "All-in-One", "AIO 520", "EliteOne 800", "ProOne 400", "TouchSmart 600", "OptiPlex 9030",
                   "OptiPlex 3011", "OptiPlex 7440", "OptiPlex 5250", "OptiPlex 7460", "OptiPlex 7760",
                   "OptiPlex 9020 AIO",
                   "ThinkCentre M90z", "ThinkCentre Edge 72z", "IdeaCentre B320", "Inspiron One 2320", "Eee Top",
                   "Veriton Z4640"],
    "small desktop": ["ThinkCentre M93p Tiny", "OptiPlex 9020 Micro", "some Mini PC", "OptiPlex 755 USFF",
    "OptiPlex 7010 SFF",
                      "Compaq 8000 USDT", "Intel NUC", "Mac mini", "NUC7i5", "ThinkCentre M710q", "EliteDesk 800 DM",
                      "ProDesk 400 mini", "Eee Box", "Aspire Revo", "ZBOX", "BRIX", "Esprimo Q520", "Veriton N4640",
                      "Compute Stick", "Chromebox"],
    "laptop": ["Latitude E6400", "ThinkPad T420", "EliteBook 8460p", "ProBook 450", "ZBook 15", "Lifebook E752",
    "Toughbook",
               "CF-19", "MacBook", "PowerBook", "iBook", "Chromebook 11", "ZenBook", "VivoBook", "IdeaPad",
               "TravelMate 5760",
               "Tecra R850", "Satellite L650", "Portege R700", "Portégé R700", "VGN-NR21", "VPCEB1", "Eee PC 901",
               "Aspire One",
               "Extensa 5220", "EasyNote", "Precision M4600", "Precision 5520", "Precision 7520", "XPS 13", "OmniBook",
               "HP Mini 210", "Pavilion dv6", "Pavilion dm1", "Pavilion g6", "Presario CQ60", "Presario F700",
               "Compaq nc6320",
               "Compaq Mini 110", "Compaq 6730b", "Compaq 6715s", "Amilo", "Swift 3", "Aspire 5", "Nitro 5",
               "some mobile"],
    "desktop": ["OptiPlex 7010 MT", "OptiPlex 7010 Tower", "OptiPlex 755 Desktop", "OptiPlex 390 DT", "some minitower",
                "some mini-tower", "Compaq 8200 CMT", "EliteDesk 800 microtower", "Precision T3500", "Precision 390",
                "ThinkStation E31",
                "Mac Pro", "Power Mac G5", "HP Z400", "HP Z220", "HP Z840", "Dimension E520", "Dimension 5150",
                "Esprimo P720",
                "Celsius W520", "Celsius M470", "Celsius R570"],
}  # fmt: skip
"""Models and what they are: from memory; none of a kind stands in another."""


@pytest.mark.parametrize("form", FORMS)
def test_what_a_model_is(form: str) -> None:
    units = frame([Unit(model=model) for model in FORMS[form]])
    found = likely(units, processors(units))["form_factor"].fillna("")
    assert dict(zip(FORMS[form], found, strict=True)) == dict.fromkeys(FORMS[form], form)


def test_what_names_no_form_stays_open() -> None:
    models = ["OptiPlex 7010", "Compaq 8000", "ThinkCentre M58", "some box", "Spin 9", "ThinkPad", "Swift 9", "HP Z999"]
    units = frame([Unit(model=model) for model in models])
    found = dict(zip(models, likely(units, processors(units))["form_factor"].fillna(""), strict=True))
    assert found == {**dict.fromkeys(models, ""), "ThinkPad": "laptop"}


REASONS = ["soldered flash", "spinning ones alone", "SSD of this size was rare", "rare before 2013",
"320 and 640 GB", "slower is taken",
           "2015 and later is an SSD's size", "had no UEFI", "sold with a 64-bit UEFI", "servers'", "thin clients'",
           "tablets'",
           "turns its screen", "screen in the case", "form of the line is small", "laptops'", "towers'",
           "T460s, T460p and X260 take DDR4", "3046 and 7040 take DDR4", "Dell's plainer machines of 2015",
           "consumer laptops of 2015", "successors of 2016 take DDR4", "N450 and N470 take DDR2", "DDR2 or DDR3",
           "ThinkPads of 2008 and 2009", "this model takes DDR3", "white MacBook of 2009", "this Mac takes DDR2",
           "HP's machines of 2007", "Dell's business machines", "Dell's plainer machines of 2007",
           "Lenovo's machines of 2007", "945 chipset shows some 3 GiB", "this Atom take 2 GiB", "this Atom take 4 GiB",
           "855 and 915 chipsets take 2 GiB"]  # fmt: skip


def test_why_a_fact_is_likely_is_said() -> None:
    for row, words in zip(dicts("identify/likely"), REASONS, strict=True):
        assert words in row["reason"], row["reason"]


CHAINS = (
    "P6 Banias Dothan Yonah Merom Penryn Nehalem Westmere|Sandy Bridge|Ivy Bridge|Haswell|Broadwell|Skylake|Ice Lake|"
    "Tiger Lake|Alder Lake|Raptor Lake|Arrow Lake|Lunar Lake|Panther Lake",
    "Bonnell Saltwell Silvermont Airmont Goldmont|Goldmont Plus|Tremont|Gracemont",
    "K7 K8 K10|K10 (Llano)", "Bobcat Jaguar Puma",
    "Bulldozer Piledriver Steamroller Excavator Zen Zen+|Zen 2|Zen 3|Zen 3+|Zen 4|Zen 5",
)  # fmt: skip
"""Cores in the order in which each did as much work a clock as the one before, or more."""
BETWEEN = {
    "VIA C7": ("", "P6"), "VIA Nano": ("VIA C7", "K8"), "NetBurst": ("VIA C7", "P6"),
    "Skylake-X": ("Broadwell", "Skylake"),
    "Cascade Lake": ("Broadwell", "Skylake"), "Rocket Lake": ("Skylake", "Tiger Lake"),
    "Lakefield": ("Skylake", "Tiger Lake"),
    "Meteor Lake": ("Tiger Lake", "Raptor Lake"), "Sapphire Rapids": ("Tiger Lake", "Alder Lake"),
    **{f"{name} Lake": ("Skylake", "Skylake") for name in ("Kaby", "Coffee", "Amber", "Whiskey", "Cannon", "Comet")},
}  # fmt: skip
"""Cores beside a chain: no slower than the first, no faster than the second."""
WIDE = {
    "P6",
    "VIA C7",
    "VIA Nano",
    "K7",
    "NetBurst",
    "Banias",
    "Dothan",
    "Lakefield",
    "Panther Lake",
    "Bonnell",
    "Saltwell",
}
"""Cores of which few were seen, or which no benchmark of this day ran on."""


def test_work_a_clock_rises_from_core_to_core() -> None:
    """By makers' own words no step was above half: AMD says 52 % for Zen, clock for clock, over its forerunner."""
    work = {"": 0.0} | {name: core["ipc"] for name, core in catalogue().microarchs.items()}
    seen = set(BETWEEN)
    for chain in CHAINS:
        names = [name for part in chain.split("|") for name in ([part] if part in work else part.split(" "))]
        seen |= set(names)
        for before, after in pairwise(names):
            assert 1 <= work[after] / work[before] < 1.5, (before, after)
    for name, (low, high) in BETWEEN.items():
        assert work[low] <= work[name] <= work[high], name
    assert seen == work.keys() - {""} and work["Skylake"] == 1
    for name, core in catalogue().microarchs.items():
        spread = core["ipc_log_sd"]
        assert 0.1 <= spread <= (0.25 if name in WIDE else 0.15), name
