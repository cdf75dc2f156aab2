"""`upower -d` or `-i`: the unit's batteries."""

from __future__ import annotations

import re

from advisor.capture.listings.kinds import KEYED, ListingKind, Section, blank_or
from advisor.capture.machine import pairs, parts, whole
from advisor.capture.machine_facts import Cell, MachineFacts

_AMOUNT = re.compile(r"([0-9]{1,6})(?:[.,]([0-9]{1,6}))?")
APART_PCT = 2.0
"""Two figures of one battery's health that lie further apart are named, both [percentage points]."""


def _number(text: str | None) -> float | None:
    found = _AMOUNT.match(text or "")
    return float(f"{found[1]}.{found[2] or 0}") if found else None


def _begins(line: str, part: list[str]) -> bool:
    return line.startswith("Device:") or (line.strip().startswith("native-path:") and len(part) > 1)


def read(section: Section) -> MachineFacts:
    """Read upower's listing; of two figures of a battery's health that differ the lower is taken, and both named."""
    cells: list[Cell] = []
    care: dict[str, str] = {}
    for lines in parts(section.lines, _begins):
        name = pairs(lines)
        full, design = _number(name.get("energy-full")), _number(name.get("energy-full-design"))
        battery = any(line.strip() == "battery" for line in lines) and "DisplayDevice" not in lines[0]
        if not battery or name.get("power supply") != "yes" or name.get("present") == "no":
            continue
        capacity = _number(name.get("capacity"))
        if full and design and capacity and abs(100 * full / design - capacity) > APART_PCT:
            care["battery_health_pct"] = (
                f"upower gives {capacity:.1f} % as the capacity, but {100 * full / design:.1f} % of the design as what "
                "it holds when full: the lower is taken"
            )
            full = min(full, design * capacity / 100)
        cycles = whole(name.get("charge-cycles"))
        cells.append(
            Cell(
                round(full * 1e6) if full is not None else None,
                round(design * 1e6) if design else None,
                cycles=cycles or None,
            )
        )
    whole_list = any(line.startswith("Device:") for line in section.lines)
    return MachineFacts(batteries=tuple(cells) if cells or whole_list else None, care=care)


UPOWER = ListingKind(
    "upower", re.compile(r"Device: /org/freedesktop/UPower|\s{0,4}native-path:\s").match,
    blank_or(rf"[\t ]|battery\s*\Z|{KEYED}"), read,
)  # fmt: skip
