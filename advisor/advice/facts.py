"""What is known of every unit once the rooms below have spoken, in one place for options, flags and words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from advisor import tables
from advisor.advice.bank import Bank, bank_of
from advisor.columns import ByUnit, Columns, among, holds, numbers, present, texts
from advisor.drivers import DeviceVerdicts
from advisor.drivers.kinds import Kind
from advisor.drivers.needs import Lack
from advisor.shop import Image, Shop
from advisor.unit import PORTABLE, FormFactor, StorageKind, StorageMode, Support

CONDITION_COLUMNS = ("row", "code", "severity", "effect", "title", "reason", "action", "source")
"""Columns of what the notes say and of what is known of the model; `effect` is 'set aside', 'hold' or ''."""


NO_DDR_YEAR = 2007
"""Boards for processors from this year on take DDR2 or later, so that a bare 'DDR' names no type; from memory."""


@dataclass(frozen=True)
class Facts(ByUnit):
    """Everything the decision rests on; all frames share one RangeIndex, a row a unit."""

    WHOLE = frozenset({"shop", "problems", "devices", "conditions", "likely"})

    shop: Shop
    # units, processors: Unit frame, likely values filled in, and what `identify.processors` says of it.
    units: pd.DataFrame
    processors: pd.DataFrame
    drawing: pd.Series[str]  # 'hardware', 'software' or NA, from `editions.drawing`
    assumed_drawing: np.ndarray  # Where no graphics is noted and the processor's year alone lets it draw
    problems: pd.DataFrame  # From intake: row (1-based), column, value, problem, accepted
    devices: DeviceVerdicts
    support: Mapping[str, np.ndarray]  # Kind of device to units by images of support words, None where there is none
    trouble: Trouble  # The same as counts
    conditions: pd.DataFrame  # Columns `CONDITION_COLUMNS`: what the notes say and the model is known for
    ruled_out: Mapping[str, np.ndarray]  # Kind of part to the units whose model does not take one
    extra_min: np.ndarray  # Minutes that a trap of the model adds to a fitting, beside opening the box [min]
    # How the unit is opened, as `timing/fitting` names it: a trap of its model, else its kind of box, '' for unknown.
    box: np.ndarray
    likely: pd.DataFrame  # Values taken as likely: row, reason
    twice: np.ndarray  # Where the asset tag stands on another row too
    disk_card: np.ndarray  # 'msata' or 'm.2' where the model takes such a card for a SATA disk and no other, else ''
    likely_memory: np.ndarray  # Memory types that the board likely takes, a space between, None where nothing tells
    likely_most: np.ndarray  # Memory that the chipset likely takes or shows at most [GiB], NaN where nothing tells

    def __len__(self) -> int:
        return len(self.units)

    def take(self, at: np.ndarray) -> Facts:
        """The facts of some units, repeated where asked twice."""
        if np.array_equal(at, np.arange(len(self))):
            return self
        return replace(
            super().take(at), problems=of_units(self.problems, at, 1), devices=self.devices.take(at),
            conditions=of_units(self.conditions, at), likely=of_units(self.likely, at),
        )  # fmt: skip

    @cached_property
    def fields(self) -> Columns:
        """The units' fields as arrays of objects, None for unknown."""
        return Columns(self.units)

    @cached_property
    def portable(self) -> np.ndarray:
        """Where the unit is carried about, so that Wi-Fi decides its use."""
        return holds(self.units["form_factor"].isin([str(form) for form in PORTABLE]))

    @cached_property
    def ram_gib(self) -> np.ndarray:
        """Memory fitted [GiB], NaN for unknown."""
        return numbers(self.units["ram_gib"])

    @cached_property
    def no_processor(self) -> np.ndarray:
        """Where nothing is known of the processor's level or speed."""
        cpu = self.processors
        level = cpu["cpu_level"].isna() & cpu["cpu_level_least"].isna()
        return (level | (cpu["cpu_speed"].isna() & cpu["cpu_speed_least"].isna())).to_numpy(dtype=bool)

    @cached_property
    def processor_problems(self) -> list[str]:
        """Why each unit's processor is not known, a sentence a unit; of use where it is not, or not told apart."""
        names, problems = texts(self.units["cpu"]), texts(self.processors["cpu_problem"])
        return [
            "the row names no processor"
            if name is None
            else problem or f"{name!r} is no processor that the tables know"
            for name, problem in zip(names, problems, strict=True)
        ]

    @cached_property
    def no_disk(self) -> np.ndarray:
        """Where it is known that no disk is fitted."""
        return holds(self.units["storage_kind"].eq(StorageKind.NONE))

    @cached_property
    def worn(self) -> np.ndarray:
        """Where the disk has less life left than the shop accepts."""
        return numbers(self.units["storage_health_pct"]) < self.shop.thresholds.storage_health_pct

    @cached_property
    def hidden_mode(self) -> np.ndarray:
        """Where the storage controller is in a mode that may hide the disk from the installer."""
        return holds(self.units["storage_mode"].isin([str(StorageMode.RAID), str(StorageMode.VMD)]))

    @cached_property
    def disk_seen(self) -> np.ndarray:
        """Where a running system has read the disk's own model: its controller hides nothing from that kernel."""
        kind = texts(self.units["storage_kind"])
        return present(kind) & ~self.no_disk & present(texts(self.units["storage_model"]))

    @cached_property
    def memory_told(self) -> np.ndarray:
        """Where the type of memory is stated; who writes a bare DDR for a later board means memory as such."""
        typed = self.fields["ram_type"]
        loose = np.equal(typed, "DDR") & (numbers(self.processors["cpu_year"]) >= NO_DDR_YEAR)
        return present(typed) & ~loose

    @cached_property
    def memory_types(self) -> tuple[np.ndarray, list[list[str]]]:
        """Memory types each board may take, its own where known, else those likely of its model and kind: for each
        unit a place (-1 where nothing is known), and at each place the types.
        """
        typed = texts(self.units["ram_type"].str.upper())
        which, names = pd.factorize(np.where(self.memory_told, typed, self.likely_memory))
        return which, [module_types(str(name)) for name in names]

    @cached_property
    def bank(self) -> Bank:
        """Each unit's memory slots."""
        return bank_of(self.units, self.processors)

    @cached_property
    def module_forms(self) -> np.ndarray:
        """Form of each unit's memory modules, '' where unknown."""
        return module_forms(self.units)


_FORM = re.compile(r"SODIMM|DIMM")
"""Form of a module, as `ram_modules` spells it."""


def module_forms(units: pd.DataFrame) -> np.ndarray:
    """Form of each unit's memory modules, by those fitted, or by the name of a small box, which sheets call a desktop
    as well; '' where neither tells.
    """
    fitted, names = texts(units["ram_modules"]), texts(units["model"])
    forms = np.array([found[0] if name and (found := _FORM.search(name)) else "" for name in fitted], dtype=object)
    boxes = [str(FormFactor.SMALL_DESKTOP), str(FormFactor.DESKTOP)]
    small = holds(units["form_factor"].isin(boxes)) & (forms == "") & present(names)
    rules = tables.dicts("advice/module_forms")
    for row in np.flatnonzero(small):
        said = (rule["form"] for rule in rules if re.search(rule["pattern"], names[row], re.IGNORECASE))
        forms[row] = next(said, "")
    return forms


def module_types(board: str) -> list[str]:
    """Types of modules that a board of these types takes; one for low-voltage DDR3 takes the usual too."""
    return board.replace("DDR3L", "DDR3").split()


def of_units(frame: pd.DataFrame, at: np.ndarray, first: int = 0) -> pd.DataFrame:
    """Of a long frame whose column row counts from `first`: the rows of some units, numbered as these stand."""
    pairs = pd.DataFrame({"row": np.asarray(at) + first, "_to": np.arange(len(at)) + first})
    return pairs.merge(frame, on="row").drop(columns="row").rename(columns={"_to": "row"})[frame.columns]


@dataclass(frozen=True)
class Trouble(ByUnit):
    """What the devices of each unit ask for on each image; all of shape (n_units, n_images)."""

    dead: np.ndarray  # Devices that decide (storage, graphics, and any Wi-Fi) and do nothing whatever is brought
    no_wifi: np.ndarray  # Where one of them is the Wi-Fi, so that an adapter mends it
    kernel: np.ndarray  # Devices that decide and work once a newer kernel is brought
    wifi_kernel: np.ndarray  # Where one of those is the Wi-Fi
    bring: np.ndarray  # Devices that decide and work once something is brought
    cost: np.ndarray  # All devices weighed, the lesser ones too: what tells sticks apart that are alike in the rest

    @property
    def adapter(self) -> np.ndarray:
        """Where a Wi-Fi adapter spares trouble."""
        return self.no_wifi | self.wifi_kernel


DECISIVE = (Kind.STORAGE, Kind.GRAPHICS, Kind.WIRELESS)
"""Kinds of device that must work before a unit is handed over."""

_RANK: dict[str, int] = {
    Support.WORKS: 0, Support.UNKNOWN: 0, Support.NEEDS_FIRMWARE: 1, Support.NEWER_KERNEL: 2,
    Support.SEPARATE_DRIVER: 2, Support.NO_DRIVER: 3,
}  # fmt: skip
"""How much trouble a support word means when images are compared; unknown is the same on all of them."""

_WEIGHT: dict[str, float] = {
    Kind.STORAGE: 1000, Kind.GRAPHICS: 100, Kind.WIRELESS: 100, Kind.ETHERNET: 10, Kind.BLUETOOTH: 1, Kind.AUDIO: 10,
}  # fmt: skip
"""How much a kind of device counts when images are compared."""


def kernel_from_backports(support: str, cure: str, image: Image) -> str:
    """Package that brings the newer kernel to an installed system, '' where its own release has none."""
    ours = support == Support.NEWER_KERNEL and cure == f"debian-{image.release}-backports"
    return f"linux-image-{image.flavour}" if ours else ""


def weigh(kinds: pd.DataFrame, n_units: int, shop: Shop) -> tuple[dict[str, np.ndarray], Trouble]:
    """Lay the verdicts on devices out as units by images.

    Parameters
    ----------
    kinds : pandas.DataFrame
        `DeviceVerdicts.kinds`: row, image, kind, support, severity, cure, firmware_packages.
    """
    names = [image.name for image in shop.images]
    shape = (n_units, len(names))
    row, image_name, kind, word, severity, cure, packages = (
        kinds[name].to_numpy() for name in ("row", "image", "kind", "support", "severity", "cure", "firmware_packages")
    )
    position = {name: at for at, name in enumerate(names)}
    column = np.array([position[name] for name in image_name], dtype=int)
    support: dict[str, np.ndarray] = {}
    for name in dict.fromkeys(kind):
        support[name] = np.full(shape, None, dtype=object)
        at = kind == name
        support[name][row[at], column[at]] = word[at]
    rank = np.array([_RANK[one] for one in word], dtype=int)
    stuck = (rank > 0) & (severity != Lack.DEGRADES)
    stuck &= among(kind, DECISIVE)
    brought = among(word, (Support.NEEDS_FIRMWARE, Support.SEPARATE_DRIVER)) & ((cure != "") | (packages != ""))
    for at in np.flatnonzero(word == Support.NEWER_KERNEL):
        brought[at] = bool(kernel_from_backports(word[at], str(cure[at]), shop.images[column[at]]))

    def total(of_device: np.ndarray) -> np.ndarray:
        cell = row.astype(int) * shape[1] + column
        found = np.bincount(cell, weights=of_device, minlength=shape[0] * shape[1])
        return found.astype(np.result_type(of_device, int)).reshape(shape)

    dead, bring, wifi = stuck & ~brought, stuck & brought, kind == Kind.WIRELESS
    kernel = bring & (word == Support.NEWER_KERNEL)
    return support, Trouble(
        dead=total(dead), no_wifi=total(dead & wifi) > 0, kernel=total(kernel), wifi_kernel=total(kernel & wifi) > 0,
        bring=total(bring), cost=total(rank * np.array([_WEIGHT.get(one, 0.0) for one in kind])),
    )  # fmt: skip
