"""`dmidecode`: maker, model, chassis, firmware and memory modules."""

from __future__ import annotations

import re
from collections.abc import Iterator

from advisor.capture import smbios
from advisor.capture.facts import Box, Facts, Memory, Module, Processor
from advisor.capture.machine import clean, whole
from advisor.capture.memory import known_word

START = re.compile(r"Handle 0x[0-9A-Fa-f]{4}, DMI type [0-9]{1,3}, [0-9]{1,3} bytes")
TITLES = frozenset(
    {
        "BIOS Information", "System Information", "Base Board Information", "Chassis Information",
        "Processor Information", "Physical Memory Array", "Memory Device",
    }
)  # fmt: skip
MOST_MODULES = 128

_SIZE = re.compile(r"([0-9]{1,9}) (bytes|kB|MB|GB|TB)\Z")
_UNITS_MIB = {"bytes": 1 / 1048576, "kB": 1 / 1024, "MB": 1, "GB": 1024, "TB": 1048576}
_SPEED = re.compile(r"([0-9]{1,6}) (?:MT/s|MHz)\Z")


def read(lines: list[str]) -> Facts:
    """Read dmidecode's listing; serial numbers in it are passed over.

    Parameters
    ----------
    lines : list of str

    Returns
    -------
    Facts
    """
    said: dict[str, dict[str, str]] = {}
    arrays: list[dict[str, str]] = []
    places: list[dict[str, str]] = []
    uefi: bool | None = None
    for title, handle, fields, flags in _structures(lines):
        if title == "Memory Device" and len(places) < MOST_MODULES:
            places.append(fields)
        elif title == "Physical Memory Array":
            arrays.append({**fields, "handle": handle})
        elif title == "BIOS Information":
            uefi = "UEFI is supported" in flags
        said.setdefault(title, fields)
    system, board = said.get("System Information", {}), said.get("Base Board Information", {})
    version = clean(said.get("Processor Information", {}).get("Version"))
    return Facts(
        processor=Processor(name=None if version in (None, "Not Specified") else version),
        box=Box(
            maker=clean(system.get("Manufacturer"), 80),
            product=clean(system.get("Product Name"), 80),
            version=clean(system.get("Version"), 80),
            board_maker=clean(board.get("Manufacturer"), 80),
            board=clean(board.get("Product Name"), 80),
            chassis=_chassis(said.get("Chassis Information", {}).get("Type")),
            uefi_able=uefi,
        ),
        memory=_memory(arrays, places),
    )


def _structures(lines: list[str]) -> Iterator[tuple[str, str, dict[str, str], set[str]]]:
    title, handle = "", ""
    fields: dict[str, str] = {}
    flags: set[str] = set()
    for line in lines:
        if START.match(line):
            if title:
                yield title, handle, fields, flags
            title, handle, fields, flags = "", line[7:13], {}, set()
        elif line in TITLES and not (title == line and not fields):
            if title:
                yield title, handle, fields, flags
                handle = ""
            title, fields, flags = line, {}, set()
        elif line.startswith("\t\t"):
            flags.add(line.strip()[:80])
        elif line.startswith("\t"):
            key, colon, value = line.strip().partition(":")
            if colon:
                fields.setdefault(key, value.strip())
        elif line.strip() and title:
            yield title, handle, fields, flags
            title, handle, fields, flags = "", "", {}, set()
    if title:
        yield title, handle, fields, flags


def _chassis(name: str | None) -> int | None:
    rows = smbios.words("chassis")
    return next((n for n, row in rows.items() if name and row["name"].casefold() == name.casefold()), None)


def _mib(text: str | None) -> int | None:
    if text == "No Module Installed":
        return 0
    found = _SIZE.match(text or "")
    return int(int(found[1]) * _UNITS_MIB[found[2]]) if found else None


def _memory(arrays: list[dict[str, str]], places: list[dict[str, str]]) -> Memory:
    system = [array for array in arrays if array.get("Use") == "System Memory"]
    handles = {array["handle"].casefold() for array in system if array["handle"]}
    if handles:
        places = [place for place in places if place.get("Array Handle", "").casefold() in handles]
    counts = [whole(array.get("Number Of Devices")) for array in system]
    most = [_mib(array.get("Maximum Capacity")) for array in system]
    modules = []
    for place in places:
        speed = _SPEED.match(place.get("Speed", ""))
        modules.append(
            Module(
                mib=_mib(place.get("Size")),
                form=known_word(place.get("Form Factor"), "memory form"),
                kind=known_word(place.get("Type"), "memory type"),
                speed=int(speed[1]) if speed else None,
            )
        )
    return Memory(
        modules=tuple(modules) or None,
        places=sum(n for n in counts if n) if counts and None not in counts else None,
        most_mib=sum(n for n in most if n) if most and None not in most else None,
    )
