"""`/proc/cpuinfo`, `/proc/meminfo`, `lscpu` with and without -J, and `lsblk -J`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from advisor.capture import memory, processor
from advisor.capture.facts import Disk, Facts, Memory, Processor
from advisor.capture.machine import clean, whole

MOST_DISKS = 64
_SIZE = re.compile(r"([0-9]{1,15})(?:[.,]([0-9]{1,6}))?\s?([BKMGTPE]?)(?:i?B)?\Z")
_POWERS = {"": 0, "B": 0, "K": 1, "M": 2, "G": 3, "T": 4, "P": 5, "E": 6}
_LINKS = {"nvme": "nvme", "sata": "ata", "ata": "ata", "usb": "usb", "mmc": "mmc", "virtio": "virtio", "sas": "scsi"}


def read_cpuinfo(lines: list[str]) -> Facts:
    """Read /proc/cpuinfo.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
    """
    return Facts(processor=processor.parse("\n".join(lines)))


def read_meminfo(lines: list[str]) -> Facts:
    """Read /proc/meminfo.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
    """
    return Facts(memory=Memory(seen_kib=memory.parse_meminfo("\n".join(lines[:50]))))


def read_lscpu(lines: list[str]) -> Facts:
    """Read lscpu's plain listing.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
    """
    said: dict[str, str] = {}
    for line in lines:
        key, colon, value = line.partition(":")
        if colon:
            said.setdefault(key.strip(), value.strip())
    return Facts(processor=_lscpu(said))


def read_lscpu_json(rows: Any) -> Facts:
    """Read `lscpu -J`.

    Parameters
    ----------
    rows : any
        What stands under "lscpu": objects with "field" and "data", possibly with "children".

    Returns
    -------
    Facts
    """
    said: dict[str, str] = {}
    for row in _walk(rows):
        field, data = row.get("field"), row.get("data")
        if isinstance(field, str) and isinstance(data, str):
            said.setdefault(field.strip().removesuffix(":"), data.strip())
    return Facts(processor=_lscpu(said))


def _walk(rows: Any) -> Iterator[dict[str, Any]]:
    """Objects of nested "children" lists, without recursion."""
    waiting, seen = [rows], 0
    while waiting and seen < 10_000:
        level = waiting.pop(0)
        for row in level if isinstance(level, list) else ():
            seen += 1
            if isinstance(row, dict):
                yield row
                waiting.append(row.get("children"))


def _lscpu(said: dict[str, str]) -> Processor:
    per_socket, sockets = whole(said.get("Core(s) per socket")), whole(said.get("Socket(s)"))
    return Processor(
        name=clean(said.get("Model name")),
        vendor=clean(said.get("Vendor ID"), 20),
        family=whole(said.get("CPU family")),
        model=whole(said.get("Model")),
        stepping=whole(said.get("Stepping")),
        flags=clean(said.get("Flags"), 8000),
        cores=per_socket * sockets if per_socket and sockets else None,
        threads=whole(said.get("CPU(s)")),
    )


def read_lsblk(rows: Any) -> Facts:
    """Read `lsblk -J`, best with -b and -O.

    Parameters
    ----------
    rows : any
        What stands under "blockdevices".

    Returns
    -------
    Facts
    """
    from advisor.capture.storage import NOT_A_DISK

    if not isinstance(rows, list):
        return Facts()
    names = {row["name"] for row in rows if isinstance(row, dict) and isinstance(row.get("name"), str)}
    disks = []
    for row in rows[:1000]:
        name = row.get("name") if isinstance(row, dict) else None
        if not isinstance(name, str) or not re.fullmatch(r"[\w!/.-]{1,60}", name):
            continue
        name = name.removeprefix("/dev/")
        if row.get("type", "disk") != "disk" or NOT_A_DISK.match(name):
            continue
        size = bytes_of(row.get("size"))
        if size == 0:
            continue
        model = row.get("model")
        disks.append(
            Disk(
                name=name,
                size=size,
                link=_link(name, row.get("tran"), names),
                spinning=_truth(row.get("rota")),
                removable=_truth(row.get("rm")),
                model=clean(model, 60) if isinstance(model, str) else None,
            )
        )
    return Facts(disks=tuple(disks[:MOST_DISKS]))


def _link(name: str, transport: Any, names: set[str]) -> str | None:
    if name.startswith("mmcblk"):
        # Every eMMC since 4.3 (JESD84-A43) has boot partitions, which lsblk lists beside it; a card has none.
        return "mmc" if f"{name}boot0" in names else "sd"
    if isinstance(transport, str) and transport in _LINKS:
        return _LINKS[transport]
    if name.startswith("nvme"):
        return "nvme"
    return "virtio" if name.startswith(("vd", "xvd")) else None


def _truth(value: Any) -> bool | None:
    if isinstance(value, bool):
        return value
    return {"1": True, "0": False, 1: True, 0: False}.get(value) if isinstance(value, str | int) else None


def bytes_of(value: Any) -> int | None:
    """A size as lsblk prints it: whole bytes with -b, else '238.5G', in powers of 1024.

    Parameters
    ----------
    value : any

    Returns
    -------
    int or None
        [bytes]
    """
    if isinstance(value, int) and not isinstance(value, bool):
        return value if 0 <= value < 1 << 60 else None
    found = _SIZE.match(value.strip()) if isinstance(value, str) and len(value) < 40 else None
    if not found:
        return None
    number = float(f"{found[1]}.{found[2] or 0}")
    size = number * 1024 ** _POWERS[found[3]]
    return int(size) if size < 1 << 60 else None
