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


@pytest.mark.parametrize(
    ("gb", "cpu", "kind"),
    [
        # What a system shows in GiB and calls GB: 151.9 GiB are 163.1 GB, 152.1 are 163.3, and 2 % above 160 are 163.2.
        (151.9, "i5-2400", "spinning disk"), (152.1, "i5-2400", ""),
        # 474.9 GiB are 509.9 GB, within 2 % of 500 in a PC of 2008; 475.1 are 510.1, and as near to 512.
        (474.9, "E8400", "spinning disk"), (475.1, "E8400", "sata ssd"),
        # Within 4 in a thousand it is the label itself: 159.4 GB are 160; 159.3 shown are GiB of 171.
        (159.4, "i5-2400", "spinning disk"), (159.3, "i5-2400", ""), (160.6, "i5-2400", "spinning disk"),
        (160.7, "i5-2400", ""),
    ],
)  # fmt: skip
def test_a_size_is_a_labels_within_two_per_cent(gb, cpu, kind):
    answer = found({"maker": "", "model": "", "cpu": cpu, "gb": str(gb), "given": ""})
    assert ("" if pd.isna(answer["storage_kind"]) else answer["storage_kind"]) == kind


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
    boards = {row["type"] for row in dicts("advice/memory_types")} | {"DDR3L"}
    for row in dicts("identify/likely"):
        if row["field"] == "ram_max_gib":
            assert 1 <= float(row["value"]) <= 4
        else:
            assert row["value"] in (boards if row["field"] == "ram_type" else set(kinds[row["field"]]))
