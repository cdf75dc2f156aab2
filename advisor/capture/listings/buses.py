"""`lspci -nn`, `-nnk`, `-n` or plain, and `lsusb` with or without -v."""

from __future__ import annotations

import re
from dataclasses import replace

from advisor.capture.facts import BusDevice, Facts, Panel
from advisor.capture.machine import clean

PCI_START = re.compile(r"(?:[0-9a-f]{4,6}:)?[0-9a-f]{2}:[0-9a-f]{2}\.[0-7] ")
USB_START = re.compile(r"Bus [0-9]{3} Device [0-9]{3}: ID ([0-9a-f]{4}):([0-9a-f]{4})")

_CLASS_ONLY = re.compile(r"([0-9a-f]{4}): ([0-9a-f]{4}):([0-9a-f]{4})")
_IDS = re.compile(r" \[([0-9a-f]{4}):([0-9a-f]{4})\]")
_KINDS = {
    "network controller": "wireless", "vga compatible controller": "graphics", "3d controller": "graphics",
    "display controller": "graphics", "ethernet controller": "ethernet",
}  # fmt: skip
"""Class names of pci.ids, for listings without numbers."""

_HUB_IDS = frozenset({(0x1D6B, 0x0001), (0x1D6B, 0x0002), (0x1D6B, 0x0003)})
"""The kernel's own root hubs (vendor 1d6b is the Linux Foundation)."""


def read_pci(lines: list[str]) -> Facts:
    """Read an lspci listing.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
        Devices with their ids, or only names when the listing holds no ids.
    """
    found: list[BusDevice] = []
    names: dict[str, tuple[str, ...]] = {}
    for line in lines:
        if PCI_START.match(line):
            device = _pci(line)
            if device:
                found.append(device)
            else:
                _name_only(line, names)
        elif found and line[:1] in "\t ":
            key, colon, value = line.strip().partition(": ")
            if colon and key == "Kernel driver in use":
                found[-1] = replace(found[-1], driver=clean(value, 60))
    if not found:
        return Facts(names=names)
    return Facts(devices=tuple(found), buses=frozenset({"pci"}), names=names)


def _pci(line: str) -> BusDevice | None:
    address, _, rest = line.partition(" ")
    plain = _CLASS_ONLY.match(rest)
    if plain:
        return BusDevice("pci", int(plain[2], 16), int(plain[3], 16), None, int(plain[1], 16), address)
    head, separator, named = rest.partition("]: ")
    if not separator or not re.fullmatch(r"\[[0-9a-f]{4}", head[-5:]):
        return None
    ids = _IDS.search(named)
    if not ids:
        return None
    return BusDevice(
        "pci",
        int(ids[1], 16),
        int(ids[2], 16),
        None,
        int(head[-4:], 16),
        address,
        name=clean(named[: ids.start()]),
    )


def _name_only(line: str, names: dict[str, tuple[str, ...]]) -> None:
    kind, colon, name = line.partition(" ")[2].partition(": ")
    field = _KINDS.get(kind.strip().casefold())
    said = clean(name.partition(" (rev ")[0])
    if colon and field and said and len(names.get(field, ())) < 6:
        names[field] = (*names.get(field, ()), said)


def read_usb(lines: list[str]) -> Facts:
    """Read an lsusb listing.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
        Devices with their ids; with -v, the class of the first interface, and whether there is a camera.
    """
    found: list[BusDevice] = []
    detailed = camera = False
    for line in lines:
        start = USB_START.match(line)
        if start:
            name = clean(line[start.end() :])
            found.append(BusDevice("usb", int(start[1], 16), int(start[2], 16), name=name))
            continue
        key, _, rest = line.strip().partition(" ")
        if key == "bInterfaceClass" and found:
            detailed = True
            number = rest.split()[:1]
            if number and number[0].isascii() and number[0].isdigit() and len(number[0]) < 4:
                camera = camera or int(number[0]) == 0x0E
                if found[-1].kind is None:
                    found[-1] = replace(found[-1], kind=int(number[0]))
    kept = tuple(d for d in found if (d.vendor, d.product) not in _HUB_IDS and d.kind != 0x09)
    return Facts(devices=kept, buses=frozenset({"usb"}), panel=Panel(camera=camera if detailed else None))
