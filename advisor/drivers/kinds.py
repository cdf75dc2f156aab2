"""Kinds of device: from PCI and USB class codes, from where a module lies in the kernel's tree, from names."""

from __future__ import annotations

import re
from enum import StrEnum
from functools import cache, lru_cache

from advisor.tables import compiled, dicts


class Kind(StrEnum):
    """Kind of device a verdict is about, in the order a bench looks at them."""

    WIRELESS = "wireless"
    GRAPHICS = "graphics"
    ETHERNET = "ethernet"
    STORAGE = "storage"
    AUDIO = "audio"
    BLUETOOTH = "bluetooth"
    CAMERA = "camera"
    CARD_READER = "card reader"
    FINGERPRINT = "fingerprint"
    OTHER = "other"


BUS_MODULES = frozenset({"ssb", "bcma", "virtio_pci"})
"""Modules that only open a bus; a driver behind it does the work."""


@cache
def _table(by: str) -> list[tuple[str, Kind, int]]:
    """What tells a kind by 'pci class', 'module', 'folder' or 'name', the kind, and for whose devices (-1: all)."""
    rows = [row for row in dicts("drivers/device_kinds") if row["by"] == by]
    return [(row["pattern"], Kind(row["kind"]), int(row["vendor"] or "-1", 16)) for row in rows]


def of_pci_class(code: str) -> Kind | None:
    """Kind of a PCI base and sub class, four lower-case hex digits, None where it does not tell.

    Source: PCI Code and ID Assignment Specification, 1.11, appendix of class codes; the class list of pci.ids.
    """
    told = {pattern: kind for pattern, kind, _ in _table("pci class")}
    found = told.get(code) or told.get(code[:2])
    return None if found is Kind.OTHER else found


def of_usb_class(device: str, interface: str) -> Kind | None:
    """Kind of a USB device or interface by class, sub class and protocol of each, six lower-case hex digits.

    Source: USB-IF, Defined Class Codes: 01 audio, 0E video, 0F none here, E0/01/01 Bluetooth.
    """
    if "e00101" in (interface, device) or device == "e00104":
        return Kind.BLUETOOTH
    return {"01": Kind.AUDIO, "0e": Kind.CAMERA}.get(interface[:2])


@lru_cache(maxsize=65_536)
def of_module(path: str, name: str) -> Kind:
    """Kind of the devices that a module drives, from its folder in the kernel's tree."""
    told = [kind for module, kind, _ in _table("module") if module == name]
    told += [kind for folder, kind, _ in _table("folder") if path.startswith(folder)]
    return told[0] if told else Kind.OTHER


def of_name(name: str, vendor: int = -1) -> Kind:
    """Kind that a device's name in the id lists tells.

    Parameters
    ----------
    vendor : int, optional
        PCI vendor: the two makers of graphics chips are listed by code names that hold no telling word.

    Returns
    -------
    Kind
        `OTHER` when the name tells none.
    """
    for pattern, kind, maker in _table("name"):
        if maker in (-1, vendor) and compiled(pattern).search(name):
            return kind
    return Kind.OTHER


_NONE = re.compile(
    r"\s*(?:none|no|nil|-|—|n/?a|not fitted|not present|absent|0|unknown|\?+|tbc|not known|not checked)?\s*",
    re.IGNORECASE,
)


def names_none(text: str) -> bool:
    """Whether a text says that there is no device, or that none is known."""
    return _NONE.fullmatch(text) is not None
