"""What a probe or a listing found, and what is decided from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Processor:
    """What the processor says of itself; see the fields `cpu*` of `advisor.unit.Unit`."""

    name: str | None = None
    vendor: str | None = None
    family: int | None = None
    model: int | None = None
    stepping: int | None = None
    flags: str | None = None
    cores: int | None = None
    threads: int | None = None


@dataclass(frozen=True)
class Box:
    """Maker, model, chassis and firmware."""

    maker: str | None = None
    product: str | None = None
    version: str | None = None
    board_maker: str | None = None
    board: str | None = None
    chassis: int | None = None  # SMBIOS chassis type number (DSP0134 7.4.1), without the lock bit
    efi: bool | None = None  # This session was started by UEFI firmware
    efi_bits: int | None = None  # 32 or 64
    uefi_able: bool | None = None  # SMBIOS type 0 says that the firmware can boot UEFI
    secure_boot: bool | None = None
    tpm: str | None = None


@dataclass(frozen=True)
class Module:
    """One SMBIOS type 17 structure: a place for memory."""

    mib: int | None = None  # Size [MiB]; 0 for an empty place, None when the firmware does not know
    form: str | None = None  # Form factor as the standard spells it, such as 'SODIMM' or 'Row Of Chips'
    kind: str | None = None  # Memory type, such as 'DDR4'
    speed: int | None = None  # Highest speed of the module [MT/s]


@dataclass(frozen=True)
class Memory:
    """Memory as the kernel and as the firmware count it."""

    seen_kib: int | None = None  # MemTotal of /proc/meminfo [KiB]
    modules: tuple[Module, ...] | None = None  # Places for system memory
    places: int | None = None  # Number of places the arrays (SMBIOS type 16) announce
    most_mib: int | None = None  # Maximum capacity of the arrays [MiB]

    @classmethod
    def listed(cls, modules: list[Module], places: list[int | None], most_mib: list[int | None]) -> Memory:
        """Memory of its modules, and of what each array announces: sums, where every one of them does."""
        sums = [None if None in each or not each else sum(filter(None, each)) for each in (places, most_mib)]
        return cls(None, tuple(modules) or None, *sums)


@dataclass(frozen=True)
class BusDevice:
    """One device on a bus."""

    bus: str  # 'pci', 'usb', 'sdio' or 'virtio'
    # vendor, product: None in a listing that shows no ids.
    vendor: int | None = None
    product: int | None = None
    modalias: str | None = None  # Whole, when the source has it
    kind: int | None = None  # PCI class and subclass (0x0280), or the USB interface class
    at: str | None = None  # Address on the bus
    driver: str | None = None
    name: str | None = None
    wireless: bool | None = None  # A bound driver made a wireless network interface of it
    wired: bool | None = None  # A bound driver made a wired network interface of it
    rev: str | None = None  # PCI revision, two hexadecimal digits

    @property
    def identity(self) -> str:
        """The modalias, or 'bus:vvvv:pppp'."""
        return self.modalias or f"{self.bus}:{self.vendor:04x}:{self.product:04x}"


@dataclass(frozen=True)
class Wear:
    """How worn a disk is."""

    left_pct: float | None = None  # Life left [%]
    said: str = ""  # What was read, in words: the field, its value and what it means
    # It is to be shown even when the life left is known: the disk says that it fails, or has bad sectors.
    warning: bool = False


@dataclass(frozen=True)
class Disk:
    """One disk."""

    name: str  # Such as 'sda'
    size: int | None = None  # [bytes]
    link: str | None = None  # What it hangs on: 'nvme', 'ata', 'usb', 'mmc', 'sd', 'virtio', 'ufs', 'scsi'
    spinning: bool | None = None
    removable: bool | None = None
    model: str | None = None
    controller: int | None = None  # PCI class and subclass of the controller it hangs on
    vmd: bool = False  # It hangs below an Intel Volume Management Device
    wear: Wear | None = None
    serial: str | None = None  # Only when identifiers were asked for


@dataclass(frozen=True)
class Panel:
    """Screen, touch and camera."""

    # width, height: [pixels]
    width: int | None = None
    height: int | None = None
    inches: float | None = None  # Diagonal
    touch: bool | None = None
    camera: bool | None = None


@dataclass(frozen=True)
class Cell:
    """One battery of the unit."""

    # full, design: Capacity when full, now and as designed, both in the same measure.
    full: int | None = None
    design: int | None = None
    measure: str = "energy"  # 'energy' [µWh] or 'charge' [µAh]
    cycles: int | None = None


@dataclass(frozen=True)
class MachineFacts:
    """All that is known of one machine. None means that the source could not say.

    Attributes
    ----------
    devices, disks, batteries : tuple, optional
        An empty tuple means that there are none; None that nobody looked.
    """

    processor: Processor = field(default_factory=Processor)
    box: Box = field(default_factory=Box)
    memory: Memory = field(default_factory=Memory)
    devices: tuple[BusDevice, ...] | None = None
    # Buses whose devices were all listed, so that what is not there is known not to be.
    buses: frozenset[str] = frozenset()
    disks: tuple[Disk, ...] | None = None
    panel: Panel = field(default_factory=Panel)
    batteries: tuple[Cell, ...] | None = None
    named: tuple[BusDevice, ...] = ()  # Devices from a listing that gives no ids
    firmware: tuple[str, ...] = ()  # Files that the kernel asked for and did not find
    # Field of `Unit`: why a source could not tell it; counts only when no source could.
    why: dict[str, str] = field(default_factory=dict)
    # Field of `Unit`, or name of a source: what to bear in mind even though it is known.
    care: dict[str, str] = field(default_factory=dict)
    source: str = ""  # The listings that they are from, ', ' between
    identifiers: dict[str, str] = field(default_factory=dict)  # Serial numbers and addresses, when they were asked for


@dataclass
class Findings:
    """What is decided from facts."""

    values: dict[str, Any] = field(default_factory=dict)  # By field of `Unit`
    why: dict[str, str] = field(default_factory=dict)  # Why a field is open, or is to be taken with care
    notes: list[str] = field(default_factory=list)

    def tell(self, name: str, value: object, reason: str = "") -> None:
        """Give a field its value; where that is None, it is open for this reason."""
        self.values[name] = value
        if value is None and reason:
            self.why.setdefault(name, reason)

    def leave(self, names: Iterable[str], reason: str) -> None:
        """Leave fields open."""
        self.why |= dict.fromkeys(names, reason)


def fill(first: T, second: T) -> T:
    """Take what the first record leaves open from the second, of the same class."""
    open_fields: dict[str, Any] = {
        each.name: getattr(second, each.name)
        for each in fields(first)  # type: ignore[arg-type]
        if getattr(first, each.name) is None and getattr(second, each.name) is not None
    }
    return replace(first, **open_fields) if open_fields else first  # type: ignore[type-var]
