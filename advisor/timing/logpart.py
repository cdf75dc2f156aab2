"""What a bench log taught: plain numbers that correct the model fitted on rehearsals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import StrictBool

from advisor.timing.conformal import Widths
from advisor.timing.kept import Count, Pace, Share, Size, Taught, Whole, Width
from advisor.timing.pooling import effects_of

Array = NDArray[np.float64]

CURVE_LEVELS: tuple[float, ...] = (*(round(0.04 * step, 2) for step in range(1, 25)), 0.98, 0.99)
"""Levels at which the half-width is kept beside that of the promised one."""

WIDEST = 1.5
"""Multiple of the largest calibration error that stands for 'everything', the set that adaptive conformal inference
asks for once its level passes what the calibration rows can tell."""


@dataclass(frozen=True)
class Curve:
    """Half-width by level, as a multiple of the half-width at the promised level."""

    levels: tuple[Share, ...]  # Rising, between 0 and 1; the last is the highest that the calibration rows can tell
    factors: tuple[Size, ...]  # Not falling

    def __post_init__(self) -> None:
        if len(self.levels) != len(self.factors):
            raise ValueError("the curve of half-widths needs as many levels as factors")
        if min(np.diff(self.levels), default=1) <= 0 or min(np.diff(self.factors), default=0) < 0:
            raise ValueError("the curve of half-widths does not rise")

    def of(self, levels: Array) -> Array:
        """Factor on the half-width at each level; shape (n,).

        Levels of 0 and below give 0, those above the last give `WIDEST` times its factor.
        """
        inside = np.interp(levels, (0.0, *self.levels), (0.0, *self.factors))
        return np.where(levels > self.levels[-1], WIDEST * self.factors[-1], inside)


def normal_curve() -> Curve:
    """The curve of normal errors, for a model that has no calibration rows of its own."""
    from statistics import NormalDist

    middle = NormalDist().inv_cdf(0.9)
    return Curve(CURVE_LEVELS, tuple(NormalDist().inv_cdf((1 + level) / 2) / middle for level in CURVE_LEVELS))


@dataclass(frozen=True)
class LogPart:
    """What a bench log taught; what an older file lacks is as if nothing was learnt of it."""

    rows: Count = 0  # Logged units used
    invented: StrictBool = False  # The log is the demo's invention
    hands_factor: Pace = 1.0  # Factor on hands-on minutes, whoever works
    level: Taught = 0.0  # Log ratio on machine minutes
    # In multiples of the interval that the model has without a log; by kind of storage.
    widths: Annotated[Widths, Whole] = field(default_factory=lambda: Widths(1.0))
    # Log ratio on machine minutes of a 'model' of PC (maker and model, small letters) and of an 'image'.
    effects: dict[str, dict[str, Taught]] = field(default_factory=dict)
    # Factor on hands-on minutes beside the shop's typical; shown, not used, as nobody knows who will do a unit.
    technicians: dict[str, Pace] = field(default_factory=dict)
    # Standard deviation of the log of hands-on minutes about those predicted; 0 until the log tells.
    hands_sd: Width = 0.0
    # Technician to phase to factor on its hands-on minutes, for phases in which the machine has nothing to do.
    paces: dict[str, dict[str, Pace]] = field(default_factory=dict)
    curve: Curve = field(default_factory=normal_curve)
    # first, last: Days of the oldest and newest unit, ISO 8601; '' when unknown.
    first: str = ""
    last: str = ""
    effective_rows: Size = 0.0  # Rows of full weight that the weighted ones are worth
    half_life_days: Size = 0.0  # Age at which a unit counts half [d]

    def factor(self, groups: Mapping[str, NDArray[np.object_]]) -> Array:
        """Factor on machine minutes of each unit, its model and image included; shape (n,)."""
        return np.exp(self.level + effects_of(self.effects, groups))
