"""Processors of a Unit frame: signature, flags and name together."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor.identify import COLUMNS, level_of_flags, processors
from advisor.identify.level import FEATURES, LEVELS
from advisor.unit import DTYPES, Unit, frame

V2_FLAGS = " ".join(set().union(*(FEATURES[level] for level in ("i686", "v1", "v2"))))
V3_FLAGS = V2_FLAGS + " " + " ".join(FEATURES["v3"])


def one(**facts):
    (record,) = processors(frame([Unit(**facts)])).to_dict("records")
    return {name: None if pd.isna(value) else value for name, value in record.items()}


def test_shape_index_and_dtypes():
    units = frame([Unit(cpu="i5-6300U"), Unit(), Unit(cpu="i5-6300U")]).set_index(pd.Index([7, 3, 9]))
    before = units.copy()
    found = processors(units)
    assert list(found.index) == [7, 3, 9]
    assert {name: str(dtype) for name, dtype in found.dtypes.items()} == COLUMNS
    assert found["cpu_name"].tolist()[0] == found["cpu_name"].tolist()[2] == "Intel Core i5-6300U"
    assert pd.isna(found["cpu_name"].iloc[1])
    assert "no processor given" in found["cpu_problem"].iloc[1]
    pd.testing.assert_frame_equal(units, before)


def test_units_that_differ_in_one_fact_are_told_apart():
    names, makers = ("i5-6300U", "i3-2310M", "A6-3400M"), ("GenuineIntel", "AuthenticAMD", None)
    units = [Unit(cpu=cpu, cpu_vendor=maker, cpu_cores=cores) for cpu in names for maker in makers for cores in (2, 4)]
    together = processors(frame(units))
    alone = pd.concat([processors(frame([unit])) for unit in units], ignore_index=True)
    pd.testing.assert_frame_equal(together, alone)
    assert set(together["cpu_microarch"]) >= {"Skylake", "Sandy Bridge"} and set(together["cpu_cores"]) == {2, 4}


def test_an_empty_frame_and_a_frame_with_names_alone():
    assert processors(frame([])).shape == (0, len(COLUMNS))
    found = processors(pd.DataFrame({"cpu": pd.array(["i5-6300U", None], dtype="string")}))
    assert found["cpu_cores"].tolist()[0] == 2


def test_flags_decide_the_level():
    # A Core i5 on a hypervisor or with AVX switched off is what its flags say, not what its name says.
    assert one(cpu="i5-6300U")["cpu_level"] == "v3"
    assert one(cpu="i5-6300U", cpu_flags=V2_FLAGS)["cpu_level"] == "v2"
    assert one(cpu="Pentium G4400", cpu_flags=V3_FLAGS)["cpu_level"] == "v3"


def test_flags_of_no_meaning_are_left_alone():
    assert level_of_flags("") is None
    assert level_of_flags("banana") is None
    assert one(cpu="i5-6300U", cpu_flags="banana")["cpu_level"] == "v3"


def test_levels_nest():
    features: set[str] = set()
    for level in LEVELS:
        features |= FEATURES[level]
        assert level_of_flags(" ".join(features)) == level
        for missing in FEATURES[level]:
            assert level_of_flags(" ".join(features - {missing})) != level


def test_captured_cores_win():
    facts = one(cpu="i5-6300U", cpu_cores=1, cpu_threads=1)
    assert (facts["cpu_cores"], facts["cpu_threads"]) == (1, 1)


def test_the_signature_alone_names_the_core():
    facts = one(cpu_vendor="AuthenticAMD", cpu_family=23, cpu_model=104, cpu_stepping=1)
    assert facts["cpu_microarch"] == "Zen 2"
    assert facts["cpu_level"] == "v3"
    facts = one(cpu_vendor="GenuineIntel", cpu_family=6, cpu_model=0x4E, cpu_stepping=3)
    assert facts["cpu_microarch"] == "Skylake"
    # Core, Pentium and Celeron share this signature; only the flags or the name tell whether AVX2 is there.
    assert facts["cpu_level"] is None


def test_the_signature_tells_what_a_bare_line_leaves_open():
    facts = one(cpu="AMD Ryzen 5", cpu_vendor="AuthenticAMD", cpu_family=23, cpu_model=24, cpu_stepping=1)
    assert facts["cpu_microarch"] == "Zen+"
    facts = one(cpu="5500U", cpu_vendor="AuthenticAMD", cpu_family=23, cpu_model=104, cpu_stepping=1)
    assert facts["cpu_microarch"] == "Zen 2"


@pytest.mark.parametrize(
    ("cpu", "vendor", "family", "model", "stepping", "microarch"),
    [
        # one signature, several names: the name decides (from memory; common in captures of these machines)
        ("i5-10210U", "GenuineIntel", 6, 142, 12, "Comet Lake"),
        ("i5-8265U", "GenuineIntel", 6, 142, 11, "Whiskey Lake"),
        ("i5-8250U", "GenuineIntel", 6, 142, 10, "Kaby Lake"),
        ("m3-8100Y", "GenuineIntel", 6, 142, 9, "Amber Lake"),
        ("i3-14100", "GenuineIntel", 6, 151, 5, "Raptor Lake"),
        ("Ryzen 3 3200U", "AuthenticAMD", 23, 24, 1, "Zen"),
        ("Ryzen 5 3500U", "AuthenticAMD", 23, 24, 1, "Zen+"),
        ("i5-10300H", "GenuineIntel", 6, 165, 2, "Comet Lake"),
    ],
)
def test_name_and_signature_agree(cpu, vendor, family, model, stepping, microarch):
    facts = one(cpu=cpu, cpu_vendor=vendor, cpu_family=family, cpu_model=model, cpu_stepping=stepping)
    assert facts["cpu_problem"] is None
    assert facts["cpu_microarch"] == microarch
    assert "agrees with family" in facts["cpu_source"]


def test_a_name_that_contradicts_the_signature_is_not_believed():
    facts = one(cpu="i5-6300U", cpu_vendor="GenuineIntel", cpu_family=6, cpu_model=0x17, cpu_stepping=10)
    assert facts["cpu_microarch"] == "Penryn"
    assert facts["cpu_level"] == "v1"
    assert "family 6, model 23" in facts["cpu_problem"]
    assert facts["cpu_name"] is None


def test_a_signature_in_no_table_keeps_the_name():
    facts = one(cpu="i5-6300U", cpu_vendor="GenuineIntel", cpu_family=99, cpu_model=1)
    assert facts["cpu_name"] == "Intel Core i5-6300U"
    assert "in no table" in facts["cpu_problem"]


# Mobile parts whose number hides an older core (AMD's own product pages; from memory).
@pytest.mark.parametrize(
    ("cpu", "microarch", "level"),
    [
        ("Ryzen 5 5500U", "Zen 2", "v3"), ("Ryzen 7 5700U", "Zen 2", "v3"), ("Ryzen 3 5300U", "Zen 2", "v3"),
        ("Ryzen 5 5600U", "Zen 3", "v3"), ("Ryzen 5 7520U", "Zen 2", "v3"), ("Ryzen 5 7530U", "Zen 3", "v3"),
        ("Ryzen 7 7735HS", "Zen 3+", "v3"), ("Ryzen 7 7840U", "Zen 4", "v4"), ("Ryzen 5 3500U", "Zen+", "v3"),
        ("Ryzen 3 3250U", "Zen", "v3"), ("Ryzen 5 2600", "Zen+", "v3"), ("Ryzen 5 2500U", "Zen", "v3"),
        ("A4-7300", "Piledriver", "v2"), ("A10-7300", "Steamroller", "v2"), ("A6-7310", "Puma", "v2"),
        ("Pentium G4560", "Kaby Lake", "v2"), ("Pentium Gold G6400", "Comet Lake", "v2"), ("Celeron 5205U",
        "Comet Lake", "v2"),
        ("Celeron 2955U", "Haswell", "v2"), ("Pentium Gold G7400", "Alder Lake", "v3"), ("Core i3-4005U",
        "Haswell", "v3"),
        ("Core i3-N305", "Gracemont", "v3"), ("Celeron N5105", "Tremont", "v2"), ("Core i7-3820", "Sandy Bridge", "v2"),
        ("Core i7-5820K", "Haswell", "v3"), ("Core i9-7900X", "Skylake-X", "v4"), ("Core i5-1135G7", "Tiger Lake",
        "v4"),
        ("Core i5-1235U", "Alder Lake", "v3"), ("Atom N270", "Bonnell", "i686"), ("Atom N450", "Bonnell", "v1"),
        ("Pentium M 740", "Dothan", "i686"), ("Core Duo T2300", "Yonah", "i686"), ("Core 2 Duo E8400", "Penryn", "v1"),
        ("Atom Z2760", "Saltwell", "i686"), ("Athlon XP 2400+", "K7", "i686"), ("Pentium 4 HT 3.2GHz", "NetBurst",
        None),
    ],
)  # fmt: skip
def test_the_core_and_level_behind_the_number(cpu, microarch, level):
    facts = one(cpu=cpu)
    assert (facts["cpu_microarch"], facts["cpu_level"]) == (microarch, level)


def test_speed_lies_in_its_spread_and_rises_with_the_clock():
    found = processors(pd.DataFrame({"cpu": ["i5-6200U", "i5-6300U", "i7-6600U", "i7-6700K"]}))
    assert (found["cpu_speed_low"] < found["cpu_speed"]).all()
    assert (found["cpu_speed"] < found["cpu_speed_high"]).all()
    assert found["cpu_speed"].is_monotonic_increasing


def test_graphics_are_named_or_none():
    assert one(cpu="i5-6300U")["cpu_graphics"] == "Intel HD Graphics 520"
    assert one(cpu="Ryzen 5 3500U")["cpu_graphics"] == "AMD Radeon Vega 8"
    assert one(cpu="i5-9400F")["cpu_graphics"] == "none"
    assert one(cpu="i5")["cpu_graphics"] is None


def test_the_users_own_rows_win(tmp_path, monkeypatch):
    from advisor import tables
    from advisor.identify import agree, catalogue, processor, resolve

    folder = tmp_path / "tables" / "identify"
    folder.mkdir(parents=True)
    header = (
        "name,vendor,line,number,microarch,generation,year,cores,threads,base_ghz,boost_ghz,graphics,level,source\n"
    )
    (folder / "processors.csv").write_text(
        header
        + "Intel Core i5-6300U,Intel,Core i5,6300U,Skylake,Core 6th gen,2015,4,8,2.4,3.0,none,v2,measured here\n"
        + "Intel Core i5-6999X,Intel,Core i5,6999X,Skylake,Core 6th gen,2016,2,4,2.0,6.0,none,,our lab\n"
    )
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    caches = [
        tables.load,
        tables.rows,
        catalogue.catalogue,
        agree.of_row,
        agree._common,
        resolve._series_of,
        resolve._kin,
        processor._kin,
    ]
    for cached in caches:
        cached.cache_clear()
    try:
        facts = one(cpu="i5-6300U")
        assert (facts["cpu_cores"], facts["cpu_level"]) == (4, "v2")
        assert "measured here" in facts["cpu_source"]
        assert one(cpu="i5-6999X")["cpu_speed"] == pytest.approx(2.0)
    finally:
        monkeypatch.undo()
        for cached in caches:
            cached.cache_clear()


def test_a_broken_row_of_the_user_is_named(tmp_path, monkeypatch):
    from advisor import tables
    from advisor.errors import TableError
    from advisor.identify import catalogue

    folder = tmp_path / "tables" / "identify"
    folder.mkdir(parents=True)
    header = (
        "name,vendor,line,number,microarch,generation,year,cores,threads,base_ghz,boost_ghz,graphics,level,source\n"
    )
    (folder / "processors.csv").write_text(
        header + "X,Intel,Core i5,1X,Skylark,Core 6th gen,2015,4,8,2.4,3.0,none,,mine\n"
    )
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    tables.load.cache_clear()
    tables.rows.cache_clear()
    catalogue.catalogue.cache_clear()
    try:
        with pytest.raises(TableError, match="Skylark"):
            processors(pd.DataFrame({"cpu": ["i5-6300U"]}))
    finally:
        monkeypatch.undo()
        tables.load.cache_clear()
        tables.rows.cache_clear()
        catalogue.catalogue.cache_clear()


def test_columns_of_the_unit_are_read_by_name_only():
    units = frame([Unit(cpu="i5-6300U")])
    assert set(units.columns) == set(DTYPES)
    assert processors(units[["cpu", "notes"]])["cpu_name"].iloc[0] == "Intel Core i5-6300U"
