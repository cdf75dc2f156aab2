"""The timing model that ships is the one that the shipped rehearsals give, and says what stands at a bound."""

from __future__ import annotations

import numpy as np
import pytest

from advisor.files import datasets
from advisor.timing import fit, load_model, read_rehearsals
from advisor.timing.physics import PARTS, Physics, part_terms


@pytest.fixture(scope="module")
def rehearsals():
    return read_rehearsals()


@pytest.fixture(scope="module")
def shipped():
    return load_model(datasets() / "timing" / "model.json")


# Non-negative least squares has one solution and ends by itself: the same libraries give the same numbers to 1e-14.
# A part that overlaps stops its steps when they win less than 1e-9; other versions of LAPACK may end a step apart.
REFIT = 1e-4


@pytest.mark.slow
def test_the_shipped_model_is_the_one_that_the_shipped_rehearsals_give(rehearsals, shipped):
    again = fit(rehearsals)
    for part in PARTS:
        assert again.physics.coefficients[part] == pytest.approx(shipped.physics.coefficients[part], rel=REFIT)
    assert again.level == pytest.approx(shipped.level, rel=REFIT)
    assert again.widths.overall == pytest.approx(shipped.widths.overall, rel=REFIT)
    assert again.widths.groups == pytest.approx(shipped.widths.groups, rel=REFIT)
    assert again.about == shipped.about
    assert again.seen.equals(shipped.seen)


@pytest.mark.parametrize("gone", ["f058-one", "f046-one", "f019-one", "r020"])
def test_one_rehearsal_fewer_is_another_model_of_what_its_installer_does(rehearsals, shipped, gone):
    """A live copy, packages, a clone, and a tree that was unpacked."""
    from advisor.timing.physics import fit_physics

    some = rehearsals.take(rehearsals.labels["name"].to_numpy() != gone)
    assert len(some) == len(rehearsals) - 1
    other = fit_physics(some.conditions, some.phases, some.needs)
    (kind,) = rehearsals.labels.loc[rehearsals.labels["name"] == gone, "installer"]
    for name, part in PARTS.items():
        same = other.coefficients[name] == pytest.approx(shipped.physics.coefficients[name], rel=2 * REFIT)
        assert same == (kind not in part.kinds), name


def test_what_stands_at_a_bound_is_named(shipped):
    coefficients = {part: np.ones(len(part_terms(part))) / 2 for part in PARTS}
    coefficients["sync"][0] = 0.0
    assert Physics(coefficients).at_bound() == ["sync, disk: once x access at 0"]
    # What ships: only the rehearsals can move this.
    assert shipped.about["at_bound"] == shipped.physics.at_bound()
    assert len(shipped.about["at_bound"]) == 4
