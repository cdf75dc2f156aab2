"""Facts of one machine from several listings, and which listings are of one machine."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from typing import Any, TypeVar

from advisor.capture.devices import unique
from advisor.capture.listings.smart import UNNAMED
from advisor.capture.machine_facts import BusDevice, Disk, MachineFacts, fill

T = TypeVar("T")
_PREFIX = {"processor": "cpu_", "box": "", "panel": "", "memory": ""}
_FIELDS = {"cpu_name": "cpu", "product": "model", "efi": "boot_mode", "seen_kib": "ram_gib"}
_SAME_SIZE = 0.01
"""Sizes of one disk that listings round differently lie within this share."""


def processor_key(name: str) -> str:
    """What of a processor's name tells it apart: without its clock, signs and words that listings leave out."""
    bare = re.sub(
        r"@?\s*\d+(?:\.\d+)?\s?[GM]Hz|\((?:R|TM)\)|\b(?:CPU|Processor|with .{0,40} Graphics)\b", " ", name, flags=re.I
    )
    return "".join(filter(str.isalnum, bare)).casefold()


def _slots(facts: MachineFacts) -> dict[str, BusDevice]:
    """The device at each PCI address."""
    both = (*(facts.devices or ()), *facts.named)
    return {one.at.removeprefix("0000:"): one for one in both if one.at and one.bus == "pci"}


def differ(first: MachineFacts, second: MachineFacts) -> str:
    """Why two listings are not of one machine, '' when they may be: processor, model, or what sits at each address."""
    names = [one.processor.name and processor_key(one.processor.name) for one in (first, second)]
    if names[0] and names[1] and not (names[0].startswith(names[1]) or names[1].startswith(names[0])):
        return f"processors, '{first.processor.name}' and '{second.processor.name}'"
    models = ["".join(filter(str.isalnum, one.box.product or "")).casefold() for one in (first, second)]
    if models[0] and models[1] and not (models[0] in models[1] or models[1] in models[0]):
        return f"models, '{first.box.product}' and '{second.box.product}'"
    left, right = _slots(first), _slots(second)
    common = left.keys() & right.keys()
    apart = sum(_other_device(left[at], right[at]) for at in common)
    if apart * 2 > len(common):
        at = min(at for at in common if _other_device(left[at], right[at]))
        return f"devices at PCI address {at}"
    return ""


def _other_device(first: BusDevice, second: BusDevice) -> bool:
    """Whether two listings mean two devices: by ids, else by class and the first word of the name."""
    if first.vendor is not None and second.vendor is not None:
        return (first.vendor, first.product) != (second.vendor, second.product)
    makers = [(one.name or "").partition(" ")[0].casefold() for one in (first, second)]
    apart = ((first.kind, second.kind), makers)
    return any(one and two and one != two for one, two in apart)


def machines(parts: list[MachineFacts]) -> list[list[MachineFacts]]:
    """Part listings by machine: each joins the latest machine that it does not contradict."""
    groups: list[list[MachineFacts]] = []
    for part in parts:
        home = next((g for g in reversed(groups) if not any(differ(one, part) for one in g)), None)
        if home is None:
            groups.append([part])
        else:
            home.append(part)
    return groups


def merge(first: MachineFacts, second: MachineFacts) -> MachineFacts:
    """Put the facts of one machine together; of two that contradict the first listing's stands, and both are named."""
    sources = (first.source, second.source)
    care = {**second.care, **first.care}
    records = {
        name: _filled(getattr(first, name), getattr(second, name), prefix, sources, care)
        for name, prefix in _PREFIX.items()
    }
    return MachineFacts(
        **records,
        devices=_devices(first.devices, second.devices),
        buses=first.buses | second.buses,
        disks=_disks(first.disks, second.disks, sources, care),
        batteries=first.batteries if first.batteries is not None else second.batteries,
        named=_named(first.named, second.named),
        firmware=tuple(dict.fromkeys((*first.firmware, *second.firmware))),
        why={**second.why, **first.why},
        care=care,
        source=first.source if second.source in first.source else ", ".join(sources),
    )


def _filled(first: T, second: T, prefix: str, sources: tuple[str, str], care: dict[str, str]) -> T:
    """Fill one record from another, naming what contradicts; a longer name of the same thing is the better one."""
    for each in fields(first):  # type: ignore[arg-type]
        mine, theirs = getattr(first, each.name), getattr(second, each.name)
        if mine is None or theirs is None or _alike(mine, theirs, each.name):
            continue
        field = _FIELDS.get(f"{prefix}{each.name}", f"{prefix}{each.name}")
        both = zip(sources, (mine, theirs), strict=True)
        told = ", ".join(f"{source} says '{str(value)[:60]}'" for source, value in both)
        care.setdefault(field, f"{told}: the first was taken")
    return fill(first, second)


def _alike(mine: Any, theirs: Any, name: str) -> bool:
    if name == "flags" or mine == theirs:
        return True
    if name == "seen_kib":  # what is in use differs from boot to boot
        return bool(abs(mine - theirs) < 0.1 * max(mine, theirs))
    if isinstance(mine, str) and isinstance(theirs, str):
        one, two = sorted((processor_key(mine), processor_key(theirs)), key=len)
        return not one or two.startswith(one)
    return name in ("modules", "inches")


def _devices(first: tuple[BusDevice, ...] | None, second: tuple[BusDevice, ...] | None) -> tuple[BusDevice, ...] | None:
    """Both lists; of a device that both have, the one that says most of it stays, with the other's name and driver."""
    if first is None or second is None:
        return first if second is None else second
    both = unique((*first, *second))
    alike: dict[tuple[str, int | None, int | None], list[BusDevice]] = {}
    for one in both:
        alike.setdefault((one.bus, one.vendor, one.product), []).append(one)
    kept = []
    for one in both:
        same = alike[one.bus, one.vendor, one.product]
        if _told(one) == max(map(_told, same)):
            name = one.name or next((other.name for other in same if other.name), None)
            driver = one.driver or next((other.driver for other in same if other.driver), None)
            kept.append(replace(one, name=name, driver=driver))
    return tuple(kept)


def _told(device: BusDevice) -> int:
    return 0 if not device.modalias else 9 - device.modalias.count("*")


def _named(first: tuple[BusDevice, ...], second: tuple[BusDevice, ...]) -> tuple[BusDevice, ...]:
    """Both lists; a device at one address once, however old the list of names was."""
    held = {one.at for one in first if one.at and one.name}
    return tuple(dict.fromkeys((*first, *(one for one in second if not (one.at and one.at in held and one.name)))))


def _disks(
    first: tuple[Disk, ...] | None, second: tuple[Disk, ...] | None, sources: tuple[str, str], care: dict[str, str]
) -> tuple[Disk, ...] | None:
    if first is None or second is None:
        return first if second is None else second
    left = list(second)
    out = []
    for disk in first:
        twin = next((one for one in left if _one_disk(disk, one, first, second)), None)
        if twin is not None:
            left.remove(twin)
            if disk.size and twin.size and abs(disk.size - twin.size) > _SAME_SIZE * disk.size:
                sizes = f"{disk.size / 2**30:.1f} GiB, {sources[1]} says {twin.size / 2**30:.1f} GiB"
                care.setdefault("storage_gib", f"{sources[0]} says {sizes} for {disk.name}: the first was taken")
            named = disk if disk.name != UNNAMED and not disk.name.startswith("ata") else replace(disk, name=twin.name)
            disk = fill(named, twin)
        out.append(disk)
    return (*out, *left)


def _one_disk(one: Disk, other: Disk, first: tuple[Disk, ...], second: tuple[Disk, ...]) -> bool:
    """Whether two listings mean one disk: by its name, its model, its size, or as both have only one."""
    loose = {one.name[:3], other.name[:3]} & {UNNAMED[:3], "ata"}
    if one.name == other.name or not loose:
        return one.name == other.name
    if one.model and other.model:
        return one.model.startswith(other.model) or other.model.startswith(one.model)
    if one.size and other.size:
        return abs(one.size - other.size) <= _SAME_SIZE * one.size
    return len(first) == len(second) == 1
