"""Likely facts: `likely.csv` says for each unit what is beyond doubt and what stays open ('?'), before the run."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from advisor.identify import processors
from advisor.identify.likely import LIKELY_FIELDS, likely
from advisor.tables import dicts
from advisor.unit import BootMode, FormFactor, StorageKind, Unit, frame

UNITS = list(csv.DictReader(Path(__file__).with_name("likely.csv").open(encoding="utf-8")))


def found(row: dict[str, str]) -> pd.Series:
    given = dict(one.split("=") for one in row["given"].split("; ") if one)
    gib = float(row["gb"]) * 1e9 / 2**30 if row["gb"] else None
    unit = Unit(
        maker=row["maker"] or None, model=row["model"] or None, cpu=row["cpu"] or None, storage_gib=gib, **given
    )
    units = frame([unit])
    return likely(units, processors(units)).iloc[0]


@pytest.mark.parametrize("row", UNITS, ids=lambda row: f"{row['maker']} {row['model']} {row['cpu']} {row['gb']}")
def test_a_missing_fact_is_likely_or_stays_open(row):
    answer = found(row)
    expected = dict(one.split("=") for one in row["expect"].split("; "))
    assert {name: "?" if pd.isna(answer[name]) else answer[name] for name in expected} == expected, row["why"]
    for name in LIKELY_FIELDS:
        assert pd.isna(answer[name]) == pd.isna(answer[f"{name}_why"])


def test_rows_are_judged_one_by_one_and_keep_their_index():
    units = frame(
        [Unit(maker="Dell", model="Latitude E6400", cpu="P8400", storage_gib=149.0), Unit(), Unit(cpu="Z3735F")]
    )
    units.index = pd.Index([7, 8, 9])
    answer = likely(units, processors(units))
    assert answer.index.tolist() == [7, 8, 9]
    assert answer["storage_kind"].fillna("").tolist() == ["spinning disk", "", ""]
    assert answer["boot_mode"].fillna("").tolist() == ["", "", "uefi 32-bit"]
    assert answer["form_factor"].fillna("").tolist() == ["laptop", "", ""]


def test_the_reason_says_why_and_where_from():
    answer = found({"maker": "", "model": "", "cpu": "Z3735F", "gb": "32", "given": ""})
    assert answer["storage_kind_why"].endswith("is soldered flash (from memory)")
    assert "32-bit UEFI" in answer["boot_mode_why"]


def test_every_value_is_one_that_the_unit_takes():
    kinds = {"storage_kind": StorageKind, "boot_mode": BootMode, "form_factor": FormFactor}
    for row in dicts("identify/likely"):
        assert row["value"] in set(kinds[row["field"]])
