"""Lists of device ids and modaliases, brought to one form."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache, lru_cache

from advisor.intake.parsed import MISSING_WORDS, NONE_WORDS, UNKNOWN, Parsed, squeeze
from advisor.phrases import few
from advisor.tables import compiled, damaged, dicts, load

ACCEPTED = "ids such as 'pci:8086:24f3' or 'usb:0bda:c811', or whole modaliases, ';' between"

_BARE = re.compile(r"\[?(?:0x)?([0-9a-f]{4}):(?:0x)?([0-9a-f]{4})\]?(?:\s*\(rev\s*[0-9a-f]+\))?", re.I)
_LINES = re.compile(r"[;\n\r|]+")
_SPLIT = re.compile(r",(?=\s*(?:pci|usb|acpi|hid|hdaudio|sdio|i2c|platform|\[?(?:0x)?[0-9a-fA-F]{4}:))"
    r"|\s+(?=(?:pci|usb|acpi|hid|hdaudio|sdio|i2c|platform)[:\\])|"
                    r"(?<=[0-9a-fA-F]{4})[\s,]+(?=\[?[0-9a-fA-F]{4}:)", re.I)  # fmt: skip
_LSUSB = re.compile(r"\s*(?:bus\s+\d+\s+device\s+\d+:\s*)?id\s+([0-9a-f]{4}):([0-9a-f]{4})\b.*", re.I)
_SLOT = re.compile(r"\s*(?:[0-9a-f]{4}:)?[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]\s|.{3,60}\[[0-9a-f]{4}\]:", re.I)
_ONLY_BRACKETS = re.compile(r"(?:\s*,?\s*\[[0-9a-f]{4}:[0-9a-f]{4}\])+\s*", re.I)
_IN_BRACKETS = re.compile(r"\[([0-9a-f]{4}):([0-9a-f]{4})\]", re.I)
_NAMED = re.compile(r"[^\[\]]*[g-z][^\[\]]*(?:\[[^\[\]:]*\][^\[\]]*)*\[[0-9a-f]{4}:[0-9a-f]{4}\].*", re.I)
_NUMBERED = re.compile(r"(?:.*?:\s+)?(\S.*?)\s+device\s+([0-9a-f]{4})(?:\s*\(rev\s*[0-9a-f]+\))?", re.I)
_ABOUT = re.compile(
    r"\s*(?:(?:device)?subsystem|devicename|kernel driver in use|kernel modules|flags|control|capabilities):", re.I
)
_LONGEST_LINE = 400
MAX_ITEMS = 2_000
"""Most devices read from one cell."""


@cache
def _forms() -> list[tuple[re.Pattern[str], str, str]]:
    """Ids as people and systems write them, the one form, and how letters are written in it."""
    found = [(compiled(row["pattern"]), row["form"], row["letters"]) for row in dicts("intake/id_forms")]
    for pattern, form, _ in found:
        if pattern.groups != form.count("{}"):
            raise damaged("intake/id_forms", f"{pattern.pattern[:60]!r} has not as many groups as {form!r} brackets")
    return found


_LETTERS: dict[str, Callable[[str], str]] = {"upper": str.upper, "lower": str.lower, "kept": str}


@cache
def _bus_of() -> dict[str, str]:
    """Bus of the makers whose ids sit on one bus only."""
    table = load("intake/id_makers").frame
    return dict(zip(table["vendor"].str.lower(), table["bus"], strict=True))


@cache
def _maker_of() -> dict[str, str]:
    """Vendor number by how a PCI maker's name begins."""
    table = load("intake/id_makers").frame
    named = table[table["name"].notna()]
    return dict(zip(named["name"], named["vendor"].str.lower(), strict=True))


def _listing(line: str) -> list[str] | None:
    """Ids of a line of lspci -nn or lsusb, none for a line about a device's subsystem; None for other lines."""
    if " " not in line or len(line) > _LONGEST_LINE:
        return None
    if _ABOUT.match(line):
        return []
    if match := _LSUSB.fullmatch(line):
        return [f"usb:{match[1].lower()}:{match[2].lower()}"]
    if _ONLY_BRACKETS.fullmatch(line) or ("[" in line and _NAMED.fullmatch(line)):
        bus = "pci:" if _SLOT.match(line) else ""
        return [f"{bus}{vendor}:{device}".lower() for vendor, device in _IN_BRACKETS.findall(line)]
    if match := _NUMBERED.fullmatch(line.strip()):
        maker = match[1].lower()
        vendors = [number for name, number in _maker_of().items() if maker.startswith(name)]
        return [f"pci:{vendors[0]}:{match[2].lower()}"] if len(vendors) == 1 else None
    return None


@lru_cache(maxsize=100_000)
def item(text: str) -> tuple[str, str]:
    """Bring one device to the form 'pci:8086:24f3', 'usb:0bda:c811' or a whole modalias.

    Returns
    -------
    tuple of str
        The device, '' when malformed; and the reason then.
    """
    plain = text.strip().strip("'\"").strip()
    for pattern, form, letters in _forms():
        if match := pattern.fullmatch(plain):
            return form.format(*(_LETTERS[letters](group) for group in match.groups())), ""
    if match := _BARE.fullmatch(plain):
        vendor, product = match[1].lower(), match[2].lower()
        if known := _bus_of().get(vendor):
            return f"{known}:{vendor}:{product}", ""
        return "", f"{plain} may be a PCI or a USB id"
    return "", f"{plain[:60]!r} is no device id"


@lru_cache(maxsize=100_000)
def devices(text: str) -> Parsed:
    """Read a list of devices; malformed ones are named, good ones kept.

    Returns
    -------
    Parsed
        Devices, ';' between, each once.
    """
    plain = squeeze(text[:200])
    if plain in MISSING_WORDS or plain in NONE_WORDS:
        return UNKNOWN
    good: dict[str, None] = {}
    bad: list[str] = []
    taken: list[str] = []
    parts: list[str] = []
    for line in _LINES.split(text):
        found = _listing(line)
        parts += _SPLIT.split(line) if found is None else found
    parts = [part for part in parts if part.strip()]
    for part in parts[:MAX_ITEMS]:
        device, reason = item(part)
        if device:
            good[device] = None
            if _BARE.fullmatch(part.strip()):
                taken.append(device)
        else:
            bad.append(reason)
    if len(parts) > MAX_ITEMS:
        bad.append(f"{len(parts) - MAX_ITEMS} more than {MAX_ITEMS} devices were left out")
    problem = ""
    if bad:
        shown = few(bad, 3)
        problem = f"{shown}; {len(good)} others kept" if good else shown
    note = f"no bus is said: taken as {', '.join(taken[:3])}" if taken else ""
    return Parsed(";".join(good) or None, problem, ACCEPTED if problem else "", note)
