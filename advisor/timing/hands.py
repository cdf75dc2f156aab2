"""Hands-on minutes, apart from what the machine does: the steps of `operations` that a unit asks for, and its parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor import tables
from advisor.columns import ByUnit, distinct, words
from advisor.shop import Installer, Practice, Shop, default_shop
from advisor.timing import operations
from advisor.timing.conformal import Z
from advisor.unit import PORTABLE, BootMode, FormFactor, StorageMode

Array = NDArray[np.float64]

DAMAGE_WORDS = r"crack|broken|damag|missing|sticky|swollen|dirty|smell|locked|password|dead|fault|noisy|loose|stain"
"""Words of a note that mean a closer look; common practice, no source."""

FACTS = ("cpu", "ram_gib", "storage_kind", "storage_gib", "boot_mode")
"""Facts that somebody must find out at the bench when the intake leaves them open."""

FITTING_SPREAD = 0.4
"""How far the minutes of a fitting differ, as a share of them, from the middle to where a tenth take more: half as long
again, or two thirds of what was reckoned; common practice, no source."""

FITTING_PACE = 1 / 1.25, 1 / 0.75
"""Least and most of a shop's pace that a fitting can have: the rating scale of work study, from very fast to steady
(International Labour Office, Introduction to Work Study, 4th edition, 1992)."""

_BOXES = (FormFactor.DESKTOP, FormFactor.SMALL_DESKTOP, FormFactor.SERVER)


@dataclass(frozen=True)
class Phases:
    """The table of phases, in order: names, titles, and the machine's work in each."""

    names: tuple[str, ...]
    titles: tuple[str, ...]
    machine: tuple[str, ...]


@cache
def phase_table() -> Phases:
    """The phases, in order."""
    rows = sorted(tables.dicts("timing/phases"), key=lambda row: int(row["order"]))
    return Phases(*(tuple(row[name] for row in rows) for name in ("phase", "title", "machine")))


@dataclass(frozen=True)
class HandsOn(ByUnit):
    """Hands-on minutes of each unit and phase."""

    minutes: Array  # Typical, without standing by, the fitting of parts included [min], shape (n, n_phases)
    # wait, meanwhile: Stood by while the machine works, at the most; part of `minutes` that can be done while it works
    # [min], shape (n, n_phases).
    wait: Array
    meanwhile: Array
    # Standard deviation of a unit's sum [min]: steps miss by themselves, one person's pace runs through all of them,
    # shape (n,).
    spread: Array
    remembered: Array  # Minutes that rest on memory [min], shape (n,)
    done: Array  # How often each step of `operations.steps()` is done, shape (n, n_steps)
    # fit, fit_remembered: Minutes to fit parts, and those of them that rest on memory [min]; in `minutes` and
    # `remembered` too, shape (n,).
    fit: Array
    fit_remembered: Array

    @property
    def by_heart(self) -> Array:
        """Share of the minutes that rests on memory, shape (n,)."""
        return self.remembered / np.maximum(self.minutes.sum(axis=1), 1e-9)

    def at_pace(self, factor: float) -> HandsOn:
        """The same in a shop that takes `factor` times as long over its steps.

        A pace at one kind of work carries over to fitting parts by `operations.PACE_CORRELATION`, and no further than
        `FITTING_PACE`: what takes a shop long over its screens is not what takes long over screws.
        """
        slower = float(np.clip(factor**operations.PACE_CORRELATION, *FITTING_PACE))
        minutes = self.minutes * factor
        minutes[:, phase_table().names.index("prepare")] += self.fit * (slower - factor)
        of_fit = self.fit * FITTING_SPREAD / Z
        steps = np.sqrt(np.maximum(self.spread**2 - of_fit**2, 0.0))
        return replace(
            self, minutes=minutes, meanwhile=self.meanwhile * factor, spread=np.hypot(steps * factor, of_fit * slower),
            remembered=(self.remembered - self.fit_remembered) * factor + self.fit_remembered * slower,
            fit=self.fit * slower, fit_remembered=self.fit_remembered * slower,
        )  # fmt: skip

    def spread_with(self, log_sd: float) -> Array:
        """Spread where a log tells that of the steps, as a share of them; the operators' own at 0 [min]; shape (n,)."""
        if not log_sd:
            return self.spread
        return np.hypot(log_sd * (self.minutes.sum(axis=1) - self.fit), self.fit * FITTING_SPREAD / Z)

    def beside(self, work: Array) -> tuple[Array, Array, Array]:
        """Hands-on minutes beside the machine's, to a tenth, so that what is shown adds up.

        Parameters
        ----------
        work : numpy.ndarray, shape (n, n_phases)
            Machine minutes [min].

        Returns
        -------
        busy, under, wait : numpy.ndarray, shape (n, n_phases)
            Minutes at work, those of them that run while the machine works, and minutes stood by where it is soon
            done [min]. Standing by is hands-on, and lengthens nothing.
        """
        busy: Array = np.round(self.minutes, 1)
        under: Array = np.asarray(np.round(np.minimum(self.meanwhile, work), 1), dtype=float)
        return busy, under, np.asarray(np.round(np.minimum(self.wait, work - under), 1), dtype=float)


def hands_on(
    units: pd.DataFrame, firmware: pd.Series | None = None, part_min: pd.Series | None = None, *,
    remembered: pd.Series | None = None, editions: pd.Series | None = None, images: pd.Series | None = None,
    shop: Shop | None = None,
) -> HandsOn:  # fmt: skip
    """Work out hands-on minutes.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n, any)
        A Unit frame.
    firmware : pandas.Series of bool, shape (n,), optional
        Units that need a firmware package brought on a stick.
    part_min : pandas.Series, shape (n,), optional
        Minutes to fit the parts that the advice names, by its `fit_minutes` [min]; NA or 0 where none.
    remembered : pandas.Series, shape (n,), optional
        Those of the minutes in `part_min` that rest on memory [min].
    editions, images : pandas.Series of str, shape (n,), optional
        What is installed, and from which of the shop's images: they tell the screens that are answered.
    shop : Shop, optional
        The built-in one when left out.
    """
    shop = default_shop() if shop is None else shop
    n, names = len(units), phase_table().names
    practised = {str(one): np.full(n, float(one in shop.practices)) for one in Practice}
    conditions = _conditions(units, firmware) | practised | _installed(editions, images, shop, n)
    codes, first = distinct(conditions.values(), n)
    some = {name: values[first] for name, values in conditions.items()}
    done = operations.times(some, len(first))
    found = operations.sums(done, names)
    # Whoever has another unit beside it does not stand by.
    wait = found.wait * (Practice.SIDE_BY_SIDE not in shop.practices)
    minutes, variance, by_heart = found.seconds[codes] / 60, found.variance[codes] / 3600, found.remembered[codes] / 60
    fit, of_fit = (np.zeros(n) if given is None else _filled(given) for given in (part_min, remembered))
    minutes[:, names.index("prepare")] += fit
    return HandsOn(
        minutes, wait[codes] / 60, found.meanwhile[codes] / 60, np.sqrt(variance + (fit * FITTING_SPREAD / Z) ** 2),
        by_heart + of_fit, done[codes], fit, of_fit,
    )  # fmt: skip


def _filled(minutes: pd.Series) -> Array:
    return np.asarray(pd.to_numeric(minutes).astype("Float64").to_numpy(dtype=float, na_value=0.0), dtype=float)


def _conditions(units: pd.DataFrame, firmware: pd.Series | None) -> dict[str, Array]:
    """What the units themselves tell: 0 or 1, or a count."""

    def among(name: str, *values: str) -> Array:
        codes, texts = pd.factorize(words(units, name))
        return np.append(np.isin(np.asarray(texts, dtype=object), values), False)[codes].astype(float)

    missing = np.sum([words(units, name).isna().to_numpy(dtype=float) for name in FACTS], axis=0)
    codes, notes = pd.factorize(words(units, "notes"))
    damage = pd.Series(notes, dtype="string").str.contains(DAMAGE_WORDS, case=False, regex=True).fillna(False)
    portable = among("form_factor", *PORTABLE)
    wireless = np.maximum(portable, words(units, "wireless").notna().to_numpy(dtype=float)) - among("wireless", "none")
    return {
        "desktop box": among("form_factor", *_BOXES),
        "portable": portable,
        "wireless": np.maximum(wireless, 0.0),
        "each open fact": missing,
        "damage noted": np.append(damage.to_numpy(dtype=bool), False)[codes].astype(float),
        "raid mode": among("storage_mode", StorageMode.RAID, StorageMode.VMD),
        "uefi 32-bit": among("boot_mode", BootMode.UEFI32),
        "firmware to fetch": (
            np.zeros(len(units)) if firmware is None else np.asarray(firmware.fillna(False), dtype=float)
        ),
    }


def _installed(editions: pd.Series | None, images: pd.Series | None, shop: Shop, n: int) -> dict[str, Array]:
    """The desktop that is installed, and the installer that asks; the default image's where none is named."""
    edition = np.full(n, "", dtype=object) if editions is None else editions.astype("string").fillna("").to_numpy()
    usual = shop.image(shop.default_image)
    kinds = {image.name: str(image.installer) for image in shop.images}
    plain = str(usual.installer if usual is not None else Installer.LIVE)
    if images is None:
        kind = np.full(n, plain, dtype=object)
    else:
        kind = images.astype("string").map(kinds).fillna(plain).to_numpy(dtype=object)
    asks = np.full(n, Practice.PRESEEDED not in shop.practices)
    desktops = {name: (edition == name).astype(float) for name in ("GNOME", "KDE Plasma")}
    return desktops | {
        "text installer": ((kind == Installer.PACKAGES) & asks).astype(float),
        "live installer": ((kind == Installer.LIVE) & asks).astype(float),
        "clone": (kind == Installer.CLONE).astype(float),
    }
