"""`lsusb` with or without -v, and which input devices are touchscreens."""

from __future__ import annotations

import re
from dataclasses import replace

from advisor.capture import screen
from advisor.capture.listings.kinds import ListingKind, Section, blank_or
from advisor.capture.listings.pci import continues
from advisor.capture.machine import clean, pairs, parts
from advisor.capture.machine_facts import BusDevice, MachineFacts, Panel

_START = re.compile(r"\s{0,4}Bus [0-9]{3} Device [0-9]{3}: ID ([0-9a-f]{4}):([0-9a-f]{4})")
_CLASS = re.compile(r"\s{0,20}bInterfaceClass\s{1,20}(\d{1,3})\b")
_ROOT = frozenset({(0x1D6B, 0x0001), (0x1D6B, 0x0002), (0x1D6B, 0x0003), (0, 0)})
"""The kernel's own root hubs (vendor 1d6b is the Linux Foundation); before 2.6.27 they were 0000:0000."""


def read(section: Section) -> MachineFacts:
    """Read an lsusb listing: ids, and with -v the class of the first interface and whether there is a camera."""
    found: list[BusDevice] = []
    detailed = camera = False
    for line in section.lines:
        start = _START.match(line)
        if start:
            name = clean(line[start.end() :])
            found.append(BusDevice("usb", int(start[1], 16), int(start[2], 16), name=name))
        elif found and (interface := _CLASS.match(line)):
            detailed = True
            camera = camera or int(interface[1]) == 0x0E
            if found[-1].kind is None:
                found[-1] = replace(found[-1], kind=int(interface[1]))
        elif found and line.strip() and not detailed and line[0] not in "\t ":
            found[-1] = replace(found[-1], name=clean(f"{found[-1].name or ''} {line}"))
    kept = tuple(d for d in found if (d.vendor, d.product) not in _ROOT and d.kind != 0x09)
    whole = any((d.vendor, d.product) in _ROOT for d in found) and not section.filtered
    buses = frozenset({"usb"} if whole else ())
    return MachineFacts(devices=kept, buses=buses, panel=Panel(camera=camera if detailed else None))


_detail = blank_or(r"[\t ]|(?:Device|Configuration|Interface|Endpoint|BOS) |Couldn't|Binary")

LSUSB = ListingKind("lsusb", _START.match, lambda line, lines: _detail(line, lines) or continues(line, lines), read)

_INPUT = re.compile(r"I: Bus=[0-9a-f]{4} Vendor=[0-9a-f]{4} ")
_INPUT_LINE = re.compile(r"[A-Z]: |--\Z|\s*\Z")


def read_inputs(section: Section) -> MachineFacts:
    """Read /proc/bus/input/devices: whether one of the devices is a touchscreen."""
    touch = any(
        screen.takes_touch(pairs((line[3:] for line in part if line.startswith("B: ")), "="))
        for part in parts(section.lines, lambda line, _: line.startswith("I: "))
    )
    some = any(line.strip() == "--" for line in section.lines) or section.filtered
    return MachineFacts(panel=Panel(touch=touch or (None if some else False)))


INPUTS = ListingKind(
    "/proc/bus/input/devices", _INPUT.match,
    lambda line, lines: bool(_INPUT_LINE.match(line)) or (lines[-1].startswith("S: ") and len(lines[-1]) > 60),
    read_inputs,
)  # fmt: skip
