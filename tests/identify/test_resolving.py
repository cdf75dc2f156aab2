"""From a name to one processor, by hand: how makers number their lines is the trade's knowledge, from memory."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from advisor.identify import from_text, processors, resolve
from advisor.identify.bare import locate_bare
from advisor.identify.likely import likely
from advisor.identify.names import locate
from advisor.unit import Unit, frame


@pytest.mark.parametrize(
    ("number", "word"),
    [
        (1, "1st"),
        (2, "2nd"),
        (3, "3rd"),
        (4, "4th"),
        (8, "8th"),
        (10, "10th"),
        (11, "11th"),
        (12, "12th"),
        (13, "13th"),
    ],
)
def test_a_generation_in_words(number: int, word: str) -> None:
    assert resolve._ordinal(number) == word


def test_four_names_are_shown_and_the_rest_counted() -> None:
    tables: Any = SimpleNamespace(rows=[{"name": name} for name in (*"abcdef", "a")])
    assert resolve._names(tables, [0]) == "a" and resolve._names(tables, [0, 6, 1]) == "a or b"
    assert resolve._names(tables, (0, 1, 2, 3)) == "a or b or c or d"
    assert resolve._names(tables, [0, 1, 2, 3, 4]) == "a, b, c, d or 1 more"
    assert resolve._names(tables, range(6)) == "a, b, c, d or 2 more"


@pytest.mark.parametrize(
    ("line", "number", "forms"),
    [
        ("i7", "M620", ["M620", "620M"]), ("i7", "Q720", ["Q720", "720QM"]), ("i7", "L620", ["L620", "620LM"]),
        ("i5", "U470", ["U470", "470UM"]), ("i7", "X920", ["X920", "920XM", "920X"]), ("i5", "K655", ["K655", "655K"]),
        ("i5", "S750", ["S750", "750S"]), ("i3", "U380", ["U380", "380UM"]), ("atom", "M620", ["M620"]),
        ("i5", "6300U", ["6300U"]), ("core2", "6600", ["6600", "E6600"]), ("core2 quad", "6600", ["6600", "Q6600"]),
        ("core2 extreme", "9650", ["9650", "QX9650", "X9650"]), ("core2", "L9400", ["L9400", "SL9400"]),
        ("core2", "P9400", ["P9400", "SP9400"]), ("pentium", "U4100", ["U4100", "SU4100"]),
        ("celeron m", "U2300", ["U2300", "SU2300"]), ("celeron", "U2300", ["U2300", "SU2300"]),
        ("core2", "E6600", ["E6600"]),
        ("pentium", "6600", ["6600"]), ("e", "E350", ["E350", "350"]), ("c", "C50", ["C50", "50"]),
        ("z", "Z01", ["Z01", "01"]),
        ("g", "GT56N", ["GT56N", "T56N"]), ("e", "350", ["350"]), ("xeon", "E5620", ["E5620"]),
    ],
)  # fmt: skip
def test_forms_in_which_firmware_writes_a_number(line: str, number: str, forms: list[str]) -> None:
    """'M 520' is the 520M, '6600' of a Core 2 the E6600, 'L9400' the SL9400."""
    assert resolve._variants(line, number) == forms


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Celeron 336", "Intel Celeron D 336"), ("Celeron M 1007U", "Intel Celeron 1007U"),
        ("Pentium 820", "Intel Pentium D 820"),
        ("Pentium 750", "Intel Pentium M 750"), ("Pentium 630", "Intel Pentium 4 630"),
        ("Athlon 64 4200+", "AMD Athlon 64 X2 4200+"),
        ("Athlon X2 250", "AMD Athlon II X2 250"), ("Athlon X4 640", "AMD Athlon II X4 640"),
        ("Athlon 860K", "AMD Athlon X4 860K"),
        ("Athlon 250", "AMD Athlon II X2 250"), ("Xeon 4110", "Intel Xeon Silver 4110"),
        ("Phenom 955", "AMD Phenom II X4 955"),
        ("Core Duo T7500", "Intel Core 2 Duo T7500"), ("Core 2 Quad E8400", "Intel Core 2 Duo E8400"),
        ("Core 2 Extreme Q6600", "Intel Core 2 Quad Q6600"), ("Athlon X4 860K", "AMD Athlon X4 860K"),
    ],
)  # fmt: skip
def test_a_word_left_out_of_a_line_does_no_harm(text: str, name: str) -> None:
    assert from_text(text).name == name


@pytest.mark.parametrize(
    ("text", "vendor"),
    [("Ryzen 9 9999QQ", "AMD"), ("Duron", "AMD"), ("Athlon 99999Z", "AMD"),
    ("i7-99999Z", "Intel"),
     ("Xeon E5-1650", "Intel"), ("E5-2686", "Intel")],
)  # fmt: skip
def test_whose_an_unknown_number_of_a_known_line_is(text: str, vendor: str) -> None:
    assert from_text(text).vendor == vendor


def one(**facts: object) -> dict[str, object]:
    (record,) = processors(frame([Unit(**facts)])).to_dict("records")  # type: ignore[arg-type]
    return {name: None if pd.isna(value) else value for name, value in record.items()}


@pytest.mark.parametrize(
    ("vendor", "family", "model", "core"),
    [("GenuineIntel", 6, 0x4E, "Skylake"), ("Intel", 6, 0x4E, "Skylake"), ("intel", 6, 0x4E, "Skylake"),
     ("AuthenticAMD", 23, 0x31, "Zen 2"), ("AMD", 23, 0x31, "Zen 2"), (" amd ", 23, 0x31, "Zen 2"),
     ("CentaurHauls", 6, 15, "VIA Nano"), ("VIA", 6, 10, "VIA C7"), ("Somebody", 6, 0x4E, None)],
)  # fmt: skip
def test_makers_as_processors_name_them(vendor: str, family: int, model: int, core: str | None) -> None:
    """CPUID leaf 0: GenuineIntel, AuthenticAMD, CentaurHauls."""
    assert one(cpu_vendor=vendor, cpu_family=family, cpu_model=model)["cpu_microarch"] == core


def test_name_and_numbers_are_told_beside_each_other() -> None:
    known = {"cpu": "i5-6300U", "cpu_vendor": "GenuineIntel", "cpu_family": 6}
    agrees = one(**known, cpu_model=0x4E, cpu_stepping=3)
    assert str(agrees["cpu_source"]).endswith("; agrees with family, model and stepping")
    lies = one(**known, cpu_model=0x17, cpu_stepping=10)
    assert lies["cpu_problem"] == (
        "the name says Intel Core i5-6300U (Skylake), but family 6, model 23 is Penryn; the numbers were believed"
    )
    assert (lies["cpu_vendor"], lies["cpu_year"], lies["cpu_name"]) == ("Intel", 2007, None)
    assert str(lies["cpu_source"]).startswith("family, model and stepping; ")
    nowhere = one(**known, cpu_model=254)
    assert nowhere["cpu_problem"] == "family 6, model 254 of Intel is in no table"
    stranger = one(cpu="i5", cpu_vendor="Somebody", cpu_family=6, cpu_model=1)
    assert str(stranger["cpu_problem"]).endswith("; family 6, model 1 of an unknown maker is in no table")
    # The name tells the maker where firmware does not.
    assert one(cpu="i5-6300U", cpu_family=6, cpu_model=0x4E)["cpu_microarch"] == "Skylake"
    vague = one(cpu="i5", cpu_vendor="GenuineIntel", cpu_family=6, cpu_model=0x4E)
    assert (vague["cpu_microarch"], vague["cpu_year"]) == ("Skylake", 2015)
    assert "write the number" in str(vague["cpu_problem"])
    flags = one(cpu="i5-6300U", cpu_flags="fpu cx8 cmov")
    assert flags["cpu_level"] == "i686" and str(flags["cpu_source"]).endswith("; level from the feature flags")
    assert one(cpu_flags="fpu cx8 cmov")["cpu_source"] == "level from the feature flags"
    assert one()["cpu_problem"] == "no processor given"


def test_a_core_alone_tells_what_all_of_it_share() -> None:
    """Penryn: all of level v1, 2007; Skylake holds Pentiums without AVX2, so that its level stays open."""
    penryn = one(cpu_vendor="GenuineIntel", cpu_family=6, cpu_model=0x17)
    assert (penryn["cpu_level"], penryn["cpu_vendor"], penryn["cpu_year"]) == ("v1", "Intel", 2007)
    assert float(str(penryn["cpu_speed_low"])) < float(str(penryn["cpu_speed"])) < float(str(penryn["cpu_speed_high"]))
    assert one(cpu_vendor="GenuineIntel", cpu_family=6, cpu_model=0x4E)["cpu_level"] is None


def test_the_speed_of_a_model_is_its_cores_work_at_its_highest_clock() -> None:
    """The i5-6300U, Skylake at 3.0 GHz, is 1; so the i7-6600U at 3.4 GHz is 1.13 and the i7-6700K at 4.2 GHz is 1.4."""
    assert [from_text(text).speed for text in ("i5-6300U", "i7-6600U", "i7-6700K")] == pytest.approx([1, 3.4 / 3, 1.4])


def test_memory_is_of_the_type_that_most_units_with_a_core_take() -> None:
    """DDR4 came with Skylake's desktops, DDR3 before, Core 2 took either: common practice, no source."""
    units = frame([Unit(cpu=cpu) for cpu in ("i5-6500", "i5-2400", "E8400", "banana")])
    found = likely(units, processors(units))
    assert (
        found["ram_type"].fillna("").tolist()[1:] == ["DDR3", "DDR2 DDR3", ""] and found["ram_type"].iloc[0] == "DDR4"
    )
    assert found["ram_type_why"].iloc[1].startswith("most units with Sandy Bridge take it (")
    known = frame([Unit(cpu="i5-2400", ram_type="DDR4")])
    assert likely(known, processors(known))["ram_type"].isna().all()
    soldered = frame([Unit(maker="Apple", model="MacBook Air 2013", cpu="i5-4250U")])
    assert likely(soldered, processors(soldered))["ram_type"].isna().all()


@pytest.mark.parametrize(
    ("text", "names"),
    [("Duron Opteron", "Duron or opteron"), ("i5-6999U / i5-6998U", "i5 6999U or i5 6998U"),
     ("i5-6300U / i5-6300HQ", "Intel Core i5-6300U or Intel Core i5-6300HQ")],
)  # fmt: skip
def test_several_processors_in_a_text_are_named(text: str, names: str) -> None:
    found = from_text(text)
    assert found.problem == f"{text!r} names several processors: {names}; give the one that is fitted"
    assert found.microarch is None


def test_a_text_is_read_up_to_four_hundred_signs() -> None:
    """Notes run on; what stands beyond is cut, so that no cell costs more than any other."""
    whole, cut = " " * 392 + "i5-6300U", " " * 393 + "i5-6300U"
    assert from_text(whole).name == "Intel Core i5-6300U" and from_text(cut).name is None
    assert [(start, end) for start, end, _ in locate(whole)] == [(392, 400)] and locate(cut)[0][1] == 400
    assert locate_bare(" " * 396 + "N270") == ((396, 400),) and locate_bare(" " * 397 + "N270") == ()


def test_three_of_a_kind_tell_what_a_fourth_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """Letters behind a number are those of its kind: two may be alike by chance; common practice, no source."""
    series = {"pattern": r"6\d\d\d[A-Z]*", "microarch": "Skylake"}
    numbers = ["6100U", "6200U", "6300U", "6400H", "6500H", "7200U"]
    rows = [{"plain": number} for number in numbers]
    tables = SimpleNamespace(series=[series], rows=rows, by_line={"i5": [0, 1, 2, 3, 4, 5]},
                             by_microarch={"Skylake": [7, 8]})  # fmt: skip
    monkeypatch.setattr(resolve, "catalogue", lambda: tables)
    kin = resolve._kin.__wrapped__
    assert kin(0, "i5", "U") == ((0, 1, 2), True) and kin(0, "i5", "H") == ((3, 4), False)
    assert kin(0, "i5", "Z") == ((0, 1, 2, 3, 4), False) and kin(0, "i3", "U") == ((7, 8), False)
