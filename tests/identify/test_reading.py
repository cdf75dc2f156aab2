"""What a text says of a processor, rule by rule: written by hand before the program was asked.

Names are those that makers print on their processors; how people shorten them is common practice, no source.
"""

from __future__ import annotations

import pytest

from advisor.identify import from_text
from advisor.identify.bare import locate_bare
from advisor.identify.catalogue import catalogue, short_line
from advisor.identify.names import clean, locate, read_name
from advisor.identify.names import number as plain_number

NAMED = {
    # Core i, with what people put between
    "i5-6300U": "i5 6300U", "core i7 4770": "i7 4770", "i3 : 2100": "i3 2100",
    "i7 920": "i7 920", "i - 7 2600": "i7 2600", "i5": "i5 ",
    "i7 M 620": "i7 M620", "i7 Q720": "i7 Q720", "i5 U 470": "i5 U470", "i7 L 640": "i7 L640", "i7 X 990": "i7 X990",
    "i7 K 875": "i7 K875", "i5 S 750": "i5 S750", "i7-4700 HQ": "i7 4700HQ", "i7-4700 MQ": "i7 4700MQ",
    "i7-7820 HK": "i7 7820HK", "i5-8250 U": "i5 8250U", "i5-2520 M": "i5 2520M", "i5-4590 T": "i5 4590T",
    "i5-7600 K": "i5 7600K", "i5-4590 S": "i5 4590S", "i5-12500 H": "i5 12500H", "i5-1240 P": "i5 1240P",
    "i7-8500 Y": "i7 8500Y", "i7-740 QM": "i7 740QM", "i5-470 UM": "i5 470UM", "i7-640 LM": "i7 640LM",
    "i7-920 XM": "i7 920XM", "i5-520 M": "i5 520M", "i5-7y54": "i5 7Y54", "i3-n305": "i3 N305", "i5-l16g7": "i5 L16G7",
    "i5-1035 G1": "i5 1035G1", "i5-1135g7": "i5 1135G7", "i7-1065 ng7": "i7 1065NG7", "i5-1145g7e": "i5 1145G7E",
    "i3-380um": "i3 380UM",
    # other Core
    "core ultra 7 155H": "core ultra 7 155H", "ultra x7 358H": "core ultra x7 358H",
    "ultra 5 pro 236V": "core ultra 5 236V",
    "core m 5y71": "m 5Y71", "core m-5y10c": "m 5Y10C", "core m3-6y30": "m3 6Y30", "m5 6y57": "m5 6Y57",
    "m3-8100y": "m3 8100Y", "core m7": "m7 ", "core 5 120u": "core 5 120U", "core duo t2300e": "core1 T2300E",
    "core solo u1400": "core1 U1400", "core duo l2400": "core1 L2400",
    "core 2 duo e8400": "core2 E8400", "core2 quad q6600": "core2 quad Q6600", "core2duo t7500": "core2 T7500",
    "core-2 extreme qx9650": "core2 extreme QX9650", "core 2 solo su3500": "core2 SU3500", "c2d p8400": "core2 P8400",
    "c2q q9550": "core2 quad Q9550", "c2e x6800": "core2 extreme X6800", "core 2 6300": "core2 6300",
    # Pentium, Celeron, Atom
    "pentium iii xeon 700": "pentium iii 700", "pentium m 750": "pentium m 750", "pentium 4 630": "pentium 4 630",
    "pentium iv": "pentium 4 ", "pentium d 820": "pentium d 820", "pentium iii 800": "pentium iii 800",
    "pentium ii 400": "pentium ii 400", "pentium 3 866": "pentium iii 866", "pentium gold g5400": "pentium G5400",
    "pentium silver n5000": "pentium N5000", "pentium dual e2160": "pentium E2160",
    "pentium extreme 955": "pentium 955",
    "pentium g3220t": "pentium G3220T", "pentium 4415u": "pentium 4415U", "pentium su4100": "pentium SU4100",
    "p4": "pentium 4 ", "p-iii 866": "pentium iii 866", "piii 866": "pentium iii 866", "p3 866": "pentium iii 866",
    "celeron m 420": "celeron m 420", "celeron d 336": "celeron d 336", "celeron n2840": "celeron N2840",
    "celeron 1007u": "celeron 1007U", "celeron g1820": "celeron G1820", "celeron su2300": "celeron SU2300",
    "atom n270": "atom N270", "atom x5-z8350": "atom Z8350", "atom x7-z8700": "atom Z8700", "atom 330": "atom 330",
    "atom x6413e": "atom X6413E", "atom d2550": "atom D2550",
    # Xeon
    "xeon e3-1230 v2": "xeon E31230V2", "xeon e5-2670 0": "xeon E52670V1", "xeon e31230": "xeon E31230V1",
    "xeon e5-2650l v3": "xeon E52650LV3", "xeon e7-4870": "xeon E74870", "xeon e-2176g": "xeon E2176G",
    "xeon e-2286m": "xeon E2286M", "xeon e-2314": "xeon E2314", "xeon w-2123": "xeon W2123", "xeon w3-2423": "xeon ",
    "xeon w-1290p": "xeon W1290P", "xeon w-2295x": "xeon W2295X", "xeon w-11955m": "xeon W11955M",
    "xeon w-11155mre": "xeon W11155MRE", "xeon d-1541": "xeon D1541", "xeon x5650": "xeon X5650",
    "xeon e5620": "xeon E5620", "xeon l5640": "xeon L5640", "xeon w3520": "xeon W3520", "xeon 5160": "xeon 5160",
    "xeon gold 5120": "xeon scalable 5120", "xeon silver 4110": "xeon scalable 4110",
    "xeon bronze 3104": "xeon scalable 3104", "xeon platinum 8160": "xeon scalable 8160",
    "xeon gold 6130t": "xeon scalable 6130T", "e5 2670 v2": "xeon E52670V2", "e3-1245 v5": "xeon E31245V5",
    "e7-4870": "xeon E74870", "e5-1650 0": "xeon E51650V1",
    # Ryzen
    "ryzen threadripper pro 3945wx": "threadripper 3945WX", "threadripper 1950x": "threadripper 1950X",
    "ryzen ai 9 hx 370": "ryzen ai 9 HX370", "ryzen ai 7 pro 360": "ryzen ai 7 360",
    "ryzen ai max+ 395": "ryzen ai max+ 395",
    "ryzen z1 extreme": "ryzen z Z1EXTREME", "ryzen z1": "ryzen z Z1", "ryzen embedded v1605b": "ryzen embedded V1605B",
    "ryzen embedded r1505g": "ryzen embedded R1505G", "ryzen 5 3500u": "ryzen 5 3500U", "ryzen5 3600": "ryzen 5 3600",
    "ryzen 7 pro 4750u": "ryzen 7 4750U", "ryzen 7 mobile 4800h": "ryzen 7 4800H", "ryzen 7 5800x3d": "ryzen 7 5800X3D",
    "ryzen 5 5600 g": "ryzen 5 5600G", "ryzen 7 270": "ryzen 7 270", "ryzen 5 220": "ryzen 5 220",
    "ryzen 3500u": "ryzen 3500U", "r5 3600x": "ryzen 5 3600X", "r7-pro 4750g": "ryzen 7 4750G",
    "r3 2200g": "ryzen 3 2200G",
    "epyc 7551p": "epyc 7551P", "epyc 7f52": "epyc 7F52", "epyc e355": "epyc E355",
    # older AMD
    "athlon xp 2400+": "athlon xp 2400+", "athlon mp 2000+": "athlon xp 2000+", "athlon 64 3800+": "athlon 64 3800+",
    "athlon 64 x2 4200+": "athlon x2 4200+", "athlon ii x2 250": "athlon ii 250", "athlon ii x3 450": "athlon ii 450",
    "athlon ii x4 640": "athlon ii 640", "athlon x4 860k": "athlon x4 860K", "athlon x2 340": "athlon x2 340",
    "athlon silver 3050u": "athlon 3050U", "athlon gold 3150u": "athlon 3150U", "athlon 200ge": "athlon 200GE",
    "athlon pro 200ge": "athlon 200GE", "athlon neo mv-40": "athlon MV40", "athlon 64 fx 57": "athlon 64 FX57",
    "athlon fx 60": "athlon 64 60", "athlon ii neo k125": "athlon ii K125", "athlon ii p320": "athlon ii P320",
    "phenom 9600": "phenom 9600", "phenom ii x4 955": "phenom ii 955", "phenom ii x6 1055t": "phenom ii 1055T",
    "phenom ii n930": "phenom ii N930", "phenom ii x2 b55": "phenom ii B55", "phenom ii p920": "phenom ii P920",
    "phenom ii x3 720": "phenom ii 720", "phenom ii x920": "phenom ii X920",
    "turion 64 ml-32": "turion ML32", "turion 64 x2 tl-60": "turion TL60", "turion mt-30": "turion MT30",
    "turion mk-36": "turion MK36", "turion x2 rm-72": "turion RM72", "turion x2 ultra zm-82": "turion ZM82",
    "turion ii m500": "turion M500", "turion ii p520": "turion P520", "turion ii neo n40l": "turion N40L",
    "turion ii neo k685": "turion K685", "turion ii n530": "turion N530", "turion x2 dual mobile rm 70": "turion RM70",
    "sempron 3000+": "sempron 3000+", "sempron 140": "sempron 140", "sempron m100": "sempron M100",
    "sempron mobile 3500+": "sempron 3500+", "sempron x2 190": "sempron 190", "sempron si-42": "sempron SI42",
    "x4 955": "x4 955", "ii x2 250": "x2 250", "x6 1055t": "x6 1055T", "x2 b55": "x2 B55", "x2 4200+": "x2 4200+",
    "x3 720": "x3 720", "duron 1300": "duron 1300", "fx-8350": "fx 8350", "fx 8320e": "fx 8320E",
    "a10-7850k": "a10 7850K", "a6 pro 7400b": "a6 7400B", "a4 micro-6400t": "a4 micro 6400T", "a8-7410": "a8 7410",
    "a9-9420": "a9 9420", "a12-9800": "a12 9800", "amd a4": "a4 ", "amd pro a10": "a10 ", "amd a6": "a6 ",
    "amd a8": "a8 ",
    "amd a9": "a9 ", "amd a12": "a12 ", "opteron 6172": "opteron 6172", "opteron x2150": "opteron X2150",
    "opteron 2376 he": "opteron 2376HE", "e1-2100": "e1 2100", "e2 1800": "e2 1800", "e-350": "e 350",
    "e-350d": "e 350D",
    "amd e 450": "e 450", "amd e240": "e 240", "amd e300": "e 300", "amd e350d": "e 350D", "c-50": "c 50",
    "c-60": "c 60",
    "amd c 70": "c 70", "c-30": "c 30", "z-01": "z 01", "z-60": "z 60", "gx-420ca": "g X420CA", "g-t56n": "g T56N",
    "gt40e": "g T40E", "v160": "v V160", "amd v120": "v V120", "amd v105": "v V105", "intel n100": "intel N100",
    "intel u300": "intel U300", "intel 300t": "intel 300T", "intel n50": "intel N50", "intel n95": "intel N95",
    "intel n97": "intel N97", "intel n150": "intel N150", "intel n200": "intel N200", "intel n250": "intel N250",
    "intel n355": "intel N355", "amd custom apu 0405": "custom apu 0405", "custom 0932": "custom apu 0932",
    "amd 3015e": "3000 3015E", "3020e": "3000 3020E", "3015ce": "3000 3015CE", "via c7-m": "via c7 ",
    "via nano": "via nano ",
    "via eden": "via eden ",
}  # fmt: skip
"""Text: the line's short name and the number."""


@pytest.mark.parametrize("text", NAMED)
def test_a_text_names_one_line_and_number(text: str) -> None:
    line, _, number = NAMED[text].rpartition(" ")
    assert [tuple(one) for one in read_name(text).named] == [(line, number)]


@pytest.mark.parametrize(
    "text",
    ["wi5", "i5.5", "mi3", "i52", "ssd 5", "ram 8g", "epic 7551", "xa10-7850", "e35", "ac-50", "lv 160", "sofx",
    "ubuntu 2204",
     "gt 730", "hdd 500gb", "usb 3.0", "win 10", "2018", "", "custom 1"],
)  # fmt: skip
def test_what_names_no_processor(text: str) -> None:
    assert read_name(text).named == ()


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("i5 8gb", ""), ("i5 1000gb", ""), ("i5 500 gib", ""), ("i7 256gb", ""), ("i5 1000 mhz", ""),
        ("i7 7200rpm", ""),
        ("i5 1920 x 1080", ""), ("celeron 500 mb", ""), ("pentium 512 mib", ""), ("celeron 120w", ""),
        ("athlon 250gb", ""),
        ("i5 240 g", ""), ("i7 1000 gig", ""), ("i7 2000 tb", ""),
    ],
)  # fmt: skip
def test_a_size_or_speed_behind_a_line_is_no_number(text: str, number: str) -> None:
    assert [one.number for one in read_name(text).named] == [number]


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("Intel(R) Core(TM) i5-6300U CPU", "intel core i5-6300u"), ("Intel® Core™ i5", "intel core i5"),
        ("AMD A8 APU Processor", "amd a8"), ("Genuine Intel(R) SOC", "intel"),
        ("Pentium(C) M Mobile Technology", "pentium m"),
        ("Core 2 ULV SU3500", "core 2 su3500"), ("Core 2 LV L7500", "core 2 l7500"),
        ("Pentium 4 HT 630", "pentium 4 630"),
        ("i5–6300U", "i5-6300u"), ("i5_6300U", "i5-6300u"), ("i5\t6300U", "i5 6300u"), ("i5 — 6300U", "i5 - 6300u"),
        ("'i5' \"6300U\"", "i5 6300u"), ("P4", "pentium 4"), ("PIII", "pentium iii"), ("P-III", "pentium iii"),
        ("2 Processors", "2"), ("  i5   6300U ", "i5 6300u"),
    ],
)  # fmt: skip
def test_a_text_in_its_plain_form(text: str, plain: str) -> None:
    assert clean(text) == plain


@pytest.mark.parametrize(
    ("text", "ghz"),
    [("i5 @ 2.40GHz", 2.4), ("i5 2,4 ghz", 2.4), ("i5 3 GHz", 3.0), ("P4 2800MHz", 2.8), ("N270 1600 mhz", 1.6),
     ("Duron 900MHz", 0.9), ("i5", 0.0), ("i5 12.75 GHz", 12.75), ("1.2.3 GHz", 0.0)],
)  # fmt: skip
def test_a_stated_clock(text: str, ghz: float) -> None:
    assert read_name(text).clock_ghz == pytest.approx(ghz)


@pytest.mark.parametrize(
    ("text", "generation"),
    [("i5 4th gen", 4), ("i5 4th generation", 4), ("i5 gen 8", 8), ("i5 generation: 8", 8), ("i5 gen.8", 8),
    ("i5 8. gen", 8),
     ("i7 11th", 11), ("i5 1st", 1), ("i5 2nd", 2), ("i5 3rd", 3), ("i5 10 gen", 10), ("i5-4xxx", 4), ("i5-4xxxU", 4),
     ("i7 10xxx", 10), ("i5 8xx", 8), ("i5-6300U", 0), ("gen8 i5", 8), ("i5 4x", 0)],
)  # fmt: skip
def test_a_stated_generation(text: str, generation: int) -> None:
    assert read_name(text).generation == generation


@pytest.mark.parametrize(
    ("text", "sockets"),
    [("2x Xeon X5650", 2), ("2 x Xeon X5650", 2), ("dual Xeon X5650", 2), ("dual Intel Xeon", 2),
    ("dual Opteron 250", 2),
     ("dual EPYC", 2), ("dual AMD Opteron", 2), ("dual AMD EPYC", 2), ("4x Opteron", 4), ("dual core i5", 1),
     ("Xeon", 1),
     ("i5 2x4GB", 1)],
)  # fmt: skip
def test_how_many_processors_are_stated(text: str, sockets: int) -> None:
    assert read_name(text).sockets == sockets


@pytest.mark.parametrize(
    ("text", "found"),
    [("dual core E2160", "pentium"), ("dual-core i5-6300U", "i5"), ("quad core i7-920", "i7"),
    ("two core i3-2100", "i3"),
     ("6-core i5-8400", "i5"), ("sixteen core i9-7960X", "i9"), ("triple core Athlon II X3 450", "athlon ii"),
     ("four core Pentium N3540", "pentium"), ("six core i5-8400", "i5"), ("eight core i7-9700", "i7"),
     ("ten core i9-7900X", "i9"), ("twelve core i9-7920X", "i9"), ("Pentium dual T2370", "pentium"),
     ("Pentium dual E5200", "pentium")],
)  # fmt: skip
def test_a_count_of_cores_is_no_number(text: str, found: str) -> None:
    reading = read_name(text)
    assert [one.line for one in reading.named] == ([found] if found != "pentium" or "entium" in text else [])
    assert (reading.bare or tuple(one.number for one in reading.named)) and "CORE" not in "".join(reading.bare)


FOREIGN = ["Snapdragon 8cx", "MediaTek 8173", "Rockchip 3399", "Exynos 5", "Tegra 4", "Cortex A53", "Raspberry Pi",
"Kirin 990",
           "Apple M1", "Apple A12", "PowerPC G4", "PPC 970", "SPARC", "ARM v7", "AArch64", "RISCV", "RISC-V",
           "Allwinner A64",
           "SQ1", "SQ3", "Kompanio 500"]  # fmt: skip


@pytest.mark.parametrize("text", FOREIGN)
def test_a_processor_of_another_kind_is_said_to_be_one(text: str) -> None:
    problem = from_text(text).problem or ""
    assert problem.startswith(f"'{text}' is not an x86 processor (") and "Debian's PC images do not fit it" in problem


@pytest.mark.parametrize("text", ["farm", "i5-6300U snapdragon", "alarm 4", "Armada"])
def test_a_word_that_only_holds_such_a_name_is_none(text: str) -> None:
    assert read_name(text).foreign == ""


@pytest.mark.parametrize(
    ("text", "vendor"), [("Intel thing", "Intel"), ("amd thing", "AMD"), ("Radeon thing", "AMD"), ("via thing", "VIA"),
                         ("viaduct", ""), ("thing", "")]
)  # fmt: skip
def test_whose_a_processor_is(text: str, vendor: str) -> None:
    assert read_name(text).vendor == vendor


@pytest.mark.parametrize(
    ("text", "bare"),
    [("6300U", ("6300U",)), ("E8400", ("E8400",)), ("1035G1", ("1035G1",)), ("1065NG7", ("1065NG7",)),
    ("5800X3D", ("5800X3D",)),
     ("6Y30", ("6Y30",)), ("e52670", ("E52670",)), ("e-2176g", ("E2176G",)), ("w-2123", ("W2123",)),
     ("N100", ("N100",)),
     ("8GB", ()), ("240g", ()), ("2tb", ()), ("500mb", ()), ("7200rpm", ()), ("1600mhz", ()), ("120w", ()),
     ("144hz", ()),
     ("1080p", ()), ("500k", ()), ("100th", ()), ("450px", ()), ("240ssd", ()), ("100mm", ()), ("8gib", ()),
     ("60in", ()),
     ("100cm", ()), ("256kb", ()), ("500hdd", ()), ("i5-6300U", ()), ("6300", ()), ("N50", ("N50",))],
)  # fmt: skip
def test_numbers_that_stand_alone(text: str, bare: tuple[str, ...]) -> None:
    assert read_name(text).bare == bare


@pytest.mark.parametrize(
    ("text", "line", "plain"),
    [("E5-2670 0", "xeon", "E52670V1"), ("E31230", "xeon", "E31230V1"), ("e3-1230", "xeon", "E31230"),
     ("E5-2670 v2", "xeon", "E52670V2"), ("e5-2650l 0", "xeon", "E52650LV1"), ("6300u", "i5", "6300U"),
     ("HX 370", "ryzen ai 9", "HX370"), ("E5-2670 0", "", "E526700"), ("E52670", "xeon", "E52670")],
)  # fmt: skip
def test_a_number_as_the_key_of_the_table(text: str, line: str, plain: str) -> None:
    """Firmware writes ' 0' behind the first version of a Xeon E5, and E31230 for the first E3-1230."""
    assert plain_number(text, line) == plain


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("Desk 3000 / i5-6300U, 8GB", ["i5-6300U"]), ("CPU: Intel(R) Core(TM)2 Duo E8400", ["core 2 duo e8400"]),
        ("i5-6300U or i7-6600U", ["i5-6300U", "i7-6600U"]), ("Ryzen 5 3500U 16GB", ["Ryzen 5 3500U"]),
        ("i5 and more", []),
        ("E-350 box", []), ("C-50", []), ("Opteron 250", []), ("Duron 900", []), ("3015e", []),
        ("Athlon 64 3800+", ["Athlon 64 3800+"]),
    ],
)  # fmt: skip
def test_where_names_stand_in_a_longer_text(text: str, names: list[str]) -> None:
    """A letter and a number may be a machine's as well: such names count only where a processor is asked for."""
    found = locate(text)
    assert [" ".join(text[start:end].replace("(R)", "").replace("(TM)", "").lower().split()) for start, end,
    _ in found] == [
        " ".join(name.lower().replace("core 2", "core2").split()) for name in names
    ]  # fmt: skip


@pytest.mark.parametrize("text", ["i5 (6300U)", "i5, 6300U", "i5/6300U", "i5; 6300U", "6300U i5", "i5 laptop 6300U"])
def test_a_number_apart_from_its_line_is_its_number(text: str) -> None:
    assert from_text(text).name == "Intel Core i5-6300U"


@pytest.mark.parametrize("text", ["N100", "n100", "Intel N100", "Intel Processor N100", "Intel(R) N100"])
def test_a_processor_without_a_line_is_known_by_its_number(text: str) -> None:
    assert from_text(text).name == "Intel N100"


SOURCES = {
    "i5-6300U": "model number; table row ", "6300U": "number alone, which one processor carries; table row ",
    "Xeon E5-1650 3.2GHz": "model number and clock; table row ",
    "X4 955": "number of cores and model number; table row ",
    "ryzen 3500U": "number, without its 3, 5, 7 or 9; table row ", "Xeon E5-2670 0": "model number; table row ",
    "T7500 core2duo": "model number; table row ", "i5": "what the processors that the name leaves open have in common",
    "i5-6999U": "series of the number; ",
}  # fmt: skip


@pytest.mark.parametrize("text", SOURCES)
def test_what_an_answer_is_from_is_said(text: str) -> None:
    assert (from_text(text).source or "").startswith(SOURCES[text])


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "no processor given"),
        ("5500U", "'5500U' may be Intel Core i7-5500U or AMD Ryzen 5 5500U; write the line before the number"),
        ("i5 6300", "'i5 6300' lacks the letters of its number: Intel Core i5-6300U or Intel Core i5-6300HQ; "
         "write the whole number"),
        ("Ryzen 7 3000", "'Ryzen 7 3000' names a series, not a model; write the whole number"),
        ("i5 4th gen", "'i5 4th gen' names a generation, not a model; write the whole number"),
        ("i9 3rd gen", "'i9 3rd gen': the tables know no i9 of generation 3"),
        ("i7-99999Z",
        "'i7-99999Z': the tables know no processor of this number; write it as the sticker or the system shows"
         " it"),
        ("6999Q", "'6999Q' names no processor that the tables know; write it as 'i5-6300U' or 'Ryzen 5 3500U'"),
        ("i7-6600U 4th gen",
        "'i7-6600U 4th gen' says generation 4, but Intel Core i7-6600U is of Core 6th gen; the number was"
         " used"),
    ],
)  # fmt: skip
def test_why_a_processor_stays_open(text: str, problem: str) -> None:
    assert from_text(text).problem == problem


@pytest.mark.parametrize(
    ("text", "words"),
    [("i5", "' names a line of processors, not one model; write the number, such as Intel Core i5-"),
     ("Core 2 Quad", "' names a line of processors, not one model; write the number, such as Intel Core 2 Quad Q"),
     ("Core 2 Extreme", "such as Intel Core 2 Extreme "), ("Xeon E5-1650", "; write the version (v2, v3 ...)"),
     ("Opteron", "Opteron"), ("celeron", "such as Intel Celeron ")],
)  # fmt: skip
def test_a_line_alone_asks_for_the_number(text: str, words: str) -> None:
    found = from_text(text)
    assert words in (found.problem or found.generation or "") and found.name in (None, "Opteron")


@pytest.mark.parametrize(
    ("stated", "name"),
    [
        # The E5-1650's versions run at 3.2, 3.5, 3.5 and 3.6 GHz: within 20 MHz of one of them it is that one.
        ("3.2GHz", "Intel Xeon E5-1650"), ("3.21GHz", "Intel Xeon E5-1650"), ("3.19GHz", "Intel Xeon E5-1650"),
        ("3.23GHz", None), ("3.5GHz", None), ("3.6GHz", "Intel Xeon E5-1650 v4"),
    ],
)  # fmt: skip
def test_a_clock_within_twenty_megahertz_tells_versions_apart(stated: str, name: str | None) -> None:
    assert from_text(f"Xeon E5-1650 {stated}").name == name


def test_a_clock_within_twenty_megahertz_tells_a_line_apart() -> None:
    """Of the Core 2 the E8600 alone runs at 3.33 GHz; nothing runs near 3.36."""
    assert from_text("Core 2 Duo 3.33GHz").microarch == from_text("Core 2 Duo 3.34GHz").microarch == "Penryn"
    assert from_text("Core 2 Duo 3.36GHz").microarch is None


def test_the_short_name_of_every_line_of_the_table_is_one_that_is_read() -> None:
    """Each processor's line and number, written down, are read as that line: those that lead elsewhere are none."""
    tables = catalogue()
    short = {line: short_line(line) for line in {row["line"] for row in tables.rows} if line}
    assert {line: short[line] for line in short if line.startswith(("Core", "Xeon", "Athlon", "Phenom", "Turion"))} == {
        "Core i3": "i3", "Core i5": "i5", "Core i7": "i7", "Core i9": "i9", "Core m3": "m3", "Core m5": "m5",
        "Core m7": "m7",
        "Core M": "m", "Core Duo": "core1", "Core Solo": "core1", "Core 3": "core 3", "Core 5": "core 5",
        "Core 7": "core 7",
        "Core Ultra 5": "core ultra 5", "Core Ultra 7": "core ultra 7", "Core Ultra 9": "core ultra 9",
        **dict.fromkeys(("Core 2 Duo", "Core 2 Quad", "Core 2 Extreme", "Core 2 Solo"), "core2"),
        "Xeon": "xeon", "Xeon D": "xeon", **dict.fromkeys(("Xeon Bronze", "Xeon Silver", "Xeon Gold"), "xeon scalable"),
        "Athlon": "athlon", "Athlon Silver": "athlon", "Athlon Gold": "athlon", "Athlon 64": "athlon 64",
        "Athlon 64 X2": "athlon x2", "Athlon X2": "athlon x2", "Athlon X4": "athlon x4",
        **dict.fromkeys(("Athlon II", "Athlon II X2", "Athlon II X3", "Athlon II X4"), "athlon ii"),
        **dict.fromkeys(("Phenom X3", "Phenom X4"), "phenom"),
        **dict.fromkeys(("Phenom II X2", "Phenom II X3", "Phenom II X4", "Phenom II X6"), "phenom ii"),
        **dict.fromkeys(("Turion 64", "Turion 64 X2", "Turion X2", "Turion II"), "turion"),
    }  # fmt: skip


SHOWN = ["cpu {}", "proc {}", "processor {}", "Intel {}", "amd {}", "Atom {}", "celeron {}", "Pentium {}", "xeon {}",
         "sempron {}", "athlon {}", "phenom {}", "turion {}", "core 2 {}", "core 2 duo {}", "core 2 quad {}",
         "c2d {}", "c2q {}",
         "@ {}", "CPU: {}", "cpu = {}", "cpu is {}", "has cpu an {}", "processor a {}", "x / {}", "x, {}", "x; {}",
         "x | {}",
         "x ({}", "x\n{}", "x - {}", "{} 2.13GHz", "{} @ 2.13 GHz", "{} cpu 2,13 ghz",
         "{} processor 2130 MHz"]  # fmt: skip


@pytest.mark.parametrize("frame", SHOWN)
def test_a_number_that_machines_carry_too_counts_where_something_shows_it(frame: str) -> None:
    """E6400 is a Latitude and a Core 2 Duo."""
    text = frame.format("E6400")
    assert [text[start:end] for start, end in locate_bare(text)] == ["E6400"]


@pytest.mark.parametrize(
    "text",
    ["E6400", "old E6400", "Latitude E6400 8GB", "8GB E6400", "8 GB E6400", "160gig E6400", "1tb E6400", "512mb E6400",
     "512MiB E6400", "800mhz E6400", "2ghz E6400", "90w E6400", "7200rpm E6400", "9mm E6400", "30cm E6400",
     "14in E6400",
     "E6400-x", "xE6400", "v.E6400", "E6400 shelf"],
)  # fmt: skip
def test_a_number_that_machines_carry_too_counts_not_alone(text: str) -> None:
    assert locate_bare(text) == ()


def test_lines_that_the_table_may_be_given_go_by_the_name_that_is_read() -> None:
    """A shop's own row may be a Xeon Platinum, whose numbers are those of the Golds."""
    unused = {
        "Xeon Platinum": "xeon scalable",
        "Pentium Dual-Core": "pentium",
        "Ryzen Z1": "ryzen z",
        "Ryzen 5": "ryzen 5",
    }
    assert {line: short_line(line) for line in unused} == unused


@pytest.mark.parametrize(
    "between", ["4th gen", "(4th gen)", "3.3GHz", "@ 3.3 GHz", "quad core", "4-core", "CPU", "processor", "(R)"]
)
def test_what_stands_between_a_line_and_its_number_is_passed_over(between: str) -> None:
    name = from_text(f"i5 {between} 4590").name
    assert name == "Intel Core i5-4590"
