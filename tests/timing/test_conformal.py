"""Half-widths: the rank they take, by group, and what bad scores get."""

import math

import numpy as np
import pytest

from advisor.timing.conformal import GROUP_ROWS, calibrate, half_width


def test_half_width_takes_the_rank_that_the_guarantee_names():
    # Nine scores, 80 %: the eighth of (9 + 1) * 0.8; worked by hand.
    assert half_width([9, 1, 8, 2, 7, 3, 6, 4, 5], 0.8) == 8
    # 0.8 * 10 is 8.000000000000002 in some orders of multiplication and must not become the ninth.
    assert half_width(list(range(1, 10)), 0.8) == 8


def test_too_few_scores_promise_nothing():
    assert half_width([1, 2, 3], 0.8) == math.inf
    assert half_width([1, 2, 3, 4], 0.8) == 4
    assert half_width([], 0.8) == math.inf


@pytest.mark.parametrize("scores", [[-1.0, 2.0], [1.0, float("nan")], [float("inf")]])
def test_bad_scores_are_refused(scores):
    with pytest.raises(ValueError, match="finite"):
        half_width(scores)


@pytest.mark.parametrize("level", [0, 1, 1.2])
def test_bad_level_is_refused(level):
    with pytest.raises(ValueError, match="level"):
        half_width([1.0], level)


def test_a_group_has_its_own_width_only_with_rows_enough():
    residuals = np.concatenate([np.full(GROUP_ROWS, 0.1), np.full(GROUP_ROWS - 1, -0.5)])
    groups = ["calm"] * GROUP_ROWS + ["wild"] * (GROUP_ROWS - 1)
    widths = calibrate(residuals, groups)
    assert widths.groups == {"calm": 0.1}
    assert widths.overall == 0.5
    assert widths.of(["calm", "wild", "never seen"]).tolist() == [0.1, 0.5, 0.5]


def test_sizes_make_widths_multiples():
    assert calibrate(np.array([0.2, -0.4, 0.6, 0.8]), sizes=np.array([0.1, 0.2, 0.3, 0.4])).overall == pytest.approx(2)
