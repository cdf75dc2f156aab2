"""The fit of non-negative coefficients against the conditions of optimality and a second solver."""

import numpy as np
import pytest
from sklearn.linear_model import LinearRegression

from advisor.timing.physics import Term, _forward, fit_phase, solve

pytestmark = pytest.mark.outside


@pytest.fixture(params=range(6))
def problem(request):
    draw = np.random.default_rng(request.param)
    matrix = draw.lognormal(0, 1, (40, 6)) * draw.lognormal(0, 3, 6)
    truth = np.maximum(draw.normal(0, 1, 6), 0) / matrix.mean(axis=0)
    seconds = matrix @ truth * np.exp(draw.normal(0, 0.2, 40))
    return matrix, seconds, 1 / (seconds + 0.1 * seconds.mean())


def test_the_solution_meets_the_karush_kuhn_tucker_conditions(problem):
    # Lawson and Hanson, Solving Least Squares Problems (1974), theorem 23.4: with gradient w = A'(b - A x), the
    # solution has x >= 0, w <= 0, and w = 0 where x > 0.
    matrix, seconds, weights = problem
    theta = solve(matrix, seconds, weights)
    weighted = matrix * weights[:, None]
    gradient = weighted.T @ (seconds * weights - weighted @ theta) / np.sqrt((weighted**2).sum(axis=0))
    assert (theta >= 0).all()
    assert (gradient <= 1e-9).all()
    assert np.abs(gradient[theta > 0]).max() < 1e-9
    assert (theta > 0).sum() >= 2


def test_the_solution_equals_a_second_solver(problem):
    # scikit-learn's LinearRegression(positive=True) with sample weights and no intercept.
    matrix, seconds, weights = problem
    scale = np.sqrt(((matrix * weights[:, None]) ** 2).sum(axis=0))
    other = LinearRegression(positive=True, fit_intercept=False).fit(matrix / scale, seconds, sample_weight=weights**2)
    np.testing.assert_allclose(solve(matrix, seconds, weights), other.coef_ / scale, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("overlap", [2.0, 4.0])
def test_the_overlapping_fit_is_no_worse_than_a_general_optimiser(overlap):
    # scipy.optimize.least_squares (trust region, bounds at 0) from several starts, on the same sum of squares.
    from scipy.optimize import least_squares

    draw = np.random.default_rng(int(overlap))
    matrix = draw.lognormal(0, 1, (60, 4))
    terms = [Term("copy", "copy", need, "one", "one", str(i)) for i, need in enumerate(("a", "a", "b", "b"))]
    stages = [[[0, 1], [2, 3]]]
    seconds = _forward(matrix, np.array([1.0, 0.3, 0.8, 0.0]), stages, overlap)[0] * np.exp(draw.normal(0, 0.05, 60))
    weights = 1 / seconds

    def misfit(theta):
        return (_forward(matrix, theta, stages, overlap)[0] - seconds) * weights

    ours = (misfit(fit_phase(terms, matrix, seconds, weights, overlap)) ** 2).sum()
    theirs = min((least_squares(misfit, draw.uniform(0.05, 2, 4), bounds=(0, np.inf)).fun ** 2).sum() for _ in range(8))
    assert ours <= theirs * (1 + 1e-3)


def test_the_jacobian_equals_finite_differences():
    draw = np.random.default_rng(3)
    matrix, theta = draw.lognormal(0, 1, (20, 5)), draw.uniform(0.2, 2, 5)
    stages = [[[0, 1], [2]], [[3], [4]]]
    seconds, jacobian = _forward(matrix, theta, stages, 3.0)
    for k in range(5):
        step = np.zeros(5)
        step[k] = 1e-6
        numeric = (
            _forward(matrix, theta + step, stages, 3.0)[0] - _forward(matrix, theta - step, stages, 3.0)[0]
        ) / 2e-6
        np.testing.assert_allclose(jacobian[:, k], numeric, rtol=1e-6, atol=1e-7)
    np.testing.assert_allclose(jacobian @ theta, seconds, rtol=1e-12)  # Euler: homogeneous of degree one
