"""Parts: which of them a unit takes, what is to be looked at first, and the unit with them fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from advisor import tables
from advisor.advice.facts import Facts
from advisor.advice.readings import Reading
from advisor.columns import among, numbers
from advisor.drivers.kinds import Kind
from advisor.shop import Image, Part, PartKind, Shop
from advisor.timing import operations
from advisor.unit import PORTABLE, FormFactor, StorageKind, StorageMode, Support

_SATA_TAKES = (StorageKind.HDD, StorageKind.HYBRID, StorageKind.SATA_SSD)

_CARDS = {"msata": "msata", "m.2 sata": "m.2"}
"""What an SSD of the SATA kind that is a card fits, and the form of that card."""

_CARDS_IN = (*PORTABLE, FormFactor.SMALL_DESKTOP, FormFactor.THIN_CLIENT)
"""Boxes whose solid-state disk of the SATA kind may be such a card with no room for another; from memory."""

NVME_YEAR = 2018
"""From this year on an empty unit is taken to want an NVMe disk rather than a SATA one; common practice, no source."""


PART_COLUMNS = ("module", "ssd", "adapter")
"""Columns of an option with the places of its parts on the shelf, -1 for none; `modules` counts those of memory."""


@cache
def usual_parts() -> tuple[Part, ...]:
    """Parts that a bench usually can buy, from `datasets/advice/parts.csv`; none lies in the drawer."""
    rows = tables.load("advice/parts").frame.drop(columns="source").fillna("")
    return tuple(Part.model_validate({**row, "count": 0}) for row in rows.to_dict("records"))


@dataclass(frozen=True)
class Shelf:
    """Parts that may be fitted: the drawer's first, then what can be bought."""

    parts: tuple[Part, ...]
    count: np.ndarray  # How many lie in the drawer, shape (n_parts,)

    def of(self, kind: PartKind) -> list[int]:
        """Positions of the parts of a kind."""
        return [at for at, part in enumerate(self.parts) if part.kind == kind]

    def usage(self, options: Mapping[str, np.ndarray]) -> np.ndarray:
        """How many of each part the options with these columns take; shape (n_options, n_parts)."""
        out = np.zeros((len(options["modules"]), len(self.parts)), dtype=int)
        for name in PART_COLUMNS:
            rows = np.flatnonzero(options[name] >= 0)
            place = options[name][rows].astype(int)
            out[rows, place] = options["modules"][rows] if name == "module" else 1
        return out


def shelf(shop: Shop) -> Shelf:
    """The shop's drawer, and what it can buy where the drawer lacks it."""
    listed = {part.name.casefold() for part in shop.stock}
    more = [part for part in usual_parts() if part.name.casefold() not in listed] if shop.buys_parts else []
    parts = tuple(part for part in (*shop.stock, *more) if part.count or shop.buys_parts)
    return Shelf(parts, np.array([part.count for part in parts], dtype=int))


def fit_minutes(shelf: Shelf, fitted: Mapping[str, np.ndarray], box: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Minutes to fit the parts of each combination, and those of them from memory [min]; the box is opened once.

    Where a shop names its own minutes for a part, they hold for opening a usual box too; what a model's own trap adds
    to that comes on top, its `extra_min` in `batch.timing_of`.
    """
    each = [
        operations.part_min(part.kind, part.fits) if part.fit_min is None else (part.fit_min, 0.0)
        for part in shelf.parts
    ]
    named = np.array([part.fit_min is not None for part in shelf.parts], dtype=bool)
    names = [operations.part_name(part.kind, part.fits) for part in shelf.parts]
    inside = np.array([name not in operations.OUTSIDE for name in names], dtype=bool)
    uses = shelf.usage(fitted)
    opened = uses[:, inside & ~named].any(axis=1, keepdims=True)
    plain = uses[:, inside & named].any(axis=1, keepdims=True)
    whole, usual = operations.opening_min(box), operations.opening_min(np.full(len(box), "", dtype=object))
    minutes = uses @ np.array(each).reshape(-1, 2) + np.where(
        opened, whole, np.where(plain, np.maximum(whole - usual, 0.0), 0.0)
    )
    minutes += np.outer(fitted["out"], operations.part_min("memory", "out"))
    return minutes[:, 0], minutes[:, 1]


def memory_fits(facts: Facts, reading: Reading, part: Part, modules: int) -> np.ndarray:
    """Where some modules can be fitted: soldered memory, another type, a limit of the board, no gain rule out.

    A fact that is unknown does not rule out, but is to be looked at (`memory_check`). In a full bank they go in the
    place of the smallest.
    """
    known, kind_and_form = reading.memory, part.fits.upper().partition(" ")
    kind, form = kind_and_form[0], kind_and_form[2]
    after = known["ram_gib"] - facts.bank.out(reading.rows, known["ram_gib"], modules)[1] + modules * part.gib
    fits = ~known["ram_soldered"] & ~facts.ruled_out[PartKind.MEMORY][reading.rows]
    most = np.fmin(known["ram_max_gib"], facts.likely_most[reading.rows])
    fits &= (after > known["ram_gib"]) & ~(after > most) & (part.gib <= facts.bank.module_gib[reading.rows])
    which, types = facts.memory_types
    fits &= np.array([*(kind in some for some in types), False])[which[reading.rows]]
    told = facts.module_forms[reading.rows]
    return fits & np.where(told == "", reading.forms.get(form, True), told == form)


def memory_check(facts: Facts, row: int, part: Part, out: int = 0) -> str:
    """What to look at before a memory module is fitted, for which so many come out; '' for nothing."""
    fields = facts.fields
    checks = []
    if np.isnan(facts.bank.free[row]):
        checks.append("that a memory slot is free")
    if out > 1 and not facts.bank.told[row]:
        checks.append(f"that it has {('no', 'one', 'two')[out]} memory slots")
    wanted = part.fits.partition(" ")[0]
    if not facts.memory_told[row]:
        which, types = facts.memory_types
        others = [one for one in types[which[row]] if one != wanted] if which[row] >= 0 else []
        checks.append(" and not ".join([f"that the board takes {wanted}", *others]))
    if facts.likely_memory[row] == "DDR3L" and wanted == "DDR3":
        checks.append("that the module is a DDR3L one, of 1.35 V")
    if facts.module_forms[row] == "" and fields["form_factor"][row] in (None, FormFactor.SMALL_DESKTOP):
        checks.append(f"that its modules are {part.fits.partition(' ')[2] or 'of this form'}")
    return " and ".join(checks)


def ssd_fits(facts: Facts, reading: Reading, part: Part) -> np.ndarray:
    """Where an SSD can take the disk's place, or an empty one."""
    kind = reading.words["storage_kind"]
    empty = np.equal(kind, StorageKind.NONE)
    recent = numbers(reading.processors["cpu_year"]) >= NVME_YEAR
    if part.disk_kind is StorageKind.SATA_SSD:
        fits = among(kind, _SATA_TAKES) | (empty & ~recent)
        fits &= np.equal(facts.disk_card[reading.rows], _CARDS.get(part.fits, ""))
    else:
        fits = np.equal(kind, StorageKind.NVME) | (empty & recent)
    return fits & ~facts.ruled_out[PartKind.SSD][reading.rows]


def ssd_check(facts: Facts, row: int, part: Part) -> str:
    """What to look at before an SSD is fitted, '' for nothing."""
    if facts.disk_card[row]:
        return ""
    if not facts.no_disk[row]:
        solid = facts.fields["storage_kind"][row] == StorageKind.SATA_SSD
        small = facts.fields["form_factor"][row] in _CARDS_IN
        return "that its disk is a 2.5-inch one and no card" if solid and small and part.fits == "sata" else ""
    return "that there is an NVMe slot" if part.disk_kind is StorageKind.NVME else "that there is a SATA bay"


def check(facts: Facts, row: int, part: Part, out: int) -> str:
    """What to look at before a part is fitted, for which so many memory modules come out; '' for nothing."""
    if part.kind == PartKind.MEMORY:
        return memory_check(facts, row, part, out)
    return ssd_check(facts, row, part) if part.kind == PartKind.SSD else ""


@lru_cache(maxsize=64)
def adapter_works(device: str, images: tuple[Image, ...]) -> tuple[bool, ...]:
    """Which of the images drive a wireless adapter, as they come."""
    from advisor import drivers
    from advisor.unit import Unit, frame

    rows = drivers.assess(frame([Unit(devices=device)]), images).devices
    good = set(rows.loc[rows["support"].eq(Support.WORKS) & rows["kind"].eq(Kind.WIRELESS), "image"])
    return tuple(image.name in good for image in images)


def with_memory(units: pd.DataFrame, gib: np.ndarray, modules: np.ndarray, out_gib: np.ndarray) -> pd.DataFrame:
    """Unit rows with memory modules fitted: `gib` each [GiB], `modules` of them, 0 for none, in place of `out_gib`."""
    if not modules.any():
        return units
    after = units.copy()
    after["ram_gib"] = after["ram_gib"] + gib * modules - out_gib
    after["ram_slots_free"] = (after["ram_slots_free"] - modules).clip(lower=0)
    return after


def with_ssd(units: pd.DataFrame, fitted: np.ndarray, gib: np.ndarray, nvme: np.ndarray) -> pd.DataFrame:
    """Unit rows with an SSD in the disk's place where `fitted`."""
    if not fitted.any():
        return units
    new = {
        "storage_kind": np.where(nvme, str(StorageKind.NVME), str(StorageKind.SATA_SSD)).astype(object),
        "storage_gib": gib, "storage_health_pct": 100.0, "disk_read_mib_s": pd.NA, "disk_access_ms": pd.NA,
        "disk_near_ms": pd.NA,
        "storage_mode": np.where(nvme, str(StorageMode.NVME), str(StorageMode.AHCI)).astype(object),
    }  # fmt: skip
    return units.assign(**{name: units[name].mask(fitted, values) for name, values in new.items()})
