"""Memory modules: what is fitted, in how many slots, and what has to come out before larger ones go in."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.columns import among, numbers, texts
from advisor.phrases import joined
from advisor.tables import dicts
from advisor.unit import PORTABLE, FormFactor

_MODULE = re.compile(r"(?P<size>\d+(?:\.\d+)?) (?P<unit>[MG])iB(?!.*(?:row of chips|\bchip\b|lpddr))", re.IGNORECASE)
"""A module in `ram_modules` that can be taken out; the words for one that is soldered in are SMBIOS's, type 17."""

TWO_SLOTS = (*PORTABLE, FormFactor.ALL_IN_ONE, FormFactor.SMALL_DESKTOP)
"""Boxes with two slots unless something else is known, so that two modules fill them; common practice, no source."""

_ONE_SLOT = ("Bonnell", "Saltwell")
"""Processors of netbooks and nettops, whose boards mostly have one slot; from memory."""

MOST_AT_ONCE = 2
"""More modules than this are not thought of at once."""


@dataclass(frozen=True)
class Bank:
    """Memory slots of some units, all arrays with a row a unit."""

    free: np.ndarray  # Free slots, NaN for unknown
    # Whether the modules' sizes are told; where they are not, all of the memory is taken to sit in what comes out.
    told: np.ndarray
    # What the smallest modules hold, of none to `MOST_AT_ONCE` of them [GiB]; NaN where there are not so many.
    smallest: np.ndarray
    most_out: np.ndarray  # How many may come out where their sizes are not told
    module_gib: np.ndarray  # The largest module that the processor's generation drives [GiB], infinite where all are

    def out(self, rows: np.ndarray, ram: np.ndarray, modules: int) -> tuple[np.ndarray, np.ndarray]:
        """What comes out before so many modules go in.

        Parameters
        ----------
        rows : numpy.ndarray of int, shape (n,)
            Units, by position.
        ram : numpy.ndarray, shape (n,)
            Memory that they have [GiB].

        Returns
        -------
        count : numpy.ndarray of int, shape (n,)
            Modules that come out. Where nobody knows whether a slot is free, one is taken to be.
        gib : numpy.ndarray, shape (n,)
            What they hold [GiB]; NaN where so many cannot come out.
        """
        free = self.free[rows]
        count = np.maximum(modules - np.where(np.isnan(free), 1, free), 0).astype(int)
        untold = np.where(count == 0, 0.0, np.where(count <= self.most_out[rows], ram, np.nan))
        gib = np.where(self.told[rows], self.smallest[rows, np.minimum(count, MOST_AT_ONCE)], untold)
        # Two at once where not even one slot is known of: who knows how many there are.
        return count, np.where(np.isnan(free) & (modules > 1), np.nan, gib)


def bank_of(units: pd.DataFrame, processors: pd.DataFrame) -> Bank:
    """The slots of a Unit frame and what is in them; `processors` from `identify.processors`, same order."""
    listed, free = texts(units["ram_modules"]), numbers(units["ram_slots_free"])
    n = len(units)
    told = np.array([one is not None for one in listed], dtype=bool)
    smallest = np.full((n, MOST_AT_ONCE + 1), np.nan)
    smallest[:, 0] = 0.0
    for row in np.flatnonzero(told):
        sums = np.cumsum(module_sizes(listed[row])[:MOST_AT_ONCE])
        smallest[row, 1 : len(sums) + 1] = sums
    two = among(texts(units["form_factor"]), TWO_SLOTS)
    full = two & told & np.isnan(free) & ~np.isnan(smallest[:, MOST_AT_ONCE])
    slots, cores = numbers(units["ram_slots"]), texts(processors["cpu_microarch"])
    one = (slots == 1) | among(cores, _ONE_SLOT)
    limits = {row["microarch"]: float(row["module_gib"] or "inf") for row in dicts("advice/memory_types")}
    return Bank(
        np.where(full, 0.0, free), told, smallest, np.where((two | (slots > 1)) & ~one, MOST_AT_ONCE, 1),
        np.array([limits.get(core, np.inf) for core in cores]),
    )  # fmt: skip


def module_sizes(listed: str) -> list[float]:
    """Sizes of the modules that can be taken out, the smallest first [GiB]; `listed` as in the field `ram_modules`."""
    found = (_MODULE.match(one.strip()) for one in listed.split(";"))
    return sorted(float(one["size"]) / (1024 if one["unit"] in "mM" else 1) for one in found if one)


def in_place_of(listed: str | None, count: int) -> str:
    """What modules go in place of where so many come out, such as 'in place of 2 x 1 GiB'; '' for none."""
    if not count:
        return ""
    if listed is None:
        return "in place of what is fitted"
    sizes = Counter(f"{size:g} GiB" for size in module_sizes(listed)[:count])
    return "in place of " + joined(f"{times} x {size}" if times > 1 else size for size, times in sizes.items())
