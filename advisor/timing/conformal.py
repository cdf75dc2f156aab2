"""Conformal intervals: half-widths that cover a stated share of units never seen.

Scores are sizes of log ratios between actual and predicted minutes, optionally over a difficulty known
beforehand (normalised), and by group where a group has rows enough (Mondrian).

References
----------
.. [1] J. Lei, M. G'Sell, A. Rinaldo, R. J. Tibshirani, L. Wasserman, Distribution-free predictive inference for
   regression, JASA 113 (2018), section 2.2: split conformal prediction and its guarantee.
.. [2] Y. Romano, E. Patterson, E. J. Candès, Conformalized quantile regression, NeurIPS 32 (2019).
.. [3] V. Vovk, A. Gammerman, G. Shafer, Algorithmic Learning in a Random World, 2005, section 4.5: Mondrian.
.. [4] R. F. Barber, E. J. Candès, A. Ramdas, R. J. Tibshirani, Conformal prediction beyond exchangeability, Annals of
   Statistics 51 (2023), 816-845, section 2.2: the coverage lost is at most the weighted distance between rows and the
   new one, so rows of another time are to count less.

It is a sorted column and a rank, so that serving needs no further library; MAPIE and crepes, which do the same, are the
references of `tests/outside/test_conformal.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from advisor.timing.kept import Count, OrInfinite, Width

Array = NDArray[np.float64]

LEVEL = 0.8
"""Share of units that an interval is to cover."""

Z = 1.2815515655446004
"""Standard normal quantile of 0.9: half-width of an 80 % interval over its standard deviation."""

GROUP_ROWS = 20
"""Rows a group needs for a half-width of its own: a row of fewer is more than a twentieth, too coarse for 80 %."""


def half_width(scores: Sequence[float] | Array, level: float = LEVEL) -> float:
    """Split-conformal half-width.

    The ceil((n + 1) level)-th smallest score, infinite when there are fewer scores than that [1]_; it covers at least
    `level`, and at most `level` + 1 / (n + 1) when no scores tie.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must be between 0 and 1, not {level}")
    values = np.sort(np.asarray(scores, dtype=float))
    if values.size and not (values[0] >= 0 and np.isfinite(values).all()):
        raise ValueError("scores must be finite sizes, none negative")
    # The rounding guards against (n + 1) level coming out a hair above a whole number.
    rank = math.ceil(round((values.size + 1) * level, 9))
    return float(values[rank - 1]) if rank <= values.size else math.inf


def weighted_half_width(scores: Array, weights: Array, level: float = LEVEL) -> float:
    """Split-conformal half-width where rows count differently.

    Smallest score up to which the weights (at most 1 each), over their sum and the new unit's 1, reach the level [4]_;
    infinite when none does. With weights of 1 it is `half_width`.
    """
    order = np.argsort(scores, kind="stable")
    reached = np.cumsum(weights[order]) / (weights.sum() + 1)
    place = int(np.searchsorted(reached, level - 1e-9))
    return float(scores[order[place]]) if place < len(order) else math.inf


@dataclass(frozen=True)
class Widths:
    """Half-widths, for all and by group."""

    overall: Annotated[Width, OrInfinite]
    groups: dict[str, Width] = field(default_factory=dict)  # Only groups with at least `GROUP_ROWS` rows
    rows: Count = 0  # Calibration rows

    def of(self, groups: Sequence[object] | NDArray[Any]) -> Array:
        """Half-width of each row, by its group where it has one of its own.

        Parameters
        ----------
        groups : sequence, shape (n,)

        Returns
        -------
        numpy.ndarray, shape (n,)
        """
        return np.array([self.groups.get(str(group), self.overall) for group in groups], dtype=float)


def calibrate(
    residuals: Array, groups: Sequence[object] | None = None, sizes: Array | None = None, level: float = LEVEL
) -> Widths:
    """Half-widths from calibration residuals."""
    scores = np.abs(residuals) / (1.0 if sizes is None else sizes)
    by_label: dict[str, float] = {}
    if groups is not None:
        labels = np.array([str(group) for group in groups])
        for label in np.unique(labels):
            of_label = scores[labels == label]
            if of_label.size >= GROUP_ROWS:
                by_label[str(label)] = half_width(of_label, level)
    return Widths(half_width(scores, level), by_label, int(scores.size))
