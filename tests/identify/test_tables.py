"""The processor tables hang together."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from advisor.identify import from_text, signature
from advisor.identify.catalogue import catalogue
from advisor.identify.level import LEVELS
from advisor.tables import load

TABLES = ("identify/processors", "identify/microarchitectures", "identify/signatures", "identify/series")


def every_processor() -> pd.DataFrame:
    return pd.DataFrame([catalogue().record(row) for row in range(len(catalogue().rows))])


@pytest.mark.parametrize("name", TABLES)
def test_every_row_says_where_it_is_from(name):
    table = load(name)
    assert table.frame["source"].notna().all()
    assert table.about["remake"] and table.about["licence"] and table.about["source"]


def test_names_are_unique_and_each_name_leads_back_to_its_own_row():
    frame = load("identify/processors").frame
    assert frame["name"].is_unique
    wrong = []
    for name in frame["name"]:
        # The first version of a Xeon E3, E5 or E7 carries no version in its name and is told by ' 0' or 'v1'.
        first = name.startswith(("Intel Xeon E3-", "Intel Xeon E5-", "Intel Xeon E7-")) and " v" not in name
        answer = from_text(f"{name} v1" if first else name)
        if answer.name != name:
            wrong.append((name, answer.name, answer.problem))
    assert not wrong


def test_numbers_are_plausible():
    frame = every_processor()
    assert (frame["cores"] >= 1).all()
    assert (frame["threads"] >= frame["cores"]).all()
    # Hybrid parts have second threads on some cores only; no processor has more than two a core.
    assert (frame["threads"] <= 2 * frame["cores"]).all()
    assert (frame["boost_ghz"] >= frame["base_ghz"]).all()
    assert frame["base_ghz"].between(0.6, 5).all()
    assert frame["boost_ghz"].between(0.6, 6.3).all()
    assert frame["year"].between(2003, 2026).all()
    assert frame["generation"].notna().all()
    assert frame["graphics"].notna().all()


def test_levels_are_known_but_for_lines_that_mix_them():
    frame = every_processor()
    assert set(frame["level"].dropna()) <= set(LEVELS)
    assert frame["level"].notna().all()


def test_a_processor_is_not_older_than_its_core():
    frame = every_processor()
    first = {name: int(core["year"]) for name, core in catalogue().microarchs.items()}
    early = frame[frame["year"] < frame["microarch"].map(first)]
    assert early.empty, early[["name", "year", "microarch"]].to_string()


def test_every_core_has_a_signature_and_a_row_or_a_series():
    tables = catalogue()
    signed = {name for row in tables.signatures for name in (row["microarch"], *row["also"].split(";"))} - {""}
    assert set(tables.microarchs) == signed
    named = {row["microarch"] for row in (*tables.rows, *tables.series)}
    assert set(tables.microarchs) <= named


def test_series_agree_with_the_rows_they_hold():
    """A number that both tables know has the same core in both, save where the number hides it."""
    tables = catalogue()
    hidden, differ = set(), []
    for row in tables.rows:
        for series in tables.series:
            if re.fullmatch(series["line"], row["short"]) and re.fullmatch(series["pattern"], row["plain"]):
                if series["microarch"] and series["microarch"] != row["microarch"]:
                    hidden.add(row["name"])
                    differ.append((row["name"], series["microarch"], row["microarch"]))
                break
    # Llano's desktop parts without graphics were sold as Athlon II among 45 nm ones.
    assert hidden == {f"AMD Athlon II X4 {number}" for number in (631, 638, 641, 651)}, differ


def test_the_first_signature_that_fits_is_used():
    # Stepping 10 of 0x9E is Coffee Lake, 9 is Kaby Lake (intel-family.h of Linux 6.12, comments).
    assert signature("Intel", 6, 0x9E, 9)[0] == "Kaby Lake"
    assert signature("Intel", 6, 0x9E, 10)[0] == "Coffee Lake"
    assert signature("Intel", 6, 0x9E)[1] == ("Coffee Lake",)
    assert signature("Intel", 6, 255) is None
    assert signature("Nobody", 6, 0x9E) is None


def test_the_reference_is_in_the_middle_of_its_kin():
    from advisor.identify import REFERENCE

    assert REFERENCE in {row["name"] for row in catalogue().rows}


def test_a_core_newer_than_the_table_is_not_taken_for_its_forerunner():
    # Family 26 holds Zen 5 and Zen 6 (arch/x86/kernel/cpu/amd.c of Linux 6.15: models 0x50 to 0x5f are Zen 6).
    assert signature("AMD", 26, 0x44)[0] == "Zen 5"
    assert signature("AMD", 26, 0x70)[0] == "Zen 5"
    assert signature("AMD", 26, 0x50) is None
