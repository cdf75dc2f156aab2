"""The disks: what they are, which one the system goes on, and how its controller presents it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

from advisor.capture import health
from advisor.capture.machine import KernelDevice, Machine, clean, whole
from advisor.capture.machine_facts import BusDevice, Disk, Findings, MachineFacts, Wear
from advisor.tables import dicts
from advisor.unit import StorageKind, StorageMode

GIB = 1 << 30
SMALLEST_GIB = 28.0
"""A solid-state disk smaller than this is not chosen beside a larger disk: it is then a cache or a recovery
module (a 32 GB disk has 29.8 GiB); common practice, no source."""

NOT_A_DISK = re.compile(r"(loop|ram|zram|dm-|md|sr|fd|nbd|mtdblock|nullb|rbd|drbd|bcache)\d|mmcblk\d+(boot|rpmb|gp)")
_PCI = re.compile(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]\Z")
_MODES = {0x0101: StorageMode.IDE, 0x0104: StorageMode.RAID, 0x0106: StorageMode.AHCI, 0x0108: StorageMode.NVME}
"""PCI class codes (PCI Code and ID Assignment Specification 1.11, 1.2)."""

VMD_IDS = frozenset(
    {0x201D, 0x28C0, 0x28C1, 0x467F, 0x4C3D, 0x7D0B, 0x9A0B, 0xA77F, 0xAD0B, 0xB06F, 0xB07F, 0xB60B, 0xD70B, 0xD73B}
)
"""Intel Volume Management Devices (the aliases of the module vmd in Debian 13's and its backports' kernels): their
class is RAID, their mode is not."""

_SOLID = re.compile(r"\bSSD")
"""A model that calls itself a solid-state disk, where nothing else says whether it spins."""

_RANK = {StorageKind.NVME: 0, StorageKind.SATA_SSD: 0, StorageKind.EMMC: 2, StorageKind.HYBRID: 3, StorageKind.HDD: 3}


def probe(
    machine: Machine, why: dict[str, str], care: dict[str, str], *, identifiers: bool = False
) -> tuple[Disk, ...] | None:
    """Read every disk, None when the kernel's list of block devices was not there.

    Parameters
    ----------
    why, care : dict
        Take the reason why there is no list, and that a disk is hidden.
    identifiers : bool
        Read serial numbers too.
    """
    if not machine.exists("/sys/class/block"):
        why["storage_kind"] = "the list of block devices was not there to read"
        return None
    disks = []
    for device in machine.devices("block"):
        if NOT_A_DISK.match(device.name) or device.attribute("partition") or device.attribute("hidden") == "1":
            continue
        sectors = device.number("size")
        if sectors is None or sectors > 0:
            disks.append(_disk(machine, device, sectors * 512 if sectors else None, identifiers))
    if any(device.number("remapped_nvme") for device in machine.devices("pci")):
        care["storage_kind"] = (
            "the SATA controller hides an NVMe disk (firmware setting RST or Optane): set it to AHCI to see it"
        )
    return tuple(disks)


def _disk(machine: Machine, device: KernelDevice, size: int | None, identifiers: bool) -> Disk:
    link = _link(device)
    home = _controller_path(machine, device) if link == "nvme" else device.path
    addresses = [part for part in home.split("/") if _PCI.match(part)]
    controller = None
    if addresses:
        at = home.index(addresses[-1]) + len(addresses[-1])
        kind = whole(machine.text(f"{home[:at]}/class"), 16)
        controller = kind >> 8 if kind is not None else None
    spinning = device.attribute("queue/rotational")
    rate = whole(device.property("ID_ATA_ROTATION_RATE_RPM")) if spinning is None else None
    model = _model(device, link)
    disk = Disk(
        name=device.name,
        size=size,
        link=link,
        spinning=None
        if link == "virtio"
        else (spinning == "1" if spinning else rate > 0 if rate is not None else None),
        removable=device.attribute("removable") == "1",
        model=model,
        controller=controller,
        vmd=any(address[:4] == "1000" and len(address.split(":")[0]) > 4 for address in addresses),
        serial=clean(device.attribute("device/serial"), 40) if identifiers else None,
    )
    return replace(disk, wear=health.of(machine, device, disk))


def _link(device: KernelDevice) -> str:
    path, name = device.path, device.name
    if "/usb" in path:
        return "usb"
    if name.startswith("nvme"):
        return "nvme"
    if name.startswith("mmcblk"):
        return "mmc" if device.attribute("device/type") == "MMC" else "sd"
    if "/virtio" in path or name.startswith(("vd", "xvd")):
        return "virtio"
    if "/ufs" in path:
        return "ufs"
    return "ata" if re.search(r"/ata\d+/", path) else "scsi"


def _controller_path(machine: Machine, device: KernelDevice) -> str:
    """An NVMe disk of a multipath subsystem has a virtual path; its controller does not."""
    if "/virtual/" not in device.path:
        return device.path
    controllers = machine.devices("nvme")
    same = [c for c in controllers if c.attribute("model") == device.attribute("device/model")]
    chosen = same if len(same) == 1 else controllers
    return chosen[0].path if len(chosen) == 1 else device.path


def _model(device: KernelDevice, link: str) -> str | None:
    if link in ("mmc", "sd"):
        return clean(device.attribute("device/name"), 60)
    model = clean(device.attribute("device/model"), 60)
    # SCSI keeps 16 characters of a SATA disk's 40; udev asks the disk itself, and writes '_' for blanks.
    longer = clean((device.property("ID_MODEL") or "").replace("_", " "), 60)
    if model and longer and longer.startswith(model.replace("_", " ")):
        return model + longer[len(model) :]
    return model or longer


@cache
def _patterns(use: str) -> tuple[re.Pattern[str], ...]:
    return tuple(re.compile(row["pattern"]) for row in dicts("capture/disks") if row["use"] == use)


def kind_of(disk: Disk) -> StorageKind | None:
    """Kind of a disk, None when what was read does not say."""
    if disk.link == "nvme":
        return StorageKind.NVME
    if disk.link == "mmc":
        return StorageKind.EMMC
    if disk.link in ("usb", "sd"):
        return StorageKind.USB
    solid = bool(_SOLID.search(disk.model or ""))
    if disk.link in ("virtio", "ufs") or (disk.spinning is None and not solid) or disk.name.startswith("mmcblk"):
        return None
    if not disk.spinning:
        return StorageKind.SATA_SSD
    hybrid = any(pattern.match(disk.model or "") for pattern in _patterns("hybrid"))
    return StorageKind.HYBRID if hybrid else StorageKind.HDD


def internal(disks: tuple[Disk, ...]) -> list[Disk]:
    """The unit's own disks (no sticks, cards, removable ones), solid state first, then larger; cache modules last."""
    built_in = [disk for disk in disks if not disk.removable and disk.link not in ("usb", "sd")]
    largest = max((disk.size or 0 for disk in built_in), default=0)

    def order(disk: Disk) -> tuple[bool, int, int, str]:
        kind = kind_of(disk)
        small = (disk.size or 0) < min(SMALLEST_GIB * GIB, largest) and kind is not StorageKind.HDD
        rank = 1 if kind is None else _RANK.get(kind, 2)
        if kind is StorageKind.SATA_SSD and any(kind_of(d) is StorageKind.NVME for d in built_in):
            rank = 1
        return small or is_cache(disk), rank, -(disk.size or 0), disk.name

    return sorted(built_in, key=order)


def is_cache(disk: Disk) -> bool:
    """Whether the model is one that was made to cache another disk."""
    return any(pattern.match(disk.model or "") for pattern in _patterns("cache"))


def is_vmd(device: BusDevice) -> bool:
    """Whether a device is an Intel Volume Management Device, by its driver or its id."""
    return device.driver == "vmd" or (device.vendor == 0x8086 and device.product in VMD_IDS)


_OF_A_DISK = ("storage_health_pct", "storage_model")
_FIELDS = ("storage_kind", "storage_gib", *_OF_A_DISK)


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill the fields `storage_*` of the Unit; further internal disks are noted, as they have to be erased too."""
    controllers = [one for one in (*(facts.devices or ()), *facts.named) if one.bus == "pci" and one.kind in _MODES]
    present = {StorageMode.VMD if is_vmd(device) else _MODES[device.kind or 0] for device in controllers}
    if not (built_in := internal(facts.disks or ())):
        _no_disk(facts, present, found)
        return
    if len([disk for disk in built_in if disk.link is None]) > 1:
        found.leave(
            (*_FIELDS, "storage_mode"), "the source does not say which of several disks are built in; lsblk -O -J does"
        )
        found.notes += [f"disk: {described(disk)}" for disk in built_in]
        return
    first, *others = built_in
    unknown = {
        "virtio": "a virtual disk: what it stands on cannot be seen from inside",
        "ufs": "UFS flash, for which there is no word here",
    }.get(first.link or "", "the source does not say whether the disk spins")
    found.tell("storage_kind", kind_of(first), unknown)
    found.tell("storage_model", first.model)
    size = round(first.size / GIB, 2) if first.size else None
    found.tell("storage_gib", size, "the source does not state the size")
    mode = StorageMode.VMD if first.vmd else _MODES.get(first.controller or 0)
    if mode is None and first.controller is None and first.link in ("ata", "scsi", "nvme"):
        wanted = {StorageMode.NVME, StorageMode.VMD} if first.link == "nvme" else set(_MODES.values()) - {"nvme"}
        fitting = present & wanted
        mode = next(iter(fitting)) if len(fitting) == 1 else None
    bare = first.link in ("mmc", "virtio", "ufs")
    other = "hangs on no SATA, IDE, RAID or NVMe controller"
    other = f"the disk {other}" if bare else "the source does not say which controller the disk hangs on"
    found.tell("storage_mode", mode, other)
    asleep = _without_driver(facts)
    if asleep and any(device.driver for device in facts.devices or ()):
        hidden = f"{asleep} has no driver in the running system: it may hide a further disk"
        found.why.setdefault("storage_kind", hidden)
    wear = first.wear or Wear(said="the source does not state the disk's health")
    found.tell("storage_health_pct", wear.left_pct, wear.said)
    if wear.warning:
        found.why["storage_health_pct"] = wear.said
    found.notes += [f"further {'internal ' if disk.link else ''}disk: {described(disk)}" for disk in others]


def _without_driver(facts: MachineFacts) -> str:
    """Name of a controller of disks (PCI base class 01h) or eMMC (0805h) that nothing drives, '' without one."""
    for device in facts.devices or ():
        controls = device.kind is not None and (device.kind >> 8 == 0x01 or device.kind == 0x0805)
        if device.bus == "pci" and controls and device.driver is None:
            return f"the controller {device.vendor:04x}:{device.product:04x}"
    return ""


def _no_disk(facts: MachineFacts, present: set[StorageMode], found: Findings) -> None:
    mode = next(iter(present)) if len(present) == 1 else None
    asleep = _without_driver(facts)
    hidden = facts.care.get("storage_kind", "")
    if facts.disks is None:
        hidden = facts.why.get("storage_kind", "the source does not list disks")
    elif not hidden and asleep:
        hidden = f"no disk is seen, but {asleep} has no driver in the running system, as far as the source says"
    elif not hidden and present & {StorageMode.RAID, StorageMode.VMD}:
        hidden = f"no disk is seen, but a controller in {'/'.join(sorted(present))} mode may hide one"
    found.leave(_FIELDS if hidden else _OF_A_DISK, hidden or "no internal disk was found")
    if not hidden:
        found.tell("storage_kind", StorageKind.NONE)
        found.tell("storage_gib", 0.0)
    found.tell("storage_mode", mode, hidden if facts.disks is None else "")


def described(disk: Disk) -> str:
    """A disk in words, for the notes and the summary."""
    size = f"{disk.size / GIB:.1f} GiB" if disk.size else "size unknown"
    kind = kind_of(disk)
    cache_module = "cache module" if is_cache(disk) else None
    return " ".join(part for part in (size, cache_module or (str(kind) if kind else ""), disk.model or "") if part)
