"""`dmidecode`: maker, model, chassis, firmware and memory modules."""

from __future__ import annotations

import re
from collections.abc import Iterator

from advisor.capture import smbios
from advisor.capture.listings.kinds import ListingKind, Section
from advisor.capture.machine import bytes_of, clean, whole
from advisor.capture.machine_facts import Box, MachineFacts, Memory, Module, Processor
from advisor.capture.memory import known_word

MOST_MODULES = 128
_HANDLE = re.compile(r"\s{0,4}Handle 0x([0-9A-Fa-f]{4}), DMI type [0-9]{1,3}, [0-9]{1,3} bytes")
_TITLES = (
    "BIOS Information", "System Information", "Base Board Information", "Chassis Information",
    "Processor Information", "Physical Memory Array", "Memory Device",
)  # fmt: skip
_TITLE = re.compile(rf"\s{{0,4}}({'|'.join(_TITLES)})\s*\Z")
_HEAD = re.compile(r"# dmidecode \d|Getting SMBIOS data|SMBIOS \d\.\d(?:\.\d)? present")
_FIELD = re.compile(r"\s{0,24}([A-Z][^:]{1,40}):(?:\s+(.*))?\Z")
_ONLY_SIZE = re.compile(r"\s{0,24}Size: (?:[0-9]{1,9} (?:MB|GB)|No Module Installed)\s*\Z")
_SPEED = re.compile(r"([0-9]{1,6}) (?:MT/s|MHz)\b")


def read(section: Section) -> MachineFacts:
    """Read dmidecode's listing, however its lines are indented; serial numbers in it are passed over."""
    by_field: dict[str, dict[str, str]] = {}
    arrays: list[dict[str, str]] = []
    places: list[dict[str, str]] = []
    uefi: bool | None = None
    for title, handle, fields, flags in _structures(section.lines):
        if title == "Memory Device" and len(places) < MOST_MODULES:
            places.append(fields)
        elif title == "Physical Memory Array":
            arrays.append({**fields, "handle": handle})
        elif title == "BIOS Information":
            uefi = "UEFI is supported" in flags
        by_field.setdefault(title, fields)
    system, board = by_field.get("System Information", {}), by_field.get("Base Board Information", {})
    version = clean(by_field.get("Processor Information", {}).get("Version"))
    return MachineFacts(
        processor=Processor(name=None if version in (None, "Not Specified") else version),
        box=Box(
            maker=clean(system.get("Manufacturer"), 80),
            product=clean(system.get("Product Name"), 80),
            version=clean(system.get("Version"), 80),
            board_maker=clean(board.get("Manufacturer"), 80),
            board=clean(board.get("Product Name"), 80),
            chassis=smbios.number_of(by_field.get("Chassis Information", {}).get("Type"), "chassis"),
            uefi_able=uefi,
        ),
        memory=_memory(arrays, places),
    )


def _structures(lines: list[str]) -> Iterator[tuple[str, str, dict[str, str], set[str]]]:
    """Title, handle, fields and list items of each structure of a known title."""
    title = handle = ""
    fields: dict[str, str] = {}
    flags: set[str] = set()
    for line in [*lines, "Handle 0x0000, DMI type 127, 4 bytes"]:
        begins, named, field = _HANDLE.match(line), _TITLE.match(line), _FIELD.match(line)
        lone = not title and not named and _ONLY_SIZE.match(line)
        if begins or named or lone or (title == "-" and field and field[1] == "Size"):
            if title and (fields or flags):
                yield "Memory Device" if title == "-" else title, handle, fields, flags
            handle = begins[1].casefold() if begins else handle if named and not (fields or flags) else ""
            title, fields, flags = named[1] if named else "" if begins else "-", {}, set()
        if field and title:
            fields.setdefault(field[1], (field[2] or "").strip())
        elif line.strip() and not (begins or named):
            flags.add(line.strip()[:80])


def _mib(text: str | None) -> int | None:
    if text == "No Module Installed":
        return 0
    size = bytes_of(text)
    return None if size is None else size >> 20


def _memory(arrays: list[dict[str, str]], places: list[dict[str, str]]) -> Memory:
    system = [array for array in arrays if array.get("Use") == "System Memory"]
    handles = {f"0x{array['handle']}" for array in system if array["handle"]}
    if handles:
        places = [place for place in places if place.get("Array Handle", "").casefold() in handles | {""}]
    counts = [whole(array.get("Number Of Devices")) for array in system]
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
    return Memory.listed(modules, counts, [_mib(array.get("Maximum Capacity")) for array in system])


def _goes_on(line: str, lines: list[str]) -> bool:
    if not line.strip() or line[0] in "\t " or line.strip() == "--":
        return True
    after_blank = bool(lines) and not lines[-1].strip()
    head = bool(re.match(r"\d+ structures occupying|Table at 0x|[A-Z][\w /-]{3,60}\Z", line))
    return head or (
        not after_blank and (bool(_FIELD.match(line)) or line.endswith(("supported", "allowed", "available")))
    )


DMIDECODE = ListingKind(
    "dmidecode",
    re.compile(f"{_HANDLE.pattern}|{_TITLE.pattern}|{_HEAD.pattern}").match,
    _goes_on,
    read,
    loose=_ONLY_SIZE.match,
)
