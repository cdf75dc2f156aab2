"""Kinds of device: from PCI and USB class codes, from where a module lies in the kernel's tree, from names."""

from __future__ import annotations

import re
from enum import StrEnum


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

_PCI_CLASSES = {
    "0280": Kind.WIRELESS, "0d11": Kind.BLUETOOTH, "0d20": Kind.WIRELESS, "0d21": Kind.WIRELESS,
    "0200": Kind.ETHERNET, "0805": Kind.CARD_READER,
    "01": Kind.STORAGE, "03": Kind.GRAPHICS, "04": Kind.AUDIO, "0400": Kind.OTHER,
    "0480": Kind.OTHER,
}  # fmt: skip

_FOLDERS = (
    ("kernel/drivers/net/wireless", Kind.WIRELESS),
    ("kernel/drivers/bluetooth", Kind.BLUETOOTH),
    ("kernel/drivers/net/ethernet", Kind.ETHERNET),
    ("kernel/drivers/net/usb", Kind.ETHERNET),
    ("kernel/drivers/gpu/drm", Kind.GRAPHICS),
    ("kernel/drivers/video/fbdev", Kind.GRAPHICS),
    ("kernel/sound/", Kind.AUDIO),
    ("kernel/drivers/ata", Kind.STORAGE),
    ("kernel/drivers/nvme/", Kind.STORAGE),
    ("kernel/drivers/scsi", Kind.STORAGE),
    ("kernel/drivers/message/fusion", Kind.STORAGE),
    ("kernel/drivers/ufs", Kind.STORAGE),
    ("kernel/drivers/misc/cardreader", Kind.CARD_READER),
    ("kernel/drivers/memstick/host", Kind.CARD_READER),
    ("kernel/drivers/mmc/host", Kind.CARD_READER),
    ("kernel/drivers/media/usb/uvc", Kind.CAMERA),
    ("kernel/drivers/media/usb/gspca", Kind.CAMERA),
    ("kernel/drivers/media/pci/intel/ip", Kind.CAMERA),
)

_STAGING_WIRELESS = frozenset(
    {"r8188eu", "r8192e_pci", "rtl8192e_pci", "r8192u_usb", "r8712u", "r8723bs", "prism2_usb", "vt6655_stage",
     "vt6656_stage", "ks7010"}
)  # fmt: skip
_ISA_LIKE_STORAGE = frozenset({"vmd"})

_WORDS = (
    (Kind.AUDIO, re.compile(r"audio|\bHDA\b|sound", re.IGNORECASE)),
    (
        Kind.OTHER,
        re.compile(
            r"xHCI|UCSI|\bbridge\b|root port|\bUSB [23]\.\d (host )?controller|memory controller", re.IGNORECASE
        ),
    ),
    (Kind.BLUETOOTH, re.compile(r"bluetooth|\bBT ?\d", re.IGNORECASE)),
    (Kind.FINGERPRINT, re.compile(r"finger ?print|biometric|swipe sensor|Prometheus|EikonTouch", re.IGNORECASE)),
    (Kind.CARD_READER, re.compile(r"card ?reader|SD/MMC|SD Host|\bSDHCI\b|Memory Stick|SDXC", re.IGNORECASE)),
    (Kind.CAMERA, re.compile(r"web ?cam|camera|imaging unit|image processing unit", re.IGNORECASE)),
    (
        Kind.WIRELESS,
        re.compile(
            r"802\.11|wi-?fi|wireless(?!.*(mouse|keyboard|receiver|desktop))|wlan|\bPRO/Wireless|centrino.*-N|airport|"
            r"\bCNVi\b",
            re.IGNORECASE,
        ),
    ),
    (Kind.STORAGE, re.compile(r"NVM ?e|\bSSD\b|\bSATA\b|\bAHCI\b|\bIDE\b|\bRAID\b|\bSCSI\b|Volume Management Device")),
    (
        Kind.ETHERNET,
        re.compile(r"ethernet|gigabit network|\bGbE\b|fast ?ether|10/100|network connection|\bNIC\b", re.IGNORECASE),
    ),
    (
        Kind.GRAPHICS,
        re.compile(
            r"graphics|chrome ?9|radeon|geforce|quadro|\bVGA\b|firepro|display controller|\bIris\b", re.IGNORECASE
        ),
    ),
)


def of_pci_class(code: str) -> Kind | None:
    """Kind of a PCI base and sub class, four lower-case hex digits, None where it does not tell.

    Source: PCI Code and ID Assignment Specification, 1.11, appendix of class codes; the class list of pci.ids.
    """
    found = _PCI_CLASSES.get(code) or _PCI_CLASSES.get(code[:2])
    return None if found is Kind.OTHER else found


def of_usb_class(device: str, interface: str) -> Kind | None:
    """Kind of a USB device or interface by class, sub class and protocol of each, six lower-case hex digits.

    Source: USB-IF, Defined Class Codes: 01 audio, 0E video, 0F none here, E0/01/01 Bluetooth.
    """
    if "e00101" in (interface, device) or device == "e00104":
        return Kind.BLUETOOTH
    return {"01": Kind.AUDIO, "0e": Kind.CAMERA}.get(interface[:2])


def of_module(path: str, name: str) -> Kind:
    """Kind of the devices that a module drives, from its folder in the kernel's tree."""
    if name in _STAGING_WIRELESS:
        return Kind.WIRELESS
    if name in _ISA_LIKE_STORAGE:
        return Kind.STORAGE
    for folder, kind in _FOLDERS:
        if path.startswith(folder):
            return kind
    return Kind.OTHER


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
    for kind, words in _WORDS:
        if words.search(name):
            return kind
    if vendor in _CHIP_NAMES and _CHIP_NAMES[vendor].search(name):
        return Kind.GRAPHICS
    return Kind.OTHER


_CHIP_NAMES = {
    0x1002: re.compile(
        r"\[AMD/ATI\] (Navi|Phoenix|Mendocino|Raphael|Rembrandt|Lucienne|Cezanne|Barcelo|Renoir|Picasso|Raven|Strix|"
        r"Hawk ?Point|Krackan|Granite Ridge|Van ?Gogh|R[SVC]?\d{3}|M\d\d|Arlene|Amur|Liverpool|Gladius)\w*\b"
        r"(?!.*(USB|Bridge|Port))"
    ),
    0x10DE: re.compile(r"Corporation (NV\d|G\d\d|GT2\d\d|G[FKMPVABH]1?\d\d|TU\d|AD\d|GRID)"),
}
"""Code names of graphics chips, by PCI vendor."""


_NONE = re.compile(
    r"\s*(?:none|no|nil|-|—|n/?a|not fitted|not present|absent|0|unknown|\?+|tbc|not known|not checked)?\s*",
    re.IGNORECASE,
)


def names_none(text: str) -> bool:
    """Whether a text says that there is no device, or that none is known."""
    return _NONE.fullmatch(text) is not None
