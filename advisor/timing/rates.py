"""Speeds where nobody measured them: from the processor's speed and the kind of storage, with their spread."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor import tables
from advisor.errors import TableError
from advisor.timing.conformal import Z

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Assumed:
    """A figure assumed, with its spread.

    Attributes
    ----------
    value, low, high : float
        Typical, and where a tenth of cases lie below and above.
    unit, source : str
    """

    value: float
    low: float
    high: float
    unit: str
    source: str

    @property
    def sd(self) -> float:
        """Standard deviation of the log that the spread stands for."""
        return log_sd(self.low, self.high)


def log_sd(low: float, high: float) -> float:
    """Standard deviation of a log-normal whose tenth and ninetieth percentiles are given."""
    return float(np.log(high / low) / (2 * Z))


@cache
def assumed() -> dict[str, Assumed]:
    """The table of assumptions, by name.

    Returns
    -------
    dict of str to Assumed

    Raises
    ------
    TableError
        When a figure is no number, or not in order.
    """
    frame = tables.load("timing/assumed").frame
    found: dict[str, Assumed] = {}
    for row in frame.itertuples():
        value, low, high = _three(frame, "timing/assumed", str(row.name), (row.value, row.low, row.high))
        # A user's own row of the same name comes later and takes precedence.
        found[str(row.name)] = Assumed(value, low, high, str(row.unit), str(row.source))
    return found


def _three(frame: pd.DataFrame, table: str, name: str, cells: tuple[object, object, object]) -> tuple[float, ...]:
    try:
        value, low, high = (float(str(cell)) for cell in cells)
    except ValueError as error:
        raise TableError(f"Table {table}, row {name}: {cells} are not three numbers.") from error
    if not 0 < low <= value <= high:
        raise TableError(f"Table {table}, row {name}: {low:g}, {value:g}, {high:g} do not rise from above 0.")
    return value, low, high


@dataclass(frozen=True)
class StorageRates:
    """Rates by kind of storage.

    Attributes
    ----------
    kinds : tuple of str
    read, access, read_sd, access_sd, share : numpy.ndarray, shape (len(kinds),)
        [MiB/s], [ms], log spreads, and how common the kind is among units whose storage was not noted.
    sources : tuple of str
    """

    kinds: tuple[str, ...]
    read: Array
    access: Array
    read_sd: Array
    access_sd: Array
    share: Array
    sources: tuple[str, ...]


@cache
def storage_rates() -> StorageRates:
    """The table of storage rates.

    Returns
    -------
    StorageRates

    Raises
    ------
    TableError
        When a figure is no number, or not in order.
    """
    frame = tables.load("timing/storage_rates").frame.drop_duplicates("kind", keep="last")
    name = "timing/storage_rates"
    reads = [_three(frame, name, str(r.kind), (r.read_mib_s, r.read_low, r.read_high)) for r in frame.itertuples()]
    hits = [_three(frame, name, str(r.kind), (r.access_ms, r.access_low, r.access_high)) for r in frame.itertuples()]
    share = pd.to_numeric(frame["share"]).to_numpy(dtype=float)
    if not (share >= 0).all() or share.sum() <= 0:
        raise TableError(f"Table {name}: the shares must be 0 or more, and one above 0.")
    return StorageRates(
        kinds=tuple(str(kind) for kind in frame["kind"]),
        read=np.array([value[0] for value in reads]),
        access=np.array([value[0] for value in hits]),
        read_sd=np.array([log_sd(value[1], value[2]) for value in reads]),
        access_sd=np.array([log_sd(value[1], value[2]) for value in hits]),
        share=share / share.sum(),
        sources=tuple(str(source) for source in frame["source"]),
    )


def decompress_of(speed: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Decompression from a processor's relative speed.

    Parameters
    ----------
    speed, low, high : numpy.ndarray, shape (n,)
        Relative single-thread speed and its 80 % spread; NaN where unknown.

    Returns
    -------
    decompress_mib_s : numpy.ndarray, shape (n,)
        [MiB/s]
    spread : numpy.ndarray, shape (n,)
        Standard deviation of its log.
    """
    facts = assumed()
    unknown = ~(speed > 0)
    typical = facts["cpu_speed"]
    speed = np.where(unknown, typical.value, speed)
    known_spread = (low > 0) & (high >= low)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.where(known_spread, np.log(np.where(known_spread, high / np.where(low > 0, low, 1), 1)) / (2 * Z), 0.15)
    sd = np.where(unknown, typical.sd, sd)
    own = np.hypot(facts["speed_spread"].sd, facts["decompress_at_one"].sd)
    return speed * facts["decompress_at_one"].value, np.hypot(sd, own)
