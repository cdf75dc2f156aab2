"""A unit's devices on the sheet: on the image used, and against every image of the shop."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from advisor.advice.printable import clean
from advisor.advice.record import SUPPORT_MARK, Across, Device, Mark
from advisor.drivers.kinds import Kind
from advisor.drivers.needs import Lack
from advisor.unit import Support

DEVICE_COLUMNS = ("kind", "device", "name", "support", "severity", "firmware_packages", "cure")
"""Columns of the verdicts that the list of devices on the image used is made from."""

ACROSS_COLUMNS = ("image", "kind", "device", "name", "support", "severity")
"""Columns of the verdicts that the picture of devices against images is made from."""

_SUPPORT_ORDER = {str(word): position for position, word in enumerate(reversed(Support))}
_MAKERS = (
    (re.compile(r"^Advanced Micro Devices, Inc\. (?:\[AMD(?:/ATI)?\] )?"), "AMD "),
    (re.compile(r"^MEDIATEK Corp\.\s*", re.I), "MediaTek "),
    (
        re.compile(
            r"(?<=\w),?(?: and subsidiaries| Semiconductor| Technology| Technologies| Microelectronics| Communications"
            r"| Group| Corporation| Corp\.?| Inc\.?| Co\.,?| Ltd\.?)+(?=\s|$)",
            re.I,
        ),
        "",
    ),
)
"""Makers' legal names, shortened for paper; the CSV and the tables keep them."""


def devices_of(entries: Iterable[dict[str, Any]]) -> tuple[Device, ...]:
    """Devices on the image used, of its rows of verdicts: those that stop the unit first, then the worst; parts of the
    chipset and the like, which work and which nobody tries, are left out.
    """
    shown = (entry for entry in entries if entry["kind"] != Kind.OTHER or entry["support"] != Support.WORKS)
    return tuple(_device(entry) for entry in sorted(shown, key=_rank))


def across(
    entries: Sequence[dict[str, Any]], used: str, never: Sequence[str]
) -> tuple[tuple[str, ...], tuple[Across, ...]]:
    """Set a unit's devices, down, against the shop's images, across.

    Parameters
    ----------
    entries : sequence of dict
        Rows of the verdicts on every image, with `ACROSS_COLUMNS`.
    used : str
        Image used, '' for none.
    never : sequence of str
        Images that do not boot on the unit; they are left out.

    Returns
    -------
    images : tuple of str
        The image used first, then as the shop lists them.
    rows : tuple of Across
        A row a device, without those of no kind that a bench looks at which work everywhere. Those that an image
        decides come first, then those that work on none, then those that work on all; worst first within each.
    """
    found: dict[tuple[str, str], dict[str, dict[str, Any]]] = {}
    for entry in entries:
        image = clean(entry["image"])
        if image not in never:
            found.setdefault((clean(entry["kind"]), clean(entry["device"])), {})[image] = entry
    images = sorted(dict.fromkeys(image for cells in found.values() for image in cells), key=lambda name: name != used)
    kinds = [kind for kind, _ in found]
    rows = []
    for (kind, device), cells in found.items():
        supports = tuple(clean(cells[image]["support"]) if image in cells else str(Support.UNKNOWN) for image in images)
        worst = min(_rank(entry) for entry in cells.values())
        same = len(set(supports)) == 1
        if kind == Kind.OTHER and set(supports) == {str(Support.WORKS)}:
            continue
        group = 2 if same and supports[0] == Support.WORKS else int(same)
        name = short_maker(clean(next(iter(cells.values()))["name"])) or device
        row = Across(
            kind=kind,
            name=name if kinds.count(kind) > 1 else "",
            supports=supports,
            marks=tuple(SUPPORT_MARK.get(support, Mark.QUERY) for support in supports),
        )
        rows.append((group, worst, row))
    rows.sort(key=lambda entry: entry[:2])
    return tuple(images), tuple(row for _, _, row in rows)


def _rank(entry: dict[str, Any]) -> tuple[bool, int]:
    """Place of a verdict in the list, the smallest for what stops the unit."""
    return entry["severity"] != Lack.BLOCKS, _SUPPORT_ORDER.get(str(entry["support"]), 0)


def _device(entry: dict[str, Any]) -> Device:
    support = clean(entry["support"])
    carried = ", ".join(packages(entry["firmware_packages"]))
    note = ""
    if support == Support.NEWER_KERNEL:
        note = clean(entry["cure"])
    elif support in (Support.NEEDS_FIRMWARE, Support.SEPARATE_DRIVER):
        note = carried or clean(entry["cure"])
    return Device(
        kind=clean(entry["kind"]),
        name=short_maker(clean(entry["name"])) or clean(entry["device"]),
        support=support,
        mark=SUPPORT_MARK.get(support, Mark.QUERY),
        note=note,
    )


def packages(value: Any) -> list[str]:
    """Package names of a cell."""
    return [package for package in re.split(r"[;,\s]+", clean(value)) if package]


def short_maker(name: str) -> str:
    """Shorten a maker's legal name, for paper; the CSV and the tables keep it."""
    for pattern, short in _MAKERS:
        name = pattern.sub(short, name)
    return name.strip()
