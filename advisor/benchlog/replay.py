"""Replaying a log: what would have been predicted, learnt and accepted, had the shop learnt as it went along.

Every unit is predicted only by what older units could have taught, in batches as units come in, with the adaptive level
as it stood; what was accepted is judged on the month after.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.benchlog.adaptive import GAMMA, MISSES, levels_of
from advisor.benchlog.gate import FEWEST_ROWS, Verdict, compare, gain_asked, newest_rows, rolling
from advisor.timing.log import learn
from advisor.timing.logged import HALF_LIFE_DAYS, Logged
from advisor.timing.logpart import LogPart
from advisor.timing.model import TimingModel, with_log

Array = NDArray[np.float64]

BATCH_DAYS = 1.0
"""Days of units that are scored together before any of them is done [d]."""

LEARN_DAYS = 28.0
"""Days between two runs of `advisor learn` [d]."""


@dataclass(frozen=True)
class Update:
    """One run of learning."""

    row: int  # Units logged by then
    day: str
    verdict: Verdict
    after_rows: int  # Units of the month after
    # after_before, after_new: Median error on them of the model that served, and of the newly learnt one [%].
    after_before: float
    after_new: float
    # after_farther, after_differ: Of them, how many the new one was farther from, and on how many the two differ.
    after_farther: int
    after_differ: int

    @property
    def worse_after(self) -> bool:
        """Accepted, and of a larger median error than what it replaced on the month after."""
        return self.verdict.accepted and self.after_rows > 0 and self.after_new > self.after_before

    @property
    def worse_beyond_chance(self) -> bool:
        """Accepted, and farther from more units of the month after than chance gives (sign test at 5 %)."""
        from scipy.stats import binomtest

        if not (self.verdict.accepted and self.after_differ):
            return False
        return float(binomtest(self.after_farther, self.after_differ, alternative="greater").pvalue) < 0.05


@dataclass(frozen=True)
class Replay:
    """A log replayed."""

    # A row a unit, oldest first: asset_tag, date, storage_kind, actual_min, plain_min, plain_low_min, plain_high_min
    # (the model without a log), predicted_min, low_min, high_min (as it would have been served) [min], level (as
    # served), update (number of the accepted update that served, 0 for none).
    rows: pd.DataFrame
    updates: list[Update]


def error_pct(actual: Array, minutes: Array) -> Array:
    """Size of the relative error of each unit [%]; shape (n,)."""
    return 100 * np.abs(minutes / actual - 1)


def replay(
    model: TimingModel, laid: Logged, *, learn_days: float = LEARN_DAYS, batch_days: float = BATCH_DAYS,
    half_life_days: float = HALF_LIFE_DAYS, gamma: float = GAMMA,
) -> Replay:  # fmt: skip
    """Replay a log: `model` serves before anything is learnt, `laid` are the units beside it, each with a day, periods
    are in days; `gamma` is the step of the adaptive level, 0 leaves intervals as they are.
    """
    n = len(laid)
    day = laid.day
    plain_minutes, plain_width = laid.predicted(model, LogPart())
    minutes, width, served = np.empty(n), np.empty(n), np.zeros(n, dtype=int)
    level = np.full(n, 1 - MISSES)
    serving, accepted, updates = LogPart(), 0, []
    kinds = laid.given.kinds.astype(str)
    taught: dict[int, LogPart] = {}
    next_learn = day[0] + learn_days if n else 0.0
    batch = np.floor((day - day[0]) / batch_days) if n else np.empty(0)
    for number in np.unique(batch):
        units = np.flatnonzero(batch == number)
        known = np.arange(n) < units[0]
        if day[units[0]] >= next_learn and known.sum() >= FEWEST_ROWS:
            next_learn += learn_days
            update, part = _update(model, laid, known, serving, half_life_days, taught)
            updates.append(update)
            if update.verdict.accepted:
                serving, accepted = part, accepted + 1
        missed = np.abs(np.log(laid.elapsed[known] / minutes[known])) > width[known]
        levels = levels_of(missed, kinds[known], gamma) if gamma else {}
        minutes[units], width[units] = laid.take(units).predicted(replace(model, levels=levels), serving)
        served[units] = accepted
        if levels:
            level[units] = [levels.get(kind, levels[""]) for kind in kinds[units]]
    rows = pd.DataFrame({
        "asset_tag": laid.tags, "date": pd.to_datetime(day, unit="D"), "storage_kind": kinds,
        "actual_min": laid.elapsed, "plain_min": plain_minutes, "plain_low_min": plain_minutes * np.exp(-plain_width),
        "plain_high_min": plain_minutes * np.exp(plain_width), "predicted_min": minutes,
        "low_min": minutes * np.exp(-width), "high_min": minutes * np.exp(width), "level": level, "update": served,
    })  # fmt: skip
    return Replay(rows, updates)


def _update(
    model: TimingModel,
    laid: Logged,
    known: NDArray[np.bool_],
    serving: LogPart,
    half_life_days: float,
    taught: dict[int, LogPart],
) -> tuple[Update, LogPart]:
    so_far = laid.take(known)
    learnt_until = pd.Timestamp(serving.last).timestamp() / 86_400 if serving.last else float("nan")
    count = newest_rows(so_far, learnt_until)
    newest = so_far.take(so_far.newest(count))
    trial = rolling(model, so_far, count, half_life_days=half_life_days, taught=taught)
    verdict = compare(newest.elapsed, newest.predicted(model, serving), trial, gain_asked(serving))
    part = learn(model, so_far, half_life_days)
    now = so_far.day.max()
    after = laid.take(~known & (laid.day <= now + LEARN_DAYS))
    errors = [error_pct(after.elapsed, after.predicted(model, one)[0]) for one in (serving, part)]
    before, new = (float(np.median(error)) if len(after) else float("nan") for error in errors)
    day = pd.Timestamp(now, unit="D").strftime("%Y-%m-%d")
    farther, differ = int((errors[1] > errors[0]).sum()), int((errors[1] != errors[0]).sum())
    return Update(int(known.sum()), day, verdict, len(after), before, new, farther, differ), part


def windows(rows: pd.DataFrame, size: int = 100) -> pd.DataFrame:
    """Coverage and error (medians) over every run of `size` of a replay's rows: last (its newest row), covered_pct,
    plain_covered_pct, error_pct, plain_error_pct.
    """
    inside = rows["actual_min"].between(rows["low_min"], rows["high_min"]).astype(float)
    plain = rows["actual_min"].between(rows["plain_low_min"], rows["plain_high_min"]).astype(float)
    actual = rows["actual_min"].to_numpy(dtype=float)
    return pd.DataFrame({
        "last": np.arange(len(rows)),
        "covered_pct": 100 * inside.rolling(size).mean(),
        "plain_covered_pct": 100 * plain.rolling(size).mean(),
        "error_pct": pd.Series(error_pct(actual, rows["predicted_min"].to_numpy())).rolling(size).median(),
        "plain_error_pct": pd.Series(error_pct(actual, rows["plain_min"].to_numpy())).rolling(size).median(),
    }).iloc[size - 1 :].reset_index(drop=True)  # fmt: skip


def before_and_after(
    model: TimingModel, laid: Logged, rows: int = 200, *, half_life_days: float = HALF_LIFE_DAYS
) -> pd.DataFrame:
    """A shop before and after its first logged units: error and coverage on the units after them.

    A row a unit after them: asset_tag, date, storage_kind, actual_min, before_min, before_low_min, before_high_min,
    after_min, after_low_min, after_high_min [min]. `attrs`: learnt_from, and for 'before' and 'after' each
    median_error_pct, covered_pct, and bias_pct (median, signed).
    """
    place = np.arange(len(laid))
    part = learn(model, laid.take(place < rows), half_life_days)
    rest = laid.take(place >= rows)
    out = pd.DataFrame({
        "asset_tag": rest.tags, "date": pd.to_datetime(rest.day, unit="D"),
        "storage_kind": rest.given.kinds.astype(str), "actual_min": rest.elapsed,
    })  # fmt: skip
    out.attrs["learnt_from"] = min(rows, len(laid))
    for name, one in (("before", LogPart()), ("after", part)):
        minutes, width = rest.predicted(with_log(model, LogPart()), one)
        out[f"{name}_min"] = minutes
        out[f"{name}_low_min"], out[f"{name}_high_min"] = minutes * np.exp(-width), minutes * np.exp(width)
        signed = 100 * (minutes / rest.elapsed - 1)
        inside = np.abs(np.log(rest.elapsed / minutes)) <= width
        out.attrs[name] = {
            "median_error_pct": float(np.median(np.abs(signed))) if len(rest) else float("nan"),
            "covered_pct": 100 * float(inside.mean()) if len(rest) else float("nan"),
            "bias_pct": float(np.median(signed)) if len(rest) else float("nan"),
        }
    return out
