"""The learnt part: what remains after physics, as a boosted additive model that may only bend the monotone way.

It is scikit-learn's histogram gradient boosting without interactions, so the fitted model is exactly a sum of
step functions, one a feature. Those are read off through `predict` and kept as plain numbers: a model file holds
no code and serving one needs no scikit-learn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRID = 64
"""Distinct values a feature is rounded to before training, below the 255 that the boosting bins exactly."""

SHRINK_ROWS = 40
"""Rows at which half of what was learnt is believed."""

MIN_ROWS = 20
"""Rows below which nothing is learnt."""


@dataclass(frozen=True)
class Steps:
    """A step function of one feature.

    Attributes
    ----------
    edges : numpy.ndarray, shape (k,)
        Where it steps, rising.
    levels : numpy.ndarray, shape (k + 1,)
        Its value below the first edge, between edges, and above the last.
    """

    edges: Array
    levels: Array

    def __call__(self, values: Array) -> Array:
        """Values of the function, shape (n,)."""
        return self.levels[np.searchsorted(self.edges, values, side="left")]


@dataclass(frozen=True)
class Additive:
    """A sum of step functions, scaled by how far it is believed.

    Attributes
    ----------
    features : tuple of str
    steps : tuple of Steps
    offset : float
    belief : float
        Between 0 (physics alone) and 1.
    """

    features: tuple[str, ...] = ()
    steps: tuple[Steps, ...] = ()
    offset: float = 0.0
    belief: float = 0.0

    def predict(self, features: Array) -> Array:
        """Learnt log ratio.

        Parameters
        ----------
        features : numpy.ndarray, shape (n, len(self.features))

        Returns
        -------
        numpy.ndarray, shape (n,)
        """
        if not self.belief:
            return np.zeros(len(features))
        total = np.full(len(features), self.offset)
        for column, step in enumerate(self.steps):
            total += step(features[:, column])
        return self.belief * total

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and text."""
        return {
            "features": list(self.features),
            "edges": [step.edges.tolist() for step in self.steps],
            "levels": [step.levels.tolist() for step in self.steps],
            "offset": self.offset,
            "belief": self.belief,
        }

    @classmethod
    def from_json(cls, content: dict[str, Any]) -> Additive:
        """The inverse of `to_json`."""
        steps = tuple(
            Steps(np.asarray(edges, dtype=float), np.asarray(levels, dtype=float))
            for edges, levels in zip(content["edges"], content["levels"], strict=True)
        )
        if any(len(step.levels) != len(step.edges) + 1 for step in steps):
            raise ValueError("a step function needs one level more than edges")
        if any((np.diff(step.edges) < 0).any() for step in steps):
            raise ValueError("the edges of a step function do not rise")
        if len(steps) != len(content["features"]):
            raise ValueError("not every feature has its step function")
        return cls(tuple(content["features"]), steps, float(content["offset"]), float(content["belief"]))


def _rounded(values: Array) -> Array:
    """Values moved to at most `GRID` of their own quantiles, order kept."""
    distinct = np.unique(values)
    if distinct.size <= GRID:
        return values
    points = np.unique(np.quantile(values, np.linspace(0, 1, GRID), method="nearest"))
    return points[np.clip(np.searchsorted(points, values, side="left"), 0, points.size - 1)]


def boosted(
    features: Array,
    target: Array,
    directions: Sequence[int],
    *,
    rounds: int,
    min_leaf: int,
    seed: int = 0,
    weights: Array | None = None,
) -> tuple[tuple[Steps, ...], float]:
    """Fit boosting without interactions and read off its step functions.

    Parameters
    ----------
    features : numpy.ndarray, shape (n, k)
    target : numpy.ndarray, shape (n,)
    directions : sequence of int, length k
        1 where the target may only rise with the feature, -1 where it may only fall, 0 where it is free.
    rounds, min_leaf : int
        Boosting rounds; rows a leaf needs.
    seed : int
    weights : numpy.ndarray, shape (n,), optional
        How much each row counts.

    Returns
    -------
    tuple of Steps, length k
        Each is zero at the feature's lowest value.
    float
        The model's value at the lowest value of every feature.
    """
    from sklearn.ensemble import HistGradientBoostingRegressor
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    moved = np.column_stack([_rounded(column) for column in features.T])
    model = HistGradientBoostingRegressor(
        max_iter=rounds, learning_rate=0.1, max_leaf_nodes=4, min_samples_leaf=min_leaf, l2_regularization=1.0,
        monotonic_cst=list(directions), interaction_cst="no_interactions", early_stopping=False, random_state=seed,
    )  # fmt: skip
    base = moved.min(axis=0)
    points = [np.unique(column) for column in moved.T]
    probe = np.repeat(base[None, :], 1 + sum(map(len, points)), axis=0)
    starts = 1 + np.concatenate([[0], np.cumsum([len(own) for own in points])])
    for column, own in enumerate(points):
        probe[starts[column] : starts[column + 1], column] = own
    # On so few rows threads only wait for each other.
    with threadpool_limits(1):
        model.fit(moved, target, sample_weight=weights)
        found = model.predict(probe)
    origin = float(found[0])
    steps = []
    for column, own in enumerate(points):
        values = found[starts[column] : starts[column + 1]] - origin
        jumps = np.flatnonzero(np.abs(np.diff(values)) > 1e-12)
        edges = (own[jumps] + own[jumps + 1]) / 2
        steps.append(Steps(edges, values[np.concatenate([[0], jumps + 1])]))
    return tuple(steps), origin


@dataclass(frozen=True)
class Choice:
    """What cross-validation said of one strength of learning.

    Attributes
    ----------
    rounds : int
        0 stands for a constant.
    error : float
        Mean held-out size of what remains, as a log ratio.
    """

    rounds: int
    error: float


@dataclass
class LearntPart:
    """Choose how much to learn by leaving groups out, then learn it.

    Parameters
    ----------
    features : tuple of str
    directions : tuple of int
    seed : int

    Attributes
    ----------
    model_ : Additive
        After `fit`.
    choices_ : list of Choice
        Held-out error of each strength; the first is physics alone.
    rounds_ : int or None
        The strength chosen; None is physics alone.
    """

    features: tuple[str, ...]
    directions: tuple[int, ...]
    seed: int = 0
    strengths: tuple[int, ...] = (40,)
    model_: Additive = field(default_factory=Additive, init=False)
    choices_: list[Choice] = field(default_factory=list, init=False)
    rounds_: int | None = field(default=None, init=False)

    def learn(self, features: Array, target: Array, rounds: int | None, weights: Array | None = None) -> Additive:
        """Learn at a strength already chosen; None leaves physics alone."""
        if rounds is None:
            return Additive()
        rows = effective_rows(weights) if weights is not None else float(len(target))
        belief = rows / (rows + SHRINK_ROWS)
        if rounds == 0:
            flat = tuple(Steps(np.empty(0), np.zeros(1)) for _ in self.features)
            return Additive(self.features, flat, weighted_median(target, weights), belief)
        min_leaf = max(5, len(target) // 12)
        steps, offset = boosted(
            features, target, self.directions, rounds=rounds, min_leaf=min_leaf, seed=self.seed,
            weights=weights,
        )  # fmt: skip
        return Additive(self.features, steps, offset, belief)

    def fit(
        self, features: Array, target: Array, groupings: Sequence[Sequence[object]], weights: Array | None = None
    ) -> LearntPart:
        """Learn the log ratio that remains.

        Parameters
        ----------
        features : numpy.ndarray, shape (n, k)
        target : numpy.ndarray, shape (n,)
            Log of actual over physics.
        groupings : sequence of sequences, each of shape (n,)
            Ways of grouping the rows; each group is left out whole. Learning must help over all of them together:
            what is learnt of the processors seen is worth nothing if it misleads on one unseen.
        weights : numpy.ndarray, shape (n,), optional
            How much each row counts, in learning and in judging.

        Returns
        -------
        LearntPart
            Physics alone stays in force unless learning lowers the held-out error by a twentieth.
        """
        self.model_ = Additive()
        self.choices_ = []
        self.rounds_ = None
        if len(target) < MIN_ROWS:
            return self
        folds = [held for groups in groupings for held in _held_out(groups)]
        counted = np.concatenate([(np.ones(len(target)) if weights is None else weights)[held] for held in folds])
        plain = float(np.average(np.concatenate([np.abs(target[held]) for held in folds]), weights=counted))
        self.choices_.append(Choice(-1, plain))
        best = 0.95 * plain
        for rounds in (0, *self.strengths):
            sizes = []
            for held in folds:
                few = (~held).sum() < MIN_ROWS // 2
                own = None if weights is None else weights[~held]
                part = Additive() if few else self.learn(features[~held], target[~held], rounds, own)
                sizes.append(np.abs(target[held] - part.predict(features[held])))
            error = float(np.average(np.concatenate(sizes), weights=counted))
            self.choices_.append(Choice(rounds, error))
            if error < best:
                best, self.rounds_ = error, rounds
        self.model_ = self.learn(features, target, self.rounds_, weights)
        return self


def effective_rows(weights: Array) -> float:
    """Rows of equal weight that weighted rows are worth (Kish's effective sample size)."""
    squares = float((weights**2).sum())
    return float(weights.sum()) ** 2 / squares if squares else 0.0


def weighted_median(values: Array, weights: Array | None = None) -> float:
    """Median; with weights, the middle of the values at which the weights below and above balance."""
    if weights is None:
        return float(np.median(values))
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    half = sums[-1] / 2
    low, high = np.searchsorted(sums, half * (1 - 1e-12)), np.searchsorted(sums, half * (1 + 1e-12))
    last = len(values) - 1
    return float(values[order[min(low, last)]] + values[order[min(high, last)]]) / 2


def _held_out(groups: Sequence[object]) -> list[NDArray[np.bool_]]:
    """Masks of the groups; fifths when there is only one."""
    labels = np.array([str(group) for group in groups])
    if np.unique(labels).size < 2:
        labels = np.array([str(index % 5) for index in range(len(labels))])
    return [labels == label for label in np.unique(labels)]
