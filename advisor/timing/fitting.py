"""Fitting the timing model on rehearsals, as an estimator of scikit-learn's kind; imported for learning only.

data = advisor.timing.read_rehearsals()
cross_val_predict(InstallTime(), data.X, data.y, groups=data.labels["disk"], cv=LeaveOneGroupOut())
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin, clone
from sklearn.dummy import DummyRegressor

from advisor.errors import InputError
from advisor.timing.conditions import CONDITIONS, EXTRAS, MEASURED_PHASES, modelled
from advisor.timing.conformal import GROUP_ROWS, Widths, calibrate
from advisor.timing.model import TimingModel, disk_class, kind_of, speed_features
from advisor.timing.physics import fit_physics
from advisor.timing.rehearsals import Rehearsals

Array = NDArray[np.float64]

SPLITS: tuple[str, ...] = ("disk", "edition", "processor")
"""Labels whose groups are left out whole: the half-widths must hold for disks, editions and processors unseen."""

FEWEST = 6
"""Rehearsals below which nothing is fitted.

Each gives three equations a part, the largest of which has eleven coefficients.
"""


def refuse_few(data: Rehearsals) -> None:
    """Raise an InputError where there are fewer than `FEWEST` rehearsals."""
    if len(data) < FEWEST:
        raise InputError(
            f"{len(data)} rehearsals are too few to fit a timing model on; it takes {FEWEST}.",
            "Make more with: advisor rehearse",
        )


def groups_of(labels: pd.Series, seed: int = 0) -> NDArray[np.object_]:
    """Groups to leave out whole; random fifths where there is only one."""
    groups = np.asarray(labels.astype(str), dtype=object)
    if len(np.unique(groups)) > 1:
        return groups
    return np.array(
        [f"fifth {part}" for part in np.random.default_rng(seed).permutation(len(groups)) % 5], dtype=object
    )


Folds = list[tuple[NDArray[np.intp], NDArray[np.intp]]]


def left_out(groups: NDArray[np.object_], rows: NDArray[np.bool_]) -> Folds:
    """Each group left out whole in turn, and of it the rows of a mask to be predicted."""
    return [
        (np.flatnonzero(groups != group), np.flatnonzero((groups == group) & rows)) for group in np.unique(groups[rows])
    ]


def held_out(
    model: BaseEstimator, X: pd.DataFrame, y: pd.DataFrame, groups: NDArray[np.object_], rows: NDArray[np.bool_]
) -> Array:
    """Predictions of the rows of a mask, each by a model that had not seen its group; shape (n,).

    NaN elsewhere, and where too few are left to fit on.
    """
    found = np.full(len(X), np.nan)
    for seen, unseen in left_out(groups, rows):
        if rows[seen].sum() < FEWEST:
            continue
        found[unseen] = clone(model).fit(X.iloc[seen], y.iloc[seen]).predict(X.iloc[unseen])
    return found


class InstallTime(RegressorMixin, BaseEstimator):
    """Machine seconds of an install: physics, then what remains of its logarithm.

    Physics is fitted on squares of relative errors, which draws it down: a slow rehearsal costs more than a quick one
    gains. The median of what remains puts that right. Nested in leave-one-group-out, more (powers of the speeds,
    boosted steps, each only the better way) was tried and did not come nearer.

    Parameters
    ----------
    learner : estimator, optional
        Regressor of what remains on the logs of `advisor.timing.conditions.SPEEDS`; the median when left out.
    widths : bool
        Also find the half-widths of the intervals, each rehearsal predicted with its whole class of disk, edition and
        level of processor left out in turn: they hold for machines unlike those rehearsed.

    Attributes
    ----------
    model_ : TimingModel
        What serves. It keeps the median of what remains; a `learner` of your own is for judging, not for its file.
    learner_ : estimator
    """

    def __init__(self, learner: BaseEstimator | None = None, widths: bool = False, seed: int = 0) -> None:
        self.learner = learner
        self.widths = widths
        self.seed = seed

    def fit(self, X: pd.DataFrame, y: pd.DataFrame) -> InstallTime:
        """Fit on rehearsals, `Rehearsals.X` and `Rehearsals.y`, or any rows of the two."""
        data = Rehearsals.of(X, y)
        own = data.take(data.modelled)
        refuse_few(own)
        physics = fit_physics(data.conditions, data.phases, data.needs)
        remains = np.log(own.total / physics.predict(own.conditions).sum(axis=1).to_numpy())
        learner = DummyRegressor(strategy="median") if self.learner is None else clone(self.learner)
        self.learner_ = learner.fit(speed_features(own.conditions), remains)
        seen = own.conditions[[*CONDITIONS, *EXTRAS]].reset_index(drop=True)
        seen.insert(0, "name", own.labels["name"].tolist())
        about = {
            "rehearsals": len(own), "unpacked_beside": len(data) - len(own), "disturbed_left_out": data.disturbed,
            "phases": list(MEASURED_PHASES), "at_bound": physics.at_bound(),
        }  # fmt: skip
        self.model_ = TimingModel(physics, float(np.exp(np.median(remains))), seen=seen, about=about)
        if self.widths:
            self.model_ = self._with_widths(data, X, y)
        return self

    def predict(self, X: pd.DataFrame) -> Array:
        """Seconds of all phases together, without a copy where the kind of installer is none; shape (n,) [s]."""
        physics = self.model_.physics.predict(X).sum(axis=1).to_numpy()
        return np.asarray(physics * np.exp(self.learner_.predict(speed_features(X))), dtype=float)

    def score(self, X: pd.DataFrame, y: pd.DataFrame | Array, sample_weight: Array | None = None) -> float:
        """Minus the median size of the relative error; the larger the better."""
        rows = modelled(X)
        return -float(np.median(np.abs(self.predict(X) / _totals(y) - 1)[rows]))

    def _with_widths(self, data: Rehearsals, X: pd.DataFrame, y: pd.DataFrame) -> TimingModel:
        plain = clone(self).set_params(widths=False)
        rows = data.modelled
        left = np.column_stack([
            np.log(data.total / held_out(plain, X, y, groups_of(data.labels[split], self.seed), rows))[rows]
            for split in SPLITS
        ])  # fmt: skip
        # All three, as a unit may be new in any of these ways; the worst of each rehearsal alone covered nearly all.
        classes, kinds = (np.repeat(of(data.conditions[rows]), len(SPLITS)) for of in (disk_class, kind_of))
        known = np.isfinite(left.ravel())
        left, classes, kinds = left.ravel()[known], classes[known], kinds[known]
        error = round(100 * float(np.median(np.abs(np.expm1(left)))), 2)
        return replace(
            self.model_, widths=with_few(left, classes, kinds),
            about=self.model_.about | {"held_out_median_error_pct": error},
        )  # fmt: skip


def with_few(residuals: Array, classes: NDArray[np.str_], kinds: NDArray[np.object_]) -> Widths:
    """Half-widths by class of disk; a kind of installer that few rehearsals are of has the worst miss of all."""
    few = [str(kind) for kind in np.unique(kinds) if (kinds == kind).sum() < GROUP_ROWS]
    many = ~np.isin(kinds, few)
    if not many.any():
        return calibrate(residuals, classes.tolist())
    widths = calibrate(residuals[many], classes[many].tolist())
    worst = float(np.abs(residuals).max())
    return replace(widths, groups=widths.groups | dict.fromkeys(few, worst))


def _totals(y: pd.DataFrame | Array) -> Array:
    """Seconds of all phases, whether they were given one by one or summed."""
    if isinstance(y, pd.DataFrame) and set(MEASURED_PHASES) <= set(y.columns):
        return y[list(MEASURED_PHASES)].to_numpy(dtype=float).sum(axis=1)
    return np.asarray(y, dtype=float)


def fit(rehearsals: Rehearsals) -> TimingModel:
    """Fit the timing model, without a log part; fewer than `FEWEST` rehearsals are refused.

    Parameters
    ----------
    rehearsals : Rehearsals
        From `read_rehearsals`.
    """
    model = InstallTime(widths=True).fit(rehearsals.X, rehearsals.y).model_
    return replace(model, about=model.about | {"disturbed_left_out": rehearsals.disturbed})
