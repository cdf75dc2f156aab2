"""Missing facts at their best and at their worst: a unit whose every fact is filled in is a reading of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from advisor.advice.facts import Facts
from advisor.columns import ByUnit, Columns, among, holds, numbers, present
from advisor.editions import chip_draws, draws_slowly
from advisor.unit import BootMode, FormFactor, StorageKind

RAM_GIB = (1.0, 16.0)
"""Least and most memory that a unit of unknown memory is taken to have [GiB]; from memory of used PCs."""

DISK_GIB = {StorageKind.EMMC: (16.0, 64.0), StorageKind.USB: (8.0, 64.0), None: (8.0, 480.0)}
"""Least and most that a disk of unknown size holds [GiB], where one kind's least may be too small; from memory."""

ENOUGH_GIB = 60.0
"""What a spinning disk or SSD of unknown size holds at least [GiB]: common practice, no source."""

KINDS = (StorageKind.HDD, StorageKind.NVME)
"""Slowest and fastest disk that a unit of unknown disk is taken to have."""

SPEED = (0.12, 2.5)
"""Least and most speed that a processor of which nothing is known is taken to have; from memory of used PCs."""

LEVEL = ("i686", "v3")
"""Lowest and highest level that an unknown processor is taken to have."""

RECENT_YEAR = 2020
"""Year that a processor which its name leaves open has at its best; from memory of used PCs."""

READ_COLUMNS = (
    "ram_gib", "ram_slots_free", "ram_soldered", "ram_max_gib", "form_factor", "storage_kind", "storage_gib",
    "storage_health_pct", "storage_mode", "boot_mode", "graphics", "image", "cpu_cores", "decompress_mib_s",
    "disk_read_mib_s", "disk_access_ms", "disk_near_ms",
)  # fmt: skip
"""Fields of the unit that an option hangs on."""

PROCESSOR_COLUMNS = (
    "cpu_year", "cpu_year_least", "cpu_level", "cpu_level_least", "cpu_level_most", "cpu_speed", "cpu_speed_low",
    "cpu_speed_high", "cpu_speed_least", "cpu_speed_most", "cpu_cores",
)  # fmt: skip
"""What of the processor it hangs on."""

WORST, BEST = 0, 1

TITLES = {
    "cpu": "the processor", "level": "whether the processor is 64-bit", "ram_gib": "the memory",
    "storage_kind": "the kind of disk", "storage_gib": "the disk's size",
    "boot_mode": "the boot mode",
}  # fmt: skip
"""Facts that may decide, in the order in which they are asked for, in words."""

WHERE = {
    "cpu": "the sticker, the firmware's set-up page, or a capture",
    "level": "a capture, or the processor's full name on the firmware's set-up page",
    "ram_gib": "the firmware's set-up page, the modules' labels, or a capture",
    "storage_kind": "the disk's label, the firmware's set-up page, or a capture",
    "storage_gib": "the disk's label, the firmware's set-up page, or a capture",
    "boot_mode": "the firmware's set-up page",
}
"""Where each fact is read."""


_FORMS = {
    "DIMM": (FormFactor.DESKTOP, FormFactor.SERVER, FormFactor.SMALL_DESKTOP),
    "SODIMM": (
        FormFactor.LAPTOP, FormFactor.ALL_IN_ONE, FormFactor.CONVERTIBLE, FormFactor.THIN_CLIENT,
        FormFactor.SMALL_DESKTOP, FormFactor.TABLET,
    ),
}  # fmt: skip
"""Form of a module to the boxes that take it; a small desktop may take either, and so may an unknown box."""


@dataclass(frozen=True)
class Reading(ByUnit):
    """Units of which nothing that decides is missing; all of the same length."""

    rows: np.ndarray  # Positions of the units among the facts
    # With the columns `READ_COLUMNS` and `PROCESSOR_COLUMNS`.
    units: pd.DataFrame
    processors: pd.DataFrame
    draws: np.ndarray  # Where a graphics chip draws
    open_boot: np.ndarray  # What a boot mode that is not known counts as, where an image does not start in all

    @cached_property
    def words(self) -> Columns:
        """The units' columns of words, None where unknown."""
        return Columns(self.units)

    @cached_property
    def memory(self) -> dict[str, np.ndarray]:
        """What is known of memory and its slots, NaN where unknown, and where it is soldered."""
        names = ("ram_gib", "ram_slots_free", "ram_max_gib")
        figures = {name: numbers(self.units[name]) for name in names}
        return figures | {"ram_soldered": holds(self.units["ram_soldered"])}

    @cached_property
    def forms(self) -> dict[str, np.ndarray]:
        """Where the box may take a module of each form."""
        boxes = self.words["form_factor"]
        return {form: among(boxes, some) | ~present(boxes) for form, some in _FORMS.items()}

    @cached_property
    def slow_drawing(self) -> np.ndarray:
        """Where old graphics draws a desktop that it composes slowly."""
        return draws_slowly(self.units, self.processors)


def missing(facts: Facts) -> dict[str, np.ndarray]:
    """Tell which facts that may decide are not known; of `TITLES` to bool arrays of shape (n_units,)."""
    units, gaps = facts.units, _gaps(facts.units, facts.processors)
    cpu = gaps["cpu_speed"] & ~(numbers(units["decompress_mib_s"]) > 0)
    measured = (numbers(units["disk_read_mib_s"]) > 0) & (numbers(units["disk_access_ms"]) > 0)
    some = any(set(image.boots) < set(BootMode) for image in facts.shop.images)
    return {
        "cpu": cpu,
        "level": gaps["cpu_level"] & ~cpu,
        "ram_gib": gaps["ram_gib"],
        "storage_kind": gaps["storage_kind"] & ~measured,
        "storage_gib": gaps["storage_gib"] & ~facts.no_disk,
        "boot_mode": gaps["boot_mode"] & some,
    }


def _gaps(units: pd.DataFrame, processors: pd.DataFrame) -> dict[str, np.ndarray]:
    """Where a field that `read` fills in holds nothing; the year where at least its oldest is told."""
    gaps = {name: units[name].isna().to_numpy() for name in ("ram_gib", "storage_kind", "storage_gib", "boot_mode")}
    gaps |= {name: processors[name].isna().to_numpy() for name in ("cpu_speed", "cpu_level", "cpu_year")}
    gaps["cpu_year"] = gaps["cpu_year"] & processors["cpu_year_least"].notna().to_numpy()
    return gaps


def sole(facts: Facts, lacking: dict[str, np.ndarray]) -> np.ndarray:
    """The one fact that each unit lacks, '' where `read` would fill in none, several, or one that decides nothing."""
    gaps = _gaps(facts.units, facts.processors)
    filled = gaps | {
        "cpu": gaps["cpu_speed"] | gaps["cpu_year"],
        "level": gaps["cpu_level"] & ~gaps["cpu_speed"],
        "boot_mode": lacking["boot_mode"],
    }
    one = np.sum([filled[name] for name in TITLES], axis=0) == 1
    return np.select([one & filled[name] & lacking[name] for name in TITLES], list(TITLES), "")


def read(facts: Facts, side: dict[str, np.ndarray], rows: np.ndarray | None = None) -> Reading:
    """Fill what is missing in.

    Parameters
    ----------
    side : dict of str to numpy.ndarray of int, shape (n_rows,)
        For each fact of `TITLES`, `WORST` or `BEST`.
    rows : numpy.ndarray of int, optional
        Positions of the units; all when left out.
    """
    rows = np.arange(len(facts)) if rows is None else rows
    units = facts.units[list(READ_COLUMNS)].iloc[rows].reset_index(drop=True)
    processors = facts.processors[list(PROCESSOR_COLUMNS)].iloc[rows].reset_index(drop=True)
    gaps = _gaps(units, processors)
    cpu, level, year = (gaps[name] for name in ("cpu_speed", "cpu_level", "cpu_year"))
    if cpu.any():
        speed = _end(processors, "cpu_speed", SPEED, side["cpu"])[cpu]
        for name in ("cpu_speed", "cpu_speed_low", "cpu_speed_high"):
            processors.loc[cpu, name] = speed
    if level.any():
        at = np.where(cpu, side["cpu"], side["level"])
        processors.loc[level, "cpu_level"] = _end(processors, "cpu_level", LEVEL, at)[level]
    if year.any():
        newest = np.where(side["cpu"] == BEST, RECENT_YEAR, numbers(processors["cpu_year_least"]))
        processors.loc[year, "cpu_year"] = newest[year].astype(int)
    ram, kind, size = (gaps[name] for name in ("ram_gib", "storage_kind", "storage_gib"))
    if ram.any():
        units.loc[ram, "ram_gib"] = np.array(RAM_GIB)[side["ram_gib"][ram]]
    if size.any():
        units.loc[size, "storage_gib"] = _sizes(units["storage_kind"], side["storage_gib"])[size]
    if kind.any():
        units.loc[kind, "storage_kind"] = np.array(list(map(str, KINDS)), dtype=object)[side["storage_kind"][kind]]
    return Reading(rows, units, processors, chip_draws(facts.drawing)[rows], side["boot_mode"] == BEST)


def _end(processors: pd.DataFrame, name: str, bounds: tuple[Any, Any], side: np.ndarray) -> np.ndarray:
    """Least or most of a fact of the processor, a bound where its name tells none."""
    worst, best = (
        processors[f"{name}_{end}"].fillna(bound).to_numpy()
        for end, bound in zip(("least", "most"), bounds, strict=True)
    )
    return np.where(side == BEST, best, worst)


def _sizes(kinds: pd.Series[str], side: np.ndarray) -> np.ndarray:
    out = np.full(len(kinds), ENOUGH_GIB)
    for kind, ends in DISK_GIB.items():
        at = kinds.isna().to_numpy() if kind is None else kinds.eq(str(kind)).fillna(False).to_numpy(dtype=bool)
        out[at] = np.array(ends)[side[at]]
    return out


def sides(n: int, side: int) -> dict[str, np.ndarray]:
    """Every missing fact of n units at one side."""
    return {name: np.full(n, side) for name in TITLES}
