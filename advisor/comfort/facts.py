"""What of a unit decides its comfort, as numbers; a missing fact at its best and at its worst."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from advisor import tables
from advisor.columns import numbers
from advisor.comfort.model import Array, Machine
from advisor.comfort.physics import Physics, usable_mib
from advisor.unit import StorageKind

RAM_GIB = (1.0, 16.0)
"""Least and most memory that a unit of unknown memory is taken to have [GiB]; from memory of used PCs."""

SPEED = (0.12, 2.5)
"""Least and most speed that an unknown processor is taken to have; from memory of used PCs."""

UNKNOWN_KINDS = (StorageKind.HDD, StorageKind.NVME)
"""Slowest and fastest disk that a unit of unknown disk is taken to have."""

Z_TENTH = float(ndtri(0.9))
"""The tables' low and high ends are tenths; this many standard deviations lie between them and the middle."""


@dataclass(frozen=True)
class Rates:
    """Rates of one kind of storage: typical, and the slow tenth.

    Attributes
    ----------
    read, read_slow : float
        Sequential read [MiB/s].
    access, access_slow : float
        Random read [ms].
    """

    read: float
    read_slow: float
    access: float
    access_slow: float


@cache
def storage_rates() -> dict[str, Rates]:
    """Rates by kind of storage, from the table timing/storage_rates.

    Returns
    -------
    dict of str to Rates

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    names = ("read_mib_s", "read_low", "access_ms", "access_high")
    table = "timing/storage_rates"
    return tables.Named(
        table, {row["kind"]: Rates(*(float(row[name]) for name in names)) for row in tables.dicts(table)}
    )


@dataclass(frozen=True)
class Scenario:
    """One reading of the units: the typical machine and the one that certainty asks for.

    Attributes
    ----------
    typical, cautious : Machine
        `cautious` is slower in every part, by as much as the certainty asked for.
    ram_mib : numpy.ndarray, shape (n_units, 1)
        Memory fitted [MiB].
    """

    typical: Machine
    cautious: Machine
    ram_mib: Array


@dataclass(frozen=True)
class Facts:
    """The units as the model reads them.

    Attributes
    ----------
    best, worst : Scenario
        Equal where nothing is missing; else each missing fact at its best and its worst.
    missing : dict of str to numpy.ndarray of bool, shape (n_units,)
        Fields that decide and are unknown: ram_gib, cpu, storage_kind.
    """

    best: Scenario
    worst: Scenario
    missing: dict[str, np.ndarray]


def _disk(units: pd.DataFrame, unknown_kind: str, z: float, p: Physics) -> tuple[Array, Array, Array, Array]:
    """Read rate and access time: typical, then cautious, with an unknown kind taken as `unknown_kind`."""
    rates = storage_rates()
    codes, kinds = pd.factorize(units["storage_kind"])
    per_kind = [rates.get(str(kind), rates[str(unknown_kind)]) for kind in [*kinds, unknown_kind]]
    table = np.array([(one.read, one.read_slow, one.access, one.access_slow) for one in per_kind])[codes]
    power = z / Z_TENTH
    read, access = table[:, 0], table[:, 2]
    read_c = read * (table[:, 1] / read) ** power
    access_c = access * (table[:, 3] / access) ** power
    for own, is_read in ((numbers(units["disk_read_mib_s"]), True), (numbers(units["disk_access_ms"]), False)):
        known = ~np.isnan(own)
        factor = np.exp(z * p.measured_spread)
        if is_read:
            read, read_c = np.where(known, own, read), np.where(known, own / factor, read_c)
        else:
            access, access_c = np.where(known, own, access), np.where(known, own * factor, access_c)
    return read, access, read_c, access_c


def _processor(
    units: pd.DataFrame, processors: pd.DataFrame, z: float, p: Physics
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Decompression of one core, typical and cautious [MiB/s], and where it is known: measured, else by its name."""
    speed, low = numbers(processors["cpu_speed"]), numbers(processors["cpu_speed_low"])
    low = np.fmin(np.where(np.isnan(low), speed, low), speed)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.hypot(np.log(speed / low) / Z_TENTH, p.decompress_spread)
    own = numbers(units["decompress_mib_s"])
    measured = own > 0
    typical = np.where(measured, own, speed * p.decompress_at_one)
    cautious = np.where(measured, own * np.exp(-z * p.measured_spread), speed * p.decompress_at_one * np.exp(-z * sd))
    return typical, cautious, ~np.isnan(typical)


def _columns(values: tuple[Array, ...]) -> Machine:
    return Machine(*(one[:, None] for one in values))


def facts(units: pd.DataFrame, processors: pd.DataFrame, certainty: float, p: Physics) -> Facts:
    """Read the units.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it (`cpu_speed`, `cpu_speed_low`, `cpu_cores`).
    certainty : float
        Such as 0.8.
    p : Physics

    Returns
    -------
    Facts
    """
    z = float(ndtri(certainty))
    ram = numbers(units["ram_gib"]) * 1024
    decompress, cautious_decompress, known = _processor(units, processors, z, p)
    cores = numbers(units["cpu_cores"])
    cores = np.where(np.isnan(cores), numbers(processors["cpu_cores"]), cores)
    # A processor whose cores nobody knows is taken to have one: never better than it is.
    cores = np.where(np.isnan(cores), 1.0, cores)
    kind_known = units["storage_kind"].isin(list(storage_rates())).to_numpy(dtype=bool)
    no_disk = units["storage_kind"].eq(StorageKind.NONE).fillna(False).to_numpy(dtype=bool)
    measured = units["disk_read_mib_s"].notna().to_numpy() & units["disk_access_ms"].notna().to_numpy()
    missing = {
        "ram_gib": np.isnan(ram),
        "cpu": ~known,
        "storage_kind": ~(kind_known | measured | no_disk),
    }

    def scenario(side: int) -> Scenario:
        read, access, read_c, access_c = _disk(units, str(UNKNOWN_KINDS[side]), z, p)
        some_ram = np.where(missing["ram_gib"], RAM_GIB[side] * 1024, ram)
        usable = usable_mib(some_ram, p)
        unknown = SPEED[side] * p.decompress_at_one
        processor, slower = (np.where(known, one, unknown) for one in (decompress, cautious_decompress))
        typical = (usable, processor, cores, read, access)
        cautious = (usable, slower, cores, read_c, access_c)
        return Scenario(_columns(typical), _columns(cautious), some_ram[:, None])

    return Facts(best=scenario(1), worst=scenario(0), missing=missing)
