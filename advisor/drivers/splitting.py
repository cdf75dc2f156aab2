"""A cell that names devices, taken apart: 'HD 4000 + GT 650M' are two, 'Wireless 8265 / 8275' is one."""

from __future__ import annotations

import re
from functools import lru_cache
from itertools import pairwise

from advisor.drivers.kinds import Kind, names_none
from advisor.drivers.names import Matched, match
from advisor.drivers.wording import makers, telling, tokens

_SIGNS = re.compile(r"\s*(?:;|\+|&|\n|\||\s/\s|\s\band\b\s|\s\bwith\b\s)\s*", re.IGNORECASE)
_LESSER_SIGNS = re.compile(r"\s*[,/]\s*")
_OTHER_HALF = re.compile(r"(?i)\W*(?:b\.?t\.?|bluetooth|wimax|lte|wwan|gps|nfc|vpro)\W*[\d. x]*(?:le|edr|hs)?\W*|\W*")
_SECOND_MAKER = (
    ("nvidia", re.compile(r"\b(?:nvidia|geforce|quadro|nvs)\b|\b(?:gtx?|rtx|mx) ?\d{3}")),
    ("amd", re.compile(r"\b(?:amd|ati|radeon|firepro)\b|\brx ?\d{3}")),
    ("intel", re.compile(r"\b(?:intel|iris|uhd|gma)\b")),
)
"""How a text tells whose a graphics chip is, where a second one may follow without a sign between."""
_IDS = re.compile(r"\[?[0-9a-f]{4}:[0-9a-f]{4}\]?|:v[0-9a-f]{4}", re.IGNORECASE)


def split(text: str) -> list[str]:
    """Split a cell at the signs that people put between devices."""
    return [part for part in _SIGNS.split(text) if part.strip()]


@lru_cache(maxsize=65_536)
def apart(text: str, kind: Kind) -> tuple[str, ...]:
    """Take a cell apart into the devices that it names.

    Parameters
    ----------
    kind : Kind
        What the column is about.

    Returns
    -------
    tuple of str
        Nothing where it says that there is no device. The cell itself where it is the name of one device, whatever
        signs are in it; else what stands between signs. A comma, a stroke without blanks or a second maker's name part
        devices only where each part is one.
    """
    if names_none(text):
        return ()
    if _IDS.search(text):
        return tuple(split(text))
    found = split(text)
    if len(found) > 1:
        [whole] = match([text], kind)
        if whole.exact and whole.listed:
            return (text,)
        devices = [part for part in found if not _OTHER_HALF.fullmatch(part)]
        if kind is not Kind.GRAPHICS:
            devices = [part for part in devices if telling(tokens(part), kind)] or devices
            if _taken(whole) and not all(_taken(one) for one in match(devices, kind)):
                return (text,)
        return tuple(one for part in devices for one in apart(part, kind)) or (text,)
    [whole] = match([text], kind)
    if whole.listed or (
        whole.exact and whole.whole and not (kind is Kind.GRAPHICS and len({maker for _, maker in _families(text)}) > 1)
    ):
        return (text,)
    for way in (_LESSER_SIGNS.split(text), _by_maker(text) if kind is Kind.GRAPHICS else [text]):
        devices = [part for part in way if part.strip()]
        if len(devices) > 1 and all(_taken(one) for one in match(devices, kind)):
            return tuple(devices)
    return (text,)


def _taken(found: Matched) -> bool:
    return found.exact and found.whole and bool(found.entries)


def _families(text: str) -> list[tuple[int, str]]:
    """Where a graphics maker's words stand in a text, and whose they are."""
    lowered = text.lower()
    return sorted((word.start(), maker) for maker, words in _SECOND_MAKER for word in words.finditer(lowered))


def _by_maker(text: str) -> list[str]:
    """Split a text before the words of another maker."""
    cuts = [place for (_, before), (place, after) in pairwise(_families(text)) if before != after]
    return [text[start:stop].strip(" ,/()") for start, stop in pairwise([0, *cuts, len(text)])]


def only_maker(text: str, kind: Kind) -> bool:
    """Whether a text says whose a device is and nothing else, or not even that."""
    return not telling(tokens(text), kind) and (bool(makers(text, kind)) or not tokens(text))
