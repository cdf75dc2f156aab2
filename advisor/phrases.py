"""Words put together as a person writes them: lists, counted things, sentences, abbreviations."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

_LETTERS = re.compile(r"\b(?:uefi|bios|sata|sd|ssd|nvme|emmc|usb|raid|vmd|ahci|ide)\b")
_MIXED = {"nvme": "NVMe", "emmc": "eMMC"}


_CONTROLS = dict.fromkeys(code for code in (*range(32), *range(127, 160)) if not chr(code).isspace())
"""Characters that no name has and that a terminal would obey."""


def tidy_text(text: str) -> str:
    """A text without control characters, and one blank between its words."""
    return " ".join(text.translate(_CONTROLS).split())


_STRAY = {"Cc", "Cs", "Co", "Cn", "Zl", "Zp"}
_BIDI_CONTROLS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def printable(text: str) -> str:
    """A text fit for paper and terminals.

    Control characters (a terminal would obey them), bidirectional overrides (they reorder what stands beside them)
    and unassigned code points become spaces; runs of space become one.
    """
    if not text.isascii() or not text.isprintable():
        text = "".join(
            " " if character in _BIDI_CONTROLS or unicodedata.category(character) in _STRAY else character
            for character in text
        )
    return " ".join(text.split())


def joined(words: Iterable[str]) -> str:
    """Words with commas and 'and' between, each once; '' for none."""
    *most, last = dict.fromkeys(words) or ("",)
    return f"{', '.join(most)} and {last}" if most else last


def few(words: Sequence[object], most: int, more: str = " and {} more") -> str:
    """The first of many words, and that there are more."""
    return ", ".join(map(str, words[:most])) + (more.format(len(words) - most) if len(words) > most else "")


def counted(count: int, word: str) -> str:
    """A count and what is counted: '1 unit', '2 units'."""
    return f"{count:,} {word}{'s' * (count != 1)}"


def inside(label: str) -> str:
    """A label inside a sentence: names and abbreviations keep their letters."""
    return label if not label[1:2].islower() or label == "Wi-Fi" else label[0].lower() + label[1:]


def titled(maker: str | None, model: str | None) -> str:
    """Maker and model, the maker's name once; '' where neither is known."""
    if maker and model and model.casefold().startswith(maker.casefold()):
        return model
    return " ".join(filter(None, (maker, model)))


def sentence(text: str) -> str:
    """Begin with a capital letter and end with a stop."""
    return text[:1].upper() + text[1:] + "." * (not text.endswith("."))


def spelt(word: str) -> str:
    """A word of a closed set with its abbreviations as they are written: 'SATA SSD', 'UEFI 64-bit', 'NVMe'."""
    return _LETTERS.sub(lambda found: _MIXED.get(found[0], found[0].upper()), word)
