"""Which line of a text belongs to which listing; one pass, every line accounted for."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

from advisor.capture.listings import blocks, cpu, dmi, edid, kernel, pci, power, recording, smart, udevdb, usb
from advisor.capture.listings.damage import Line, mend
from advisor.capture.listings.kinds import ListingKind, Section

LONGEST_LINE = 60_000
MOST_JSON = 50
"""JSON listings in one text; the rest is left, and said."""
BROKEN = "a JSON listing is damaged or cut short"
MOST_BROKEN = 3
"""Damaged JSON listings looked into for what is whole within them."""

KINDS: tuple[ListingKind, ...] = (
    recording.RECORDING, udevdb.UDEV, kernel.DMESG, smart.SMART_LOG, smart.SMARTCTL, power.UPOWER, usb.LSUSB,
    pci.LSPCI_RECORDS, pci.LSPCI, pci.HARDWARE, usb.INPUTS, cpu.CPUINFO, cpu.MEMINFO, cpu.LSCPU, dmi.DMIDECODE,
    edid.EDID, blocks.LSBLK, cpu.FREE,
)  # fmt: skip
"""Kinds of listing, in the order in which a line is offered to them."""

_TOOLS = (
    "lspci|lsusb|lscpu|lsblk|free|dmidecode|smartctl|nvme|upower|edid-decode|udevadm|dmesg|journalctl|cat|e?grep|"
    "hwinfo|iwconfig|ifconfig|iw|ip|lsmod|df|uname|lshw|rfkill|nmcli|modinfo|modprobe|dkms|fdisk|blkid|mount|glxinfo|"
    "xrandr|acpi|sensors|hdparm|parted|ethtool"
)
_COMMAND = re.compile(
    rf"(?:.{{0,80}}?[$#%>❯»~)] {{1,3}}|[$#%❯»])?(?:sudo {{1,3}}(?:-\S{{1,8}} )?)?(?:/usr)?(?:/s?bin/)?"
    rf"((?:{_TOOLS})(?: .*|\Z))"
)
_PROMPT = re.compile(r"[\w.~-]{0,32}@[\w.~-]{1,64}[:~ ].{0,60}?[$#%] ?")


@dataclass
class Listings:
    """What a text holds, in order of appearance."""

    # A dict is a JSON listing, parsed.
    sections: list[tuple[ListingKind | dict[str, Any], Section]] = field(default_factory=list)
    # Lines that no listing has: the first of them, and the command above when it is of no use here.
    left: list[Section] = field(default_factory=list)


class _Splitter:
    def __init__(self, lines: list[Line], source: str) -> None:
        self.lines, self.source = lines, source
        self.found = Listings()
        self.kind: ListingKind | None = None
        self.section = Section()
        self.command = ""
        self.label = ""
        self.rest: Section | None = None
        self.broken = self.parsed = 0

    def run(self) -> Listings:
        at = 0
        while at < len(self.lines):
            line = self.lines[at]
            text = line.text[:LONGEST_LINE]
            if text.lstrip()[:1] == "{" and (stop := self._json(at)):
                at = stop
                continue
            if (
                self.label
                and self.kind
                and not line.label
                and text.strip()
                and self.kind.goes_on(text, self.section.lines)
            ):
                self._add(text, at + 1)  # the rest of a line with a label, broken in two
                at += 1
                continue
            if line.label != self.label:
                self._close()
                self.label, self.command = line.label, line.label
            self._take(text, at + 1)
            at += 1
        return self.found

    def _close(self) -> None:
        self.kind, self.rest = None, None

    def _take(self, text: str, number: int) -> None:
        command = None if self.label or (self.kind and self.kind.name == recording.NAME) else _COMMAND.match(text[:300])
        kind = None if command else next((kind for kind in KINDS if kind.starts(text)), None)
        if kind is not None:
            self._open(kind, text, number)
        elif self.kind and not command and self.kind.goes_on(text, self.section.lines):
            self._add(text, number)
        elif command:
            self._close()
            self.command = command[1]
        elif loose := next((kind for kind in KINDS if kind.loose and kind.loose(text)), None):
            self._open(loose, text, number)
        elif text.strip() and not _PROMPT.fullmatch(text.strip()):
            self._leave(text, number, self.command if self.rest is None else self.rest.command)

    def _open(self, kind: ListingKind, text: str, number: int) -> None:
        """Begin a listing, or go on with one of the same kind under the same command."""
        resumed = kind.resumes and kind.resumes.match(text)
        before = next((one for known, one in reversed(self.found.sections) if resumed and known is kind), None)
        if before and before.command == self.command:
            self.kind, self.section = kind, before
        elif self.kind is not kind:
            self.kind = kind
            self.section = Section(first=number, command=self.command, source=self.source)
            self.found.sections.append((kind, self.section))
        self.rest = None
        self._add(text, number)

    def _add(self, text: str, number: int) -> None:
        self.section.lines.append(text)
        if text.strip():
            self.section.last = number

    def _leave(self, text: str, number: int, command: str) -> None:
        self.kind = None
        if self.rest is None:
            self.rest = Section([text.strip()[:60]], number, number, command.strip(), self.source)
            self.found.left.append(self.rest)
        self.rest.last = number

    def _json(self, at: int) -> int:
        """Take a JSON listing that begins in a line; gives the line after it, 0 when there is none."""
        if self.parsed >= MOST_JSON or self.broken > MOST_BROKEN:
            return 0
        text = "\n".join(line.text for line in self.lines[at:])
        text = text[len(text) - len(text.lstrip()) :]
        try:
            content, end = json.JSONDecoder().raw_decode(text)
        except (ValueError, RecursionError):
            self.broken += 1
            self._leave(text.partition("\n")[0], at + 1, BROKEN)
            return 0
        if not isinstance(content, dict):
            return 0
        self.parsed += 1
        self._close()
        stop = at + text.count("\n", 0, end) + 1
        section = Section(first=at + 1, last=stop, command=self.command, source=self.source)
        self.found.sections.append((content, section))
        return stop


def split(text: str, source: str = "") -> Listings:
    """Split a text into listings.

    Parameters
    ----------
    source : str
        Name of the file that it is from.
    """
    return _Splitter(mend(text), source).run()
