"""Drift: called late by chance alone, soon when times move, and naming what moved."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from advisor.benchlog.drift import ALARM, ONE_SIDED, evidence, unit_line, watch


def shop(shift, n=300, at=150, seed=0, sd=0.12, only=None):
    """Units whose times hold as predicted until one day, and from then on move."""
    draw = np.random.default_rng(seed)
    kind = draw.choice(["nvme", "sata ssd", "spinning disk"], n)
    ratio = draw.normal(0, sd, n)
    moved = (np.arange(n) >= at) & (True if only is None else kind == only)
    ratio[moved] += shift
    width = 1.2815515655446004 * sd
    return pd.DataFrame({
        "asset_tag": [f"T-{number}" for number in range(n)],
        "date": pd.date_range("2026-01-01", periods=n).strftime("%Y-%m-%d"),
        "storage_kind": kind, "image": "debian-13", "technician": draw.choice(["K", "M"], n),
        "elapsed_min": 60 * np.exp(ratio), "predicted_min": 60.0, "predicted_low_min": 60 * np.exp(-width),
        "predicted_high_min": 60 * np.exp(width), "model_version": "from 60 measured installs",
    })  # fmt: skip


@pytest.mark.slow
def test_false_alarms_are_as_rare_as_promised():
    """Average run length at the very edge of what is promised: at least ALARM, cut off at four times that."""
    draw = np.random.default_rng(7)
    runs = []
    for _ in range(60):
        n = int(4 * ALARM)
        total, _ = evidence(draw.random(n) < 0.2, (draw.random(n) < ONE_SIDED).astype(float))
        hit = np.flatnonzero(total >= ALARM)
        runs.append(hit[0] + 1 if hit.size else n)
    assert np.mean(runs) > ALARM


def test_a_shop_that_does_not_move_raises_nothing():
    calls = sum(watch(shop(0.0, seed=seed)).drifting for seed in range(30))
    assert calls <= 6
    assert watch(shop(0.0)).sentence() == "Units fall as the intervals promise."


@pytest.mark.parametrize(("shift", "within"), [(0.3, 15), (-0.3, 15), (0.2, 30)])
def test_a_move_is_called_soon_and_dated(shift, within):
    late, off = [], []
    for seed in range(10):
        found = watch(shop(shift, seed=seed, at=100))
        assert found.drifting
        late.append(int(np.flatnonzero(found.rows["drifting"])[0]) - 100)
        off.append((pd.Timestamp(found.since) - pd.Timestamp("2026-04-11")).days)
        assert found.over_pct == pytest.approx(100 * np.expm1(shift), abs=8)
    assert np.median(late) <= within
    assert np.median(np.abs(off)) <= 5


def test_the_kind_that_moved_is_named():
    found = watch(shop(0.35, only="spinning disk", n=400))
    assert found.drifting
    assert found.moved and all(text.startswith("storage kind spinning disk by") for text in found.moved)
    assert "spinning disk" in found.sentence() and "advisor learn" in found.sentence()


def test_a_group_that_misses_both_ways_is_named_itself_and_not_the_disk_that_all_of_it_has():
    """The ten last units of one miss by half and double in turn, all on spinning disks, as are half of all others."""
    rows = shop(0.0, sd=0.1, n=300).assign(
        technician=np.where(np.arange(300) % 15 == 0, "A", "B"), elapsed_min=60.0,
        storage_kind=np.where((np.arange(300) % 15 == 0) | (np.arange(300) % 2 == 0), "spinning disk", "nvme"),
    )  # fmt: skip
    rows.loc[rows.index[rows["technician"].eq("A")][-10:], "elapsed_min"] = [30.0, 120.0] * 5
    found = watch(rows)
    assert found.drifting and found.moved == ["technician A"]


def test_a_new_version_starts_anew():
    rows = shop(0.4)
    rows.loc[200:, "model_version"] = "from 60 measured installs and 200 logged units, version 0002"
    rows.loc[200:, "predicted_min"] *= np.exp(0.4)
    rows.loc[200:, ["predicted_low_min", "predicted_high_min"]] *= np.exp(0.4)
    found = watch(rows)
    assert len(found.rows) == 100 and not found.drifting


@pytest.mark.parametrize(
    "rows",
    [
        pd.DataFrame(),
        pd.DataFrame({"elapsed_min": [60.0]}),
        shop(0.3).iloc[:0],
        shop(0.3).assign(predicted_low_min=np.nan),
        shop(0.3).assign(elapsed_min="an hour"),
    ],
)
def test_nothing_to_watch_is_no_drift(rows):
    found = watch(rows)
    assert not found.drifting and found.sentence() == "" and len(found.rows) == 0


def test_odd_rows_are_passed_over():
    rows = shop(0.0)
    rows.loc[:3, "elapsed_min"] = [0.0, -5.0, np.nan, np.inf]
    rows.loc[4, "predicted_low_min"] = 1e9
    assert len(watch(rows).rows) in (295, 296)
    assert not watch(rows).drifting


def test_one_line_for_a_unit():
    rows = shop(0.0)
    quiet = watch(rows)
    row = rows.iloc[-1].copy()
    row["elapsed_min"] = 61.0
    assert unit_line(row, quiet) == "61 min: within the 51 to 70 predicted."
    row["elapsed_min"] = 96.0
    assert unit_line(row, quiet) == "96 min: outside the 51 to 70 predicted."
    moved = watch(shop(0.4))
    assert unit_line(row, moved).startswith("96 min: outside the 51 to 70 predicted. Since 2026-")
    row["predicted_low_min"] = None
    assert unit_line(row, quiet) == ""
