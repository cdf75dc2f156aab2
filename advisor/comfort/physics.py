"""The physics of a session start: processor work, cold reads, and pages read again for want of memory."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache

import numpy as np
from numpy.typing import NDArray

from advisor import tables
from advisor.errors import TableError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Physics:
    """Constants of the model; see table comfort/physics for their meaning and source."""

    kernel_mib: float
    page_share: float
    firmware_mib: float
    desktop_parallel: float
    browser_parallel: float
    cores_used: float
    request_kib: float
    near_share: float
    greeter_share: float
    pressure_start: float
    refault: float
    memory_spread: float
    time_spread: float
    measured_spread: float


@cache
def physics() -> Physics:
    """Load the constants.

    Returns
    -------
    Physics

    Raises
    ------
    TableError
        When one is missing, no number, or negative.
    """
    frame = tables.load("comfort/physics").frame.drop_duplicates("name", keep="last").set_index("name")
    values = {}
    for field in fields(Physics):
        try:
            values[field.name] = float(str(frame.at[field.name, "value"]))
        except (KeyError, ValueError) as error:
            raise TableError(f"Table comfort/physics has no number for {field.name}.") from error
        if not values[field.name] >= 0:
            raise TableError(f"Table comfort/physics, {field.name}: {values[field.name]:g} must not be negative.")
    return Physics(**values)


@dataclass(frozen=True)
class Machine:
    """What of a unit decides how fast a session starts; a column vector each.

    Attributes
    ----------
    ram_mib : numpy.ndarray, shape (n_units, 1)
        Memory fitted [MiB].
    speed : numpy.ndarray, shape (n_units, 1)
        Single-thread speed of the processor, the reference being 1.
    cores : numpy.ndarray, shape (n_units, 1)
    read_mib_s : numpy.ndarray, shape (n_units, 1)
        Sequential read of the disk [MiB/s].
    access_ms : numpy.ndarray, shape (n_units, 1)
        Random read of the disk [ms].
    """

    ram_mib: Array
    speed: Array
    cores: Array
    read_mib_s: Array
    access_ms: Array


def usable_mib(ram_mib: Array, p: Physics) -> Array:
    """Memory that is left for processes.

    Parameters
    ----------
    ram_mib : numpy.ndarray
        Memory fitted [MiB].
    p : Physics

    Returns
    -------
    numpy.ndarray
        [MiB], not below 1.
    """
    return np.maximum(ram_mib * (1 - p.page_share) - p.firmware_mib - p.kernel_mib, 1.0)


def start_s(machine: Machine, cpu_s: Array, read_mib: Array, working_mib: Array, parallel: float, p: Physics) -> Array:
    """Seconds a start takes: falls, or stays, with more memory, a faster processor, more cores and a faster disk.

    Parameters
    ----------
    machine : Machine
    cpu_s : numpy.ndarray, shape (n_editions,)
        Processor time at speed 1 [s].
    read_mib : numpy.ndarray, shape (n_editions,)
        Cold reads [MiB].
    working_mib : numpy.ndarray, shape (n_editions,)
        Memory in use when done [MiB].
    parallel : float
        Share of the processor time that spreads over cores.
    p : Physics

    Returns
    -------
    numpy.ndarray, shape (n_units, n_editions)
        [s]
    """
    spread = (1 - parallel) + parallel / np.clip(machine.cores, 1, p.cores_used)
    requests_per_mib = 1024 / p.request_kib
    # Seconds to bring in one MiB of scattered pages.
    mib_s = 1 / machine.read_mib_s + requests_per_mib * p.near_share * machine.access_ms / 1000
    missing = np.maximum(working_mib - p.pressure_start * usable_mib(machine.ram_mib, p), 0)
    return cpu_s * spread / machine.speed + (read_mib + p.refault * missing) * mib_s


def memory_left_pct(ram_mib: Array, working_mib: Array, p: Physics) -> Array:
    """Share of the memory fitted that is left for the recipient's programs.

    Parameters
    ----------
    ram_mib : numpy.ndarray, shape (n_units, 1)
        [MiB]
    working_mib : numpy.ndarray, shape (n_editions,)
        [MiB]
    p : Physics

    Returns
    -------
    numpy.ndarray, shape (n_units, n_editions)
        [%], not below 0; rises with the memory fitted.
    """
    return 100 * np.maximum(usable_mib(ram_mib, p) - working_mib, 0) / ram_mib
