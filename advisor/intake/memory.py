"""Memory as people write it.

Rule: a number without a unit counts in GiB (a typed 8 is 8 GiB), and "GB" beside memory means GiB too, as modules are
made in powers of two. A unit stated by the header ("RAM (MB)") holds for the bare numbers below it.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from advisor.intake.parsed import MISSING_WORDS, NONE_WORDS, UNKNOWN, Parsed, squeeze

RAM_MAX_GIB = 16_384.0
MOST_RAM_GIB = 256.0
"""Amount from which memory is doubted: a disk's size may stand in the wrong column [GiB]."""


_ACCEPT_RAM = "memory such as '8', '8 GB', '8192 MB' or '2x4GB'"

_UNIT = (
    r"(?:gibibytes?|gigabytes?|gbytes?|gigs?|gib|gb|go|g|mebibytes?|megabytes?|megs?|mib|mb|mo|tebibytes?"
    r"|terabytes?|tib|tb|to)"
)
NUMBER = r"\d{1,3}'\d{3}|\d{1,2} \d{3}(?=\s?m[ib]?)|\d 000(?=\s?g)|\d+(?:[.,]\d+)?"
_TERM = re.compile(
    rf"(?:(?P<count>\d{{1,2}})\s*(?:x|\*|st(?:ü|u)ck|pcs\.?)\s*)?(?P<size>{NUMBER})\s*(?P<unit>{_UNIT})?(?![a-z0-9])"
)
_QUICK_RAM = re.compile(r"(\d{1,3})\s?(gb|g|gib|gig)?")
_NOISE = re.compile(
    r"\b(?:lp|so-?dimms?|u?dimms?|ecc|reg(?:istered)?|ram|memory|ddr\d?l?(?:-?\d{3,4})?|lpddr\d?x?(?:-?\d{3,4})?"
    r"|sd-?ram|pc\d?l?-?\d{3,5}[a-z]?|\d{3,4}\s?(?:mhz|mt/s)|"
    r"module[sn]?|sticks?|total|installed|fitted|of|approx\.?|ca\.?|about|dual channel|single channel|soldered"
    r"|onboard|on-?board|on board|sum)\b|[~≈]"
)
_SLOTS = re.compile(
    r"[,;/(]?\s*\b\d\s*(?:x\s*)?(?:slots?|free|open|empty|leer|frei)\b(?:\s*(?:free|open|empty|slots?))*\)?"
    r"|\bfree slots?\b|[,;/(]?\s*\bmax(?:imum|\.)?\s*\d+\s*(?:gb|gib|g)?\b\)?"
)
_SOLDERED = re.compile(r"\b(?:soldered|on-?board|on board|verlötet|soudée?)\b")
_GIB = {"g": 1.0, "m": 1 / 1024, "t": 1024.0}


def to_float(text: str) -> float:
    """A number with a decimal point or comma, and spaces or apostrophes between thousands."""
    text = text.replace(" ", "").replace("'", "")
    if re.fullmatch(r"\d{1,3},\d{3}", text) and text[0] != "0":
        return float(text.replace(",", ""))
    return float(text.replace(",", "."))


class Memory(NamedTuple):
    """Memory as one cell states it."""

    total: Parsed
    soldered: bool | None = None


@lru_cache(maxsize=200_000)
def memory(text: str, header_unit: str = "") -> Memory:
    """Read an amount of memory.

    Parameters
    ----------
    text : str
        Such as '8', '8GB', '8192 MB', '2x4GB', '4+4', '5,7', '8 gig DDR4'.
    header_unit : str, optional
        Unit that the header states: 'mb', 'mib', 'gb', 'gib'.

    Returns
    -------
    Memory
        Total [GiB], and whether all of it is said to be soldered.
    """
    plain = squeeze(text)
    quick = _QUICK_RAM.fullmatch(plain)
    if quick and (quick[2] or header_unit not in ("mb", "mib")) and (quick[2] or int(quick[1]) < 192):
        return Memory(_plausible(float(quick[1]), text))
    if plain in MISSING_WORDS:
        return Memory(UNKNOWN)
    if plain in NONE_WORDS or plain in ("0", "0 gb", "0gb", "0 mb", "0mb", "no ram", "no memory", "kein ram"):
        return Memory(Parsed(None, "no memory is fitted, so none can be counted on", _ACCEPT_RAM))
    soldered = bool(_SOLDERED.search(plain))
    rest = " ".join(_NOISE.sub(" ", _SLOTS.sub(" ", plain)).split())
    outer, inner = rest, ""
    bracket = re.fullmatch(r"([^()]*)\(([^()]*)\)([^()]*)", rest)
    if bracket:
        outer, inner = f"{bracket[1]} {bracket[3]}".strip(), bracket[2].strip()
    total, bad = _sum(outer or inner, header_unit)
    note = ""
    if bad and not inner:
        total, bad, note = _single(outer, bad)
    if bad:
        return Memory(Parsed(None, bad, _ACCEPT_RAM))
    if outer and inner:
        within, also_bad = _sum(inner, header_unit)
        if not also_bad and within and total and abs(within - total) > 0.01:
            return Memory(
                Parsed(None, f"{_show(total)} GiB and {_show(within)} GiB contradict each other", _ACCEPT_RAM)
            )
    if total is None:
        return Memory(Parsed(None, "no amount of memory is recognised", _ACCEPT_RAM))
    if total <= 0 or total > RAM_MAX_GIB:
        return Memory(Parsed(None, f"{_show(total)} GiB is no amount of memory that a PC has", _ACCEPT_RAM))
    parsed = _plausible(total, text)
    parsed = parsed._replace(note=note)
    bare = re.fullmatch(r"\d{4,6}", rest)
    if bare and header_unit not in ("mb", "mib"):
        parsed = parsed._replace(note=f"{rest} without a unit was read as MiB")
    whole = None if not soldered else ("+" not in plain and "&" not in plain)
    return Memory(parsed, whole)


_AMOUNT = re.compile(rf"(?<![\w.,])(?:{NUMBER})\s?{_UNIT}(?![a-z0-9])")


def _single(text: str, bad: str) -> tuple[float | None, str, str]:
    """One amount with its unit among words without a digit, such as '8 GB' and a maker's name."""
    found = _AMOUNT.findall(text)
    if len(found) != 1:
        return None, bad, ""
    words = " ".join(_AMOUNT.sub(" ", text).split()).strip(" .,;:()-")
    if re.search(r"[\d/]|\bor\b|\boder\b", words):
        return None, bad, ""
    return *_sum(found[0], ""), f"not read: {words[:60]}" if words else ""


def _show(number: float) -> str:
    return f"{number:.2f}".rstrip("0").rstrip(".")


def _sum(text: str, header_unit: str) -> tuple[float | None, str]:
    """Sum of terms joined by '+', ',' or 'and' [GiB]; a reason when the text is not all terms."""
    text = text.strip(" .,;:")
    if not text:
        return None, ""
    parts = [part.strip(" .;:") for part in re.split(r"\s*(?:\+|&|\band\b|\bund\b|;)\s*", text)]
    terms = [_TERM.fullmatch(part) for part in parts if part]
    if not terms or not all(terms):
        return None, "no amount of memory is recognised"
    units = [term["unit"] or "" for term in terms if term]
    last = next((unit for unit in reversed(units) if unit), "")
    total = 0.0
    for term, unit in zip(terms, units, strict=True):
        assert term is not None
        size = to_float(term["size"])
        unit = unit or last or header_unit
        if not unit:
            if size >= 1000:
                unit = "mb"
            elif size >= 192:
                return None, f"{_show(size)} without a unit may be MB or GB"
            else:
                unit = "gb"
        total += int(term["count"] or 1) * size * _GIB[unit[0]]
    return total, ""


_MODULES = (0.25, 0.5, 1, 2, 4, 8, 12, 16, 24, 32, 48, 64, 96, 128)


@lru_cache(maxsize=4096)
def _made_of_modules(total: float) -> bool:
    """Whether up to two kinds of module, each of a size that is made, give this total."""
    return total in _MODULES or any(abs(total - first - second) < 1e-9 for first in _MODULES for second in _MODULES)


def _plausible(total: float, text: str) -> Parsed:
    if total <= 0:
        return Parsed(None, "no memory is fitted, so none can be counted on", _ACCEPT_RAM)
    if total > RAM_MAX_GIB:
        return Parsed(None, f"{_show(total)} GiB is no amount of memory that a PC has", _ACCEPT_RAM)
    rounded = round(total, 3)
    if rounded > MOST_RAM_GIB:
        return Parsed(rounded, f"{_show(rounded)} GiB is more than PCs have; kept as typed", _ACCEPT_RAM)
    if _made_of_modules(rounded):
        return Parsed(rounded)
    bigger = min((m for m in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 128, 256) if m >= rounded), default=0)
    hint = f"; it may be the usable part of {bigger} GiB" if bigger and bigger * 0.8 <= rounded else ""
    return Parsed(rounded, f"no set of modules adds up to {_show(rounded)} GiB{hint}; kept as typed", _ACCEPT_RAM)
