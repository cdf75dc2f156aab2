"""The adaptive level against the bound of the paper, and step by step against MAPIE's.

I. Gibbs, E. J. Candès, Adaptive conformal inference under distribution shift, NeurIPS 34 (2021): equation (2),
Lemma 4.1 and Proposition 4.1. MAPIE (PyPI; checked with 1.x), mapie.regression.TimeSeriesRegressor, method 'aci'.
"""

from __future__ import annotations

import numpy as np
import pytest

from advisor.benchlog.adaptive import GAMMA, MISSES, follow

pytestmark = pytest.mark.outside


def served(scores, calibration, gamma, alpha=MISSES):
    """Misses where sets are served at the level as it stands: everything below 0, nothing above 1, as in the paper."""
    calibration = np.sort(calibration)
    missed = np.zeros(len(scores), dtype=bool)
    for place, score in enumerate(scores):
        now = follow(missed[:place], gamma, alpha)[-1]
        if now < 0:
            continue
        missed[place] = now >= 1 or score > np.quantile(calibration, 1 - now, method="higher")
    return missed


def streams():
    draw = np.random.default_rng(20)
    n = 400
    calm = np.abs(draw.normal(0, 1, n))
    yield "calm", calm
    yield "a jump", np.where(np.arange(n) < 150, calm, 4 * calm)
    yield "a slide", calm * np.linspace(0.2, 5, n)
    yield "never covered", np.full(n, 1e9)
    yield "always covered", np.zeros(n)
    yield "in turns", np.where(np.arange(n) % 40 < 20, calm / 10, 10 * calm)


@pytest.mark.parametrize("gamma", [0.005, GAMMA, 0.2])
@pytest.mark.parametrize(("name", "scores"), list(streams()), ids=[name for name, _ in streams()])
def test_coverage_keeps_the_papers_bound(name, scores, gamma):
    calibration = np.abs(np.random.default_rng(1).normal(0, 1, 200))
    missed = served(scores, calibration, gamma)
    for steps in (50, 100, len(scores)):
        bound = (max(MISSES, 1 - MISSES) + gamma) / (steps * gamma)
        assert abs(missed[:steps].mean() - MISSES) <= bound + 1e-12
    level = follow(missed, gamma)
    assert level.min() >= -gamma - 1e-12 and level.max() <= 1 + gamma + 1e-12


def test_the_bound_is_sharp_enough_to_fail_a_level_that_does_not_move():
    """The same stream at a fixed level breaks the bound: the check can fail."""
    scores = dict(streams())["a jump"]
    calibration = np.sort(np.abs(np.random.default_rng(1).normal(0, 1, 200)))
    missed = scores > np.quantile(calibration, 1 - MISSES)
    assert abs(missed.mean() - MISSES) > (1 - MISSES + 0.05) / (len(scores) * 0.05)


def test_each_step_is_that_of_another_library(missing):
    try:
        from mapie.regression import TimeSeriesRegressor
        from mapie.subsample import BlockBootstrap
    except ImportError:
        missing("MAPIE is not here")
    from sklearn.dummy import DummyRegressor

    draw = np.random.default_rng(5)
    y = draw.normal(0, 1, 160)
    y[120:] *= 3
    x = np.zeros((160, 1))
    theirs = TimeSeriesRegressor(
        DummyRegressor(), method="aci", cv=BlockBootstrap(n_resamplings=10, n_blocks=10, random_state=0)
    )
    theirs.fit(x[:100], y[:100])
    missed, levels = [], [MISSES]
    for place in range(100, 160):
        _, bounds = theirs.predict(x[place : place + 1], confidence_level=1 - MISSES, allow_infinite_bounds=True)
        missed.append(not bounds[0, 0, 0] < y[place] < bounds[0, 1, 0])
        theirs.adapt_conformal_inference(
            x[place : place + 1], y[place : place + 1], gamma=0.01, confidence_level=1 - MISSES
        )
        levels.append(float(next(iter(theirs.current_alpha.values()))))
    ours = follow(np.array(missed), 0.01)
    assert sum(missed) > 10
    # They hold the level within 0 and 1, we within -gamma and 1 + gamma: compared as long as neither end was met.
    inside = int(np.argmax(np.array(levels) <= 0)) if min(levels) <= 0 else len(levels)
    assert inside > 20
    assert np.allclose(ours[:inside], levels[:inside], atol=1e-9)
