"""The gate: a newly learnt model serves only when it beats the serving one on the newest part of the log.

The newest units are cut into blocks by time; each block is predicted by what the rows before it teach, as it would
have been at the bench, and beside it by the serving model as it stands. Both see the same units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.timing.conformal import LEVEL
from advisor.timing.log import learn
from advisor.timing.logged import HALF_LIFE_DAYS, Logged
from advisor.timing.logpart import LogPart
from advisor.timing.model import TimingModel

Array = NDArray[np.float64]

FEWEST_ROWS = 10
"""Units below which nothing is judged: of their newest 7 all must be nearer, or chance could have done it."""

FEWEST_NEWEST = 7
"""Newest units that a judgement needs: 7 of 7 nearer has a chance of 1 in 128 when neither model is the better."""

MOST_NEWEST = 200
"""Newest units judged at most; older ones say little of the shop as it is."""

SHARE_NEWEST = 1 / 3
"""Share of the log that is judged, when the serving model has learnt from none of it."""

BLOCK = 25
"""Units that are predicted by one and the same model at most, about a fortnight of a shop."""

TRIAL_ROWS = 20_000
"""Rows before a block that are learnt from for the judgement."""

LAST = 20
"""Newest units on which the median error must not be larger: a change of the last days may have made what was learnt
before it out of date already."""

CHANCE = 0.01
"""Chance allowed that a model which is no better passes by luck (one-sided sign test on the units)."""

LEAST_GAIN = 0.10
"""Share by which the median error must fall, on the newest units and on the newer half of them. The median of some
forty units, a month of a shop, scatters by about that much between two equally good models: a smaller gain may well
be none in the month to come. Chosen on simulated years."""

LATER_GAIN = 0.20
"""The same where the serving model has learnt from the log already: there the gain that is left is mostly small, and a
small one is often lost in the month to come, while a change of the shop brings a large one. Chosen on simulated years
0 to 10; years 100 to 144 judge it.
"""

COVERAGE_CHANCE = 0.1
"""A coverage short of the promise counts as short when chance gives it less often than this (one-sided binomial)."""


@dataclass(frozen=True)
class Judgement:
    """What the gate found."""

    accepted: bool
    reason: str  # Why, in a sentence
    rows: int = 0  # Newest units judged; 0 when there were too few
    # first, last: Their days.
    first: str = ""
    last: str = ""
    # median_serving, median_candidate: Median size of the relative error [%].
    median_serving: float = float("nan")
    median_candidate: float = float("nan")
    # coverage_serving, coverage_candidate: Share within the interval [%].
    coverage_serving: float = float("nan")
    coverage_candidate: float = float("nan")
    # width_serving, width_candidate: Typical upper end of the interval over its lower.
    width_serving: float = float("nan")
    width_candidate: float = float("nan")
    # nearer, farther: Units that the candidate came nearer to, and less near.
    nearer: int = 0
    farther: int = 0
    chance: float = float("nan")  # Of at least so many nearer if neither were better

    @property
    def gain_pct(self) -> float:
        """How much smaller the candidate's median error is [%]; NaN when nothing was judged."""
        return 100 * (1 - self.median_candidate / self.median_serving) if self.median_serving else 0.0


def compare(
    actual: Array, serving: tuple[Array, Array], candidate: tuple[Array, Array], least_gain: float = LEAST_GAIN
) -> Judgement:
    """Judge a candidate beside the serving model on the same units.

    Parameters
    ----------
    actual : numpy.ndarray, shape (n,)
        Minutes, oldest first [min].
    serving, candidate : (numpy.ndarray, numpy.ndarray), each of shape (n,)
        Predicted minutes [min], and half-width of their log.
    least_gain : float
        `LEAST_GAIN`, or `LATER_GAIN` where the serving model has learnt from the log.

    Returns
    -------
    Judgement
        Accepted when all of these hold: the median error is smaller by `least_gain`, on the newer half too, and not
        larger on the newest `LAST`; more units are nearer than chance
        gives (`CHANCE`); coverage is no worse, that is, not further below the promise than the serving model's, or
        within what chance takes off it (`COVERAGE_CHANCE`).
    """
    from scipy.stats import binom, binomtest

    n = len(actual)
    if n < FEWEST_NEWEST:
        return Judgement(
            False, f"{n} units are newer than what the serving model learnt from; it takes {FEWEST_NEWEST}"
        )
    sizes = [np.abs(np.log(actual / minutes)) for minutes, _ in (serving, candidate)]
    inside = [int((size <= width + 1e-12).sum()) for size, (_, width) in zip(sizes, (serving, candidate), strict=True)]
    medians = [
        100 * float(np.median(np.abs(np.expm1(np.log(minutes / actual))))) for minutes, _ in (serving, candidate)
    ]
    nearer, farther = int((sizes[1] < sizes[0]).sum()), int((sizes[1] > sizes[0]).sum())
    chance = float(binomtest(nearer, nearer + farther, alternative="greater").pvalue) if nearer + farther else 1.0
    coverage = [100 * count / n for count in inside]
    short = inside[1] < min(inside[0], LEVEL * n) and float(binom.cdf(inside[1], n, LEVEL)) < COVERAGE_CHANCE
    half, last = ([float(np.median(size[-few:])) for size in sizes] for few in (n - n // 2, LAST))
    if medians[1] > (1 - least_gain) * medians[0]:
        accepted, reason = False, f"its median error is not smaller by {least_gain:.0%} or more"
    elif half[1] > (1 - least_gain) * half[0]:
        accepted, reason = False, f"on the newer half its median error is not smaller by {least_gain:.0%} or more"
    elif last[1] > last[0]:
        accepted, reason = False, f"on the newest {min(LAST, n)} units it is not nearer"
    elif chance > CHANCE:
        accepted, reason = False, f"{nearer} of {nearer + farther} units nearer may be luck"
    elif short:
        accepted, reason = False, "its intervals cover less"
    else:
        accepted, reason = True, "it is nearer, and its intervals hold no worse"
    return Judgement(
        accepted, reason, n, median_serving=medians[0], median_candidate=medians[1], coverage_serving=coverage[0],
        coverage_candidate=coverage[1], width_serving=float(np.exp(2 * np.median(serving[1]))),
        width_candidate=float(np.exp(2 * np.median(candidate[1]))), nearer=nearer, farther=farther, chance=chance,
    )  # fmt: skip


def gain_asked(serving: LogPart) -> float:
    """Share by which the median error must fall below that of the serving model."""
    return LATER_GAIN if serving.rows else LEAST_GAIN


def newest_rows(laid: Logged, learnt_until: float) -> int:
    """How many of the newest units to judge on.

    Those newer than what the serving model has learnt from, as units it knows would flatter it; the newest third, at
    least `FEWEST_NEWEST`, when it has learnt from none. At most `MOST_NEWEST`.
    """
    third = max(FEWEST_NEWEST, round(len(laid) * SHARE_NEWEST))
    unseen = int((laid.day > learnt_until).sum())
    return min(third if np.isnan(learnt_until) else unseen, MOST_NEWEST, len(laid))


def block_starts(count: int) -> list[int]:
    """Where blocks begin: rising from 3 on, small ones first, at most `BLOCK` units later; they stay as a log grows."""
    starts = [3]
    while starts[-1] < count:
        starts.append(starts[-1] + min(max(1, starts[-1] // 4), BLOCK))
    return starts[:-1] if starts[-1] >= count else starts


def rolling(
    model: TimingModel, laid: Logged, count: int, *, half_life_days: float = HALF_LIFE_DAYS,
    taught: dict[int, LogPart] | None = None,
) -> tuple[Array, Array]:  # fmt: skip
    """Predict the newest units by what the rows before their block teach."""
    n = len(laid)
    minutes, width = np.empty(count), np.empty(count)
    place = np.arange(n)
    known = {} if taught is None else taught
    starts = [0, *block_starts(n)]
    for start, stop in zip(starts, [*starts[1:], n], strict=True):
        if stop <= n - count:
            continue
        if start not in known:
            # More rows than these would not change what the newest teach.
            rows = (place < start) & (place >= start - TRIAL_ROWS)
            known[start] = learn(model, laid.take(rows), half_life_days)
        block = np.arange(max(start, n - count), stop)
        held = block - (n - count)
        minutes[held], width[held] = laid.take(block).predicted(model, known[start])
    return minutes, width
