"""Units as the comfort model reads them: memory, processor and disk as numbers, typical and with certainty."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
import pandas as pd

from advisor import tables
from advisor.columns import numbers
from advisor.comfort.model import Array, UnitSpeeds
from advisor.comfort.physics import Constants, usable_mib

Z_TENTH = NormalDist().inv_cdf(0.9)
"""The tables' low and high ends are tenths; this many standard deviations lie between them and the middle."""


@dataclass(frozen=True)
class Rates:
    """Rates of one kind of storage, typical and of the slow tenth: sequential read [MiB/s], random read [ms]."""

    read: float
    read_slow: float
    access: float
    access_slow: float


@cache
def storage_rates() -> dict[str, Rates]:
    """Rates by kind of storage, from the table timing/storage_rates."""
    names = ("read_mib_s", "read_low", "access_ms", "access_high")
    table = "timing/storage_rates"
    return tables.Named(
        table, {row["kind"]: Rates(*(float(row[name]) for name in names)) for row in tables.dicts(table)}
    )


def _disk(units: pd.DataFrame, z: float, p: Constants) -> tuple[Array, Array, Array, Array]:
    """Read rate and access time, typical and then cautious; NaN for a kind that is not known."""
    rates = storage_rates()
    codes, kinds = pd.factorize(units["storage_kind"])
    unknown = Rates(*[np.nan] * 4)
    per_kind = [rates.get(str(kind), unknown) for kind in kinds] + [unknown]
    table = np.array([(one.read, one.read_slow, one.access, one.access_slow) for one in per_kind])[codes]
    power = z / Z_TENTH
    read, access = table[:, 0], table[:, 2]
    read_c = read * (table[:, 1] / read) ** power
    access_c = access * (table[:, 3] / access) ** power
    factor = np.exp(z * p.measured_spread)
    measured = numbers(units["disk_read_mib_s"])
    read, read_c = np.where(measured > 0, measured, read), np.where(measured > 0, measured / factor, read_c)
    measured = numbers(units["disk_access_ms"])
    access, access_c = np.where(measured > 0, measured, access), np.where(measured > 0, measured * factor, access_c)
    return read, access, read_c, access_c


def _processor(units: pd.DataFrame, processors: pd.DataFrame, z: float, p: Constants) -> tuple[Array, Array]:
    """Decompression of one core, typical and cautious [MiB/s]: measured, else by the processor's name."""
    speed, low = numbers(processors["cpu_speed"]), numbers(processors["cpu_speed_low"])
    low = np.fmin(np.where(np.isnan(low), speed, low), speed)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.hypot(np.log(speed / low) / Z_TENTH, p.decompress_spread)
    measured = numbers(units["decompress_mib_s"])
    typical = np.where(measured > 0, measured, speed * p.decompress_at_one)
    slower = np.where(
        measured > 0, measured * np.exp(-z * p.measured_spread), speed * p.decompress_at_one * np.exp(-z * sd)
    )
    return typical, slower


def machines(
    units: pd.DataFrame, processors: pd.DataFrame, certainty: float, p: Constants
) -> tuple[UnitSpeeds, UnitSpeeds]:
    """Read the units, NaN for what is not known.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it (`cpu_speed`, `cpu_speed_low`, `cpu_cores`).
    certainty : float
        Such as 0.8.

    Returns
    -------
    typical, cautious : UnitSpeeds
        `cautious` is slower in every part, by as much as the certainty asks for.
    """
    z = NormalDist().inv_cdf(certainty)
    decompress, slower = _processor(units, processors, z, p)
    cores = numbers(units["cpu_cores"])
    cores = np.where(np.isnan(cores), numbers(processors["cpu_cores"]), cores)
    # A processor whose cores nobody knows is taken to have one: never better than it is.
    cores = np.where(np.isnan(cores), 1.0, cores)
    read, access, read_c, access_c = _disk(units, z, p)
    usable = usable_mib(numbers(units["ram_gib"]) * 1024, p)
    typical = UnitSpeeds(*(one[:, None] for one in (usable, decompress, cores, read, access)))
    return typical, UnitSpeeds(*(one[:, None] for one in (usable, slower, cores, read_c, access_c)))
