"""Units as the comfort model reads them: memory, processor and disk as numbers, typical and with certainty."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pandas as pd

from advisor.columns import numbers, texts
from advisor.comfort.model import Array, UnitSpeeds
from advisor.comfort.physics import Constants, usable_mib
from advisor.timing.conformal import Z
from advisor.timing.rates import storage_rates


def _disk(units: pd.DataFrame, z: float, p: Constants) -> tuple[Array, Array, Array, Array]:
    """Read rate and access time, typical and then cautious; NaN for a kind that is not known."""
    rates = storage_rates()
    kind = pd.Index(rates.kinds).get_indexer(pd.Index(texts(units["storage_kind"])))
    read, slow, access, long = (
        np.append(one, np.nan)[kind] for one in (rates.read, rates.read_low, rates.access, rates.access_high)
    )
    # The table's low and high ends are tenths.
    read_c, access_c = read * (slow / read) ** (z / Z), access * (long / access) ** (z / Z)
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
        sd = np.hypot(np.log(speed / low) / Z, p.decompress_spread)
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
