"""Columns about disks, read as one: size under 'SSD' beside size under 'HDD', or kind and size apart."""

from __future__ import annotations

from functools import lru_cache

from advisor.intake.disks import NO_DISK, Disks, disks, no_disk, with_unit
from advisor.intake.headers import DISK_KINDS, STORAGE
from advisor.intake.parsed import MISSING_WORDS, UNKNOWN, Parsed, squeeze
from advisor.unit import StorageKind


@lru_cache(maxsize=100_000)
def disk_cells(filled: tuple[tuple[str, str], ...], header_units: tuple[tuple[str, str], ...]) -> Disks:
    """Read all the cells of one row that speak of disks, each with its column; their headers' units likewise."""
    cells, units = dict(filled), dict(header_units)
    listed = []
    without = 0
    for name, word in (("nvme", "NVMe"), ("ssd", "SSD"), ("hdd", "HDD")):
        text = squeeze(cells.get(name, ""))
        if text in MISSING_WORDS:
            continue
        if no_disk(text):
            without += 1
            continue
        amount = "" if text in ("yes", "y", "x") else with_unit(text, units.get(name, ""))
        listed.append(f"{amount} {word}")
    for name in (STORAGE, "storage_gib"):
        text = squeeze(cells.get(name, ""))
        if text not in MISSING_WORDS:
            listed.append(with_unit(text, units.get(name, "")))
    kind_text = squeeze(cells.get("storage_kind", ""))
    if kind_text in MISSING_WORDS:
        kind_text = ""
    if not listed and not kind_text and without == sum(name in cells for name in DISK_KINDS) > 0:
        return NO_DISK
    if not listed:
        return disks(kind_text)
    read = disks(" + ".join(" ".join(text.split()) for text in listed))
    if not kind_text:
        return read
    stated = disks(kind_text)
    if stated.kind.value is StorageKind.NONE:
        if read.size.value:
            return Disks(Parsed(None, "a size, but the kind says that there is no disk", "one of them"), UNKNOWN)
        return stated._replace(size=Parsed(0.0))
    if read.kind.value is StorageKind.NONE and stated.kind.value is not None:
        if read.size.value == 0 and cells.get("storage_gib", "").strip() in ("0", "0.0"):
            return Disks(Parsed(None, "a kind of disk, but no size", "a size, or 'none'"), UNKNOWN)
        return read
    if len(listed) == 1 and (read.kind.value is None or stated.kind.value is None):
        together = disks(f"{listed[0]} {kind_text}")
        size = read.size if read.size.value is not None else together.size
        if size.value is None and not size.problem:
            size = Parsed(None, "no size of a disk is recognised", "a size such as '240 GB', '1 TB' or 238.5")
        if stated.size.value is None and stated.kind.value is not None:
            return Disks(Parsed(stated.kind.value, note=stated.kind.note), size)
        return together._replace(size=size)
    if stated.kind.value is not None and read.kind.value is not None and stated.kind.value is not read.kind.value:
        solid = {StorageKind.NVME, StorageKind.SATA_SSD}
        if read.kind.value is StorageKind.SATA_SSD and stated.kind.value in solid:
            return read._replace(kind=stated.kind)
        if stated.kind.value is StorageKind.SATA_SSD and read.kind.value in solid:
            return read
        other = f"{stated.kind.value} and {read.kind.value} contradict each other"
        return read._replace(kind=Parsed(None, other, "one kind of disk"))
    return read if read.kind.value is not None else read._replace(kind=stated.kind)
