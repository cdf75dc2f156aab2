"""What a typed device name means: the ids of the lists whose names hold its model words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from advisor.drivers import facts, ids
from advisor.drivers.kinds import Kind

MOST_CANDIDATES = 60
"""A name that fits more ids than this is too vague to decide on."""

_MAKERS: dict[str, frozenset[int]] = {
    "intel": frozenset({0x8086, 0x8087}),
    "realtek": frozenset({0x10EC, 0x0BDA}),
    "broadcom": frozenset({0x14E4, 0x0A5C}),
    "atheros": frozenset({0x168C, 0x17CB, 0x0CF3, 0x1969, 0x13D3, 0x1A56}),
    "qualcomm": frozenset({0x168C, 0x17CB, 0x0CF3, 0x1969, 0x1A56}),
    "killer": frozenset({0x168C, 0x1969, 0x8086, 0x1A56}),
    "ralink": frozenset({0x1814, 0x148F, 0x14C3}),
    "mediatek": frozenset({0x14C3, 0x0E8D, 0x1814, 0x148F}),
    "marvell": frozenset({0x11AB, 0x1B4B, 0x1286}),
    "nvidia": frozenset({0x10DE}), "geforce": frozenset({0x10DE}), "quadro": frozenset({0x10DE}),
    "nvs": frozenset({0x10DE}),
    "amd": frozenset({0x1002, 0x1022}), "ati": frozenset({0x1002}), "radeon": frozenset({0x1002}),
    "firepro": frozenset({0x1002}), "via": frozenset({0x1106}), "sis": frozenset({0x1039}),
    "matrox": frozenset({0x102B}), "aspeed": frozenset({0x1A03}), "jmicron": frozenset({0x197B}),
}  # fmt: skip

_NOISE = frozenset(
    re.split(
        r"\s+",
        """corporation corp inc ltd
        co r tm c adapter network card controller wireless wi fi wifi wlan lan ac ax abgn bgn
    ac1 graphics gfx graphic gpu vga video chip chipset integrated onboard discrete dedicated series family pci express
    pcie mini minipcie half m2 ngff usb dual single band dualband with and the ethernet gigabit gbe fast connection
    technology semiconductor communications semi electronics co internal builtin built in module combo mobile laptop
    bluetooth bt rev revision version v1 v2 hp dell lenovo thinkpad acer asus toshiba advanced centrino ultimate n
    80211 80211ac 80211ax 80211n 802 11n 11ax 11b 11g 802 11 2x2 1x1 3x3 1gb 2gb 4gb 512mb 1g
    2g 4g mbps gbps nic""",
    )
)
_SHORTEST_MODEL = 3
"""A name is a chip's only when one of its words with a digit has this many letters: 'R5' alone is a series."""
_SPEEDS = frozenset({"10", "100", "1000"})
"""Link speeds, which name no model of a wired chip; to a wireless card they do."""
_PREFIX = re.compile(r"(bcm|rtl|qca|ar|mt|rt|dw|hd|uhd|gma|88e)(\d{2,}[a-z0-9]*)")
_SPLIT = re.compile(r"[^a-z0-9]+")
_SEPARATORS = re.compile(r"\s*(?:;|\+|&|\n|\s/\s|\s\band\b\s)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Entry:
    """One device of an id list.

    Attributes
    ----------
    bus : str
    vendor, device : int
    subsystem : (int, int) or None
        When the name is a subsystem's.
    name : str
    """

    bus: str
    vendor: int
    device: int
    subsystem: tuple[int, int] | None
    name: str

    @property
    def text(self) -> str:
        """The id as text."""
        tail = "" if self.subsystem is None else f":{self.subsystem[0]:04x}:{self.subsystem[1]:04x}"
        return f"{self.bus}:{self.vendor:04x}:{self.device:04x}{tail}"


@dataclass(frozen=True)
class Matched:
    """What a name was found to mean.

    Attributes
    ----------
    entries : tuple of Entry
        Empty when nothing fits.
    problem : str
        '' when the name is clear: one id, or several that all carry the name.
    exact : bool
        Every model word of the name is in the entries' names; else they are only near.
    """

    entries: tuple[Entry, ...]
    problem: str
    exact: bool = True


def split(text: str) -> list[str]:
    """Split a cell that names several devices, such as 'Intel HD 520 + GeForce 940MX'."""
    return [part for part in _SEPARATORS.split(text) if part]


def words(text: str) -> list[str]:
    """Words of a name: lower case, trade marks dropped, chip prefixes also without their letters."""
    lowered = re.sub(r"\((?:r|tm|c)\)|®|™", " ", text.lower())
    lowered = re.sub(r"\(rev [0-9a-f]+\)", " ", lowered)
    lowered = re.sub(r"\b802\.11\S*", " ", lowered)
    return [word for word in _SPLIT.split(lowered) if word]


def _variants(word: str) -> set[str]:
    match = _PREFIX.fullmatch(word)
    return {word, match[2]} if match else {word}


def _spelled(asked: Sequence[str]) -> frozenset[str]:
    """Words of a name with those that are written together taken apart too: 'hd4600' also as 'hd' and '4600'."""
    found = set(asked)
    for word in asked:
        match = _PREFIX.fullmatch(word)
        if match:
            found |= {match[1], match[2]}
    return frozenset(found)


class _Index:
    """Words of the names of one kind of device."""

    def __init__(self, kind: Kind) -> None:
        self.entries: list[Entry] = []
        number = ids.KINDS.index(kind)
        for bus in ("pci", "usb"):
            listed = ids.load(bus)
            for at in np.flatnonzero(listed.kind_of == number).tolist():
                key = int(listed.ids[at])
                if listed.names[at]:
                    self.entries.append(Entry(bus, key >> 16, key & 0xFFFF, None, listed.names[at]))
            for of, sub, name in zip(
                listed.arrays["sub_of"].tolist(), listed.arrays["sub"].tolist(), listed.sub_names, strict=True
            ):
                if kind is Kind.WIRELESS:
                    key = int(listed.ids[of])
                    self.entries.append(Entry(bus, key >> 16, key & 0xFFFF, (sub >> 16, sub & 0xFFFF), name))
        self.held: list[frozenset[str]] = []
        self.where: dict[str, list[int]] = {}
        for at, entry in enumerate(self.entries):
            held = frozenset(variant for word in words(entry.name) for variant in _variants(word))
            self.held.append(held)
            for word in held:
                self.where.setdefault(word, []).append(at)


@cache
def _index(kind: Kind) -> _Index:
    return _Index(kind)


@cache
def _aliases(kind: Kind) -> list[tuple[frozenset[str], tuple[Entry, ...]]]:
    """Trade names that the id lists do not carry, most words first."""
    rows = []
    for row in facts.rows("names"):
        if row["kind"] != str(kind):
            continue
        entries = []
        for text in facts.parts(row["ids"]):
            bus, vendor, device = text.split(":")
            name = ids.load(bus).name(int(vendor, 16), int(device, 16))
            entries.append(Entry(bus, int(vendor, 16), int(device, 16), None, name))
        rows.append((frozenset(row["words"].split()), tuple(entries)))
    return sorted(rows, key=lambda row: -len(row[0]))


def match(texts: Iterable[str], kind: Kind) -> list[Matched]:
    """Find what names mean.

    Parameters
    ----------
    texts : iterable of str
        One device's name each, such as 'Intel Wireless-AC 8260'.
    kind : Kind
        Only devices of this kind are looked at.

    Returns
    -------
    list of Matched
    """
    return [_match(text, kind) for text in texts]


def _match(text: str, kind: Kind) -> Matched:
    asked = words(text)
    index = _index(kind)
    makers = frozenset().union(*(_MAKERS.get(word, frozenset()) for word in asked))
    noise = _NOISE | _SPEEDS if kind is Kind.ETHERNET else _NOISE
    telling = [word for word in asked if word not in noise and word not in _MAKERS]
    models = [word for word in telling if any(letter.isdigit() for letter in word)]
    if not any(len(word) >= _SHORTEST_MODEL for word in models):
        models = []
    traded = _traded(_spelled(asked), kind, makers, bool(models))
    if traded and makers:
        return _told(text, traded)
    found: set[int] | None = None
    missed = []
    for word in models:
        spellings = {word} if word in index.where else _variants(word)
        places = {at for spelling in spellings for at in index.where.get(spelling, ())}
        if makers:
            places = {at for at in places if index.entries[at].vendor in makers}
        if found is None:
            found = places or None
        elif found & places:
            found &= places
        else:
            places = set()
        if not places:
            missed.append(word)
    if traded and not missed:
        # Without a maker's name both may be meant: HD 4600 is Intel's as well as an old Radeon.
        others = [word for word in telling if word not in models]
        both = {at for at in found or () if all(word in index.held[at] for word in others)}
        return _told(text, (*traded, *(index.entries[at] for at in sorted(both))))
    if traded:
        return _told(text, traded)
    if found and not missed:
        kept = _narrow(index, found, [word for word in telling if word not in models])
        return _told(text, tuple(sorted({index.entries[at] for at in kept}, key=lambda entry: entry.text)))
    return _near(text, index, makers, found or set())


def _traded(every: frozenset[str], kind: Kind, makers: frozenset[int], modelled: bool) -> tuple[Entry, ...]:
    """Ids of a trade name that the lists do not carry; the row with most words goes first.

    A row without a number, such as 'hd graphics', is for names without a model number only.
    """
    for needed, entries in _aliases(kind):
        numbered = any(letter.isdigit() for word in needed for letter in word)
        fits = needed <= every and (numbered or not modelled)
        if fits and (not makers or any(entry.vendor in makers for entry in entries)):
            return entries
    return ()


def _narrow(index: _Index, found: set[int], telling: Sequence[str]) -> set[int]:
    """Keep the entries that hold most of the name's other words."""
    counts = {at: sum(word in index.held[at] for word in telling) for at in found}
    most = max(counts.values())
    return {at for at, count in counts.items() if count == most}


def _told(text: str, entries: tuple[Entry, ...]) -> Matched:
    entries = tuple(dict.fromkeys(entries))
    whole = {(entry.bus, entry.vendor, entry.device) for entry in entries if entry.subsystem is None}
    entries = tuple(
        entry for entry in entries if entry.subsystem is None or (entry.bus, entry.vendor, entry.device) not in whole
    )
    if len(entries) == 1:
        return Matched(entries, "")
    if len(entries) > MOST_CANDIDATES:
        return Matched((), f"{text!r} fits {len(entries)} devices, too many to decide; give its id (lspci -nn)", False)
    listed = ", ".join(entry.text for entry in entries[:6]) + (", …" if len(entries) > 6 else "")
    return Matched(entries, f"{text!r} fits {len(entries)} ids: {listed}")


def _near(text: str, index: _Index, makers: frozenset[int], found: set[int]) -> Matched:
    """Name the nearest entries by spelling; they are shown, never taken."""
    from rapidfuzz import fuzz, process, utils

    pool = sorted(found) or [
        at
        for at, entry in enumerate(index.entries)
        if entry.subsystem is None and (not makers or entry.vendor in makers)
    ]
    best = process.extract(
        text, {at: index.entries[at].name for at in pool}, scorer=fuzz.token_set_ratio,
        processor=utils.default_process, limit=5, score_cutoff=55,
    )  # fmt: skip
    entries = tuple(index.entries[at] for _, _, at in best)
    if not entries:
        return Matched((), f"{text!r} is in no id list; give its id, as lspci -nn or lsusb shows it", False)
    listed = "; ".join(f"{entry.text} {entry.name}" for entry in entries)
    return Matched(entries, f"{text!r} is in no id list; nearest: {listed}", False)
