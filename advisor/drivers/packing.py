"""Modaliases and alias patterns of fixed width as pairs of 64-bit words, so that a million are compared at once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
Known = tuple[str, tuple[int, int, int, int]]
"""A device as far as it is known: its bus, both words, and which bits of them are known."""

ALL = 0xFFFFFFFFFFFFFFFF
"""All bits of a word."""

_MOST_CHOICES = 4096
"""Bracket expressions of one pattern are written out up to this many values; beyond, the text matcher has it."""


@dataclass(frozen=True)
class BitField:
    """One field of a modalias: its tag, hex digits as written, and where its low bits go."""

    tag: str
    digits: int
    word: int
    shift: int
    bits: int


@dataclass(frozen=True)
class BusLayout:
    """A bus whose modaliases have a fixed width.

    References
    ----------
    .. [1] Linux, drivers/pci/pci-sysfs.c (modalias_show), drivers/usb/core/sysfs.c, drivers/hid/hid-core.c,
       sound/hda/hdac_device.c, drivers/mmc/core/sdio_bus.c: the formats; scripts/mod/file2alias.c: the patterns.
    """

    bus: str  # Text before the colon
    parts: tuple[BitField, ...]  # In the order written
    # Which fields make a lookup key, most telling first; a pattern goes to the first tier whose fields it fixes.
    tiers: tuple[tuple[str, ...], ...]

    @cached_property
    def canonical(self) -> re.Pattern[str]:
        """A whole modalias as the bus writes it: all digits in upper case, zeros above the bits that it has."""
        fields = ("0" * (part.digits - part.bits // 4) + f"([0-9A-F]{{{part.bits // 4}}})" for part in self.parts)
        return re.compile(
            self.bus + ":" + "".join(part.tag + body for part, body in zip(self.parts, fields, strict=True))
        )

    @cached_property
    def shape(self) -> re.Pattern[str]:
        """Take a pattern apart; fields hold digits, wildcards and brackets."""
        field = r"((?:[0-9A-F?*]|\[[0-9A-F-]+\])*)"
        return re.compile(self.bus + ":" + "".join(part.tag + field for part in self.parts) + r"\Z")

    def part(self, tag: str) -> BitField:
        """Look a field up by its tag."""
        return next(part for part in self.parts if part.tag == tag)

    def mask(self, tags: tuple[str, ...]) -> tuple[int, int]:
        """Bits of these fields in both words."""
        words = [0, 0]
        for tag in tags:
            part = self.part(tag)
            words[part.word] |= ((1 << part.bits) - 1) << part.shift
        return words[0], words[1]


PCI = BusLayout(
    "pci",
    (
        BitField("v", 8, 0, 48, 16), BitField("d", 8, 0, 32, 16), BitField("sv", 8, 0, 16, 16),
        BitField("sd", 8, 0, 0, 16), BitField("bc", 2, 1, 16, 8), BitField("sc", 2, 1, 8, 8), BitField("i", 2, 1, 0, 8),
    ),
    (("v", "d"), ("v",), ("bc", "sc")),
)  # fmt: skip
USB = BusLayout(
    "usb",
    (
        BitField("v", 4, 0, 48, 16), BitField("p", 4, 0, 32, 16), BitField("d", 4, 0, 16, 16),
        BitField("dc", 2, 1, 48, 8), BitField("dsc", 2, 1, 40, 8), BitField("dp", 2, 1, 32, 8),
        BitField("ic", 2, 1, 24, 8), BitField("isc", 2, 1, 16, 8), BitField("ip", 2, 1, 8, 8),
        BitField("in", 2, 1, 0, 8),
    ),
    (("v", "p"), ("v",), ("ic",), ("dc",)),
)  # fmt: skip
HID = BusLayout(
    "hid",
    (BitField("b", 4, 1, 16, 16), BitField("g", 4, 1, 0, 16), BitField("v", 8, 0, 32, 32), BitField("p", 8, 0, 0, 32)),
    (("v", "p"), ("v",), ("g",)),
)
HDAUDIO = BusLayout(
    "hdaudio", (BitField("v", 8, 0, 32, 32), BitField("r", 8, 0, 0, 32), BitField("a", 2, 1, 0, 8)), (("v",), ("a",))
)
SDIO = BusLayout(
    "sdio", (BitField("c", 2, 1, 0, 8), BitField("v", 4, 0, 48, 16), BitField("d", 4, 0, 32, 16)), (("v", "d"), ("c",))
)

LAYOUTS: tuple[BusLayout, ...] = (PCI, USB, HID, HDAUDIO, SDIO)
"""Buses that are packed; every other alias stays text."""

BY_BUS = {layout.bus: layout for layout in LAYOUTS}


def _digit_choices(text: str, digits: int) -> list[str] | None:
    """Choices per digit ('' for any), or None when the field cannot be laid out on its digits."""
    cells: list[str] = []
    star = -1
    for token in re.findall(r"\[[^\]]*\]|.", text):
        if token == "*":
            if star >= 0 and star != len(cells):
                return None
            star = len(cells)
        elif token == "?":
            cells.append("")
        elif token[0] == "[":
            letters = re.sub(
                r"([0-9A-F])-([0-9A-F])",
                lambda ends: "".join(chr(code) for code in range(ord(ends[1]), ord(ends[2]) + 1)),
                token[1:-1],
            )
            if "-" in letters:
                return None
            cells.append("".join(sorted(set(letters) & set("0123456789ABCDEF"))) or "!")
        else:
            cells.append(token)
    if star >= 0:
        cells[star:star] = [""] * (digits - len(cells))
    return cells if len(cells) == digits else None


def pack_pattern(layout: BusLayout, pattern: str) -> list[tuple[int, int, int, int]] | None:
    """Pack one alias pattern.

    Parameters
    ----------
    pattern : str
        An alias as modules state it, such as 'usb:v13FDp3940d0[0-2]*dc*dsc*dp*ic*isc*ip*in*'.

    Returns
    -------
    list of (value A, value B, mask A, mask B), or None
        A bracket expression gives an entry for each of its values; a pattern no canonical modalias can match gives
        an empty list; None means that the pattern is odd and the text matcher must have it.

    Notes
    -----
    Every pattern taken here holds all tags in order, a canonical modalias has each tag letter sequence once, and
    digits are upper case while tags are lower case, so a '*' can only stand for digits of its own field: comparing
    the digits is what fnmatch(3) does.
    """
    found = layout.shape.match(pattern) or layout.shape.match(pattern.removesuffix("*"))
    if not found:
        return None
    cells: list[tuple[int, int, str]] = []
    for part, text in zip(layout.parts, found.groups(), strict=True):
        choices = _digit_choices(text, part.digits)
        if choices is None:
            return None
        kept = part.bits // 4
        for place, choice in enumerate(choices):
            low = part.digits - 1 - place
            if low >= kept:
                if choice and "0" not in choice:
                    return []
            elif choice:
                cells.append((part.word, part.shift + 4 * low, choice))
    if "!" in {choice for _, _, choice in cells}:
        return []
    masks = [0, 0]
    total = 1
    for word, shift, choice in cells:
        masks[word] |= 0xF << shift
        total *= len(choice)
    if total > _MOST_CHOICES:
        return None
    packed = []
    for digits in product(*(choice for _, _, choice in cells)):
        values = [0, 0]
        for (word, shift, _), digit in zip(cells, digits, strict=True):
            values[word] |= int(digit, 16) << shift
        packed.append((values[0], values[1], masks[0], masks[1]))
    return packed


def pattern_text(layout: BusLayout, a: int, b: int, mask_a: int, mask_b: int) -> str:
    """Write a packed pattern as an alias again, such as for showing it."""
    out = [layout.bus, ":"]
    for part in layout.parts:
        value, mask = ((a, mask_a), (b, mask_b))[part.word]
        digits = ""
        for low in range(part.digits - 1, -1, -1):
            if low >= part.bits // 4:
                digits += "0"
            else:
                shift = part.shift + 4 * low
                digits += f"{value >> shift & 0xF:X}" if mask >> shift & 0xF else "?"
        known = digits.rstrip("?") if digits[-part.bits // 4 :].strip("?") else ""
        out += [part.tag, known + ("" if known == digits else "*")]
    return "".join(out) + ("" if out[-1].endswith("*") else "*")


def pack(modalias: str) -> Known | None:
    """Pack a modalias that its bus writes so, letter for letter; None for any other, which stays text."""
    layout = BY_BUS.get(modalias.partition(":")[0])
    match = layout.canonical.fullmatch(modalias) if layout else None
    if layout is None or match is None:
        return None
    words = [0, 0]
    for part, digits in zip(layout.parts, match.groups(), strict=True):
        words[part.word] |= int(digits, 16) << part.shift
    return layout.bus, (words[0], words[1], ALL, ALL)
