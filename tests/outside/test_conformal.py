"""Conformal half-widths against two independent libraries, and coverage against the published guarantee."""

import numpy as np
import pytest
from scipy.stats import betabinom

from advisor.timing.conformal import GROUP_ROWS, calibrate, half_width

pytestmark = pytest.mark.outside

LEVEL = 0.8


@pytest.fixture
def residuals():
    # Sizes where (n + 1) * 0.2 is no whole number: crepes 0.9 computes it as (1 - 0.8) * (n + 1), which is a hair below
    # the whole number and takes the next wider score there. The test of the rank itself stands in tests/timing.
    draw = np.random.default_rng(11)
    return {n: draw.standard_t(4, n) * 0.1 for n in (8, 25, 57, 211)}


def test_half_width_equals_crepes(residuals, missing):
    # crepes 0.9 (PyPI), ConformalRegressor: standard conformal intervals around a prediction of 0.
    crepes = _import("crepes", missing)
    for sample in residuals.values():
        regressor = crepes.ConformalRegressor()
        regressor.fit(residuals=sample)
        low, high = regressor.predict_int(y_hat=np.zeros(1), confidence=LEVEL)[0]
        ours = half_width(np.abs(sample), LEVEL)
        assert ours == pytest.approx(high, abs=1e-12)
        assert ours == pytest.approx(-low, abs=1e-12)


def test_normalised_half_width_equals_crepes(residuals, missing):
    crepes = _import("crepes", missing)
    draw = np.random.default_rng(12)
    for sample in residuals.values():
        sizes = draw.uniform(0.05, 0.6, len(sample))
        regressor = crepes.ConformalRegressor()
        regressor.fit(residuals=sample, sigmas=sizes)
        high = regressor.predict_int(y_hat=np.zeros(3), sigmas=np.array([0.1, 0.2, 0.5]), confidence=LEVEL)[:, 1]
        ours = calibrate(sample, sizes=sizes, level=LEVEL).overall
        np.testing.assert_allclose(ours * np.array([0.1, 0.2, 0.5]), high, atol=1e-12)


def test_half_width_by_group_equals_crepes(missing):
    # crepes, Mondrian categories through `bins`.
    crepes = _import("crepes", missing)
    draw = np.random.default_rng(13)
    bins = np.repeat(["nvme", "spinning disk"], [GROUP_ROWS, GROUP_ROWS + 20])
    sample = draw.normal(0, np.where(bins == "nvme", 0.05, 0.3))
    regressor = crepes.ConformalRegressor()
    regressor.fit(residuals=sample, bins=bins)
    wanted = np.array(["spinning disk", "nvme"])
    high = regressor.predict_int(y_hat=np.zeros(2), bins=wanted, confidence=LEVEL)[:, 1]
    ours = calibrate(sample, bins.tolist(), level=LEVEL)
    np.testing.assert_allclose(ours.of(wanted.tolist()), high, atol=1e-12)
    assert ours.groups["spinning disk"] > 2 * ours.groups["nvme"]


def test_half_width_equals_mapie(missing):
    # MAPIE 1.x (PyPI), SplitConformalRegressor with a model that is already fitted, absolute residual score.
    regression = _import("mapie.regression", missing)
    from sklearn.linear_model import LinearRegression

    draw = np.random.default_rng(14)
    x = draw.uniform(0, 1, (150, 2))
    y = x @ [1.0, -2.0] + draw.normal(0, 0.1, 150)
    model = LinearRegression().fit(x[:80], y[:80])
    mapie = regression.SplitConformalRegressor(model, confidence_level=LEVEL, prefit=True)
    mapie.conformalize(x[80:], y[80:])
    _, interval = mapie.predict_interval(x[:5])
    theirs = (interval[:, 1, 0] - interval[:, 0, 0]) / 2
    np.testing.assert_allclose(theirs, half_width(np.abs(y[80:] - model.predict(x[80:])), LEVEL), atol=1e-12)


@pytest.mark.parametrize("n", [19, 39, 59])
def test_coverage_is_what_the_theory_says(n):
    # Lei, G'Sell, Rinaldo, Tibshirani, Wasserman, JASA 113 (2018), theorem 2.2: split conformal covers at least the
    # level, and at most level + 1/(n + 1) without ties. Of m new rows the number covered follows a beta-binomial law
    # with k = ceil((n + 1) level) and n + 1 - k (Vovk, Conditional validity of inductive conformal predictors, 2012);
    # the band of its mean over 2000 repetitions is narrow enough to tell one rank from the next.
    draw = np.random.default_rng(n)
    repetitions, m = 2000, 50
    k = int(np.ceil((n + 1) * LEVEL - 1e-9))
    covered = np.empty(repetitions)
    for i in range(repetitions):
        scores = np.abs(draw.laplace(size=n + m))
        covered[i] = (scores[n:] <= half_width(scores[:n], LEVEL)).mean()
    law = betabinom(m, k, n + 1 - k)
    band = 4 * law.std() / m / np.sqrt(repetitions)
    assert law.mean() / m == pytest.approx(k / (n + 1))
    assert abs(covered.mean() - k / (n + 1)) < band
    assert band < 1 / (n + 1)
    assert covered.std() == pytest.approx(law.std() / m, rel=0.08)


@pytest.mark.slow
def test_coverage_of_the_timing_model_on_a_known_truth(simulate_rehearsals):
    # The same guarantee, end to end: eight times 60 rehearsals of a simulator whose truth is known, each judged on 400
    # never seen. One calibration on 60 rehearsals covers 80 % with a standard deviation of 5 points (beta law, as
    # above) and more, as their scores come in threes; the eight scatter by 8, so that their mean has 2.8.
    from advisor.timing.fitting import fit

    covered = []
    for seed in range(100, 108):
        model = fit(simulate_rehearsals(60, seed=seed))
        new = simulate_rehearsals(400, seed=seed + 1000)
        out = model.predict_conditions(new.conditions)
        covered.append(((new.total >= out["low_s"]) & (new.total <= out["high_s"])).mean())
    assert 0.744 <= np.mean(covered) <= 0.856


@pytest.fixture
def simulate_rehearsals():
    import importlib.util
    from pathlib import Path

    place = Path(__file__).resolve().parent.parent / "timing" / "conftest.py"
    spec = importlib.util.spec_from_file_location("timing_simulator", place)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module._simulate


def _import(name, missing):
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as error:
        missing(str(error))
        raise
