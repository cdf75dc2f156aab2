"""What the screens call things: a word for each fact of a unit, and its value as it is said at a bench."""

from __future__ import annotations

from enum import StrEnum
from typing import Any

from advisor.phrases import spelt
from advisor.unit import LABELS, MEASURES, Unit

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
    return f"{number} {MEASURES[name]}".rstrip()


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
