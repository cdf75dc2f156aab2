"""Names of PCI and USB ids, from a table derived from pci.ids and usb.ids."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.drivers import kinds
from advisor.drivers.kinds import Kind
from advisor.drivers.store import arrays_of, place
from advisor.errors import TableError

KINDS: tuple[Kind, ...] = tuple(Kind)
"""Kinds by the number that the table stores."""


@dataclass(frozen=True, eq=False)
class IdList:
    """Names of one bus's ids.

    Attributes
    ----------
    bus : str
        'pci' or 'usb'.
    arrays : dict of str to ndarray
        See `id_arrays`.
    """

    bus: str
    arrays: dict[str, NDArray[Any]]

    @cached_property
    def _vendors(self) -> dict[int, str]:
        keys = self.arrays["vendor"].tolist()
        return dict(zip(keys, self._lines("vendor_name"), strict=True))

    def _lines(self, key: str) -> list[str]:
        return self.arrays[key].tobytes().decode("utf-8").split("\n")

    @cached_property
    def names(self) -> list[str]:
        """Name of every device."""
        return self._lines("name")

    @cached_property
    def ids(self) -> NDArray[np.uint32]:
        """Vendor and device of every device, sorted: vendor in the high half."""
        return self.arrays["id"]

    @cached_property
    def kind_of(self) -> NDArray[np.uint8]:
        """Kind of every device, a position in `KINDS`."""
        return self.arrays["kind"]

    @cached_property
    def sub_names(self) -> list[str]:
        """Names given to subsystems, for network devices only."""
        return self._lines("sub_name") if len(self.arrays["sub_of"]) else []

    def vendor(self, vendor: int) -> str:
        """Name of a vendor, '' when it has none."""
        return self._vendors.get(vendor, "")

    def index(self, vendor: int, device: int) -> int | None:
        """Position of a device, None when the list has it not."""
        key = vendor << 16 | device
        at = int(np.searchsorted(self.ids, key))
        return at if at < len(self.ids) and int(self.ids[at]) == key else None

    def name(self, vendor: int, device: int) -> str:
        """Vendor and device name as one text; '' when neither is known."""
        at = self.index(vendor, device)
        own = self.vendor(vendor)
        return f"{own} {self.names[at]}".strip() if at is not None else own

    def kind(self, vendor: int, device: int) -> Kind:
        """Kind of a device, as its name or the modules that bind it tell."""
        at = self.index(vendor, device)
        return Kind.OTHER if at is None else KINDS[int(self.kind_of[at])]


def parse(path: Path) -> tuple[dict[int, str], list[tuple[int, int, str]], list[tuple[int, int, int, int, str]], str]:
    """Read a pci.ids or usb.ids file.

    Returns
    -------
    vendors : dict of int to str
    devices : list of (vendor, device, name)
    subsystems : list of (vendor, device, subvendor, subdevice, name)
    version : str
    """
    vendors: dict[int, str] = {}
    devices: list[tuple[int, int, str]] = []
    subsystems: list[tuple[int, int, int, int, str]] = []
    version = ""
    vendor = device = -1
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("#"):
            found = re.match(r"#\s+Version:\s*(\S+)", line)
            version = found[1] if found else version
        elif match := re.match(r"([0-9a-f]{4})\s+(.+)", line):
            vendor, device = int(match[1], 16), -1
            vendors[vendor] = match[2].strip()
        elif match := re.match(r"\t([0-9a-f]{4})\s+(.+)", line):
            if vendor >= 0:
                device = int(match[1], 16)
                devices.append((vendor, device, match[2].strip()))
        elif match := re.match(r"\t\t([0-9a-f]{4}) ([0-9a-f]{4})\s+(.+)", line):
            if device >= 0:
                subsystems.append((vendor, device, int(match[1], 16), int(match[2], 16), match[3].strip()))
        elif line[:1] not in ("\t", ""):
            vendor = device = -1
    return vendors, devices, subsystems, version


def id_arrays(bus: str, path: Path, bound: dict[tuple[int, int], Kind]) -> tuple[dict[str, NDArray[Any]], str]:
    """Put an id list in arrays.

    Parameters
    ----------
    bus : str
    path : pathlib.Path
        pci.ids or usb.ids.
    bound : dict of (vendor, device) to Kind
        What the modules of the kernels say that they drive; it goes before what a name tells. An id that is only
        here gets no name.

    Returns
    -------
    arrays : dict of str to ndarray
        `vendor`, `vendor_name`, `id`, `name`, `kind` (number in `kinds`); `sub_of` (position of the device), `sub`
        (subvendor and subdevice), `sub_name` for network devices.
    version : str
        As the file states it.

    Notes
    -----
    A vendor that bears the number and the name of another vendor's device is that device, written without its tab
    (pci.ids of June 2025 has one); it is left out.
    """
    vendors, devices, subsystems, version = parse(path)
    strays = {device for vendor, device, name in devices if vendors.get(device) == name and vendor != device}
    vendors = {vendor: name for vendor, name in vendors.items() if vendor not in strays}
    named = {(vendor, device): name for vendor, device, name in devices if vendor not in strays}
    every = {**dict.fromkeys(bound, ""), **named}
    rows = sorted((vendor << 16 | device, (vendor, device, name)) for (vendor, device), name in every.items())
    kind = [
        KINDS.index(
            bound.get((vendor, device))
            or kinds.of_name(f"{vendors.get(vendor, '')} {name}", vendor if bus == "pci" else -1)
        )
        for _, (vendor, device, name) in rows
    ]
    at = {key: number for number, (key, _) in enumerate(rows)}
    wireless = KINDS.index(Kind.WIRELESS)
    subs = sorted(
        {
            (at[v << 16 | d], sv << 16 | sd): name
            for v, d, sv, sd, name in subsystems
            if v not in strays and kind[at[v << 16 | d]] == wireless
        }.items()
    )
    held = sorted(vendors.items())
    return {
        "vendor": np.array([vendor for vendor, _ in held], dtype=np.uint16),
        "vendor_name": _blob(name for _, name in held),
        "id": np.array([key for key, _ in rows], dtype=np.uint32),
        "name": _blob(name for _, (_, _, name) in rows),
        "kind": np.array(kind, dtype=np.uint8),
        "kinds": _blob(str(one) for one in KINDS),
        "sub_of": np.array([of for (of, _), _ in subs], dtype=np.uint32),
        "sub": np.array([sub for (_, sub), _ in subs], dtype=np.uint32),
        "sub_name": _blob(name for _, name in subs),
    }, version


def _blob(lines: Iterable[str]) -> NDArray[np.uint8]:
    return np.frombuffer("\n".join(lines).encode(), dtype=np.uint8)


@lru_cache(maxsize=4)
def _load(bus: str, _where: str) -> IdList:
    arrays, _ = arrays_of("ids", bus)
    if arrays["kinds"].tobytes().decode().split("\n") != [str(kind) for kind in KINDS]:
        raise TableError(f"The names of {bus} ids are of a version with other kinds.", "Run advisor tables build.")
    return IdList(bus, arrays)


def load(bus: str) -> IdList:
    """Load the names of 'pci' or 'usb' ids.

    Raises
    ------
    TableError
        When the table is missing or damaged.
    """
    return _load(bus, str(place(bus, "ids")))
