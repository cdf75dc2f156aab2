"""Names of PCI and USB ids, from a table derived from pci.ids and usb.ids."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from advisor.drivers.kinds import Kind
from advisor.drivers.table_files import arrays_of, place
from advisor.errors import TableError

KINDS: tuple[Kind, ...] = tuple(Kind)
"""Kinds by the number that the table stores."""


class ListedDevice(NamedTuple):
    """One device of an id list."""

    bus: str
    vendor: int
    device: int
    subsystem: tuple[int, int] | None  # When the name is a subsystem's
    name: str

    @property
    def text(self) -> str:
        """The id as text."""
        tail = "" if self.subsystem is None else f":{self.subsystem[0]:04x}:{self.subsystem[1]:04x}"
        return f"{self.bus}:{self.vendor:04x}:{self.device:04x}{tail}"


@dataclass(frozen=True, eq=False)
class IdList:
    """Names of one bus's ids."""

    bus: str  # 'pci' or 'usb'
    ids: NDArray[np.uint32]  # Vendor and device of every device, sorted: vendor in the high half
    kind_of: NDArray[np.uint8]  # Kind of every device, a position in `KINDS`
    arrays: Mapping[str, NDArray[Any]]  # See `advisor.lab.tables.arrays`

    @cached_property
    def vendors(self) -> dict[int, str]:
        """Name of every vendor."""
        return dict(zip(self.arrays["vendor"].tolist(), self._lines("vendor_name"), strict=True))

    def _lines(self, key: str) -> list[str]:
        return self.arrays[key].tobytes().decode("utf-8").split("\n")

    @cached_property
    def names(self) -> list[str]:
        """Name of every device."""
        return self._lines("name")

    @cached_property
    def subsystems(self) -> list[ListedDevice]:
        """Network devices whose name is a subsystem's."""
        some = self.arrays["sub_of"].tolist(), self.arrays["sub"].tolist()
        names = self._lines("sub_name") if some[0] else []
        return [
            self.entry(of)._replace(subsystem=(sub >> 16, sub & 0xFFFF), name=name)
            for of, sub, name in zip(*some, names, strict=True)
        ]

    def entry(self, at: int) -> ListedDevice:
        """The device at a position."""
        key = int(self.ids[at])
        return ListedDevice(self.bus, key >> 16, key & 0xFFFF, None, self.names[at])

    def of_kind(self, kind: Kind) -> list[ListedDevice]:
        """The devices of a kind, those without a name too, as only a number finds them."""
        at = np.flatnonzero(self.kind_of == KINDS.index(kind))
        keys = zip(self.ids[at].tolist(), at.tolist(), strict=True)
        return [ListedDevice(self.bus, key >> 16, key & 0xFFFF, None, self.names[place]) for key, place in keys]

    def vendor(self, vendor: int) -> str:
        """Name of a vendor, '' when it has none."""
        return self.vendors.get(vendor, "")

    def index(self, vendor: int, device: int) -> int | None:
        """Position of a device, None when the list has it not."""
        key = vendor << 16 | device
        at = int(np.searchsorted(self.ids, key))
        return at if at < len(self.ids) and int(self.ids[at]) == key else None

    def name(self, vendor: int, device: int) -> str:
        """Vendor and device name as one text; '' when neither is known."""
        at = self.index(vendor, device)
        vendor_name = self.vendor(vendor)
        return f"{vendor_name} {self.names[at]}".strip() if at is not None else vendor_name

    def kind(self, vendor: int, device: int) -> Kind:
        """Kind of a device, as its name or the modules that bind it tell."""
        at = self.index(vendor, device)
        return Kind.OTHER if at is None else KINDS[int(self.kind_of[at])]


@lru_cache(maxsize=4)
def _load(bus: str, _where: str) -> IdList:
    arrays, _ = arrays_of("ids", bus)
    if arrays.get("kinds", np.zeros(0)).tobytes() != "\n".join(KINDS).encode():
        raise TableError(f"The names of {bus} ids are of a version with other kinds.", "Run advisor tables build.")
    return IdList(bus, arrays["id"], arrays["kind"], arrays)


def load(bus: str) -> IdList:
    """Load the names of 'pci' or 'usb' ids.

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    return _load(bus, str(place(bus, "ids")))
