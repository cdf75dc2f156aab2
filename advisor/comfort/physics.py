"""What of a unit's memory is there for programs, and the spreads that no session measures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from advisor import tables

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Constants:
    """Constants of the model; see table comfort/physics for their meaning and source."""

    kernel_mib: float
    page_share: float
    firmware_mib: float
    memory_spread: float
    measured_spread: float
    decompress_at_one: float
    decompress_spread: float

    def fuller(self, certainty: float) -> float:
        """How many times the measured memory a session takes at most, with a certainty from 0 to 1."""
        return float(np.exp(NormalDist().inv_cdf(certainty) * self.memory_spread))


@cache
def physics() -> Constants:
    """Load the constants.

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    values = {row["name"]: float(row["value"]) for row in tables.dicts("comfort/physics")}
    try:
        return Constants(**values)
    except TypeError as error:
        raise tables.damaged("comfort/physics", error) from error


def usable_mib(ram_mib: Array, p: Constants) -> Array:
    """Memory that is left for processes."""
    return np.maximum(ram_mib * (1 - p.page_share) - p.firmware_mib - p.kernel_mib, 1.0)
