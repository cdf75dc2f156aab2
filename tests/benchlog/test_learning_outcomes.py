"""Comfort thresholds from outcomes: near the truth with many, at the setting with few, never applied silently."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from advisor.benchlog.outcomes import found_slow, proposals, threshold
from advisor.files import datasets
from advisor.shop import default_shop
from advisor.shop_file import read_shop


def found(n, truth, seed=0, slope=4.0):
    """Times, and who found them slow: one in five at the truth."""
    draw = np.random.default_rng(seed)
    seconds = np.exp(draw.normal(np.log(truth), 0.5, n))
    chance = 1 / (1 + np.exp(-(np.log(0.25) + slope * np.log(seconds / truth))))
    return seconds, (draw.random(n) < chance).astype(float)


@pytest.mark.parametrize("truth", [15.0, 22.0, 40.0])
def test_many_outcomes_find_the_truth(truth):
    middle, low, high = threshold(*found(3000, truth), now=30.0)
    assert middle == pytest.approx(truth, rel=0.05)
    assert low < middle < high < 1.1 * low


def test_intervals_hold_the_truth_as_often_as_they_say():
    """80 % intervals over 200 shops whose truth scatters as the prior says; binomial limits at 1 in 1000."""
    draw = np.random.default_rng(3)
    held = 0
    for seed in range(200):
        truth = 30 * np.exp(draw.normal(0, 0.3))
        _, low, high = threshold(*found(60, truth, seed, slope=3 * np.exp(draw.normal(0, 0.5))), now=30.0)
        held += low <= truth <= high
    assert 140 <= held <= 182


def test_few_outcomes_stay_at_the_setting():
    near, _, _ = threshold(*found(8, 15.0), now=30.0)
    many, _, _ = threshold(*found(800, 15.0), now=30.0)
    assert abs(np.log(near / 30)) < abs(np.log(many / 30))
    assert threshold(np.empty(0), np.empty(0), 30.0)[0] == pytest.approx(30.0, rel=1e-4)


def test_what_counts_as_slow():
    rows = pd.DataFrame({
        "outcome": ["fine", "slow", "returned", "returned", None, "Fine ", "odd"],
        "reason": [None, None, "browser drags", "battery died", None, None, None],
    })  # fmt: skip
    assert found_slow(rows).tolist()[:4] == [0.0, 1.0, 1.0, pytest.approx(np.nan, nan_ok=True)]
    assert np.isnan(found_slow(rows)[[3, 4, 6]]).all() and found_slow(rows)[5] == 0.0


def test_without_slow_units_nothing_is_proposed():
    log = pd.read_csv(datasets() / "demo" / "bench_log.csv")
    for one in proposals(log[log["outcome"] == "fine"].head(80), default_shop()):
        assert not one.change and "stays" in one.sentence() and "0 of them found slow" in one.sentence()
    assert all(not one.change for one in proposals(log.iloc[:0], default_shop()))


def test_the_demo_log_gives_a_proposal_with_what_it_rests_on():
    shop = read_shop(datasets() / "demo" / "shop.toml")
    log = pd.read_csv(datasets() / "demo" / "bench_log.csv")
    one = proposals(log, shop)[0]
    assert one.units == log["outcome"].isin(["fine", "slow"]).sum()
    assert one.slow == (log["outcome"] == "slow").sum()
    assert one.low < one.proposed < one.high
