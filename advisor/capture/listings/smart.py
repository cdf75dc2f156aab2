"""Disks' own words: `smartctl` as text and as JSON, and `nvme smart-log`."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from advisor.capture import health
from advisor.capture.listings.kinds import KEYED, ListingKind, Section, blank_or
from advisor.capture.machine import clean, pairs, whole
from advisor.capture.machine_facts import Disk, MachineFacts

UNNAMED = "disk"
"""Name of a disk of which the listing does not say the name; a listing of disks gives it."""

_NODE = re.compile(r"(?:/dev/)?\b(nvme\d{1,2}|sd[a-z]{1,2}|hd[a-z])(n\d{1,2})?\b")
_BYTES = re.compile(r"([0-9][0-9.,' ]{3,30}[0-9]) bytes|([0-9][0-9.,' ]{6,30}[0-9]) \[")
_ATTRIBUTE = re.compile(
    r"\s{0,12}(\d{1,3}) [A-Za-z][\w/.-]{2,40}\s{1,20}\S{2,8}\s{1,8}(\d{3})\s{1,8}\d{3}\s{1,8}(?:\d{3}|---)\s(.{1,60})\Z"
)
_ENDURANCE = re.compile(r"0x07\s{1,4}0x008\s{1,4}1\s{1,24}(\d{1,3})\s.{0,20}Percentage Used Endurance Indicator")
_LOG = re.compile(r"SMART/Health Information \(NVMe|Smart Log for NVME device")
_LIKE_NVME = ("Total NVM Capacity", "Namespace 1 Size/Capacity", "NVMe Version", "Model Number")


def _number(text: str | None) -> int | None:
    """A number with groups of three in any country's way, or in hexadecimal."""
    plain = re.sub(r"[.,' %]", "", (text or "").strip().split(" [")[0].removesuffix(" bytes"))
    if re.fullmatch(r"0x[0-9a-fA-F]{1,8}", plain):
        return int(plain, 16)
    return whole(plain)


def _name(*texts: str) -> str:
    """Name of the disk that one of these texts names."""
    found = next(filter(None, map(_NODE.search, texts)), None)
    if not found:
        return UNNAMED
    return f"{found[1]}{found[2] or 'n1'}" if found[1].startswith("nvme") else found[1]


def read(section: Section) -> MachineFacts:
    """Read smartctl's text, or nvme's log: model, size, kind and health of one disk."""
    fields = pairs(section.lines)
    nvme = any(_LOG.search(line) for line in section.lines) or any(key in fields for key in _LIKE_NVME)
    size = _BYTES.search(next((fields[key] for key in _SIZES if key in fields), ""))
    rate = fields.get("Rotation Rate", "")
    attributes = [found for line in section.lines if (found := _ATTRIBUTE.match(line))]
    model = fields.get("Device Model") or fields.get("Model Number") or fields.get("Product")
    disk = Disk(
        name=_name(section.command, fields.get("Smart Log for NVME device", "")),
        size=_number(size[1] or size[2]) if size else None,
        link="nvme" if nvme else "ata" if attributes or "Device Model" in fields else None,
        spinning=False if nvme or "Solid State" in rate else True if re.match(r"\d", rate) else None,
        model=clean(model, 60),
    )
    wear = _nvme(fields) if nvme else _ata(disk, fields, attributes, section.lines)
    return MachineFacts(disks=(replace(disk, wear=wear),))


_SIZES = ("User Capacity", "Namespace 1 Size/Capacity", "Total NVM Capacity")


def _nvme(fields: dict[str, str]) -> health.Wear | None:
    plain = {re.sub(r"[ _]", "", key).casefold(): value for key, value in fields.items()}
    used = _number(plain.get("percentageused"))
    if used is None:
        return None
    spare, threshold = _number(plain.get("availablespare")), _number(plain.get("availablesparethreshold"))
    return health.of_nvme(used, spare, threshold, _number(plain.get("criticalwarning")) or 0)


def _ata(disk: Disk, fields: dict[str, str], rows: list[re.Match[str]], lines: list[str]) -> health.Wear | None:
    known = {int(row[1]): (int(row[2]), whole((row[3].split("-")[-1].split() or [""])[0]) or 0) for row in rows}
    used = next((int(found[1]) for line in lines if (found := _ENDURANCE.search(line))), None)
    status = next((value for key, value in fields.items() if key.startswith("SMART overall-health")), "")
    if not (known or used is not None or status):
        return None
    return health.of_ata(disk.model or "", bool(disk.spinning), known, used, "FAIL" in status if status else None)


_LINES = rf"[\t =(]|ID#|SMART|General|Vendor|\[\.\.\.\]|No |Copyright|0x|Device Stat|Page |{KEYED}|{_ATTRIBUTE.pattern}"
_START = re.compile(
    r"smartctl \d\.\d|=== START OF|Device Model:\s|Model Number:\s{4}|ID# ATTRIBUTE_NAME|SMART/Health Info"
)
SMARTCTL = ListingKind(
    "smartctl", _START.match, blank_or(_LINES), read, resumes=re.compile(r"ID# |SMART/|=== START OF (?!INFORMATION)"),
)  # fmt: skip
SMART_LOG = ListingKind("nvme smart-log", re.compile(r"Smart Log for NVME device").match, lambda line, _: bool(
    re.match(r"[\w ]{4,50}\s:\s", line)), read)  # fmt: skip


def read_json(answer: dict[str, Any]) -> MachineFacts:
    """Read `smartctl -j`, with -x or -a."""
    told = answer.get("device")
    device = told if isinstance(told, dict) else {}
    nvme = device.get("protocol") == "NVMe" or "nvme_smart_health_information_log" in answer
    capacity = answer.get("user_capacity")
    size = capacity.get("bytes") if isinstance(capacity, dict) else answer.get("nvme_total_capacity")
    rate, model = answer.get("rotation_rate"), answer.get("model_name")
    disk = Disk(
        name=_name(str(device.get("name", ""))),
        size=size if isinstance(size, int) and 0 < size < 1 << 60 else None,
        link="nvme" if nvme else "ata" if device.get("protocol") == "ATA" else None,
        spinning=False if nvme else bool(rate) if isinstance(rate, int) else None,
        model=clean(model, 60) if isinstance(model, str) else None,
    )
    return MachineFacts(disks=(replace(disk, wear=health.smartctl_answer(answer, disk)),))
