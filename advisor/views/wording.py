"""Names of the Unit's fields on screen: which belong together, which come first, what may be chosen."""

from __future__ import annotations

import types
import typing
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from advisor.unit import Unit

LABELS: dict[str, str] = {
    "asset_tag": "Asset tag",
    "maker": "Maker",
    "model": "Model",
    "form_factor": "Kind of box",
    "cpu": "Processor",
    "cpu_vendor": "Vendor id",
    "cpu_family": "Family",
    "cpu_model": "Model number",
    "cpu_stepping": "Stepping",
    "cpu_flags": "Feature flags",
    "cpu_cores": "Cores",
    "cpu_threads": "Threads",
    "ram_gib": "Memory",
    "ram_slots": "Memory slots",
    "ram_slots_free": "Free memory slots",
    "ram_soldered": "Memory soldered",
    "ram_max_gib": "Most memory",
    "ram_type": "Memory type",
    "ram_modules": "Modules fitted",
    "storage_kind": "Kind of disk",
    "storage_gib": "Disk size",
    "storage_health_pct": "Disk life left",
    "storage_model": "Disk model",
    "storage_mode": "Controller mode",
    "boot_mode": "Firmware boots",
    "secure_boot": "Secure Boot",
    "tpm": "TPM",
    "wireless": "Wi-Fi chip",
    "graphics": "Graphics chip",
    "ethernet": "Wired network",
    "devices": "Device ids",
    "screen": "Screen",
    "touch": "Touch screen",
    "camera": "Camera",
    "battery_health_pct": "Battery health",
    "battery_cycles": "Battery cycles",
    "image": "Image wanted",
    "link_mbps": "Link speed",
    "decompress_mib_s": "Decompression",
    "disk_read_mib_s": "Disk read",
    "disk_access_ms": "Disk access",
    "notes": "Notes",
}
"""Label of each field of the Unit."""

FIRST: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("The box", ("asset_tag", "maker", "model", "form_factor")),
    ("Processor and memory", ("cpu", "ram_gib", "ram_slots_free", "ram_soldered")),
    ("Disk and firmware", ("storage_kind", "storage_gib", "storage_health_pct", "boot_mode")),
    ("Devices", ("wireless", "graphics", "ethernet", "battery_health_pct")),
    ("Remarks", ("notes",)),
)
"""Fields that decide most, shown at once."""

MORE: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "More of the processor",
        ("cpu_vendor", "cpu_family", "cpu_model", "cpu_stepping", "cpu_cores", "cpu_threads", "cpu_flags"),
    ),
    ("More of the memory", ("ram_type", "ram_slots", "ram_max_gib", "ram_modules")),
    ("More of disk and firmware", ("storage_model", "storage_mode", "secure_boot", "tpm")),
    ("Every device, screen, battery", ("devices", "screen", "touch", "camera", "battery_cycles")),
    ("For this bench", ("image", "link_mbps", "decompress_mib_s", "disk_read_mib_s", "disk_access_ms")),
)
"""The other fields, shown when asked for."""

LONG = frozenset({"notes", "devices", "cpu_flags", "ram_modules"})
"""Fields whose values need a wide box."""


@dataclass(frozen=True)
class FieldWords:
    """What the editor needs to know of one field.

    Attributes
    ----------
    name, label, meaning, unit, read : str
        Field name; words on screen; meaning; unit of measure ('' for none); how a capture reads it.
    choices : tuple of str
        The values of a closed set, ('yes', 'no') for a truth, () where anything may be typed.
    """

    name: str
    label: str
    meaning: str
    unit: str
    read: str
    choices: tuple[str, ...]


@cache
def field_words(name: str) -> FieldWords:
    """Words for one field of the Unit.

    Parameters
    ----------
    name : str

    Returns
    -------
    FieldWords

    Raises
    ------
    KeyError
        When the Unit has no such field.
    """
    field = Unit.model_fields[name]
    extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
    choices: tuple[str, ...] = ()
    options = (
        typing.get_args(field.annotation) if isinstance(field.annotation, types.UnionType) else (field.annotation,)
    )
    for one in options:
        if one is bool:
            choices = ("yes", "no")
        elif isinstance(one, type) and issubclass(one, StrEnum):
            choices = tuple(str(value) for value in one)
    return FieldWords(
        name, LABELS[name], field.description or "", str(extra.get("unit", "")), str(extra.get("read", "")), choices
    )
