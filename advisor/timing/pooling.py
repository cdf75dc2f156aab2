"""Partial pooling: random intercepts of repeated models, images and people, by restricted maximum likelihood.

A kind seen often gets nearly its own mean, one seen once nearly the mean of all; how far is estimated from how much
kinds differ beside how much rows of one kind differ.

References
----------
.. [1] D. Bates, M. Mächler, B. Bolker, S. Walker, Fitting linear mixed-effects models using lme4, Journal of
   Statistical Software 67(1), 2015, section 3: the profiled REML criterion and the penalised least squares.
.. [2] Y. Chung, S. Rabe-Hesketh, V. Dorie, A. Gelman, J. Liu, A nondegenerate penalized likelihood estimator for
   variance parameters in multilevel models, Psychometrika 78 (2013), 685-709: a gamma prior of shape 2 keeps the
   spread of a few kinds off zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PRIOR_RATE = 1.0
"""Rate of the gamma prior (shape 2) on the ratio of kinds' spread to rows' spread; its mode is then 1. From memory:
models of PC differ about as much as units of one model do."""

LARGEST_RATIO = 20.0
"""Ratio of spreads that is not passed: beyond it a kind's mean is its own anyway."""


def effective_rows(weights: Array) -> float:
    """Rows of equal weight that weighted rows are worth (Kish's effective sample size)."""
    squares = float((weights**2).sum())
    return float(weights.sum()) ** 2 / squares if squares else 0.0


def weighted_median(values: Array, weights: Array) -> float:
    """The middle of the values at which the weights below and above balance."""
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    half = sums[-1] / 2
    low, high = np.searchsorted(sums, half * (1 - 1e-12)), np.searchsorted(sums, half * (1 + 1e-12))
    last = len(values) - 1
    return float(values[order[min(low, last)]] + values[order[min(high, last)]]) / 2


@dataclass(frozen=True)
class Pooled:
    """Random intercepts."""

    mean: float  # The common intercept
    # By factor: level to its shrunk distance from the common intercept. The empty level has none.
    effects: dict[str, dict[str, float]] = field(default_factory=dict)
    spread: dict[str, float] = field(default_factory=dict)  # By factor: standard deviation of its levels
    residual: float = 0.0  # Standard deviation of a row of weight 1 about its levels
    criterion: float = 0.0  # Minus twice the restricted log likelihood, the prior apart


def effects_of(effects: Mapping[str, Mapping[str, float]], labels: Mapping[str, NDArray[np.object_]]) -> Array:
    """Sum of effects of each row's levels; shape (n,)."""
    size = len(next(iter(labels.values()))) if labels else 0
    total = np.zeros(size)
    for name, by_level in effects.items():
        if name in labels and by_level:
            distinct, codes = np.unique(labels[name].astype(str), return_inverse=True)
            total += np.array([by_level.get(level, 0.0) for level in distinct])[codes]
    return total


def pool(
    target: Array, labels: Mapping[str, NDArray[np.object_]], weights: Array | None = None, *, prior: bool = True
) -> Pooled:
    """Fit random intercepts.

    Parameters
    ----------
    target : numpy.ndarray, shape (n,)
        n of 1 or more.
    labels : mapping of str to numpy.ndarray of object, shape (n,)
        Levels by factor; '' is a level unknown, which gets no effect. Factors may cross. One with fewer than two
        levels, or with a level for every row, cannot be told from the mean or the rows and is passed over.
    weights : numpy.ndarray, shape (n,), optional
        Precision of each row; 1 when left out.
    prior : bool
        Keep spreads off zero [2]_; without it the estimate is plain REML [1]_.
    """
    n = len(target)
    weight = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    factors: list[tuple[str, NDArray[np.str_], NDArray[np.intp]]] = []
    for name, values in labels.items():
        text = values.astype(str)
        known = text != ""
        distinct, levels = np.unique(text[known], return_inverse=True)
        if 2 <= distinct.size < known.sum():
            codes = np.full(n, -1, dtype=np.intp)
            codes[known] = levels
            factors.append((name, distinct, codes))
    factors.sort(key=lambda entry: -entry[1].size)
    mean = float(np.average(target, weights=weight))
    if n < 3 or not factors:
        scale = float(np.sqrt(np.average((target - mean) ** 2, weights=weight)))
        return Pooled(mean, residual=scale)
    problem = _Problem(target, weight, [(distinct.size, codes) for _, distinct, codes in factors])
    ratios = _best_ratios(problem, len(factors), prior)
    criterion, solution, variance = problem.solve(ratios)
    effects, spread = {}, {}
    start = 0
    for (name, distinct, _), ratio in zip(factors, ratios, strict=True):
        own_effects = ratio * solution[start : start + distinct.size]
        effects[name] = {str(level): float(value) for level, value in zip(distinct, own_effects, strict=True)}
        spread[name] = float(ratio * np.sqrt(variance))
        start += distinct.size
    return Pooled(float(solution[-1]), effects, spread, float(np.sqrt(variance)), criterion)


class _Problem:
    """Weighted cross products, so that each trial of the ratios costs the same whatever the rows.

    The factor with most levels comes first: its block is diagonal, and is eliminated.
    """

    def __init__(self, target: Array, weight: Array, factors: list[tuple[int, NDArray[np.intp]]]) -> None:
        from scipy.sparse import csr_matrix, hstack

        columns = []
        for size, codes in factors:
            known = np.flatnonzero(codes >= 0)
            columns.append(csr_matrix((np.ones(known.size), (known, codes[known])), (len(target), size)))
        design = hstack([*columns, np.ones((len(target), 1))], format="csr")
        weighted = design.multiply(weight[:, None]).tocsr()
        first = factors[0][0]
        self.n, self.log_weights = len(target), float(np.log(weight).sum())
        self.squares = float((weight * target**2).sum())
        self.sizes = [size for size, _ in factors]
        right = np.asarray(weighted.T @ target)
        self.first_target, self.rest_target = right[:first], right[first:]
        self.first_weight = np.asarray(weighted[:, :first].sum(axis=0)).ravel()
        self.cross = (design[:, :first].T @ weighted[:, first:]).toarray()
        self.block = (design[:, first:].T @ weighted[:, first:]).toarray()

    def solve(self, ratios: Array) -> tuple[float, Array, float]:
        """Criterion, spherical effects with the intercept last, and the residual variance at given ratios."""
        scale = np.concatenate([np.repeat(ratios[1:], self.sizes[1:]), [1.0]])
        diagonal = 1 + ratios[0] ** 2 * self.first_weight
        upper = ratios[0] * self.cross * scale
        lower = self.block * np.outer(scale, scale)
        lower[np.diag_indices(len(scale) - 1)] += 1
        right_first, right = ratios[0] * self.first_target, scale * self.rest_target
        schur = lower - upper.T @ (upper / diagonal[:, None])
        factor = np.linalg.cholesky(schur)
        rest = np.linalg.solve(schur, right - upper.T @ (right_first / diagonal))
        first = (right_first - upper @ rest) / diagonal
        penalised = self.squares - right_first @ first - right @ rest
        freedom = self.n - 1
        variance = max(float(penalised) / freedom, 1e-12)
        logs = np.log(diagonal).sum() + 2 * np.log(np.diag(factor)).sum()
        criterion = logs + freedom * (1 + np.log(2 * np.pi * variance)) - self.log_weights
        return float(criterion), np.concatenate([first, rest]), variance


def _best_ratios(problem: _Problem, count: int, prior: bool) -> Array:
    from scipy.optimize import minimize

    def cost(ratios: Array) -> float:
        extra = 2 * float((PRIOR_RATE * ratios - np.log(ratios)).sum()) if prior else 0.0
        return problem.solve(ratios)[0] + extra

    # A ratio to four digits serves; the check against another program wants more.
    options = {} if prior else {"ftol": 1e-12, "gtol": 1e-7}
    bounds = [(1e-4 if prior else 0.0, LARGEST_RATIO)] * count
    tried = [
        minimize(cost, np.full(count, start), bounds=bounds, method="L-BFGS-B", options=options)
        for start in ((0.7,) if prior else (1.0, 0.2))
    ]
    best = min(tried, key=lambda found: float(found.fun))
    return np.asarray(best.x, dtype=float)
