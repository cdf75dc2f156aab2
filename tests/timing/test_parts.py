"""Pieces of the timing model that a user sees in words or in the width of an interval, reckoned by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor import __version__
from advisor.files import PACKAGE_NAME
from advisor.timing import log as learning
from advisor.timing import versions
from advisor.timing.logpart import CURVE_LEVELS, Curve, LogPart, normal_curve
from advisor.timing.model import TimingModel, _outside, disk_class
from advisor.timing.pooling import effective_rows, effects_of, weighted_median
from advisor.timing.predict import CACHE_MBPS, model_labels

NO_PHYSICS: Any = None


def test_a_disk_is_of_a_class_by_its_access_time() -> None:
    """Half a turn at 10,000 a minute takes 3 ms; flash of cards and eMMC some tenths: from memory."""
    found = disk_class(pd.DataFrame({"disk_access_ms": [3.0, 2.99, 0.2, 0.199]}))
    assert found.tolist() == ["spinning", "slow flash", "slow flash", "fast flash"]


@pytest.mark.parametrize(
    ("name", "limit", "words"),
    [
        ("decompress_mib_s", 53.44, "decompression more than 53.4 MiB/s"), ("cores", 2, "cores more than 2"),
        ("disk_read_mib_s", 1120, "disk reads more than 1,120 MiB/s"),
        ("disk_access_ms", 0.129, "disk access more than 0.129 ms"), ("link_mbps", 108, "link more than 108 Mbit/s"),
        ("image_bytes", 2**30, "image more than 1 GiB"),
        ("installed_bytes", 2**31, "installed system more than 2 GiB"), ("installed_files", 81900,
         "files more than 81,900"), ("extra_packages", 76, "base set more than 76 packages"),
        ("extra_bytes", 2**21, "base set more than 2 MiB"), ("update_packages", 48, "updates more than 48 packages"),
        ("update_bytes", 3 * 2**20, "updates more than 3 MiB"), ("plain_modules", 1, "plain modules more than 1"),
    ],
)  # fmt: skip
def test_what_lies_beyond_is_said_in_its_unit(name: str, limit: float, words: str) -> None:
    assert _outside(name, "more", limit) == words


def test_compression_is_that_of_an_image_of_the_same_size_within_half_a_per_cent() -> None:
    seen = pd.DataFrame({"image_bytes": [1e9, 2e9], "installed_bytes": [3e9, 6e9], "xz": [1.0, np.nan]})
    asked = pd.DataFrame({
        "image_bytes": [1.004e9, 1.006e9, 1e9, 2e9, 1e9], "installed_bytes": [3e9, 3e9, 3.02e9, 6e9, 3e9],
        "xz": [np.nan, np.nan, np.nan, np.nan, 0.0],
    })  # fmt: skip
    assert TimingModel(NO_PHYSICS, seen=seen)._compression(asked).tolist() == [1.0, 0.5, 0.5, 0.5, 0.0]


@pytest.mark.parametrize(
    ("about", "part", "words"),
    [
        ({"rehearsals": 1}, LogPart(), "from 1 measured install and 0 logged units"),
        ({"rehearsals": 61}, LogPart(rows=1), "from 61 measured installs and 1 logged unit"),
        ({"rehearsals": 61, "version": "0003"}, LogPart(rows=2, invented=True),
         "from 61 measured installs and 2 logged units, version 0003 (the log is the demo's, invented)"),
    ],
)  # fmt: skip
def test_what_the_times_rest_on(about: dict[str, Any], part: LogPart, words: str) -> None:
    assert TimingModel(NO_PHYSICS, about=about, log=part).basis == words


CURVE = Curve((0.5, 0.9), (0.4, 1.2))


def test_a_curve_gives_the_width_at_each_level() -> None:
    """Straight between the levels, nothing at none, and half as wide again above the last."""
    found = CURVE.of(np.array([-1.0, 0.0, 0.25, 0.5, 0.7, 0.9, 0.91]))
    assert found.tolist() == pytest.approx([0, 0, 0.2, 0.4, 0.8, 1.2, 1.8])


def test_the_level_that_serves_widens_by_the_curve() -> None:
    kinds = np.array(["nvme", "emmc"], dtype=object)
    part = LogPart(curve=CURVE)
    assert TimingModel(NO_PHYSICS, log=part).log_widths(kinds).tolist() == [1, 1]
    assert TimingModel(NO_PHYSICS, log=part, levels={"nvme": 0.9}).log_widths(kinds).tolist() == pytest.approx(
        [1.2, 1.0]  # the promised 80 % lie at three quarters of the way from 0.4 to 1.2
    )
    assert TimingModel(NO_PHYSICS, log=part, levels={"": 0.5}).log_widths(kinds).tolist() == pytest.approx([0.4, 0.4])


def test_the_curve_of_normal_errors() -> None:
    """Quantiles of the standard normal distribution: 1.2816 for 80 %, 2.5758 for 99 % (NIST e-Handbook, 1.3.6.7.1)."""
    curve = normal_curve()
    assert curve.of(np.array([0.8]))[0] == pytest.approx(1)
    assert curve.factors[-1] == pytest.approx(2.5758 / 1.2816, rel=1e-4)
    assert CURVE_LEVELS[:2] == (0.04, 0.08) and CURVE_LEVELS[-3:] == (0.96, 0.98, 0.99) and len(CURVE_LEVELS) == 26


def test_what_a_log_taught_of_model_and_image_multiplies() -> None:
    part = LogPart(level=math.log(2), effects={"model": {"hp x": math.log(1.5)}, "image": {"d": math.log(0.5)}})
    groups = {"model": np.array(["hp x", "", "dell"], dtype=object), "image": np.array(["d", "d", ""], dtype=object)}
    assert part.factor(groups).tolist() == pytest.approx([1.5, 1, 2])
    assert effects_of({"model": {}}, groups).tolist() == [0, 0, 0]


def test_weighted_rows_and_their_middle() -> None:
    """Kish 1965: the square of the sum over the sum of squares."""
    assert effective_rows(np.array([1.0, 1.0, 0.5])) == pytest.approx(6.25 / 2.25)
    assert effective_rows(np.zeros(2)) == 0
    assert weighted_median(np.array([3.0, 1.0, 2.0]), np.ones(3)) == 2
    cases = (([1, 2], [1, 1], 1.5), ([1, 2, 10], [1, 1, 3], 10), ([10, 1, 2], [1, 3, 1], 1), ([1, 2, 3], [1, 1, 1], 2))
    for values, weights, middle in cases:
        assert weighted_median(np.array(values, dtype=float), np.array(weights, dtype=float)) == middle


def test_a_slip_is_pulled_in_to_three_and_a_half_robust_deviations() -> None:
    """The middle is 2, the middle distance 1, which is 1.4826 for normal errors."""
    values = np.array([0.0, 1.0, 2.0, 3.0, 100.0])
    assert learning._fenced(values, np.ones(5)).tolist() == pytest.approx([0, 1, 2, 3, 2 + 3.5 * 1.4826])
    assert learning._fenced(-values, np.ones(5))[-1] == pytest.approx(-2 - 3.5 * 1.4826)
    assert learning._fenced(np.ones(3), np.ones(3)).tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("ratios", "factor"),
    [
        ([2.0] * 10, 2**0.5), ([2.0] * 30, 2**0.75), ([np.nan] * 3, 1.0), ([2.0] * 10 + [10.1] * 30, 2**0.5),
        ([2.0] * 10 + [0.09] * 30, 2**0.5), ([9.9] * 10, 9.9**0.5),
    ],
)  # fmt: skip
def test_hands_are_believed_by_half_after_ten_units_and_never_beyond_ten_times(
    ratios: list[float], factor: float
) -> None:
    laid: Any = SimpleNamespace(pace=lambda: np.log(np.array(ratios)))
    assert learning._hands_factor(laid, np.ones(len(ratios))) == pytest.approx(factor)


@pytest.mark.parametrize(
    ("about", "problem"),
    [
        ({}, "does not say what it was made with"),
        ({"made_with": {"numpy": "2"}}, "does not say what it was made with"),
        ({"made_with": {PACKAGE_NAME: "99.0"}},
         f"was made by version 99.0 of this package, which is newer than this one ({__version__})"),
        ({"made_with": {PACKAGE_NAME: __version__}, "tables": "0"},
         "corrects other tables of times than those in use now"),
        ({"made_with": {PACKAGE_NAME: f"{__version__}.9+local"}, "tables": versions.tables_mark()}, ""),
    ],
)  # fmt: skip
def test_why_a_kept_model_may_not_serve(about: dict[str, Any], problem: str) -> None:
    assert versions._problem(about) == problem


def test_a_third_number_of_a_version_changes_no_format() -> None:
    assert [versions._release(one) for one in ("1.2.3+x", "0.10", "2", "new")] == [(1, 2), (0, 10), (2,), (0,)]
    assert set(versions.BELOW) == {f"timing/{name}" for name in (
        "assumed", "storage_rates", "phases", "operators", "operations", "screens")}  # fmt: skip


def test_models_of_pc_are_told_apart_by_maker_and_model() -> None:
    units = pd.DataFrame({"maker": [" HP", None, "Dell", None], "model": ["EliteBook  840 G3", "X200", None, None]},
                         dtype="string")  # fmt: skip
    assert model_labels(units).tolist() == ["hp elitebook 840 g3", "x200", "", ""]
    assert model_labels(units[["maker"]]).tolist() == [""] * 4


def test_a_cache_gives_what_tcp_carries_over_gigabit_ethernet() -> None:
    """1448 bytes of payload in 1538 on the wire: IEEE 802.3 frame and gap, IPv4, TCP with timestamps."""
    assert pytest.approx(1000 * 1448 / 1538, abs=0.6) == CACHE_MBPS
