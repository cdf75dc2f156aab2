"""Hands-on minutes, modelled apart from what the machine does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor import tables
from advisor.timing.conformal import Z
from advisor.unit import BootMode, FormFactor, StorageMode

Array = NDArray[np.float64]

DAMAGE_WORDS = r"crack|broken|damag|missing|sticky|swollen|dirty|smell|locked|password|dead|fault|noisy|loose|stain"
"""Words of a note that mean a closer look; common practice, no source."""

PERSON_SD = 0.15
"""How far people differ at the same work, as a share of the minutes; from memory."""

FACTS = ("cpu", "ram_gib", "storage_kind", "storage_gib", "boot_mode")
"""Facts that somebody must find out at the bench when the intake leaves them open."""


@dataclass(frozen=True)
class Phases:
    """The table of phases, as arrays.

    Attributes
    ----------
    names, titles, machine : tuple of str
    low, typical, high, overlap_share : numpy.ndarray, shape (len(names),)
        Hands-on [min]; share of them that may run while the machine works.
    """

    names: tuple[str, ...]
    titles: tuple[str, ...]
    machine: tuple[str, ...]
    low: Array
    typical: Array
    high: Array
    overlap_share: Array


@cache
def phase_table() -> Phases:
    """The phases, in order."""
    rows = sorted(tables.dicts("timing/phases"), key=lambda row: int(row["order"]))

    def numbers(name: str) -> Array:
        return np.array([float(row[name]) for row in rows])

    return Phases(
        names=tuple(row["phase"] for row in rows),
        titles=tuple(row["title"] for row in rows),
        machine=tuple(row["machine"] for row in rows),
        low=numbers("hands_low"),
        typical=numbers("hands_typical"),
        high=numbers("hands_high"),
        overlap_share=numbers("overlap_share"),
    )


@dataclass(frozen=True)
class HandsOn:
    """Hands-on minutes of each unit and phase.

    Attributes
    ----------
    minutes : numpy.ndarray, shape (n, n_phases)
        Typical [min].
    spread : numpy.ndarray, shape (n,)
        Standard deviation of a unit's sum [min]: phases scatter by themselves, and all of them with the person.
    why : dict of str to numpy.ndarray of bool, shape (n,)
        Condition of `datasets/timing/hands_extras.csv` to the units it applies to.
    """

    minutes: Array
    spread: Array
    why: dict[str, NDArray[np.bool_]]

    def take(self, rows: NDArray[Any]) -> HandsOn:
        """Some of the units, by mask or position."""
        return HandsOn(self.minutes[rows], self.spread[rows], {name: mask[rows] for name, mask in self.why.items()})


def hands_on(units: pd.DataFrame, firmware: pd.Series | None = None, part_min: pd.Series | None = None) -> HandsOn:
    """Work out hands-on minutes.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n, any)
        A Unit frame.
    firmware : pandas.Series of bool, shape (n,), optional
        Units that need a firmware package brought on a stick.
    part_min : pandas.Series, shape (n,), optional
        Minutes to fit the part that the advice names [min]; NA or 0 where none.

    Returns
    -------
    HandsOn
    """
    table = phase_table()
    n = len(units)
    minutes = np.repeat(table.typical[None, :], n, axis=0)
    variance = np.full(n, float((((table.high - table.low) / (2 * Z)) ** 2).sum()))
    conditions = _conditions(units, firmware)
    name = "timing/hands_extras"
    extras = tables.Named(name, {row["condition"]: row for row in tables.dicts(name)})
    for name, applies in conditions.items():
        row = extras[name]
        column = table.names.index(row["phase"])
        minutes[:, column] += applies * float(row["typical"])
        variance += applies * ((float(row["high"]) - float(row["low"])) / (2 * Z)) ** 2
    if part_min is not None:
        fit = pd.to_numeric(part_min).astype("Float64").to_numpy(dtype=float, na_value=0.0)
        minutes[:, table.names.index(extras["part to fit"]["phase"])] += fit
        # A fitting may take half as long again, or two thirds of what the shop reckons.
        variance += (fit * 0.4 / Z) ** 2
        conditions["part to fit"] = fit > 0
    spread = np.sqrt(variance + (PERSON_SD * minutes.sum(axis=1)) ** 2)
    return HandsOn(minutes, spread, conditions)


def _conditions(units: pd.DataFrame, firmware: pd.Series | None) -> dict[str, NDArray[np.bool_]]:
    def text(name: str) -> pd.Series:
        if name not in units:
            return pd.Series(pd.NA, index=units.index, dtype="string")
        return units[name].astype("string")

    def among(name: str, *values: str) -> NDArray[np.bool_]:
        codes, distinct = pd.factorize(text(name))
        return np.append(np.isin(np.asarray(distinct, dtype=object), values), False)[codes]

    missing = sum((text(name).isna().to_numpy(dtype=int) for name in FACTS), np.zeros(len(units), dtype=int))
    codes, distinct = pd.factorize(text("notes"))
    damage = pd.Series(distinct, dtype="string").str.contains(DAMAGE_WORDS, case=False, regex=True).fillna(False)
    note = np.append(damage.to_numpy(dtype=bool), False)[codes]
    return {
        "desktop box": among("form_factor", FormFactor.DESKTOP, FormFactor.SMALL_DESKTOP, FormFactor.SERVER),
        "battery to judge": among("form_factor", FormFactor.LAPTOP, FormFactor.CONVERTIBLE, FormFactor.TABLET),
        "facts missing": missing >= 2,
        "damage noted": note,
        "raid mode": among("storage_mode", StorageMode.RAID, StorageMode.VMD),
        "uefi 32-bit": among("boot_mode", BootMode.UEFI32),
        "firmware to fetch": (
            np.zeros(len(units), dtype=bool) if firmware is None else np.asarray(firmware.fillna(False), dtype=bool)
        ),
    }
