"""`lspci` in all its forms: plain, -n, -nn, -k, -v, -mm, -vmm; and the plain device sections of hardware listings."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

from advisor.capture.listings.kinds import ListingKind, Section, blank_or
from advisor.capture.machine import clean, pairs, parts
from advisor.capture.machine_facts import BusDevice, MachineFacts
from advisor.tables import dicts

SLOT = r"(?:[0-9a-f]{4,6}:)?[0-9a-f]{1,2}:[0-9a-f]{2}\.[0-7]"
MOST_NAMED = 400

_START = re.compile(rf"({SLOT}) (?=\S)")
_NUMBERED = re.compile(r"(?:Class )?\[?([0-9a-f]{4})\]?: (.*)")
_CODE = re.compile(r" ?\[([0-9a-f]{4})\]\Z")
_IDS = re.compile(r" ?\[([0-9a-f]{4}):([0-9a-f]{4})\]")
_BARE_IDS = re.compile(r"(?:(?:Unknown )?[Dd]evice )?([0-9a-f]{4}):([0-9a-f]{4})\b")
_REVISION = re.compile(r"\s{0,4}\(rev ([0-9a-f]{2})\)")
_INTERFACE = re.compile(r"\s{0,4}\(prog-if ([0-9a-f]{2})(?: \[[^\]]{0,40}\])?\)")
_QUOTED = re.compile(r'"([^"]{0,200})"|-([rp])([0-9a-f]{2})')
_WHOLE = frozenset({0x0600, 0x0601})
"""Host and ISA bridge: every PC since 1998 has both, and lists its disk controllers; common practice, no source."""


@cache
def _classes() -> dict[str, int]:
    return {row["name"].casefold(): int(row["code"], 16) for row in dicts("capture/pci_classes")}


@cache
def _class_line() -> re.Pattern[str]:
    """A line that names a device after its class's name, without an address; some words may come before."""
    names = "|".join(re.escape(name) for name in sorted(_classes(), key=len, reverse=True) if " " in name)
    return re.compile(rf"(?:.{{0,30}}: )?((?:{names})(?: \[[0-9a-f]{{4}}\])?: (?=\S).*)", re.IGNORECASE)


def _named(line: str) -> re.Match[str] | None:
    return _class_line().match(line[:300])


def known(
    vendor: int, product: int, kind: int | None, *, interface: int | None = None, sub: tuple[int, int] | None = None
) -> BusDevice:
    """A PCI device as far as a listing shows it: its modalias has '*' for what is not shown.

    Parameters
    ----------
    kind : int or None
        Class and sub class.
    sub : (int, int) or None
        Subvendor and subdevice.
    """
    if kind is None:
        return BusDevice("pci", vendor, product)
    subs = ("*", "*") if sub is None else (f"{sub[0]:08X}", f"{sub[1]:08X}")
    last = "*" if interface is None else f"{interface:02X}"
    modalias = f"pci:v{vendor:08X}d{product:08X}sv{subs[0]}sd{subs[1]}bc{kind >> 8:02X}sc{kind & 0xFF:02X}i{last}"
    return BusDevice("pci", vendor, product, modalias, kind)


def _with_sub(device: BusDevice, text: str) -> BusDevice:
    found = _IDS.search(text) or _BARE_IDS.fullmatch(text)
    if not found or not device.modalias or "sv*" not in device.modalias:
        return device
    sub = f"sv{int(found[1], 16):08X}sd{int(found[2], 16):08X}"
    return replace(device, modalias=device.modalias.replace("sv*sd*", sub))


def _device(at: str, rest: str) -> BusDevice | None:
    """A device of the text after its address."""
    if rest.startswith('"'):
        return _machine_readable(at, rest)
    numbered = _NUMBERED.match(rest)
    head, colon, tail = ("", ":", numbered[2]) if numbered else rest.partition(": ")
    if not colon:
        return None
    code = numbered or _CODE.search(head)
    kind = int(code[1], 16) if code else _classes().get(head.casefold())
    interface = _INTERFACE.search(tail)
    revision = next(iter(list(_REVISION.finditer(tail))[-1:]), None)  # some names of the list hold one of their own
    ends = [found.start() for found in (revision, interface) if found]
    name = tail[: min(ends)] if ends else tail
    ids = list(_IDS.finditer(name))[-1:] or [found for found in [_BARE_IDS.match(name)] if found]
    rev = revision[1] if revision else None
    if not ids:
        known_name = clean(re.sub(r"\bUnknown device\b", "Device", name))
        return BusDevice("pci", kind=kind, name=known_name, at=at, rev=rev) if known_name else None
    made = known(int(ids[0][1], 16), int(ids[0][2], 16), kind, interface=int(interface[1], 16) if interface else None)
    return replace(made, at=at, name=clean(name[: ids[0].start()]), rev=rev)


def _machine_readable(at: str, rest: str) -> BusDevice | None:
    """-mm: class, vendor, device, -r and -p, subvendor and subdevice, quoted."""
    found = list(_QUOTED.finditer(rest))
    words = [one[1] for one in found if one[2] is None]
    options = {one[2]: one[3] for one in found if one[2]}
    words += [""] * (5 - len(words))
    return _record(at, dict(zip(("Class", "Vendor", "Device", "SVendor", "SDevice"), words, strict=False)), options)


def _number(word: str) -> int | None:
    """The number of 'Name [8086]' or '8086'."""
    found = re.search(r"(?:\A|\[)([0-9a-f]{4})\]?\Z", word)
    return int(found[1], 16) if found else None


def _record(at: str, fields: dict[str, str], options: dict[str, str]) -> BusDevice | None:
    kind = _number(fields.get("Class", ""))
    kind = _classes().get(fields.get("Class", "").casefold()) if kind is None else kind
    vendor, product = _number(fields.get("Vendor", "")), _number(fields.get("Device", ""))
    subs = _number(fields.get("SVendor", "")), _number(fields.get("SDevice", ""))
    names = [re.sub(r" ?\[?[0-9a-f]{4}\]?\Z", "", fields.get(key, "")) for key in ("Vendor", "Device")]
    if vendor is None or product is None:
        said_name = clean(f"{fields.get('Vendor', '')} {fields.get('Device', '')}")
        driver, rev = fields.get("Driver"), options.get("r")
        return BusDevice("pci", kind=kind, name=said_name, at=at, driver=driver, rev=rev) if said_name else None
    sub = (subs[0], subs[1]) if subs[0] is not None and subs[1] is not None else None
    made = known(vendor, product, kind, interface=int(options["p"], 16) if "p" in options else 0, sub=sub)
    return replace(
        made, at=at, name=clean(" ".join(names)), driver=clean(fields.get("Driver"), 60), rev=options.get("r")
    )


def read(section: Section) -> MachineFacts:
    """Read an lspci listing."""
    found: list[BusDevice] = []
    for line in _unwrapped(section.lines):
        start = _START.match(line)
        bare = None if start or line[:1] in "\t " else _named(line)
        if start or bare:
            device = _device(start[1] if start else "", line[start.end() :] if start else bare[1] if bare else "")
            found += [device] if device else []
        elif found:
            key, colon, value = line.strip().partition(": ")
            if colon and key == "Kernel driver in use":
                found[-1] = replace(found[-1], driver=clean(value, 60))
            elif colon and key == "Subsystem":
                found[-1] = _with_sub(found[-1], value.strip())
    return _facts(found, section)


def _facts(found: list[BusDevice], section: Section) -> MachineFacts:
    devices = tuple(one for one in found if one.vendor is not None)
    named = tuple(one for one in found if one.vendor is None)[:MOST_NAMED]
    kinds = {one.kind for one in found}
    complete = kinds >= _WHOLE and any(kind and kind >> 8 == 0x01 for kind in kinds) and not section.filtered
    return MachineFacts(devices=devices or None, named=named, buses=frozenset({"pci"} if complete else ()))


def _unwrapped(lines: list[str]) -> list[str]:
    """Lines with those that a mail or a window broke put together again."""
    out: list[str] = []
    for line in lines:
        if out and line.strip() and continues(line, out):
            out[-1] = f"{out[-1].rstrip()} {line.strip()}"
        else:
            out.append(line)
    return out


_CLOSED = re.compile(r"(?:\(rev [0-9a-f]{2}\)|\(prog-if .{0,50}\)|:[0-9a-f]{4}\])\s*\Z")
_ADDRESSED = re.compile(rf"{SLOT} |Bus [0-9]{{3}} Device |\S.{{0,40}}: ")


def continues(line: str, lines: list[str]) -> bool:
    """Whether a line is the rest of a device's line that was broken: that one was long, and is not closed."""
    before = lines[-1]
    if line[:1] in "\t " or not (_ADDRESSED.match(before) or (len(lines) > 1 and before[:1] not in "\t ")):
        return False
    if _CLOSED.search(before) or _ADDRESSED.match(line) or len(line) > 80:
        return False
    return len(before) >= 55 or line.startswith(("[", "(")) or before.rstrip().endswith("(rev")


_detail = blank_or(
    r"[\t ]|(?:Subsystem|Flags|Memory at|I ?/ ?O ports|Capabilities|Kernel (?:driver|modules)|DeviceName)\b"
)

LSPCI = ListingKind(
    "lspci", _START.match, lambda line, lines: _detail(line, lines) or continues(line, lines), read, loose=_named
)


def read_records(section: Section) -> MachineFacts:
    """Read `lspci -vmm`: a record a device, its fields on lines of their own."""
    found: list[BusDevice] = []
    for part in parts(section.lines, lambda line, _: line.startswith("Slot:")):
        fields = pairs(part)
        options = {letter: fields[name] for letter, name in (("r", "Rev"), ("p", "ProgIf")) if name in fields}
        device = _record(fields["Slot"], fields, options) if fields.get("Slot") else None
        found += [device] if device else []
    return _facts(found, section)


LSPCI_RECORDS = ListingKind(
    "lspci -vmm", re.compile(rf"Slot:\s+{SLOT}\s*\Z").match,
    blank_or(r"[A-Z]\w{2,12}:\s"), read_records,
)  # fmt: skip

_HARDWARE = re.compile(r"\d{1,3}: (PCI|USB) [0-9a-f.]{1,12}: [0-9a-f]{4,5} ")
_HARDWARE_ID = re.compile(r"\s{1,6}(SubVendor|SubDevice|Vendor|Device): (pci|usb) 0x([0-9a-f]{4})")


def read_hardware(section: Section) -> MachineFacts:
    """Read sections such as '17: PCI 300.0: 0282 WLAN controller' with lines of Vendor, Device and Driver below."""
    found: list[BusDevice] = []
    for part in parts(section.lines, lambda line, _: _HARDWARE.match(line)):
        numbers = [number for line in part if (number := _HARDWARE_ID.match(line))]
        fields = {number[1]: (number[2], int(number[3], 16)) for number in reversed(numbers)}
        if "Vendor" in fields and "Device" in fields:
            found.append(BusDevice(*fields["Vendor"], fields["Device"][1]))
    return MachineFacts(devices=tuple(found) or None)


HARDWARE = ListingKind("hardware sections", _HARDWARE.match, blank_or(r"[\t ]|\[Created at"), read_hardware)
