"""Learning from a bench log: a factor on hands-on minutes, and what remains of the machine minutes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.errors import InputError
from advisor.shop import Shop, default_shop
from advisor.timing.conformal import Widths, calibrate
from advisor.timing.hands import hands_on, phase_table
from advisor.timing.learnt import SHRINK_ROWS, Additive, LearntPart
from advisor.timing.model import LogPart, TimingModel, with_log
from advisor.timing.predict import LOG_DIRECTIONS, LOG_FEATURES, combine, log_features, machine, setting
from advisor.unit import DTYPES

Array = NDArray[np.float64]

FOLDS = 5
"""Parts a log is cut into; each is predicted by what the others taught."""

LEAST_WORK = 0.2
"""A logged unit whose machine minutes come out below this share of those predicted is a slip, and is left out."""

MOST_WORK = 10.0
"""Likewise above this multiple."""

NEEDED = ("cpu", "image", "edition", "elapsed_min")


def fit_log(
    model: TimingModel, log: pd.DataFrame, shop: Shop | None = None, *,
    catalogue: pd.DataFrame | None = None, processors: pd.DataFrame | None = None, seed: int = 0,
) -> TimingModel:  # fmt: skip
    """Let a bench log correct the model.

    Parameters
    ----------
    model : TimingModel
        Fitted on rehearsals; a log part it has is replaced.
    log : pandas.DataFrame
        A row a logged unit: cpu, image, edition, elapsed_min [min] are needed; ram_gib, storage_kind, storage_gib,
        form_factor, link_mbps, the measured speeds and hands_on_min [min] are used where present. A column
        `provenance` or `source` that says 'invented' marks the whole model as resting on an invented log.
    shop : Shop, optional
    catalogue, processors : pandas.DataFrame, optional
        Instead of the built-in catalogue, and of identifying each `cpu`.
    seed : int

    Returns
    -------
    TimingModel
        Every factor is pulled towards none as rows are few. Half-widths rest on units predicted by what the other
        parts of the log taught, by kind of storage where rows suffice.

    Raises
    ------
    InputError
        When a needed column is missing.
    """
    lacking = [name for name in NEEDED if name not in log]
    if lacking:
        raise InputError(f"The bench log lacks the column(s) {', '.join(lacking)}.", f"Needed: {', '.join(NEEDED)}.")
    shop = default_shop() if shop is None else shop
    plain = with_log(model, LogPart())
    rows = log.reset_index(drop=True)
    elapsed = _minutes(rows, "elapsed_min")
    keep = (elapsed > 0) & rows["image"].notna().to_numpy() & rows["edition"].notna().to_numpy()
    rows, elapsed = rows[keep].reset_index(drop=True), elapsed[keep]
    if rows.empty:
        return plain
    units = log_units(rows)
    if processors is None:
        from advisor.identify import processors as identify

        processors = identify(units)
    else:
        processors = processors[keep].reset_index(drop=True)
    given = setting(units, processors, rows["edition"], rows["image"], shop, catalogue)
    hands = hands_on(units)
    work, spread = machine(plain, given)
    said = _minutes(rows, "hands_on_min")

    share = phase_table().overlap_share

    def work_ratio(factor: float) -> Array:
        """Log of the machine minutes that the log shows over those predicted; NaN for a slip."""
        mine = hands.minutes * factor
        overlap = np.minimum(mine * share, work).sum(axis=1)
        held = np.where(np.isnan(said), mine.sum(axis=1), said)
        ratio = (elapsed - held + overlap) / work.sum(axis=1)
        good = given.usable & (ratio > LEAST_WORK) & (ratio < MOST_WORK)
        return np.log(np.where(good, ratio, np.nan))

    def learn(rows_in: NDArray[np.bool_]) -> tuple[float, Additive]:
        factor = _hands_factor(said[rows_in] / hands.minutes[rows_in].sum(axis=1))
        target = work_ratio(factor)
        usable = rows_in & ~np.isnan(target)
        folds = (np.arange(len(target)) % FOLDS)[usable].tolist()
        part = LearntPart(LOG_FEATURES, LOG_DIRECTIONS, seed=seed)
        return factor, part.fit(log_features(given.conditions[usable]), target[usable], [folds]).model_

    used = ~np.isnan(work_ratio(1.0))
    fold = np.random.default_rng(seed).permutation(len(rows)) % FOLDS
    residual = np.full(len(rows), np.nan)
    width = np.ones(len(rows))
    for number in range(FOLDS):
        held_out = fold == number
        factor, part = learn(~held_out & used)
        served = with_log(plain, LogPart(hands_factor=factor, work=part))
        shifted = work[held_out] * np.exp(part.predict(log_features(given.conditions[held_out])))[:, None]
        parts = combine(served, given.take(held_out), hands.take(held_out), shifted, spread[held_out])
        total = (parts.hands + parts.work - parts.overlap).sum(axis=1)
        residual[held_out] = np.log(elapsed[held_out] / total)
        width[held_out] = parts.width
    factor, part = learn(used)
    widths = (
        calibrate(residual[used], given.kinds[used].tolist(), width[used]) if used.sum() >= FOLDS * 4 else Widths(1.0)
    )
    return with_log(plain, LogPart(int(used.sum()), invented(log), factor, part, widths))


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
        return pd.read_csv(path, encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        raise InputError(f"The bench log {path} cannot be read: {error}.", "It must be a CSV in UTF-8.") from error


def _hands_factor(ratio: Array) -> float:
    """Typical factor of said over expected hands-on minutes, pulled towards 1 as rows are few."""
    known = ratio[np.isfinite(ratio) & (ratio > 0)]
    if not known.size:
        return 1.0
    belief = known.size / (known.size + SHRINK_ROWS)
    return float(np.exp(belief * np.median(np.log(known))))


def _minutes(rows: pd.DataFrame, name: str) -> Array:
    if name not in rows:
        return np.full(len(rows), np.nan)
    numbers = pd.to_numeric(rows[name], errors="coerce").astype("Float64")
    return np.asarray(numbers.to_numpy(dtype=float, na_value=np.nan), dtype=float)


def log_units(log: pd.DataFrame) -> pd.DataFrame:
    """Put the units of a bench log in a Unit frame.

    Parameters
    ----------
    log : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        Columns of the Unit that the log has, in their dtypes; what cannot be read as its dtype is unknown.
    """
    columns = {}
    for name, dtype in DTYPES.items():
        if name not in log:
            columns[name] = pd.Series(pd.NA, index=log.index, dtype=dtype)
        elif dtype in ("Float64", "Int64"):
            numbers = pd.to_numeric(log[name], errors="coerce").astype("Float64")
            columns[name] = numbers.round().astype("Int64") if dtype == "Int64" else numbers
        elif dtype == "string":
            columns[name] = log[name].astype("string")
        else:
            columns[name] = pd.Series(pd.NA, index=log.index, dtype=dtype)
    return pd.DataFrame(columns)


def invented(log: pd.DataFrame) -> bool:
    """Whether a log says that it is invented, in any row."""
    return any(
        bool(log[name].astype("string").str.contains("invented", case=False).fillna(False).any())
        for name in ("provenance", "source")
        if name in log
    )
