"""Comfort thresholds learnt from outcomes: at what predicted time the shop's own recipients begin to find a unit slow.

A threshold t is the predicted time at which one unit in five would be found slow, as the shop asks for a certainty of
0.8: logit P(slow) = logit(1 - certainty) + b (log time - log t). With few units the estimate stays at the shop's own
setting; what comes out is a proposal, with what it rests on, and nothing changes by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.benchlog.jobs import Outcome
from advisor.columns import words
from advisor.shop import Shop
from advisor.timing.logged import log_units

Array = NDArray[np.float64]

PRIOR_SD = 0.3
"""Log spread of a shop's right threshold about its setting before any outcome; from memory: a third either way."""

SLOPE, SLOPE_SD = 3.0, 0.5
"""Prior of b, and log spread of it; from memory: at twice the threshold two units in three are found slow."""

FEWEST_EACH = 5
"""Units found slow, and found fine, that it takes: without both, nobody knows where one ends and the other begins."""

SLOW_WORDS = r"slow|long|drag|wait|lag|hang|quiet|freez|stutter"
"""Words of a reason that make a returned unit a slow one; one that came back for another reason says nothing here."""

MOVES = {"desktop_s": "login to usable desktop", "browser_s": "click to usable browser"}


@dataclass(frozen=True)
class Proposal:
    """What the outcomes say of one threshold."""

    name: str  # Field of the shop's thresholds
    title: str
    # now, proposed, low, high: The setting, the estimate and its 80 % interval [s].
    now: float
    proposed: float
    low: float
    high: float
    # units, slow: Units it rests on, and those of them found slow.
    units: int
    slow: int
    change: bool  # The setting lies outside the interval, and enough units of either kind say so

    def sentence(self) -> str:
        """Say it in one sentence."""
        rests = f"{self.units} units with an outcome, {self.slow} of them found slow"
        if min(self.slow, self.units - self.slow) < FEWEST_EACH:
            return f"{self.title}: {self.now:g} s stays; {rests}, and it takes {FEWEST_EACH} of either."
        between = f"80 % interval {self.low:.1f} to {self.high:.1f} s"
        if not self.change:
            return f"{self.title}: {self.now:g} s stays; the outcomes agree with it ({rests}; {between})."
        return f"{self.title}: {self.proposed:.1f} s proposed instead of {self.now:g} s ({rests}; {between})."


def found_slow(rows: pd.DataFrame) -> Array:
    """1 where a unit was found slow, 0 where it was fine, NaN where nobody said or it came back for another reason."""
    outcome = words(rows, "outcome").str.strip().str.casefold().fillna("").to_numpy()
    reason = words(rows, "reason").fillna("")
    about_speed = reason.str.contains(SLOW_WORDS, case=False, regex=True).to_numpy(dtype=bool)
    out = np.full(len(rows), np.nan)
    out[outcome == Outcome.FINE] = 0.0
    out[(outcome == Outcome.SLOW) | ((outcome == Outcome.RETURNED) & about_speed)] = 1.0
    return out


def threshold(seconds: Array, slow: Array, now: float, certainty: float = 0.8) -> tuple[float, float, float]:
    """Estimate one threshold [s] from predicted times [s] and whether each was slow (1 or 0), pulled towards the
    setting: the posterior's mode and its normal approximation's bounds, 80 %. Beyond a quarter outside the times seen
    nothing is claimed.
    """
    from scipy.optimize import minimize
    from scipy.special import expit, logit

    x = np.log(seconds / now)
    base = float(logit(1 - certainty))

    def cost(at: Array) -> float:
        shift, slope = at[0], np.exp(at[1])
        z = base + slope * (x - shift)
        fit = np.logaddexp(0, z) - slow * z
        return float(fit.sum() + 0.5 * (shift / PRIOR_SD) ** 2 + 0.5 * ((at[1] - np.log(SLOPE)) / SLOPE_SD) ** 2)

    best = minimize(cost, np.array([0.0, np.log(SLOPE)]), method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9})
    shift, slope = float(best.x[0]), float(np.exp(best.x[1]))
    p = expit(base + slope * (x - shift))
    # Expected information of (shift, log slope), and the priors'.
    rows = np.stack([np.full(len(x), -slope), slope * (x - shift)])
    information = (rows * (p * (1 - p))) @ rows.T + np.diag([PRIOR_SD**-2, SLOPE_SD**-2])
    sd = float(np.sqrt(np.linalg.inv(information)[0, 0]))
    if len(x):
        shift = float(np.clip(shift, x.min() - 0.25, x.max() + 0.25))
    return tuple(float(now * np.exp(shift + sign * 1.2816 * sd)) for sign in (0, -1, 1))  # type: ignore[return-value]


def proposals(rows: pd.DataFrame, shop: Shop) -> list[Proposal]:
    """Propose thresholds from the outcomes of a log.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `advisor.benchlog.frame` gives them.

    Returns
    -------
    list of Proposal
        For the desktop and the browser.
    """
    slow = found_slow(rows)
    use = ~np.isnan(slow)
    times = _predicted(rows[use].reset_index(drop=True), shop) if use.any() else {name: np.empty(0) for name in MOVES}
    out = []
    for name, title in MOVES.items():
        now = float(getattr(shop.thresholds, name))
        known = np.isfinite(times[name]) & (times[name] > 0)
        seconds, were_slow = times[name][known], slow[use][known]
        estimate, low, high = threshold(seconds, were_slow, now, shop.thresholds.certainty)
        enough = min(were_slow.sum(), len(were_slow) - were_slow.sum()) >= FEWEST_EACH
        change = bool(enough) and not low <= now <= high
        out.append(
            Proposal(name, title, now, round(estimate, 1), low, high, len(were_slow), int(were_slow.sum()), change)
        )
    return out


def _predicted(rows: pd.DataFrame, shop: Shop) -> dict[str, Array]:
    """Typical desktop and browser seconds of the edition that was installed; NaN where it is not to be told."""
    from advisor.comfort import ladder
    from advisor.editions import chip_draws, drawing, rows_of
    from advisor.identify import processors

    if not {"cpu", "image", "edition"} <= set(rows.columns):
        return {name: np.full(len(rows), np.nan) for name in MOVES}
    units = log_units(rows)
    cpus = processors(units)
    out = {name: np.full(len(rows), np.nan) for name in MOVES}
    images, editions = (words(rows, name).fillna("").to_numpy(dtype=object) for name in ("image", "edition"))
    for image in shop.images:
        at = np.flatnonzero(images == image.name)
        offered = rows_of(image)
        if not len(at) or offered.empty:
            continue
        some, theirs = units.iloc[at].reset_index(drop=True), cpus.iloc[at].reset_index(drop=True)
        steps = ladder(some, theirs, offered, shop.thresholds.certainty, chip_draws(drawing(some, theirs)["drawing"]))
        column = pd.Index(steps.editions).get_indexer(pd.Index(editions[at]))
        for name in MOVES:
            seconds = getattr(steps, name)[np.arange(len(at)), np.maximum(column, 0)]
            out[name][at] = np.where(column >= 0, seconds, np.nan)
    return out
