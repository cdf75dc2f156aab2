"""Facts of one machine from several listings: each leaves open what another may say."""

from __future__ import annotations

from dataclasses import replace
from functools import reduce

from advisor.capture.devices import unique
from advisor.capture.facts import BusDevice, Disk, Facts, fill
from advisor.errors import CaptureError


def merge(parts: list[Facts]) -> Facts:
    """Put facts together; of two that differ in detail the first listing's stands.

    Parameters
    ----------
    parts : list of Facts

    Returns
    -------
    Facts

    Raises
    ------
    CaptureError
        When the listings name two different processors or two different models: they are of two machines.
    """
    _same_machine([part.processor.name for part in parts], "processors")
    _same_machine([part.box.product for part in parts], "models")
    return reduce(_two, parts)


def _same_machine(names: list[str | None], what: str) -> None:
    different = {"".join(filter(str.isalnum, name)).casefold(): name for name in names if name}
    different.pop("", None)
    if len(different) > 1:
        first, second = list(different.values())[:2]
        raise CaptureError(
            f"The listings are of two machines: they name two {what}, '{first[:60]}' and '{second[:60]}'.",
            "Hand in the listings of one unit at a time.",
        )


def _two(first: Facts, second: Facts) -> Facts:
    return Facts(
        processor=fill(first.processor, second.processor),
        box=fill(first.box, second.box),
        memory=fill(first.memory, second.memory),
        devices=_devices(first.devices, second.devices),
        buses=first.buses | second.buses,
        disks=_disks(first.disks, second.disks),
        panel=fill(first.panel, second.panel),
        batteries=first.batteries if first.batteries is not None else second.batteries,
        names={**second.names, **first.names},
        why={**second.why, **first.why},
        care={**second.care, **first.care},
    )


def _devices(first: tuple[BusDevice, ...] | None, second: tuple[BusDevice, ...] | None) -> tuple[BusDevice, ...] | None:
    """Both lists; a device known by its id alone is dropped where another has its whole modalias."""
    if first is None or second is None:
        return first if second is None else second
    both = unique((*first, *second))
    whole = {(d.bus, d.vendor, d.product) for d in both if d.modalias}
    named = {(d.bus, d.vendor, d.product): d.name for d in both if d.name}
    return tuple(
        replace(d, name=d.name or named.get((d.bus, d.vendor, d.product)))
        for d in both
        if d.modalias or (d.bus, d.vendor, d.product) not in whole
    )


def _disks(first: tuple[Disk, ...] | None, second: tuple[Disk, ...] | None) -> tuple[Disk, ...] | None:
    if first is None or second is None:
        return first if second is None else second
    others = {disk.name: disk for disk in second}
    filled = [fill(disk, others.pop(disk.name)) if disk.name in others else disk for disk in first]
    return (*filled, *others.values())
