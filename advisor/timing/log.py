"""Learning from a bench log: a factor on hands-on minutes, and what remains of the machine minutes."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.errors import InputError
from advisor.files import read_text
from advisor.shop import Shop
from advisor.timing.conformal import GROUP_ROWS, LEVEL, Widths
from advisor.timing.hands import phase_table
from advisor.timing.learnt import MIN_ROWS, Additive, LearntPart, Steps, effective_rows, weighted_median
from advisor.timing.logged import HALF_LIFE_DAYS, Logged, age_weights, invented, lay, log_units
from advisor.timing.logpart import CURVE_LEVELS, Curve, LogPart, normal_curve
from advisor.timing.model import TimingModel, with_log
from advisor.timing.pooling import Pooled, pool
from advisor.timing.predict import LOG_DIRECTIONS, LOG_FEATURES, log_features

__all__ = ["fit_log", "invented", "learn", "log_units", "read_log", "weighted_half_width"]

Array = NDArray[np.float64]

FOLDS = 5
"""Parts a log is cut into when the strength of learning is chosen; each is predicted by what the others taught."""

BLOCKS = 6
"""Runs of time that a log is cut into for its half-widths: a shop changes, and rows of next month are harder to
predict than rows left out of this one."""

SHRINK_LEVEL = 10
"""Rows at which half of a common factor is believed; from memory: one shop's middle, over ten units that scatter by a
fifth, is known to a fifteenth, and its first ten units are seldom like the rest. What depends on the machine takes more
(`SHRINK_ROWS`)."""

FENCE = 3.5
"""Robust standard deviations beyond which a unit's ratio is pulled in before anything is fitted on it."""

CHOICE_ROWS = 5_000
"""Newest rows that the strength of learning is chosen on; more would not change the choice."""

WIDTH_ROWS = 20_000
"""Newest rows that half-widths rest on."""


def fit_log(
    model: TimingModel, log: pd.DataFrame, shop: Shop | None = None, *,
    catalogue: pd.DataFrame | None = None, processors: pd.DataFrame | None = None, seed: int = 0,
    half_life_days: float = HALF_LIFE_DAYS,
) -> TimingModel:  # fmt: skip
    """Let a bench log correct the model.

    Parameters
    ----------
    model : TimingModel
        Fitted on rehearsals; a log part it has is replaced.
    log : pandas.DataFrame
        A row a logged unit: cpu, image, edition, elapsed_min [min] are needed; date, technician, maker, model, ram_gib,
        storage_kind, storage_gib, form_factor, link_mbps, the measured speeds, hands_on_min [min] and where the
        minutes are from (see `source_weights`) are used where present. A column `provenance` or `source` that says
        'invented' marks the whole model as resting on an invented log.
    shop : Shop, optional
    catalogue, processors : pandas.DataFrame, optional
        Instead of the built-in catalogue, and of identifying each `cpu`.
    seed : int
    half_life_days : float
        Age at which a unit counts half [d].

    Returns
    -------
    TimingModel
        Every factor is pulled towards none as rows are few. Half-widths rest on units predicted by what those before
        them taught, by kind of storage where rows suffice.

    Raises
    ------
    InputError
        When a needed column is missing.
    """
    laid = lay(model, log, shop, catalogue=catalogue, processors=processors)
    return with_log(model, learn(model, laid, seed=seed, half_life_days=half_life_days))


@dataclass(frozen=True)
class _Taught:
    """What some units taught."""

    hands_factor: float
    work: Additive
    effects: dict[str, dict[str, float]]

    def part(self) -> LogPart:
        return LogPart(hands_factor=self.hands_factor, work=self.work, effects=self.effects)


def learn(model: TimingModel, laid: Logged, *, seed: int = 0, half_life_days: float = HALF_LIFE_DAYS) -> LogPart:
    """Learn from units laid beside the model.

    Parameters
    ----------
    model : TimingModel
        The one they were laid beside.
    laid : Logged
        Oldest first.
    seed : int
    half_life_days : float

    Returns
    -------
    LogPart
        With 10 units a small factor on hands-on and on machine minutes; from 20 on also what depends on the machine's
        speeds, where cross-validation finds it worth learning, and effects of models of PC and of images, partly
        pooled; from 20 on half-widths of the log's own.
    """
    if not len(laid):
        return LogPart(invented=laid.invented)
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    # Each piece of work is so small that threads only wait for each other.
    with threadpool_limits(1):
        return _learn(model, laid, seed, half_life_days)


def _learn(model: TimingModel, laid: Logged, seed: int, half_life_days: float) -> LogPart:
    weights = laid.weight * age_weights(laid.day, half_life_days)
    rounds = _choose(laid, weights, seed)
    taught = _teach(laid, weights, rounds, seed)
    widths, curve = _half_widths(model, laid, weights, rounds, seed)
    known = laid.day[~np.isnan(laid.day)]
    technicians, hands_sd = _technicians(laid, weights)

    def said(number: float) -> str:
        return pd.Timestamp(number, unit="D").strftime("%Y-%m-%d")

    return LogPart(
        rows=len(laid), invented=laid.invented, hands_factor=taught.hands_factor, work=taught.work, widths=widths,
        effects=taught.effects, technicians=technicians, hands_sd=hands_sd, paces=_paces(laid, weights), curve=curve,
        first=said(known.min()) if known.size else "", last=said(known.max()) if known.size else "",
        effective_rows=round(effective_rows(weights), 1), half_life_days=half_life_days,
    )  # fmt: skip


def _teach(laid: Logged, weights: Array, rounds: int | None, seed: int) -> _Taught:
    """Fit on all units given, at a strength already chosen."""
    factor = _hands_factor(laid, weights)
    target = _fenced(laid.work_ratio(factor), weights)
    features = log_features(laid.given.conditions)
    rows = effective_rows(weights)
    level = weighted_median(target, weights)
    believed = rows / (rows + SHRINK_LEVEL)
    flat = Additive(LOG_FEATURES, tuple(Steps(np.empty(0), np.zeros(1)) for _ in LOG_FEATURES), level, believed)
    if len(laid) < MIN_ROWS:
        return _Taught(factor, flat, {})
    groups = {name: laid.given.groups[name] for name in ("model", "image")}
    shape = Additive()
    if rounds:
        apart = pool(target, groups, weights).of(groups)
        part = LearntPart(LOG_FEATURES, LOG_DIRECTIONS, seed=seed)
        shape = part.learn(features, target - apart - level, rounds, weights)
    # The effects stand beside what the machine's speeds explain, taken at its full size: what is pulled towards none
    # there for want of rows must not come back through them.
    whole = shape.predict(features) / shape.belief if shape.belief else np.zeros(len(laid))
    found = pool(_fenced(target - level - whole, weights), groups, weights)
    effects = {name: {kind: round(value, 5) for kind, value in own.items()} for name, own in found.effects.items()}
    if shape.belief:
        flat = replace(shape, offset=shape.offset + level * believed / shape.belief)
    return _Taught(factor, flat if rounds is not None else Additive(), effects)


def _choose(laid: Logged, weights: Array, seed: int) -> int | None:
    """Strength of what is learnt of the machine's speeds; 0 is a constant, None nothing at all."""
    if len(laid) < MIN_ROWS:
        return 0
    newest = np.flatnonzero(laid.newest(CHOICE_ROWS))
    some, own = laid.take(newest), weights[newest]
    groups = {name: some.given.groups[name] for name in ("model", "image")}
    target = _fenced(some.work_ratio(_hands_factor(some, own)), own)
    target = target - pool(target, groups, own).of(groups)
    part = LearntPart(LOG_FEATURES, LOG_DIRECTIONS, seed=seed)
    folds = (np.arange(len(some)) % FOLDS).tolist()
    return part.fit(log_features(some.given.conditions), target, [folds], own).rounds_


def _half_widths(
    model: TimingModel, laid: Logged, weights: Array, rounds: int | None, seed: int
) -> tuple[Widths, Curve]:
    """Half-widths from units predicted by what those before them taught, in multiples of the model's own."""
    if len(laid) < MIN_ROWS:
        return Widths(1.0), normal_curve()
    newest = np.flatnonzero(laid.newest(WIDTH_ROWS))
    some, own = laid.take(newest), weights[newest]
    scores = np.empty(len(some))
    blocks = np.array_split(np.arange(len(some)), BLOCKS)
    for number, held in enumerate(blocks):
        # As at the bench: by what came before. The first block, which nothing came before, by all the others.
        before = np.concatenate(blocks[:number] if number else blocks[1:])
        taught = _teach(some.take(before), own[before], rounds, seed)
        test = some.take(held)
        minutes, width = test.predicted(model, taught.part())
        scores[held] = np.abs(np.log(test.elapsed / minutes)) / width
    overall = weighted_half_width(scores, own)
    if not np.isfinite(overall) or overall <= 0:
        return Widths(1.0), normal_curve()
    groups = {}
    for kind in np.unique(some.given.kinds.astype(str)):
        mine = some.given.kinds == kind
        if mine.sum() >= GROUP_ROWS and effective_rows(own[mine]) >= GROUP_ROWS / 2:
            groups[str(kind)] = weighted_half_width(scores[mine], own[mine])
    levels, factors = [], []
    for level in CURVE_LEVELS:
        at = weighted_half_width(scores, own, level)
        if np.isfinite(at):
            levels.append(level)
            factors.append(round(at / overall, 5))
    return Widths(overall, groups, len(some)), Curve(tuple(levels), tuple(factors))


def weighted_half_width(scores: Array, weights: Array, level: float = LEVEL) -> float:
    """Split-conformal half-width where rows count differently.

    Parameters
    ----------
    scores : numpy.ndarray, shape (n,)
    weights : numpy.ndarray, shape (n,)
        At most 1: the unit to be predicted counts 1.
    level : float

    Returns
    -------
    float
        Smallest score up to which the weights, over their sum and the new unit's, reach the level [1]_; infinite when
        none does. With weights of 1 it is `advisor.timing.conformal.half_width`.

    References
    ----------
    .. [1] R. F. Barber, E. J. Candès, A. Ramdas, R. J. Tibshirani, Conformal prediction beyond exchangeability,
       Annals of Statistics 51 (2023), 816-845, section 2.2: the coverage lost is at most the weighted distance
       between rows and the new one, so rows of another time are to count less.
    """
    order = np.argsort(scores, kind="stable")
    reached = np.cumsum(weights[order]) / (weights.sum() + 1)
    place = int(np.searchsorted(reached, level - 1e-9))
    return float(scores[order[place]]) if place < len(order) else float("inf")


def _hands_factor(laid: Logged, weights: Array) -> float:
    """Typical factor of said over expected hands-on minutes, pulled towards 1 as rows are few."""
    ratio = laid.pace()
    known = np.isfinite(ratio) & (np.abs(ratio) < np.log(MOST_HANDS))
    if not known.any():
        return 1.0
    rows = effective_rows(weights[known])
    return float(np.exp(rows / (rows + SHRINK_LEVEL) * weighted_median(ratio[known], weights[known])))


MOST_HANDS = 10.0
"""Multiple of the expected hands-on minutes, or part of them, beyond which what was written down is a slip."""


def _technicians(laid: Logged, weights: Array) -> tuple[dict[str, float], float]:
    """Factor of each technician on hands-on minutes, partly pooled, and how far units differ about the shop's."""
    ratio = laid.pace()
    known = np.isfinite(ratio) & (np.abs(ratio) < np.log(MOST_HANDS))
    if known.sum() < MIN_ROWS:
        return {}, 0.0
    own, who = weights[known], laid.technician[known]
    found = pool(_fenced(ratio[known], own), {"technician": who}, own)
    sd = float(np.hypot(found.residual, found.spread.get("technician", 0.0)))
    return _factors(found), round(sd, 5)


def _paces(laid: Logged, weights: Array) -> dict[str, dict[str, float]]:
    """Factor of each technician by phase, where the log tells the minutes of a phase that is all hands."""
    busy = laid.hands.beside(laid.work)[0]
    out: dict[str, dict[str, float]] = {}
    for at, phase in enumerate(phase_table().names):
        if phase_table().machine[at] != "none":
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.log(laid.by_phase[:, at] / busy[:, at])
        known = np.isfinite(ratio) & (np.abs(ratio) < np.log(MOST_HANDS)) & (laid.technician != "")
        if known.sum() < MIN_ROWS:
            continue
        own = weights[known]
        found = pool(_fenced(ratio[known], own), {"technician": laid.technician[known]}, own)
        for name, factor in _factors(found).items():
            out.setdefault(name, {})[phase] = factor
    return out


def _factors(found: Pooled) -> dict[str, float]:
    effects = found.effects.get("technician", {})
    return {name: round(float(np.exp(found.mean + effect)), 3) for name, effect in effects.items()}


def _fenced(values: Array, weights: Array) -> Array:
    """Values pulled in to `FENCE` robust standard deviations of their middle, so that no slip tips a fit."""
    middle = weighted_median(values, weights)
    scale = 1.4826 * weighted_median(np.abs(values - middle), weights)
    return np.clip(values, middle - FENCE * scale, middle + FENCE * scale) if scale > 0 else values


def read_log(path: str | Path) -> pd.DataFrame:
    """Read a bench log's CSV, as found.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    InputError
        When it cannot be read.
    """
    try:
        return pd.read_csv(io.StringIO(read_text(path)))
    except InputError:
        raise
    except (ValueError, OverflowError) as error:
        raise InputError(f"The bench log {path} cannot be read: {error}.", "It must be a CSV in UTF-8.") from error
