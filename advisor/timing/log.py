"""Learning from a bench log: a factor on hands-on minutes, and what remains of the machine minutes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.files import read_csv
from advisor.shop import Shop
from advisor.timing.conformal import GROUP_ROWS, Widths, weighted_half_width
from advisor.timing.hands import phase_table
from advisor.timing.logged import HALF_LIFE_DAYS, Logged, age_weights, invented, lay, log_units
from advisor.timing.logpart import CURVE_LEVELS, Curve, LogPart, normal_curve
from advisor.timing.model import TimingModel, with_log
from advisor.timing.pooling import Pooled, effective_rows, pool, weighted_median

__all__ = ["fit_log", "invented", "learn", "log_units", "read_log"]

Array = NDArray[np.float64]

BLOCKS = 6
"""Runs of time that a log is cut into for its half-widths: a shop changes, and rows of next month are harder to
predict than rows left out of this one."""

SHRINK_LEVEL = 10
"""Rows at which half of a common factor is believed; from memory: one shop's middle, over ten units that scatter by a
fifth, is known to a fifteenth, and its first ten units are seldom like the rest."""

MIN_ROWS = 20
"""Units below which a log teaches nothing but two levels."""

FENCE = 3.5
"""Robust standard deviations beyond which a unit's ratio is pulled in before anything is fitted on it."""

WIDTH_ROWS = 20_000
"""Newest rows that half-widths rest on."""


def fit_log(
    model: TimingModel, log: pd.DataFrame, shop: Shop | None = None, *,
    catalogue: pd.DataFrame | None = None, processors: pd.DataFrame | None = None,
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
        minutes are from (see `source_weights`) are used where present; the hands-on minutes of a unit with something
        under `parts` hold their fitting, and teach no pace. A column `provenance` or `source` that says
        'invented' marks the whole model as resting on an invented log.
    shop : Shop, optional
        The built-in one when left out.
    catalogue, processors : pandas.DataFrame, optional
        Instead of the built-in catalogue, and of identifying each `cpu`.
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
    return with_log(model, learn(model, laid, half_life_days))


def learn(model: TimingModel, laid: Logged, half_life_days: float = HALF_LIFE_DAYS) -> LogPart:
    """Learn from units laid beside the model, oldest first.

    Few units give a small factor on hands-on and on machine minutes; from `MIN_ROWS` on also effects of models of PC
    and of images, partly pooled, and half-widths of the log's own. Powers of the speeds and boosted steps were tried
    beside them on simulated years, and the units after came half a per cent nearer at most.
    """
    if not len(laid):
        return LogPart(invented=laid.invented)
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    # Each piece of work is so small that threads only wait for each other.
    with threadpool_limits(1):
        weights = laid.weight * age_weights(laid.day, half_life_days)
        taught = _teach(laid, weights)
        widths, curve = _half_widths(model, laid, weights)
        technicians, hands_sd = _technicians(laid, weights)
        first, last = laid.span
        return replace(
            taught, rows=len(laid), invented=laid.invented, widths=widths, technicians=technicians, hands_sd=hands_sd,
            paces=_paces(laid, weights), curve=curve, first=first, last=last,
            effective_rows=round(effective_rows(weights), 1), half_life_days=half_life_days,
        )  # fmt: skip


def _teach(laid: Logged, weights: Array) -> LogPart:
    """What all units given teach, half-widths apart."""
    factor = _hands_factor(laid, weights)
    target = _fenced(laid.work_ratio(factor), weights)
    rows, middle = effective_rows(weights), weighted_median(target, weights)
    part = LogPart(hands_factor=factor, level=middle * rows / (rows + SHRINK_LEVEL))
    if len(laid) < MIN_ROWS:
        return part
    groups = {name: laid.given.groups[name] for name in ("model", "image")}
    # Beside the level at its full size: what is pulled towards none for want of rows must not come back through them.
    found = pool(_fenced(target - middle, weights), groups, weights)
    effects = {
        name: {kind: round(value, 5) for kind, value in by_kind.items()} for name, by_kind in found.effects.items()
    }
    return replace(part, effects=effects)


def _half_widths(model: TimingModel, laid: Logged, weights: Array) -> tuple[Widths, Curve]:
    """Half-widths from units predicted by what those before them taught, in multiples of the model's own."""
    if len(laid) < MIN_ROWS:
        return Widths(1.0), normal_curve()
    newest = np.flatnonzero(laid.newest(WIDTH_ROWS))
    some, weight = laid.take(newest), weights[newest]
    scores = np.empty(len(some))
    blocks = np.array_split(np.arange(len(some)), BLOCKS)
    for number, held in enumerate(blocks):
        # As at the bench: by what came before. The first block, which nothing came before, by all the others.
        before = np.concatenate(blocks[:number] if number else blocks[1:])
        test = some.take(held)
        minutes, width = test.predicted(model, _teach(some.take(before), weight[before]))
        scores[held] = np.abs(np.log(test.elapsed / minutes)) / width
    overall = weighted_half_width(scores, weight)
    if not np.isfinite(overall) or overall <= 0:
        return Widths(1.0), normal_curve()
    groups = {}
    for kind in np.unique(some.given.kinds.astype(str)):
        of_kind = some.given.kinds == kind
        if of_kind.sum() >= GROUP_ROWS and effective_rows(weight[of_kind]) >= GROUP_ROWS / 2:
            groups[str(kind)] = weighted_half_width(scores[of_kind], weight[of_kind])
    at = {level: weighted_half_width(scores, weight, level) for level in CURVE_LEVELS}
    by_level = {level: round(width / overall, 5) for level, width in at.items() if np.isfinite(width)}
    return Widths(overall, groups, len(some)), Curve(tuple(by_level), tuple(by_level.values()))


def _believed(ratio: Array) -> NDArray[np.bool_]:
    """Where a log of said over expected hands-on minutes is known, and no slip."""
    return np.isfinite(ratio) & (np.abs(ratio) < np.log(MOST_HANDS))


def _hands_factor(laid: Logged, weights: Array) -> float:
    """Typical factor of said over expected hands-on minutes, pulled towards 1 as rows are few."""
    ratio = laid.pace()
    known = _believed(ratio)
    if not known.any():
        return 1.0
    rows = effective_rows(weights[known])
    return float(np.exp(rows / (rows + SHRINK_LEVEL) * weighted_median(ratio[known], weights[known])))


MOST_HANDS = 10.0
"""Multiple of the expected hands-on minutes, or part of them, beyond which what was written down is a slip."""


def _technicians(laid: Logged, weights: Array) -> tuple[dict[str, float], float]:
    """Factor of each technician on hands-on minutes, partly pooled, and how far units differ about the shop's."""
    ratio = laid.pace()
    known = _believed(ratio)
    if known.sum() < MIN_ROWS:
        return {}, 0.0
    weight, who = weights[known], laid.technician[known]
    found = pool(_fenced(ratio[known], weight), {"technician": who}, weight)
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
        if phase == "prepare":
            ratio[laid.fitted] = np.nan
        known = _believed(ratio) & (laid.technician != "")
        if known.sum() < MIN_ROWS:
            continue
        weight = weights[known]
        found = pool(_fenced(ratio[known], weight), {"technician": laid.technician[known]}, weight)
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

    Raises
    ------
    InputError
        When it cannot be read.
    """
    return read_csv(path, "bench log")
