"""Which line of a text belongs to which listing; one pass, each line looked at once."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from advisor.capture.listings import buses, dmi, recording

LONGEST_LINE = 60_000
MOST_JSON = 50
"""JSON listings in one text; the rest is passed over."""


class Kind(StrEnum):
    """Listings that are known, as they are named to the user."""

    RECORDING = "the script's recording"
    UDEV = "udevadm info --export-db"
    LSPCI = "lspci"
    LSUSB = "lsusb"
    CPUINFO = "/proc/cpuinfo"
    MEMINFO = "/proc/meminfo"
    LSCPU = "lscpu"
    DMIDECODE = "dmidecode"
    JSON = "JSON listing"


@dataclass
class Section:
    """A listing within a text."""

    kind: Kind
    lines: list[str] = field(default_factory=list)
    json: Any = None


_CPUINFO_START = re.compile(r"processor\s{0,8}: ?[0-9]{1,4}\s{0,4}\Z|vendor_id\s{0,8}: ")
_LSCPU_START = re.compile(r"Architecture:\s{1,40}\S")
_KEYED = re.compile(r"\s{0,4}[A-Za-z0-9_][^:]{0,60}:(\s|\Z)")
_UDEV_LINE = re.compile(r"[A-Z]: ")


def _starts(line: str) -> Kind | None:
    """The listing that begins with this line, None when none does."""
    if recording.is_line(line):
        return Kind.RECORDING
    if line.startswith("P: /devices/"):
        return Kind.UDEV
    if buses.PCI_START.match(line):
        return Kind.LSPCI
    if buses.USB_START.match(line):
        return Kind.LSUSB
    if line.startswith("MemTotal:"):
        return Kind.MEMINFO
    if _CPUINFO_START.match(line[:80]):
        return Kind.CPUINFO
    if _LSCPU_START.match(line[:80]):
        return Kind.LSCPU
    if dmi.START.match(line) or line in dmi.TITLES:
        return Kind.DMIDECODE
    return None


def _goes_on(kind: Kind, line: str) -> bool:
    """Whether a line that starts no listing belongs to the one before it."""
    if not line.strip():
        return True
    if kind is Kind.LSPCI:
        return line[0] in "\t "
    if kind is Kind.UDEV:
        return bool(_UDEV_LINE.match(line))
    if kind is Kind.DMIDECODE:
        return line[0] in "\t "
    if kind in (Kind.CPUINFO, Kind.LSCPU, Kind.MEMINFO):
        return bool(_KEYED.match(line[:120]))
    return kind is Kind.LSUSB and line[0] in " \tDCIEB"


def split(text: str) -> tuple[list[Section], str]:
    """Split a text into listings.

    Parameters
    ----------
    text : str

    Returns
    -------
    sections : list of Section
        One for each kind, in order of appearance; JSON sections one each, parsed.
    cut : str
        What is wrong with a JSON listing that could not be parsed, else ''.
    """
    found: dict[Kind, Section] = {}
    parsed: list[Section] = []
    cut = ""
    here: Section | None = None
    block: list[str] = []
    depth = 0
    for raw in text.split("\n"):
        line = raw.rstrip("\r")
        if depth == 0 and line.lstrip()[:1] == "{":
            block = []
        if depth > 0 or line.lstrip()[:1] == "{":
            block.append(line)
            depth = _depth(line, depth)
            if depth <= 0:
                depth = 0
                said, problem = _json("\n".join(block)) if len(parsed) < MOST_JSON else (None, "")
                cut = cut or problem
                if said is not None:
                    parsed.append(Section(Kind.JSON, json=said))
                here, block = None, []
            continue
        line = line[:LONGEST_LINE]
        kind = _starts(line)
        if kind is not None:
            here = found.setdefault(kind, Section(kind))
        elif here is not None and not _goes_on(here.kind, line):
            here = None
        if here is not None:
            here.lines.append(line)
    if block:
        cut = cut or "a JSON listing is cut short"
    return [*found.values(), *parsed], cut


def _depth(line: str, depth: int) -> int:
    """Depth of braces after a line, those within strings left out (no string of a listing runs over a line)."""
    inside = False
    skip = False
    for character in line:
        if skip:
            skip = False
        elif inside:
            if character == "\\":
                skip = True
            elif character == '"':
                inside = False
        elif character == '"':
            inside = True
        elif character == "{":
            depth += 1
        elif character == "}":
            depth -= 1
    return depth


def _json(text: str) -> tuple[Any, str]:
    try:
        return json.loads(text), ""
    except (ValueError, RecursionError):
        return None, "a JSON listing is damaged, so it was left out"
