"""Speeds where nobody measured them: from the processor's speed and the kind of storage, with their spread."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor import tables
from advisor.timing.conditions import MIB
from advisor.timing.conformal import Z

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Assumed:
    """A figure assumed, with its spread."""

    # value, low, high: Typical, and where a tenth of cases lie below and above.
    value: float
    low: float
    high: float
    unit: str
    source: str

    @property
    def sd(self) -> float:
        """Standard deviation of the log that the spread stands for."""
        return float(log_sd(self.low, self.high))

    @property
    def basis(self) -> str:
        """'published', 'measured' (or counted), or 'memory'."""
        return basis_of(self.source)


def basis_of(source: str) -> str:
    """What a row's source says that it rests on: 'published', 'measured' (or counted), or 'memory'."""
    word = source.split()[0].rstrip(":")
    return {"published": "published", "measured": "measured", "counted": "measured"}.get(word, "memory")


@dataclass(frozen=True)
class Supposed:
    """A figure of `timing/assumed`, or of a kind of storage, with the ends that a tenth of cases lie beyond."""

    row: str
    column: str  # Of `timing/storage_rates`, '' for a row of `timing/assumed`
    low: float
    high: float
    unit: str
    source: str


_SUPPOSED: ContextVar[tuple[Supposed, float] | None] = ContextVar("supposed", default=None)


@contextmanager
def supposing(what: Supposed, value: float) -> Iterator[None]:
    """Take one figure of the tables for another, within the block and in this context alone."""
    token = _SUPPOSED.set((what, value))
    try:
        yield
    finally:
        _SUPPOSED.reset(token)


def spreads() -> list[Supposed]:
    """Every row of `timing/assumed`, and read rate and access time of every kind of storage.

    How a kind writes, and how common it is, have no spread.
    """
    found = [Supposed(name, "", fact.low, fact.high, fact.unit, fact.source) for name, fact in assumed().items()]
    for row in tables.dicts("timing/storage_rates"):
        for column, ends, unit in (("read_mib_s", "read", "MiB/s"), ("access_ms", "access", "ms")):
            low, high = (float(row[f"{ends}_{end}"]) for end in ("low", "high"))
            # A row says of each figure apart where it is from, as its meta file words it.
            own = row["source"].partition(f"{ends}: ")[2].partition(". ")[0] or row["source"]
            found.append(Supposed(row["kind"], column, low, high, unit, own))
    return found


def log_sd(low: Any, high: Any) -> Any:
    """Standard deviation of a log-normal whose tenth and ninetieth percentiles are given."""
    return np.log(high / low) / (2 * Z)


def assumed() -> dict[str, Assumed]:
    """The table of assumptions, by name, as it stands or with what is supposed.

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    facts, supposed = _assumed(), _SUPPOSED.get()
    if supposed is None or supposed[0].column:
        return facts
    name = supposed[0].row
    return facts | {name: replace(facts[name], value=supposed[1])}


@cache
def _assumed() -> dict[str, Assumed]:
    name = "timing/assumed"
    found = {
        row["name"]: Assumed(float(row["value"]), float(row["low"]), float(row["high"]), row["unit"], row["source"])
        for row in tables.dicts(name)
    }
    return tables.Named(name, found)


@dataclass(frozen=True)
class StorageRates:
    """Rates by kind of storage."""

    kinds: tuple[str, ...]
    # read, read_low, access, access_high: Typical and of the slow tenth [MiB/s], [ms]; write_share: how fast it
    # writes, as a share of how fast it reads; read_sd, access_sd: log spreads; share: how common the kind is among
    # units whose storage was not noted; all of shape (len(kinds),).
    read: Array
    read_low: Array
    access: Array
    access_high: Array
    write_share: Array
    read_sd: Array
    access_sd: Array
    share: Array
    # cache_mib, slow_write: What it writes quickly, and how fast it writes then, of the disk of its kind in lab/disks;
    # NaN where it has no such cache [MiB], [MiB/s].
    cache_mib: Array
    slow_write: Array


def storage_rates() -> StorageRates:
    """The table of storage rates, as it stands or with what is supposed; TableError when missing or damaged."""
    rates, supposed = _storage_rates(), _SUPPOSED.get()
    if supposed is None or not supposed[0].column:
        return rates
    one, value = supposed
    here = np.array(rates.kinds) == one.row
    if one.column == "read_mib_s":
        return replace(rates, read=np.where(here, value, rates.read))
    return replace(rates, access=np.where(here, value, rates.access))


@cache
def _storage_rates() -> StorageRates:
    name = "timing/storage_rates"
    rows = tables.dicts(name)
    number = {
        one: np.array([float(row[one]) for row in rows])
        for one in (
            "read_mib_s", "read_low", "read_high", "access_ms", "access_low", "access_high", "write_share", "share",
        )
    }  # fmt: skip
    share = number["share"]
    if share.sum() <= 0:
        raise tables.damaged(name, "one of the shares must be above 0")
    disks = {(row["kind"], row["parameter"]): float(row["value"]) for row in tables.dicts("lab/disks")}
    cache, slow = (
        np.array([disks.get((row["kind"], parameter), np.nan) * bytes_in / MIB for row in rows])
        for parameter, bytes_in in (("cache_gb", 1e9), ("slow_write_mb_s", 1e6))
    )
    return StorageRates(
        tuple(row["kind"] for row in rows), number["read_mib_s"], number["read_low"], number["access_ms"],
        number["access_high"], number["write_share"], log_sd(number["read_low"], number["read_high"]),
        log_sd(number["access_low"], number["access_high"]), share / share.sum(), cache, slow,
    )  # fmt: skip


def decompress_of(speed: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Decompression from a processor's relative speed."""
    facts = assumed()
    unknown = ~(speed > 0)
    typical = facts["cpu_speed"]
    speed = np.where(unknown, typical.value, speed)
    known_spread = (low > 0) & (high >= low)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.where(known_spread, np.log(np.where(known_spread, high / np.where(low > 0, low, 1), 1)) / (2 * Z), 0.15)
    sd = np.where(unknown, typical.sd, sd)
    spread = np.hypot(facts["speed_spread"].sd, facts["decompress_at_one"].sd)
    return speed * facts["decompress_at_one"].value * facts["speed_spread"].value, np.hypot(sd, spread)
