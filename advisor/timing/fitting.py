"""Fitting the timing model on rehearsals: physics, how much to learn besides, and honest half-widths."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.errors import InputError
from advisor.shop import Shop
from advisor.timing.conditions import CONDITIONS, EXTRAS, MEASURED_PHASES
from advisor.timing.conformal import calibrate
from advisor.timing.learnt import Additive, LearntPart
from advisor.timing.model import SPEED_DIRECTIONS, SPEED_FEATURES, TimingModel, disk_class, speed_features
from advisor.timing.physics import Physics, choose_overlaps, fit_physics
from advisor.timing.rehearsals import Rehearsals

Array = NDArray[np.float64]

SPLITS: tuple[str, ...] = ("disk", "edition", "processor")
"""Labels whose groups are left out whole: the half-widths must hold for disks, editions and processors unseen."""

FEWEST = 6
"""Rehearsals below which nothing is fitted. Each gives two equations a phase, and the largest has ten coefficients."""


@dataclass(frozen=True)
class Recipe:
    """What cross-validation chose, so that refits need not choose again.

    Attributes
    ----------
    overlaps : dict of str to float
    rounds : int or None
        Strength of the learnt part; None is physics alone.
    """

    overlaps: dict[str, float]
    rounds: int | None


def leave_out(labels: pd.Series, seed: int = 0) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Groups of a label, one by one, as masks; random fifths when there is only one group.

    Parameters
    ----------
    labels : pandas.Series of str, shape (n,)
    seed : int

    Yields
    ------
    str
        The group.
    numpy.ndarray of bool, shape (n,)
        Its rows.
    """
    values = labels.astype(str).to_numpy()
    if np.unique(values).size < 2:
        values = np.array([f"fifth {code}" for code in np.random.default_rng(seed).permutation(len(values)) % 5])
    for value in np.unique(values):
        yield str(value), values == value


def choose(data: Rehearsals, *, seed: int = 0) -> Recipe:
    """Choose overlaps and the strength of the learnt part, leaving classes of disks out.

    Parameters
    ----------
    data : Rehearsals
    seed : int

    Returns
    -------
    Recipe
    """
    groups = data.labels["disk"].tolist()
    overlaps = choose_overlaps(data.conditions, data.phases, groups, data.needs, seed=seed)
    remains = np.empty(len(data))
    for _, held in leave_out(data.labels["disk"], seed):
        rest = data.take(~held)
        physics = fit_physics(rest.conditions, rest.phases, overlaps, rest.needs)
        remains[held] = np.log(data.total[held] / physics.predict(data.conditions[held]).sum(axis=1).to_numpy())
    part = LearntPart(SPEED_FEATURES, SPEED_DIRECTIONS, seed=seed)
    part.fit(speed_features(data.conditions), remains, [data.labels[split].tolist() for split in SPLITS])
    return Recipe(overlaps, part.rounds_)


def build(data: Rehearsals, recipe: Recipe, *, seed: int = 0) -> tuple[Physics, Additive]:
    """Fit physics and the learnt part by a recipe.

    Parameters
    ----------
    data : Rehearsals
    recipe : Recipe
    seed : int

    Returns
    -------
    Physics
    Additive
    """
    physics = fit_physics(data.conditions, data.phases, recipe.overlaps, data.needs)
    if recipe.rounds is None:
        return physics, Additive()
    ratio = np.log(data.total / physics.predict(data.conditions).sum(axis=1).to_numpy())
    part = LearntPart(SPEED_FEATURES, SPEED_DIRECTIONS, seed=seed)
    return physics, part.learn(speed_features(data.conditions), ratio, recipe.rounds)


def held_out_residuals(data: Rehearsals, recipe: Recipe, split: str, *, seed: int = 0) -> Array:
    """Log ratios of actual over predicted totals, each group of a label predicted by the others.

    Parameters
    ----------
    data : Rehearsals
    recipe : Recipe
    split : str
        One of `SPLITS`.
    seed : int

    Returns
    -------
    numpy.ndarray, shape (n,)
    """
    residuals = np.empty(len(data))
    for _, held in leave_out(data.labels[split], seed):
        physics, learnt = build(data.take(~held), recipe, seed=seed)
        conditions = data.conditions[held]
        total = physics.predict(conditions).sum(axis=1).to_numpy() * np.exp(learnt.predict(speed_features(conditions)))
        residuals[held] = np.log(data.total[held] / total)
    return residuals


def enough(data: Rehearsals) -> None:
    """Refuse fewer than `FEWEST` rehearsals."""
    if len(data) < FEWEST:
        raise InputError(
            f"{len(data)} rehearsals are too few to fit a timing model on; it takes {FEWEST}.",
            "Make more with: advisor rehearse",
        )


def fit_machine(data: Rehearsals, *, seed: int = 0) -> TimingModel:
    """Fit physics, learnt part and half-widths on rehearsals.

    Parameters
    ----------
    data : Rehearsals
    seed : int

    Returns
    -------
    TimingModel
        Without a log part. Its half-widths rest on rehearsals predicted with their whole class of disk, edition or
        level of processor left out, each three times, so that they hold for machines unlike those rehearsed.

    Raises
    ------
    InputError
        When there are fewer than `FEWEST` rehearsals.
    """
    enough(data)
    recipe = choose(data, seed=seed)
    physics, learnt = build(data, recipe, seed=seed)
    by_split = np.column_stack([held_out_residuals(data, recipe, split, seed=seed) for split in SPLITS])
    # All three, as a unit may be new in any of these ways; the worst of each rehearsal alone covered nearly all.
    scores = np.abs(by_split).ravel()
    groups = np.repeat(disk_class(data.conditions).to_numpy(), len(SPLITS)).tolist()
    seen = data.conditions[[*CONDITIONS, *EXTRAS]].reset_index(drop=True)
    seen.insert(0, "name", data.labels["name"].tolist())
    about = {
        "rehearsals": len(data),
        "disturbed_left_out": data.disturbed,
        "held_out_median_error_pct": round(100 * float(np.median(np.abs(np.expm1(by_split)))), 2),
        "phases": list(MEASURED_PHASES),
        "at_bound": physics.at_bound(),
    }
    return TimingModel(physics, learnt, calibrate(scores, groups), seen, about=about)


def fit(
    rehearsals: Rehearsals, log: pd.DataFrame | None = None, *, shop: Shop | None = None, seed: int = 0
) -> TimingModel:
    """Fit the timing model.

    Parameters
    ----------
    rehearsals : Rehearsals
        From `read_rehearsals`.
    log : pandas.DataFrame, optional
        A bench log; see `advisor.timing.log.fit_log`.
    shop : Shop, optional
        Whose images the log names.
    seed : int

    Returns
    -------
    TimingModel
    """
    model = fit_machine(rehearsals, seed=seed)
    if log is None or log.empty:
        return model
    from advisor.timing.log import fit_log

    return fit_log(model, log, shop, seed=seed)
