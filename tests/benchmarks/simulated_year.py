"""Replay simulated years and print what learning, the gate and the adaptive intervals did: every seed, not the best.

Every unit is predicted only by what older units could have taught, in batches as units come in, with the adaptive level
as it stood; what was accepted is judged on the month after.

    python tests/benchmarks/simulated_year.py [FIRST LAST]

The years are invented: `datasets/demo/simulated_year.py` says how, and how their truth differs from the model's form.
Constants of the gate and of the adaptive level were chosen on seeds 0 to 11; seeds from 100 on are fresh.
A seed takes about a quarter of a minute of one core.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.benchlog.adaptive import MISSES, levels_of
from advisor.benchlog.gate import FEWEST_ROWS, Judgement, compare, gain_asked, newest_rows, rolling
from advisor.files import datasets
from advisor.shop import default_shop
from advisor.timing import serving_model
from advisor.timing.log import learn
from advisor.timing.logged import HALF_LIFE_DAYS, Logged, lay
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
    verdict: Judgement
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


def replay(model: TimingModel, laid: Logged) -> Replay:
    """Replay a log, units laid beside it each with a day; `model` serves before anything is learnt."""
    n = len(laid)
    day = laid.day
    plain_minutes, plain_width = laid.predicted(model, LogPart())
    minutes, width, served = np.empty(n), np.empty(n), np.zeros(n, dtype=int)
    level = np.full(n, 1 - MISSES)
    serving, accepted, updates = LogPart(), 0, []
    kinds = laid.given.kinds.astype(str)
    taught: dict[int, LogPart] = {}
    next_learn = day[0] + LEARN_DAYS if n else 0.0
    batch = np.floor((day - day[0]) / BATCH_DAYS) if n else np.empty(0)
    for number in np.unique(batch):
        units = np.flatnonzero(batch == number)
        known = np.arange(n) < units[0]
        if day[units[0]] >= next_learn and known.sum() >= FEWEST_ROWS:
            next_learn += LEARN_DAYS
            update, part = _update(model, laid, known, serving, taught)
            updates.append(update)
            if update.verdict.accepted:
                serving, accepted = part, accepted + 1
        missed = np.abs(np.log(laid.elapsed[known] / minutes[known])) > width[known]
        levels = levels_of(missed, kinds[known])
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
    model: TimingModel, laid: Logged, known: NDArray[np.bool_], serving: LogPart, taught: dict[int, LogPart]
) -> tuple[Update, LogPart]:
    so_far = laid.take(known)
    learnt_until = pd.Timestamp(serving.last).timestamp() / 86_400 if serving.last else float("nan")
    count = newest_rows(so_far, learnt_until)
    newest = so_far.take(so_far.newest(count))
    trial = rolling(model, so_far, count, half_life_days=HALF_LIFE_DAYS, taught=taught)
    verdict = compare(newest.elapsed, newest.predicted(model, serving), trial, gain_asked(serving))
    part = learn(model, so_far, HALF_LIFE_DAYS)
    now = so_far.day.max()
    after = laid.take(~known & (laid.day <= now + LEARN_DAYS))
    errors = [error_pct(after.elapsed, after.predicted(model, one)[0]) for one in (serving, part)]
    before, new = (float(np.median(error)) if len(after) else float("nan") for error in errors)
    day = pd.Timestamp(now, unit="D").strftime("%Y-%m-%d")
    farther, differ = int((errors[1] > errors[0]).sum()), int((errors[1] != errors[0]).sum())
    return Update(int(known.sum()), day, verdict, len(after), before, new, farther, differ), part


def windows(rows: pd.DataFrame, size: int = 100) -> pd.DataFrame:
    """Coverage and error (medians) over every run of `size` of a replay's rows, by its newest row."""
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


def year(seed: int):
    """One simulated year."""
    spec = importlib.util.spec_from_file_location("simulated_year", datasets() / "demo" / "simulated_year.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.year(seed)


def figures(done: Replay) -> dict[str, float]:
    """What is asked of a year, of units from the 200th on and of every run of 100."""
    rows = done.rows.iloc[200:]
    actual = rows["actual_min"].to_numpy()
    plain, served = (np.median(error_pct(actual, rows[name].to_numpy())) for name in ("plain_min", "predicted_min"))
    first = done.rows.iloc[200:250]
    early = [
        np.median(error_pct(first["actual_min"].to_numpy(), first[name].to_numpy()))
        for name in ("plain_min", "predicted_min")
    ]
    seen = windows(done.rows)
    accepted = [one for one in done.updates if one.verdict.accepted]
    return {
        "plain_pct": plain, "served_pct": served, "fall_pct": 100 * (1 - served / plain),
        "early_fall_pct": 100 * (1 - early[1] / early[0]),
        "least_covered": seen["covered_pct"].min(), "most_covered": seen["covered_pct"].max(),
        # Of units that a log had taught of, all 100.
        "taught_least": done.rows["actual_min"].between(done.rows["low_min"], done.rows["high_min"])
        .where(done.rows["update"] > 0).astype(float).rolling(100).mean().min() * 100,
        "plain_least": seen["plain_covered_pct"].min(), "plain_most": seen["plain_covered_pct"].max(),
        "tried": len(done.updates), "accepted": len(accepted), "worse": sum(one.worse_after for one in accepted),
        "harm": sum(one.worse_beyond_chance for one in accepted),
    }  # fmt: skip


def main(first: int, last: int) -> None:
    """Print a line a seed, and what the worst of them was."""
    model = with_log(serving_model(), LogPart())
    print(f"Unlearnt: times {model.basis}. Units scored in batches of {BATCH_DAYS:g} days, learning every 28.")
    print("Median error of units from the 200th on, unlearnt and as served; fall on units 200 to 249; coverage of")
    print("every run of 100 units, as served and unlearnt; updates tried, accepted, of a larger median error than what")
    print("they replaced on the month after, and farther from its units than chance explains (sign test at 5 %).")
    print(f"{'seed':>5}{'unlearnt':>10}{'served':>8}{'fall':>6}{'200-249':>9}{'covered':>10}{'unlearnt':>10}"
          f"{'tried':>7}{'accepted':>10}{'worse':>7}{'harm':>6}{'cpu s':>7}")  # fmt: skip
    every = []
    for seed in range(first, last):
        start = time.process_time()
        found = figures(replay(model, lay(model, year(seed), default_shop())))
        every.append(found)
        print(
            f"{seed:>5}{found['plain_pct']:>9.1f}%{found['served_pct']:>7.1f}%{found['fall_pct']:>5.0f}%"
            f"{found['early_fall_pct']:>8.0f}%{found['least_covered']:>6.0f}-{found['most_covered']:.0f}%"
            f"{found['plain_least']:>6.0f}-{found['plain_most']:.0f}%{found['tried']:>7}{found['accepted']:>10}"
            f"{found['worse']:>7}{found['harm']:>6}{time.process_time() - start:>7.0f}",
            flush=True,
        )
    print(
        f"{len(every)} years: fall at least {min(one['fall_pct'] for one in every):.0f} % "
        f"({min(one['early_fall_pct'] for one in every):.0f} % on units 200 to 249), coverage of any 100 units "
        f"{min(one['least_covered'] for one in every):.0f} to {max(one['most_covered'] for one in every):.0f} %, "
        f"once taught {min(one['taught_least'] for one in every):.0f} % at the least, "
        f"{sum(one['accepted'] for one in every)} updates accepted, {sum(one['worse'] for one in every)} of them "
        f"of a larger median error on the month after, {sum(one['harm'] for one in every)} beyond chance."
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (100, 124))
