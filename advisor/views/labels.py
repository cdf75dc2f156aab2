"""What the screens call things: a word for each fact of a unit, and its value as it is said at a bench."""

from __future__ import annotations

from enum import StrEnum
from typing import Any

from advisor.advice.printable import spelt
from advisor.unit import Advice, Support, Unit

LABELS: dict[str, str] = {
    "asset_tag": "Asset tag", "maker": "Maker", "model": "Model", "form_factor": "Type", "cpu": "Processor",
    "cpu_vendor": "Processor vendor id", "cpu_family": "Processor family", "cpu_model": "Processor model number",
    "cpu_stepping": "Processor stepping", "cpu_flags": "Processor flags", "cpu_cores": "Cores",
    "cpu_threads": "Threads",
    "ram_gib": "Memory", "ram_slots": "Memory slots", "ram_slots_free": "Free memory slots",
    "ram_soldered": "Memory soldered in", "ram_max_gib": "Most memory it takes", "ram_type": "Memory type",
    "ram_modules": "Modules fitted", "storage_kind": "Kind of disk", "storage_gib": "Disk size",
    "storage_health_pct": "Disk life left", "storage_model": "Disk model", "storage_mode": "Disk controller mode",
    "boot_mode": "BIOS or UEFI", "secure_boot": "Secure Boot on", "tpm": "TPM", "wireless": "Wi-Fi",
    "graphics": "Graphics", "ethernet": "Wired network", "devices": "Device ids", "screen": "Screen",
    "touch": "Touch screen", "camera": "Camera", "battery_health_pct": "Battery health",
    "battery_cycles": "Battery charge cycles", "image": "Stick to use", "link_mbps": "Download speed",
    "decompress_mib_s": "Unpacking speed", "disk_read_mib_s": "Disk read speed", "disk_access_ms": "Disk access time",
    "notes": "Notes",
}  # fmt: skip
"""Label of each field of the Unit."""

FIRST = (
    "asset_tag", "maker", "model", "form_factor", "cpu", "ram_gib", "ram_slots_free", "storage_kind", "storage_gib",
    "boot_mode", "wireless", "graphics", "notes",
)  # fmt: skip
"""Fields that decide most, shown at once."""

MORE = tuple(name for name in LABELS if name not in FIRST)
"""The others, shown when asked for."""

PLACEHOLDERS = {
    "asset_tag": "the tag on the case", "cpu": "such as i5-6300U", "ram_gib": "such as 8 GB",
    "storage_gib": "such as 240 GB",
    "wireless": "such as Intel 8260, or 8086:24f3", "devices": "pci:8086:24f3; usb:0bda:c811", "screen": "1366x768 14",
}  # fmt: skip

UNITS = {
    "ram_gib": "GiB", "ram_max_gib": "GiB", "storage_health_pct": "%", "battery_health_pct": "%",
    "link_mbps": "Mbit/s", "decompress_mib_s": "MiB/s", "disk_read_mib_s": "MiB/s", "disk_access_ms": "ms",
}  # fmt: skip

ADVICE_SAID: dict[str, str] = {
    Advice.STANDARD: "Install the usual desktop",
    Advice.LIGHTER: "Install a lighter desktop",
    Advice.FIRMWARE_FIRST: "Bring something first",
    Advice.PART_FIRST: "Fit a part first",
    Advice.HOLD: "Find out first",
    Advice.SET_ASIDE: "Set aside",
}
"""The advice as it is said; the scored CSV keeps its own words."""

SUPPORT_SAID: dict[str, str] = {
    Support.WORKS: "works",
    Support.NEEDS_FIRMWARE: "needs a firmware package",
    Support.NEWER_KERNEL: "needs a newer kernel",
    Support.SEPARATE_DRIVER: "needs a driver package",
    Support.NO_DRIVER: "has no driver",
    Support.UNKNOWN: "not known",
}
"""Support of a device as it is said."""

KIND_SAID = {"wireless": "Wi-Fi", "ethernet": "wired network", "bluetooth": "Bluetooth", "storage": "disk controller"}
"""Kinds of device as they are said, where that is another word."""

SEVERITY_SAID = {"stop": "Stop", "act": "Do first", "note": "Note"}


def said(name: str, value: Any) -> str:
    """A fact as it is said: a disk in GB as on its label, memory in GiB, 'yes' or 'no'; '' for unknown."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name == "storage_gib":
        return f"{value * 1.073741824:.0f} GB"
    number = f"{value:g}" if isinstance(value, float) else str(value)
    if isinstance(value, StrEnum):
        return spelt(number)
    return f"{number} {UNITS[name]}" if name in UNITS else number


def inside(label: str) -> str:
    """A label inside a sentence: names and abbreviations keep their letters."""
    return label if not label[1:2].islower() or label == "Wi-Fi" else label[0].lower() + label[1:]


def facts_of(unit: Unit) -> list[tuple[str, str]]:
    """Label and value of every known fact, the most telling first."""
    return [
        (LABELS[name], said(name, getattr(unit, name))) for name in (*FIRST, *MORE) if getattr(unit, name) is not None
    ]


def minutes(value: float | None) -> str:
    """Minutes as they are said: '49 min', '2 h 05'; '' for none."""
    if value is None or value != value:
        return ""
    whole = round(value)
    return f"{whole} min" if whole < 100 else f"{whole // 60} h {whole % 60:02d}"


def count(number: int, one: str, many: str = "") -> str:
    """A number with its word: '1 unit', '2 units'."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
