"""The timing model that ships is the one that the shipped rehearsals give, and says what stands at a bound."""

from __future__ import annotations

import numpy as np
import pytest

from advisor.files import datasets
from advisor.timing import fit, load_model, read_rehearsals
from advisor.timing.conditions import MEASURED_PHASES
from advisor.timing.physics import LEFT, Physics, phase_terms


@pytest.fixture(scope="module")
def rehearsals():
    return read_rehearsals()


@pytest.fixture(scope="module")
def shipped():
    return load_model(datasets() / "timing" / "model.json")


# Non-negative least squares has one solution and ends by itself: the same libraries give the same numbers to 1e-14.
# A phase that overlaps stops its steps when they win less than 1e-9; other versions of LAPACK may end a step apart.
REFIT = 1e-4


@pytest.mark.slow
def test_the_shipped_model_is_the_one_that_the_shipped_rehearsals_give(rehearsals, shipped):
    again = fit(rehearsals)
    assert again.physics.overlaps == shipped.physics.overlaps
    for phase in MEASURED_PHASES:
        assert again.physics.coefficients[phase] == pytest.approx(shipped.physics.coefficients[phase], rel=REFIT)
    assert again.level == pytest.approx(shipped.level, rel=REFIT)
    assert again.widths.overall == pytest.approx(shipped.widths.overall, rel=REFIT)
    assert again.widths.groups == pytest.approx(shipped.widths.groups, rel=REFIT)
    assert again.about == shipped.about
    assert again.seen.equals(shipped.seen)


def test_one_rehearsal_fewer_is_another_model(rehearsals, shipped):
    from advisor.timing.physics import fit_physics

    some = rehearsals.take(np.arange(len(rehearsals)) != 20)
    other = fit_physics(some.conditions, some.phases, shipped.physics.overlaps, some.needs)
    for phase in MEASURED_PHASES:
        assert other.coefficients[phase] != pytest.approx(shipped.physics.coefficients[phase], rel=2 * REFIT), phase


def test_what_stands_at_a_bound_is_named(shipped):
    coefficients = {phase: np.ones(len(phase_terms(phase))) / 2 for phase in MEASURED_PHASES}
    coefficients["sync"][0] = 0.0
    names = [term.name for term in phase_terms("boot")]
    coefficients["boot"][names.index(LEFT)] = 1.0
    made = Physics(coefficients, dict.fromkeys(MEASURED_PHASES, 1.0) | {"copy": 4.0, "updates": 2.0})
    assert made.at_bound() == [
        f"boot, disk: {LEFT} at 1", "sync, disk: installed MiB / disk rate at 0", "copy: overlap at 4",
    ]  # fmt: skip
    # What ships: only the rehearsals can move this.
    assert shipped.about["at_bound"] == shipped.physics.at_bound()
    assert len(shipped.about["at_bound"]) == 5
