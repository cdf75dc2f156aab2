"""Processor numbers that stand without their line in a longer text, such as the N270 of 'Eee PC 901 N270'."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from advisor.identify.catalogue import catalogue
from advisor.identify.names import number
from advisor.tables import load

_TOKEN = re.compile(r"(?<![\w.+/-])[A-Za-z0-9][\w+-]*", re.ASCII)
_PROCESSOR_WORD = re.compile(
    r"\b(?:cpu|proc(?:essor)?|intel|amd|atom|celeron|pentium|xeon|sempron|athlon|phenom|turion|core\s*2(?:\s*(?:duo|quad))?|c2d|c2q)"
    r"[\s:=]*(?:is |has |an? )?$|@\s*$",
    re.I,
)
_CLOCK = re.compile(r"\s*(?:cpu\b|processor\b)?\s*@?\s*\d[.,]?\d*\s*[gm]hz", re.I)
_OWN_PLACE = re.compile(r"(?:[/,;|(\n]|\s-)\s*$")
_SIZE = re.compile(r"\d+(?:[.,]\d+)?(?:\s?(?:gb|gib|gig|tb|mb|mib|mhz|ghz|rpm|mm|cm)|g|w|in)\b", re.I)


@cache
def _machines() -> re.Pattern[str]:
    """Numbers that machines carry too."""
    return re.compile("|".join(f"(?:{pattern})" for pattern in load("identify/machine_numbers").frame["pattern"]), re.I)


@lru_cache(maxsize=50_000)
def locate_bare(text: str) -> tuple[tuple[int, int], ...]:
    """Find processor numbers without their line.

    Returns
    -------
    tuple of (int, int)
        Start and end of each, in order. A number that machines carry too, such as the E6400 of a Latitude, counts only
        when something shows that the processor is meant: a word for it before, a clock behind, a place of its own
        behind a bar, comma or bracket, or the machine's number before it.
    """
    found: list[tuple[int, int]] = []
    numbered = False
    for match in _TOKEN.finditer(text[:400]):
        token = match[0]
        if not _known(token):
            numbered |= any(c.isdigit() for c in token) and not _SIZE.match(text, match.start())
            continue
        start, end = match.span()
        before = text[:start]
        last = before.split()[-1:]
        if last and _machines().fullmatch(f"{last[0]} {token}"):
            continue
        shown = numbered or _OWN_PLACE.search(before) or _PROCESSOR_WORD.search(before)
        if shown or _CLOCK.match(text, end) or not _machines().fullmatch(token):
            found.append((start, end))
        numbered = True
    return tuple(found)


def _known(token: str) -> bool:
    """Whether the table holds a processor of this number: letters and digits, and not a letter and two digits alone."""
    plain = number(token)
    if plain.isdigit() or plain.isalpha() or (re.fullmatch(r"[A-Z]\d{2}", plain) and "-" not in token):
        return False
    return plain in catalogue().by_number
