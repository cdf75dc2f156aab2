"""The Unit: every field once, with its unit of measure, its meaning and how it is read."""

from __future__ import annotations

import typing
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from advisor.display import Shown, page

if TYPE_CHECKING:
    import pandas as pd

CAPTURE_FORMAT = 1
"""Version of the capture file's layout; a newer one is refused."""


class FormFactor(StrEnum):
    """What kind of box the unit is."""

    LAPTOP = "laptop"
    DESKTOP = "desktop"
    SMALL_DESKTOP = "small desktop"
    ALL_IN_ONE = "all-in-one"
    TABLET = "tablet"
    CONVERTIBLE = "convertible"
    THIN_CLIENT = "thin client"
    SERVER = "server"


PORTABLE = (FormFactor.LAPTOP, FormFactor.CONVERTIBLE, FormFactor.TABLET)
"""Boxes that are carried about: they come with a battery, and are of little use without Wi-Fi."""


class StorageKind(StrEnum):
    """Kind of the disk that the system will be installed on."""

    NVME = "nvme"
    SATA_SSD = "sata ssd"
    HYBRID = "hybrid disk"
    HDD = "spinning disk"
    EMMC = "emmc"
    USB = "usb"
    NONE = "none"


class StorageMode(StrEnum):
    """How the storage controller presents the disk."""

    AHCI = "ahci"
    NVME = "nvme"
    IDE = "ide"
    RAID = "raid"
    VMD = "vmd"


class BootMode(StrEnum):
    """What the unit's firmware boots."""

    UEFI64 = "uefi 64-bit"
    UEFI32 = "uefi 32-bit"
    BIOS = "legacy bios"


class Support(StrEnum):
    """What a kernel and image do with one device, best first."""

    WORKS = "works"
    NEEDS_FIRMWARE = "needs firmware"
    NEWER_KERNEL = "newer kernel"
    SEPARATE_DRIVER = "separate driver"
    NO_DRIVER = "no driver"
    UNKNOWN = "unknown"


class Advice(StrEnum):
    """The advice for a unit."""

    STANDARD = "standard image"
    LIGHTER = "lighter image"
    FIRMWARE_FIRST = "firmware first"
    PART_FIRST = "fit a part first"
    HOLD = "hold"
    SET_ASIDE = "set aside"


class Severity(StrEnum):
    """How a flag changes the work, the worst first."""

    STOP = "stop"
    ACT = "act"
    NOTE = "note"


class Status(StrEnum):
    """How much of a row could be used."""

    SCORED = "scored"
    PARTIAL = "partial"
    UNREADABLE = "unreadable"


def _fact(label: str, meaning: str, read: str, unit: str = "", typed: bool = False, **limits: Any) -> Any:
    """Describe one field: label, meaning, how it is read, unit of measure, and whether intake sheets carry it."""
    extra: dict[str, Any] = {"unit": unit, "read": read, "typed": typed}
    return Field(default=None, title=label, description=meaning, json_schema_extra=extra, **limits)


class Unit(Shown, BaseModel):
    """One machine on the bench. None means unknown; nothing here is a guess."""

    model_config = ConfigDict(frozen=True, extra="ignore", str_max_length=20_000)

    asset_tag: str | None = _fact("Asset tag", "the shop's own tag of the unit", "typed", typed=True)
    maker: str | None = _fact("Maker", "maker", "dmi/id/sys_vendor", typed=True)
    model: str | None = _fact("Model", "model", "dmi/id/product_name, product_version", typed=True)
    form_factor: FormFactor | None = _fact("Type", "kind of box", "SMBIOS chassis type", typed=True)

    cpu: str | None = _fact("Processor", "processor name", "/proc/cpuinfo model name", typed=True)
    cpu_vendor: str | None = _fact("Processor vendor id", "processor vendor id", "/proc/cpuinfo vendor_id")
    cpu_family: int | None = _fact("Processor family", "processor family", "/proc/cpuinfo cpu family", ge=0, le=4095)
    cpu_model: int | None = _fact(
        "Processor model number", "processor model number", "/proc/cpuinfo model", ge=0, le=4095
    )
    cpu_stepping: int | None = _fact("Processor stepping", "processor stepping", "/proc/cpuinfo stepping", ge=0, le=255)
    cpu_flags: str | None = _fact("Processor flags", "feature flags, space between", "/proc/cpuinfo flags")
    cpu_cores: int | None = _fact("Cores", "physical cores", "sysfs topology", ge=1, le=4096)
    cpu_threads: int | None = _fact("Threads", "hardware threads", "sysfs topology", ge=1, le=8192)

    ram_gib: float | None = _fact(
        "Memory", "memory fitted", "SMBIOS type 17, else MemTotal rounded up", "GiB", True, gt=0, le=16_384
    )
    ram_slots: int | None = _fact(
        "Memory slots", "memory slots", "SMBIOS types 16 and 17 (root, or udev's list of them)", ge=0, le=128
    )
    ram_slots_free: int | None = _fact(
        "Free memory slots", "free memory slots", "SMBIOS type 17 (root, or udev's list)", typed=True, ge=0, le=128
    )
    ram_soldered: bool | None = _fact(
        "Memory soldered in", "all memory is soldered to the board",
        "SMBIOS type 17 form factor and type (root, or udev's list)", typed=True,
    )  # fmt: skip
    ram_max_gib: float | None = _fact(
        "Most memory it takes", "most memory the board says it takes", "SMBIOS type 16 (root, or udev's list)", "GiB",
        gt=0, le=65_536,
    )  # fmt: skip
    ram_type: str | None = _fact("Memory type", "memory type, such as DDR4", "SMBIOS type 17 (root, or udev's list)")
    ram_modules: str | None = _fact(
        "Modules fitted", "fitted modules, ';' between, such as '4 GiB DDR4 SODIMM 2400'",
        "SMBIOS type 17 (root, or udev's list)",
    )  # fmt: skip

    storage_kind: StorageKind | None = _fact("Kind of disk", "kind of the internal disk", "sysfs block", typed=True)
    storage_gib: float | None = _fact(
        "Disk size", "size of the internal disk", "sysfs block size", "GiB", True, ge=0, le=1_048_576
    )
    storage_health_pct: float | None = _fact(
        "Disk life left", "life left of the internal disk", "NVMe or SMART wear field (root), eMMC life time", "%",
        True, ge=0, le=100,
    )  # fmt: skip
    storage_model: str | None = _fact("Disk model", "model of the internal disk", "sysfs block device/model")
    storage_mode: StorageMode | None = _fact("Disk controller mode", "mode of the storage controller", "PCI class")

    boot_mode: BootMode | None = _fact("BIOS or UEFI", "what the firmware boots", "/sys/firmware/efi", typed=True)
    secure_boot: bool | None = _fact("Secure Boot on", "Secure Boot is on", "efivars SecureBoot")
    tpm: str | None = _fact("TPM", "TPM version, 'none' when there is none", "/sys/class/tpm")

    wireless: str | None = _fact("Wi-Fi", "wireless chip as named", "typed, or pci.ids", typed=True)
    graphics: str | None = _fact("Graphics", "graphics chip as named", "typed, or pci.ids", typed=True)
    ethernet: str | None = _fact("Wired network", "wired network chip as named", "typed, or pci.ids", typed=True)
    devices: str | None = _fact(
        "Device ids",
        "all devices: modaliases ('*' for what is not known) or pci:vvvv:dddd / usb:vvvv:pppp, ';' between",
        "sysfs modalias", typed=True,
    )  # fmt: skip

    screen: str | None = _fact("Screen", "built-in screen, such as 1366x768 15.6", "EDID", typed=True)
    touch: bool | None = _fact("Touch screen", "the screen takes touch", "udev ID_INPUT_TOUCHSCREEN")
    camera: bool | None = _fact("Camera", "a camera is present", "video4linux, USB class 0e")
    battery_health_pct: float | None = _fact(
        "Battery health", "battery: capacity when full of design capacity", "power_supply", "%", True, ge=0, le=150
    )
    battery_cycles: int | None = _fact(
        "Battery charge cycles", "battery charge cycles", "power_supply cycle_count", ge=0, le=65_535
    )

    image: str | None = _fact("Stick to use", "image the shop means to use on this unit", "typed", typed=True)
    link_mbps: float | None = _fact(
        "Download speed", "download speed at the bench", "typed, or the shop's", "Mbit/s", True, gt=0, le=100_000
    )
    decompress_mib_s: float | None = _fact(
        "Unpacking speed", "single-thread lzma decompression, output side", "capture --speed", "MiB/s", True, gt=0,
        le=10_000,
    )  # fmt: skip
    disk_read_mib_s: float | None = _fact(
        "Disk read speed", "sequential read of the internal disk", "capture --speed (root)", "MiB/s", True, gt=0,
        le=100_000,
    )  # fmt: skip
    disk_access_ms: float | None = _fact(
        "Disk access time", "mean random 4 KiB read of the internal disk", "capture --speed (root)", "ms", True, gt=0,
        le=10_000,
    )  # fmt: skip
    disk_near_ms: float | None = _fact(
        "Disk near access time", "mean random 4 KiB read within the first hundredth of the internal disk",
        "capture --speed (root)", "ms", True, gt=0, le=10_000,
    )  # fmt: skip
    disk_read_end_mib_s: float | None = _fact(
        "Disk read speed at the end", "sequential read of the last hundredth of the internal disk: how far a full disk "
        "slows down; nothing is reckoned from it, as an installation lies at the start",
        "capture --speed (root)", "MiB/s", True, gt=0, le=100_000,
    )  # fmt: skip
    notes: str | None = _fact("Notes", "anything else", "typed", typed=True)

    def __repr__(self) -> str:
        known = {name: value for name, value in self if value is not None}
        tag = known.pop("asset_tag", "no tag yet")
        return "\n".join([f"Unit {tag}", *(f"  {name:<20} {str(value)[:90]}" for name, value in known.items())])

    def sheet(self, shop: Any = None) -> Any:
        """The printed page of this unit as `shop` would have it prepared; see `Record.sheet`."""
        return page([self], shop)


UNIT_COLUMNS: tuple[str, ...] = tuple(Unit.model_fields)
"""Columns of a Unit frame, in order."""

LABELS: dict[str, str] = {name: str(field.title) for name, field in Unit.model_fields.items()}
"""Label of each field of the Unit."""

_EXTRA: dict[str, Any] = {name: field.json_schema_extra for name, field in Unit.model_fields.items()}

MEASURES: dict[str, str] = {name: extra["unit"] for name, extra in _EXTRA.items()}
"""Unit of measure of each field, '' for none."""

INTAKE_COLUMNS: tuple[str, ...] = tuple(name for name, extra in _EXTRA.items() if extra["typed"])
"""Columns an intake sheet carries, in the order of the contract."""

_DTYPES = {"int": "Int64", "float": "Float64", "bool": "boolean"}


def _dtype(annotation: Any) -> str:
    names = str(annotation)
    for kind, dtype in _DTYPES.items():
        if f"{kind} |" in names or f"'{kind}'" in names:
            return dtype
    return "string"


DTYPES: dict[str, str] = {name: _dtype(field.annotation) for name, field in Unit.model_fields.items()}
"""pandas dtype of each Unit column; all of them nullable, pandas.NA meaning unknown."""


@cache
def choices(name: str) -> tuple[str, ...]:
    """Values that a field of the Unit may have, ('yes', 'no') for a truth, () where anything may be typed."""
    annotation = Unit.model_fields[name].annotation
    for one in typing.get_args(annotation) or (annotation,):
        if one is bool:
            return ("yes", "no")
        if isinstance(one, type) and issubclass(one, StrEnum):
            return tuple(str(value) for value in one)
    return ()


class Capture(BaseModel):
    """One capture file: the facts of a unit, and what could not be read."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    format: Annotated[int, Field(ge=1)] = CAPTURE_FORMAT
    taken_at: str | None = None
    taken_by: str | None = None
    unit: Unit = Field(default_factory=Unit)
    unread: dict[str, str] = Field(default_factory=dict, description="field: why it could not be read")
    firmware: list[str] = Field(default_factory=list, description="firmware that the kernel asked for and did not find")
    ledger: list[str] = Field(default_factory=list, description="listings: what became of each part of the text")


@cache
def pandas_dtypes() -> dict[str, Any]:
    """`DTYPES` as pandas' own objects: looking one up by its name costs more than converting a short column.

    Returns
    -------
    dict of str to pandas.api.extensions.ExtensionDtype
        By Unit column.
    """
    from pandas.api.types import pandas_dtype

    return {name: pandas_dtype(dtype) for name, dtype in DTYPES.items()}


def frame(units: list[Unit]) -> pd.DataFrame:
    """Put units in a Unit frame.

    Returns
    -------
    pandas.DataFrame, shape (len(units), len(UNIT_COLUMNS))
        Nullable dtypes (see `DTYPES`), a row a unit, in order.
    """
    import pandas as pd

    rows = [unit.model_dump(mode="json") for unit in units]
    return pd.DataFrame(
        {name: pd.array([row[name] for row in rows], dtype=dtype) for name, dtype in pandas_dtypes().items()}
    )


def worst_first(rows: pd.DataFrame) -> pd.DataFrame:
    """Sort rows by unit (column `row`), those of a unit by `Severity` (column `severity`), else as they stand."""
    import numpy as np

    place = {str(one): at for at, one in enumerate(Severity)}
    rank = np.array([place[one] for one in rows["severity"].tolist()], dtype=int)
    return rows.iloc[np.lexsort((rank, rows["row"].to_numpy(dtype=int)))]


def unit_of(units: pd.DataFrame, row: int) -> Unit:
    """Take one row of a Unit frame as a Unit.

    Parameters
    ----------
    units : pandas.DataFrame
        A Unit frame.
    row : int
        Position, counted from 0.
    """
    import pandas as pd

    values = {
        name: (None if pd.isna(value) else value)
        for name, value in units.iloc[row].items()
        if name in Unit.model_fields
    }
    return Unit.model_validate(values)
