"""Adaptive intervals: the level they are served at follows what they missed, so that coverage holds as a shop changes.

References
----------
.. [1] I. Gibbs, E. J. Candès, Adaptive conformal inference under distribution shift, NeurIPS 34 (2021): the update
   of equation (2), Lemma 4.1 (the level stays within [-gamma, 1 + gamma]) and the bound of Proposition 4.1.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import figures, words
from advisor.timing.conformal import LEVEL

Array = NDArray[np.float64]

MISSES = 1 - LEVEL
"""Share of units that an interval may miss: alpha in [1]_."""

GAMMA = 0.05
"""Step of the update. A miss widens as four hits narrow, and after a change the level is at its end within half a dozen
misses. Chosen on simulated years: smaller steps follow a change too late, larger ones make intervals jump."""

OWN_ROWS = 250
"""Units that a kind of storage needs for a level of its own; with fewer, the shared one follows a change sooner."""

LOOKED_BACK = 2_000
"""Newest units that the level is worked out from: what the first of them found no longer matters to the last."""


def follow(missed: NDArray[np.bool_], gamma: float = GAMMA, misses: float = MISSES) -> Array:
    """Share to be missed at each unit, by adaptive conformal inference.

    Parameters
    ----------
    missed : numpy.ndarray of bool, shape (n,)
        Whether each unit lay outside its interval, oldest first.
    misses : float
        Share wanted, and where it starts.

    Returns
    -------
    numpy.ndarray, shape (n + 1,)
        alpha of every unit, and last of the one to come [1]_. It is held within [-gamma, 1 + gamma], which it never
        leaves by itself where an alpha below 0 stood for 'everything' and one above 1 for 'nothing'; intervals that
        were not served by it may miss longer than that.
    """
    out = np.empty(len(missed) + 1)
    alpha = out[0] = misses
    for place, miss in enumerate(missed.tolist(), start=1):
        alpha = min(max(alpha + gamma * (misses - miss), -gamma), 1 + gamma)
        out[place] = alpha
    return out


def levels(rows: pd.DataFrame) -> dict[str, float]:
    """Levels to serve the next unit's interval at, worked out from the log anew each time.

    Parameters
    ----------
    rows : pandas.DataFrame
        Oldest first: elapsed_min, predicted_low_min, predicted_high_min [min] and, where present, storage_kind. Rows
        that lack a figure say nothing.

    Returns
    -------
    dict of str to float
        '' for all, and kinds of storage with at least `OWN_ROWS` rows; empty when no row says anything.
    """
    names = ("elapsed_min", "predicted_low_min", "predicted_high_min")
    elapsed, low, high = (figures(rows, name) for name in names)
    known = ~(np.isnan(elapsed) | np.isnan(low) | np.isnan(high))
    if not known.any():
        return {}
    known &= np.cumsum(known[::-1])[::-1] <= LOOKED_BACK
    missed = ((elapsed < low) | (elapsed > high))[known]
    return levels_of(missed, words(rows, "storage_kind").fillna("unknown").to_numpy().astype(str)[known])


def levels_of(missed: NDArray[np.bool_], kinds: NDArray[np.str_]) -> dict[str, float]:
    """Levels to serve the next unit's interval at, by kind of storage, as `levels` gives them."""
    if not missed.size:
        return {}
    out = {"": 1 - float(follow(missed)[-1])}
    for kind in np.unique(kinds):
        of_kind = kinds == kind
        if of_kind.sum() >= OWN_ROWS:
            out[str(kind)] = 1 - float(follow(missed[of_kind])[-1])
    return out
