"""The SMBIOS table, structure by structure (DSP0134, System Management BIOS Reference Specification)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from advisor.capture.machine_facts import Memory, Module
from advisor.tables import dicts

SYSTEM_MEMORY = 3
"""Use of a memory array (type 16, offset 05h): system memory."""


@dataclass(frozen=True)
class Structure:
    """One structure: its type number, its handle and its formatted area (header included)."""

    type: int
    handle: int
    area: bytes

    def number(self, at: int, width: int) -> int | None:
        """Little-endian number, None when the structure is too short to hold it."""
        return int.from_bytes(self.area[at : at + width], "little") if at + width <= len(self.area) else None


def structures(table: bytes) -> Iterator[Structure]:
    """Walk a table as in /sys/firmware/dmi/tables/DMI; ends at type 127, its end, or where a structure is cut off."""
    at = 0
    while at + 4 <= len(table):
        kind, length = table[at], table[at + 1]
        if length < 4 or at + length > len(table):
            return
        yield Structure(kind, int.from_bytes(table[at + 2 : at + 4], "little"), table[at : at + length])
        end = table.find(b"\0\0", at + length)
        if kind == 127 or end < 0:
            return
        at = end + 2


@cache
def words(group: str) -> dict[int, dict[str, str]]:
    """Numbers of the standard and what they stand for.

    Parameters
    ----------
    group : str
        'chassis', 'memory form' or 'memory type'.

    Returns
    -------
    dict of int to dict
        Row of the table `capture/smbios` by number.
    """
    return {int(row["number"]): row for row in dicts("capture/smbios") if row["group"] == group}


def known(number: int | None, group: str) -> str | None:
    """The standard's word for a number of 'memory form' or 'memory type'; None for none, and for 'not known'."""
    row = words(group).get(number or 0, {})
    return row["name"] if row.get("known") == "yes" else None


def number_of(name: str | None, group: str) -> int | None:
    """The number that the standard has for a word of a group, however it is written."""
    same = (number for number, row in words(group).items() if name and row["name"].casefold() == name.casefold())
    return next(same, None)


def memory(table: bytes) -> Memory:
    """Read types 16 and 17.

    Returns
    -------
    Memory
        `modules` is None when the table holds no place for system memory.
    """
    found = list(structures(table))
    arrays = {one.handle: one for one in found if one.type == 16 and one.number(5, 1) == SYSTEM_MEMORY}
    places = [one for one in found if one.type == 17 and (not arrays or one.number(4, 2) in arrays)]
    counts = [each.number(0x0D, 2) for each in arrays.values()]
    return Memory.listed([_module(each) for each in places], counts, [_most_mib(each) for each in arrays.values()])


def _most_mib(array: Structure) -> int | None:
    kib = array.number(7, 4)
    if kib == 0x8000_0000:
        size = array.number(0x0F, 8)
        return size >> 20 if size else None
    return kib >> 10 if kib else None


def _module(place: Structure) -> Module:
    size = place.number(0x0C, 2)
    mib: int | None
    if size is None or size == 0xFFFF:
        mib = None
    elif size == 0x7FFF:
        extended = place.number(0x1C, 4)
        mib = None if extended is None else extended & 0x7FFF_FFFF
    elif size & 0x8000:
        # In KiB; a part of a MiB is no system memory worth a number, yet the place is not empty.
        mib = (size & 0x7FFF) >> 10 or None
    else:
        mib = size
    speed = place.number(0x15, 2)
    if speed == 0xFFFF:
        speed = (place.number(0x54, 4) or 0) & 0x7FFF_FFFF
    form, kind = known(place.number(0x0E, 1), "memory form"), known(place.number(0x12, 1), "memory type")
    return Module(mib, form, kind, speed if speed and mib != 0 else None)


def uefi_able(table: bytes) -> bool | None:
    """Whether the firmware boots UEFI (type 0, characteristics extension byte 2, bit 3); None without that byte."""
    for each in structures(table):
        if each.type == 0:
            extension = each.number(0x13, 1)
            return None if extension is None else bool(extension & 0x08)
    return None
