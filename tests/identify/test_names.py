"""Processor names as firmware and people write them. What each names is common knowledge of the trade, from memory."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.identify import from_text
from advisor.identify.names import locate, read_name

EXACT = {
    # brand strings, as processors report them
    "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz": "Intel Core i5-6300U",
    "Intel(R) Core(TM) i5 CPU       M 520  @ 2.40GHz": "Intel Core i5-520M",
    "Intel(R) Core(TM) i7 CPU       Q 720  @ 1.60GHz": "Intel Core i7-720QM",
    "Intel(R) Core(TM) i7 CPU         860  @ 2.80GHz": "Intel Core i7-860",
    "Intel(R) Core(TM)2 Duo CPU     P8400  @ 2.26GHz": "Intel Core 2 Duo P8400",
    "Intel(R) Core(TM)2 CPU          6600  @ 2.40GHz": "Intel Core 2 Duo E6600",
    "Intel(R) Core(TM)2 Quad CPU    Q6600  @ 2.40GHz": "Intel Core 2 Quad Q6600",
    "Intel(R) Core(TM)2 Duo CPU     L9400  @ 1.86GHz": "Intel Core 2 Duo SL9400",
    "Intel(R) Core(TM) i7 CPU       L 620  @ 2.00GHz": "Intel Core i7-620LM",
    "Intel(R) Core(TM) i7 CPU       U 620  @ 1.07GHz": "Intel Core i7-620UM",
    "Intel(R) Core(TM) i7 CPU       X 920  @ 2.00GHz": "Intel Core i7-920XM",
    "Intel(R) Core(TM) i7 CPU       X 980  @ 3.33GHz": "Intel Core i7-980X",
    "Intel(R) Core(TM) i7 CPU       K 875  @ 2.93GHz": "Intel Core i7-875K",
    "Intel(R) Core(TM) i7 CPU       S 860  @ 2.53GHz": "Intel Core i7-860S",
    "Intel(R) Core(TM) i5 CPU       K 655  @ 3.20GHz": "Intel Core i5-655K",
    "Intel(R) Core(TM) i5 CPU       S 750  @ 2.40GHz": "Intel Core i5-750S",
    "Intel(R) Core(TM) i3 CPU       U 380  @ 1.33GHz": "Intel Core i3-380UM",
    "Intel(R) Core(TM)2 Duo CPU     U9400  @ 1.40GHz": "Intel Core 2 Duo SU9400",
    "Intel(R) Celeron(R) CPU        U2300  @ 1.20GHz": "Intel Celeron SU2300",
    "Genuine Intel(R) CPU           T2300  @ 1.66GHz": "Intel Core Duo T2300",
    "Genuine Intel(R) CPU           U4100  @ 1.30GHz": "Intel Pentium Dual-Core SU4100",
    "Intel(R) Atom(TM) CPU N270   @ 1.60GHz": "Intel Atom N270",
    "Intel(R) Atom(TM) x5-Z8350  CPU @ 1.44GHz": "Intel Atom x5-Z8350",
    "Intel(R) Pentium(R) CPU  N3540  @ 2.16GHz": "Intel Pentium N3540",
    "Intel(R) Pentium(R) Silver N5000 CPU @ 1.10GHz": "Intel Pentium Silver N5000",
    "Intel(R) Pentium(R) Dual  CPU  E2160  @ 1.80GHz": "Intel Pentium Dual-Core E2160",
    "Intel(R) Celeron(R) J4125 CPU @ 2.00GHz": "Intel Celeron J4125",
    "Intel(R) Celeron(R) M CPU        420  @ 1.60GHz": "Intel Celeron M 420",
    "Intel(R) Celeron(R) CPU          420  @ 1.60GHz": "Intel Celeron 420",
    "Intel(R) Core(TM) m3-6Y30 CPU @ 0.90GHz": "Intel Core m3-6Y30",
    "Intel(R) Core(TM) M-5Y71 CPU @ 1.20GHz": "Intel Core M-5Y71",
    "Intel(R) Xeon(R) CPU E5-2670 0 @ 2.60GHz": "Intel Xeon E5-2670",
    "Intel(R) Xeon(R) CPU E31230 @ 3.20GHz": "Intel Xeon E3-1230",
    "Intel(R) Xeon(R) CPU E3-1230 V2 @ 3.30GHz": "Intel Xeon E3-1230 v2",
    "Intel(R) Xeon(R) W-2123 CPU @ 3.60GHz": "Intel Xeon W-2123",
    "Intel(R) Xeon(R) CPU            5120  @ 1.86GHz": "Intel Xeon 5120",
    "Intel(R) Xeon(R) Gold 5120 CPU @ 2.20GHz": "Intel Xeon Gold 5120",
    "11th Gen Intel(R) Core(TM) i5-1135G7 @ 2.40GHz": "Intel Core i5-1135G7",
    "12th Gen Intel(R) Core(TM) i5-1235U": "Intel Core i5-1235U",
    "Intel(R) Core(TM) Ultra 7 155H": "Intel Core Ultra 7 155H",
    "Intel(R) Core(TM) 5 120U": "Intel Core 5 120U",
    "Intel(R) N100": "Intel N100",
    "AMD Ryzen 5 PRO 3500U w/ Radeon Vega Mobile Gfx": "AMD Ryzen 5 3500U",
    "AMD Ryzen 7 PRO 5850U with Radeon Graphics": "AMD Ryzen 7 5850U",
    "AMD Ryzen 5 5600X 6-Core Processor": "AMD Ryzen 5 5600X",
    "AMD Ryzen Threadripper PRO 3945WX 12-Cores": "AMD Ryzen Threadripper 3945WX",
    "AMD Ryzen AI 9 HX 370 w/ Radeon 890M": "AMD Ryzen AI 9 HX 370",
    "AMD A10-7850K Radeon R7, 12 Compute Cores 4C+8G": "AMD A10-7850K",
    "AMD PRO A10-8730B R5, 10 COMPUTE CORES 4C+6G": "AMD A10-8730B",
    "AMD A6-9225 RADEON R4, 5 COMPUTE CORES 2C+3G": "AMD A6-9225",
    "AMD A8-7410 APU with AMD Radeon R5 Graphics": "AMD A8-7410",
    "AMD E2-1800 APU with Radeon(tm) HD Graphics": "AMD E2-1800",
    "AMD E-350 Processor": "AMD E-350",
    "AMD FX(tm)-8350 Eight-Core Processor": "AMD FX-8350",
    "AMD Phenom(tm) II X4 955 Processor": "AMD Phenom II X4 955",
    "AMD Phenom(tm) 9600 Quad-Core Processor": "AMD Phenom X4 9600",
    "AMD Athlon(tm) II X2 250 Processor": "AMD Athlon II X2 250",
    "AMD Athlon(tm) 64 X2 Dual Core Processor 4200+": "AMD Athlon 64 X2 4200+",
    "AMD Athlon(tm) 64 Processor 3800+": "AMD Athlon 64 3800+",
    "AMD Athlon Silver 3050U with Radeon Graphics": "AMD Athlon Silver 3050U",
    "AMD Turion(tm) X2 Dual-Core Mobile RM-72": "AMD Turion X2 RM-72",
    "AMD GX-420CA SOC with Radeon(tm) HD Graphics": "AMD GX-420CA",
    "AMD 3020e with Radeon Graphics": "AMD 3020e",
    # as people type
    "i5-6300U": "Intel Core i5-6300U", "intel i5 6300u": "Intel Core i5-6300U", "i56300U": "Intel Core i5-6300U",
    "i5 6300 u": "Intel Core i5-6300U", "I5 – 6300U": "Intel Core i5-6300U", "6300U": "Intel Core i5-6300U",
    "Core 2 Duo P8400": "Intel Core 2 Duo P8400", "C2D E8400": "Intel Core 2 Duo E8400",
    "T7500 core2duo": "Intel Core 2 Duo T7500", "Core 2 Quad 6600": "Intel Core 2 Quad Q6600",
    "Core 2 Extreme 9650": "Intel Core 2 Extreme QX9650",
    "core2 extreme X6800": "Intel Core 2 Extreme X6800", "U4100": "Intel Pentium Dual-Core SU4100",
    "AMD 5500U": "AMD Ryzen 5 5500U", "Intel 5500U": "Intel Core i7-5500U", "Xeon E3-1235": "Intel Xeon E3-1235",
    "X4 955": "AMD Phenom II X4 955", "II X2 250": "AMD Athlon II X2 250",
    "AMD A6-9220e": "AMD A6-9220e", "a10 9620p": "AMD A10-9620P", "Ryzen 5 Pro 3500U": "AMD Ryzen 5 3500U",
    "ryzen 3500U": "AMD Ryzen 5 3500U", "ryzen5-3600": "AMD Ryzen 5 3600", "R5 3500U": "AMD Ryzen 5 3500U",
    "Pentium N3540": "Intel Pentium N3540", "Celeron J4125": "Intel Celeron J4125",
    "E5 2670 v2": "Intel Xeon E5-2670 v2",
    "i7 vPro 8665U": "Intel Core i7-8665U", "i5 4590 3.3ghz quad": "Intel Core i5-4590",
    "i5-1035 G1": "Intel Core i5-1035G1",
    "Desk 3000 / i5-6300U 8GB 240SSD": "Intel Core i5-6300U", "i5-2400 8GB 500GB": "Intel Core i5-2400",
}  # fmt: skip


@pytest.mark.parametrize(("text", "name"), EXACT.items())
def test_one_processor_is_named(text, name):
    answer = from_text(text)
    assert answer.name == name, answer.problem
    assert answer.exact
    assert answer.problem is None


def test_problems_are_said_in_full():
    assert from_text("Apple M1").problem == (
        "'Apple M1' is not an x86 processor (apple m1); Debian's PC images do not fit it"
    )
    assert from_text("i5-6300U / i7-6600U").problem == (
        "'i5-6300U / i7-6600U' names several processors: Intel Core i5-6300U or Intel Core i7-6600U;"
        " give the one that is fitted"
    )
    assert from_text("i5 5500U").problem == (
        "'i5 5500U': no processor of that line carries this number, but Intel Core i7-5500U or AMD Ryzen 5 5500U does;"
        " write which it is"
    )
    assert from_text("i7-6600U (7th gen)").problem == (
        "'i7-6600U (7th gen)' says generation 7, but Intel Core i7-6600U is of Core 6th gen; the number was used"
    )
    assert from_text("i5-6999U").problem == "'i5-6999U' is not in the table; Core 6th gen known by its series alone"
    long = "banana " * 12
    assert from_text(long).problem.startswith(f"'{' '.join(long.split())[:57]}...' names no processor")
    assert from_text("b" * 60).problem.startswith(f"'{'b' * 60}' names")


def test_of_many_that_a_text_may_be_four_are_named():
    said = from_text("Xeon E5-2670 2.45GHz").problem or ""
    assert " or " in said and "write the version (v2, v3 ...)" in said
    many = from_text("i7 9750").problem or ""
    assert "Intel Core i7-9750H or Intel Core i7-9750HF" in many and "write the whole number" in many


def test_a_number_alone_beside_a_line_alone_is_the_number():
    assert from_text("Core i5 / i5-6300U").name == "Intel Core i5-6300U"
    assert from_text("i5-6300U i5-6300U").name == "Intel Core i5-6300U"


def test_several_sockets_multiply_cores():
    assert (from_text("2x Xeon X5650").cores, from_text("2x Xeon X5650").threads) == (12, 24)
    assert from_text("Dual Xeon E5-2640 v4").cores == 20
    assert from_text("Xeon X5650").cores == 6


# What is ambiguous stays unknown, with a reason; what all that it may be have in common is given.
@pytest.mark.parametrize(
    ("text", "microarch", "level", "words"),
    [
        ("i5", None, None, "write the number"),
        ("celeron", None, None, "write the number"),
        ("5500U", None, "v3", "Intel Core i7-5500U or AMD Ryzen 5 5500U"),
        ("E6300", None, "v1", "Intel Pentium Dual-Core E6300 or Intel Core 2 Duo E6300"),
        ("Core 2 Duo", None, "v1", "write the number"),
        ("Core i5 (4th gen)", "Haswell", "v3", "names a generation"),
        ("i5-4xxx", "Haswell", "v3", "names a generation"),
        ("i7 10th gen", None, None, "names a generation"),  # Comet Lake is v3, Ice Lake v4
        ("i5 6300", "Skylake", "v3", "Intel Core i5-6300U or Intel Core i5-6300HQ"),
        ("i5-6999U", "Skylake", "v3", "not in the table"),
        ("Xeon E5-1650", None, None, "write the version"),
        ("i5 5500U", None, None, "no processor of that line"),
        ("i5-6300U / i7-6600U", None, None, "names several processors"),
        ("?", None, None, "names no processor"),
        ("", None, None, "no processor given"),
        ("Apple M1", None, None, "not an x86 processor"),
        ("Snapdragon 8cx", None, None, "not an x86 processor"),
        ("i5 256GB SSD", None, None, "write the number"),
        ("E5-2686", None, None, "write the version"),
        ("Core 2 Duo 3.33GHz", "Penryn", "v1", "write the number"),  # the E8600 alone
        ("Core Duo 2.33GHz", "Yonah", "i686", "write the number"),
        ("Pentium M 2.26GHz", "Dothan", "i686", "write the number"),  # the 780 alone
        ("Core 2 Quad", None, "v1", "names a line of processors"), ("Core 2 Extreme", None, "v1", "names a line"),
        ("ryzen", None, None, "names a line of processors"), ("Ryzen 7 3000", None, "v3", "names a series"),
        ("i5 1st gen", None, "v2", "names a generation"), ("i5 2nd gen", "Sandy Bridge", "v2", "names a generation"),
        ("i5 3rd gen", "Ivy Bridge", "v2", "names a generation"), ("i3 12th gen", "Alder Lake", "v3", "generation"),
        ("i9 3rd gen", None, None, "the tables know no i9 of generation 3"),
        ("Core i7 2005", None, None, "names a line"), ("Core i7 2026", None, None, "names a line"),
        ("Core i7 2004", "Sandy Bridge", "v2", "not in the table"),
        ("Core i7 2027", "Sandy Bridge", "v2", "not in the table"),
        ("i7-99999Z", None, None, "no processor of this number; write it as the sticker or the system shows it"),
        ("6999Q", None, None, "names no processor that the tables know; write it as 'i5-6300U' or 'Ryzen 5 3500U'"),
    ],
)  # fmt: skip
def test_what_is_ambiguous_is_said(text, microarch, level, words):
    answer = from_text(text)
    assert answer.name is None
    assert (answer.microarch, answer.level) == (microarch, level)
    assert words in (answer.problem or "")


def test_a_line_that_spans_too_much_gets_no_speed():
    assert from_text("i5").speed is None
    assert from_text("celeron").speed is None


def test_a_series_is_wider_than_a_model():
    model, series = from_text("i5-6300U"), from_text("i5 6th gen")
    assert model.speed_high / model.speed_low < series.speed_high / series.speed_low


def test_a_generation_that_contradicts_the_number_is_said():
    answer = from_text("i7-6600U (7th gen)")
    assert answer.name == "Intel Core i7-6600U"
    assert "says generation 7" in (answer.problem or "")


def test_a_stated_clock_tells_xeon_versions_apart():
    assert from_text("Xeon E5-1650 3.2GHz").name == "Intel Xeon E5-1650"
    assert from_text("Xeon E5-1650 3.6GHz").name == "Intel Xeon E5-1650 v4"


@pytest.mark.parametrize(
    "text", ["Latitude E6400", "Precision T7500", "Satellite C50", "ProBook 450 G3", "OptiPlex 7010"]
)
def test_machine_names_are_no_processors(text):
    assert locate(text) == []


def test_a_processor_is_found_inside_a_longer_text():
    text = "Desk 3000 / Intel(R) Core(TM) i5-6300U, 8GB"
    ((start, end, name),) = locate(text)
    assert (name.line, name.number) == ("i5", "6300U")
    assert "i5-6300U" in text[start:end]


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=80), st.text(alphabet="iIrRyzencoptul 0123456789-+@xX().vVgGhHuU", max_size=60)))
def test_any_text_gets_an_answer(text):
    answer = from_text(text)
    assert answer.exact or answer.problem or answer.microarch
    assert read_name(text) == read_name(text)
    assert all(0 <= start < end <= len(text) for start, end, _ in locate(text))
