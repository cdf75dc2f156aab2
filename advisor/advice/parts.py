"""Which part would change the answer, found by scoring the unit with the part fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor import tables
from advisor.advice.facts import Facts
from advisor.columns import numbers, present, texts
from advisor.shop import Image, Part
from advisor.unit import FormFactor, StorageKind, StorageMode, Support

if TYPE_CHECKING:
    from advisor.comfort import Ladder

_DIMM_FORMS = (FormFactor.DESKTOP, FormFactor.SERVER)
_SODIMM_FORMS = (
    FormFactor.LAPTOP, FormFactor.ALL_IN_ONE, FormFactor.CONVERTIBLE, FormFactor.THIN_CLIENT, FormFactor.SMALL_DESKTOP,
)  # fmt: skip
_SATA_TAKES = (StorageKind.HDD, StorageKind.HYBRID, StorageKind.SATA_SSD)

TRIAL_COLUMNS = (
    "row", "part", "kind", "in_stock", "edition_before", "edition_after", "ladder_gain", "cures", "browser_before_s",
    "browser_after_s", "eases", "check", "fit_min", "size_gib",
)  # fmt: skip
"""Columns of the trials: `ladder_gain` counts editions richer, `cures` says that a blocking fact goes away, `eases`
that no edition becomes comfortable but the browser's wait, with certainty, shrinks by a quarter or more [s]."""

EASES_BY = 0.75
"""Share of the browser's wait that may remain for a part to count as easing; common practice, no source."""


@dataclass(frozen=True)
class Trials:
    """What each part does to each unit it fits.

    Attributes
    ----------
    frame : pandas.DataFrame
        Columns `TRIAL_COLUMNS`, a row a unit and part that fits it.
    best : pandas.DataFrame
        The one best row of `frame` a unit, indexed by unit position; units that no part helps are absent.
    tried : numpy.ndarray of bool, shape (n_units,)
        Units for which at least one part was tried.
    """

    frame: pd.DataFrame
    best: pd.DataFrame
    tried: np.ndarray


@cache
def usual_parts() -> tuple[Part, ...]:
    """Parts that a bench usually can get, from `datasets/advice/parts.csv`.

    Returns
    -------
    tuple of Part
        With count 0: none of them lies in the drawer.
    """
    rows = tables.load("advice/parts").frame.drop(columns="source").fillna("")
    return tuple(Part.model_validate({**row, "count": 0}) for row in rows.to_dict("records"))


def memory_fits(facts: Facts, part: Part) -> tuple[np.ndarray, np.ndarray]:
    """Where a memory module can be fitted, and where that is to be checked first.

    A soldered bank, a full bank, another type and the board's own limit rule a module out. A fact that is unknown does
    not, but is named.

    Parameters
    ----------
    facts : Facts
    part : Part

    Returns
    -------
    fits : numpy.ndarray of bool, shape (n_units,)
    check : numpy.ndarray of object, shape (n_units,)
        What to check before opening the box; '' for nothing.
    """
    units = facts.units
    kind, _, form = part.fits.upper().partition(" ")
    free = numbers(units["ram_slots_free"])
    soldered = units["ram_soldered"].fillna(False).to_numpy(dtype=bool)
    total = numbers(units["ram_gib"]) + part.gib
    fits = ~soldered & ~(free == 0) & ~(total > numbers(units["ram_max_gib"])) & ~np.isnan(total)

    type_known = texts(units["ram_type"].str.upper())
    has_type = present(type_known)
    kinds = np.where(has_type, type_known, facts.usual_memory_type)
    fits &= np.equal(kinds, kind)
    forms = texts(units["form_factor"])
    if form == "DIMM":
        fits &= np.isin(forms.astype(str), [str(one) for one in _DIMM_FORMS])
    elif form == "SODIMM":
        fits &= np.isin(forms.astype(str), [str(one) for one in _SODIMM_FORMS])

    check = np.full(len(facts), "", dtype=object)
    check[np.isnan(free)] = "that a memory slot is free"
    no_type = ~has_type
    check[no_type] = check[no_type] + np.where(check[no_type] == "", "", " and ") + f"that the board takes {kind}"
    return fits, check


def ssd_fits(facts: Facts, part: Part) -> tuple[np.ndarray, np.ndarray]:
    """Where an SSD can take the disk's place, and where that is to be checked first.

    Parameters
    ----------
    facts : Facts
    part : Part

    Returns
    -------
    fits : numpy.ndarray of bool, shape (n_units,)
    check : numpy.ndarray of object, shape (n_units,)
    """
    kind = texts(facts.units["storage_kind"])
    check = np.full(len(facts), "", dtype=object)
    empty = np.equal(kind, StorageKind.NONE)
    if part.fits == "sata":
        recent = numbers(facts.processors["cpu_year"]) >= 2018
        fits = np.isin(kind.astype(str), [str(one) for one in _SATA_TAKES]) | (empty & ~recent)
        check[empty] = "that there is a SATA bay"
    else:
        fits = np.equal(kind, StorageKind.NVME) | empty
        check[empty] = "that there is an NVMe slot"
    return fits, check


def _fitted(units: pd.DataFrame, part: Part) -> pd.DataFrame:
    """Write a part into a copy of unit rows, as intake would see them afterwards."""
    after = units.copy()
    if part.kind == "memory":
        after["ram_gib"] = after["ram_gib"] + part.gib
        after["ram_slots_free"] = (after["ram_slots_free"] - 1).clip(lower=0)
    elif part.kind == "ssd":
        after["storage_kind"] = str(StorageKind.NVME if part.fits == "nvme" else StorageKind.SATA_SSD)
        after["storage_gib"] = part.gib
        after["storage_health_pct"] = 100.0
        after["storage_mode"] = str(StorageMode.NVME if part.fits == "nvme" else StorageMode.AHCI)
        after["disk_read_mib_s"] = pd.NA
        after["disk_access_ms"] = pd.NA
        after = after.astype({"disk_read_mib_s": "Float64", "disk_access_ms": "Float64"})
    return after


def fit(units: pd.DataFrame, names: pd.Series[str], parts: Sequence[Part]) -> pd.DataFrame:
    """Unit frame with the named part fitted to each unit.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
    names : pandas.Series, shape (n_units,)
        Name of the part to fit; NA for none.
    parts : sequence of Part

    Returns
    -------
    pandas.DataFrame, shape (n_units, ...)
    """
    out = units
    for part in parts:
        mask = names.eq(part.name).fillna(False).to_numpy(dtype=bool)
        if mask.any():
            after = _fitted(units.loc[mask], part)
            out = pd.concat([out.loc[~out.index.isin(after.index)], after]).sort_index()
    return out


@lru_cache(maxsize=64)
def _adapter_works(device: str, images: tuple[Image, ...]) -> tuple[bool, ...]:
    """Which of the shop's images drive a wireless adapter: True or False per image."""
    from advisor import drivers
    from advisor.unit import Unit, frame

    rows = drivers.assess(frame([Unit(devices=device)]), images).devices
    good = set(rows.loc[rows["support"].eq(Support.WORKS) & rows["kind"].eq("wireless"), "image"])
    return tuple(image.name in good for image in images)


def _try(facts: Facts, part: Part, wanted: np.ndarray, needs: pd.DataFrame) -> pd.DataFrame | None:
    from advisor import comfort

    n_units = len(facts)
    if part.kind == "wireless":
        asked = wanted & needs["wireless"].to_numpy()
        if not asked.any():
            return None
        works = np.array([*_adapter_works(part.device, facts.shop.images), False])
        fits = asked & works[facts.image_number]
        check = np.full(n_units, "", dtype=object)
        after = facts.choice
        gain = np.zeros(n_units, dtype=int)
        cures = fits
        before_s = after_s = np.full(n_units, np.nan)
    else:
        fits, check = (memory_fits if part.kind == "memory" else ssd_fits)(facts, part)
        fits &= wanted & (facts.image_number >= 0)
        if not fits.any():
            return None
        units = _fitted(facts.units.loc[fits], part).reset_index(drop=True)
        ladder = comfort.ladder(
            units,
            facts.processors.loc[fits].reset_index(drop=True),
            facts.chosen.loc[fits, "image_used"].reset_index(drop=True),
            facts.shop,
        )
        after = pd.Series(pd.NA, index=facts.choice.index, dtype="string")
        after[fits] = ladder.choice.astype("string").to_numpy()
        gain = facts.richness(facts.choice) - facts.richness(after)
        before_s, after_s = shortest_browser(facts.ladder), np.full(n_units, np.nan)
        after_s[fits] = shortest_browser(ladder)
        blocked = facts.choice.isna().to_numpy() | (needs["storage"].to_numpy() & (part.kind == "ssd"))
        cures = fits & blocked & after.notna().to_numpy()
    eases = fits & after.isna().to_numpy() & (after_s <= EASES_BY * before_s)
    rows = np.flatnonzero(fits & ((gain > 0) | cures | eases))
    if not rows.size:
        return None
    return pd.DataFrame(
        {
            "row": rows,
            "part": part.name,
            "kind": part.kind,
            "in_stock": part.count > 0,
            "edition_before": facts.choice.to_numpy(dtype=object)[rows],
            "edition_after": after.to_numpy(dtype=object)[rows],
            "ladder_gain": gain[rows],
            "cures": cures[rows],
            "browser_before_s": before_s[rows],
            "browser_after_s": after_s[rows],
            "eases": eases[rows],
            "check": check[rows],
            "fit_min": part.fit_min,
            "size_gib": part.gib,
        }
    )


def shortest_browser(ladder: Ladder) -> np.ndarray:
    """Shortest wait for a usable browser, with certainty, over the editions that pass the gates.

    Parameters
    ----------
    ladder : advisor.comfort.Ladder

    Returns
    -------
    numpy.ndarray of float, shape (n_units,)
        [s]; infinite where no edition passes.
    """
    seconds = np.where((ladder.gate != 0) & ~np.isnan(ladder.browser_high_s), ladder.browser_high_s, np.inf)
    return np.asarray(seconds.min(axis=1), dtype=float)


def trials(facts: Facts, wanted: np.ndarray, needs: pd.DataFrame) -> Trials:
    """Try the drawer's parts, and the usual ones where none in the drawer helps, on the units that could gain.

    Parameters
    ----------
    facts : Facts
    wanted : numpy.ndarray of bool, shape (n_units,)
        Units worth trying parts on.
    needs : pandas.DataFrame, shape (n_units, 2)
        Truth columns `storage` (no disk, a worn or a too small one) and `wireless` (no driver for what is there).

    Returns
    -------
    Trials
        Best means: cures what blocks the unit, then most gain, then in the drawer, then the smallest part.
    """
    found: list[pd.DataFrame] = []
    open_rows = wanted.copy()
    for drawer in ([part for part in facts.shop.stock if part.count > 0], usual_parts()):
        for part in drawer:
            result = _try(facts, part, open_rows, needs) if open_rows.any() else None
            if result is not None and len(result):
                found.append(result)
        if found:
            helped = pd.concat(found)
            row = np.arange(len(facts))
            cured = np.isin(row, helped.loc[helped["cures"] & helped["kind"].ne("wireless"), "row"])
            online = np.isin(row, helped.loc[helped["kind"].eq("wireless"), "row"])
            blocked = needs["storage"].to_numpy() | facts.choice.isna().to_numpy()
            done = np.where(blocked, cured, np.isin(row, helped["row"])) & (online | ~needs["wireless"].to_numpy())
            open_rows &= ~done
    if not found:
        empty = pd.DataFrame(columns=list(TRIAL_COLUMNS))
        return Trials(empty, empty.set_index("row"), wanted)
    frame = pd.concat(found, ignore_index=True)
    order = frame.sort_values(
        ["row", "cures", "ladder_gain", "browser_after_s", "in_stock", "size_gib"],
        ascending=[True, False, False, True, False, True],
    )
    return Trials(frame, order.drop_duplicates("row").set_index("row"), wanted)
