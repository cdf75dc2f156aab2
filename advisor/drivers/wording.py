"""Words of device names: makers, chip numbers, series, and the alternatives that one entry of an id list names."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

from advisor.drivers.kinds import Kind
from advisor.tables import compiled, dicts

_INTEL = frozenset({0x8086, 0x8087})
_INTELS_OWN = re.compile(r"825\d\d[a-z]{0,2}|i2[12]\d|i350|ax[12]\d\d\w*|be2\d\d\w*")


@cache
def _makers(use: str) -> dict[str, frozenset[int]]:
    """Words for makers with their vendor numbers: of a kind of device, of all (''), before a number ('chip')."""
    rows = [row for row in dicts("drivers/makers") if row["use"] == use]
    return {row["word"]: frozenset(int(one, 16) for one in row["vendors"].split(";")) for row in rows}


def companies() -> frozenset[str]:
    """Makers' names, which a list repeats in some names and not in others."""
    return frozenset(_makers(""))


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


NOISE = _set(
    """corporation corp inc ltd limited llc company subsidiaries co r tm c the and with adapter network card controller
    wireless wi fi wifi wlan lan ac ax abgn bgn agn abg bg be ac1 graphics gfx graphic gpu vga video chip chipset
    integrated onboard discrete dedicated series family pci express pcie mini minipcie half height m2 ngff usb usb2 dual
    single band dualband ethernet gigabit gbe ge fast connection technology technologies semiconductor communications
    semi electronics internal builtin built in module combo edition mac oem minipci
    bluetooth bt wimax revision version v1 v2 hp dell lenovo thinkpad acer asus toshiba fujitsu sony advanced ultimate n
    11n 11ax 11b 11g nic base tx compatible device devices unit accelerator subsystem primary link"""
)
SPEEDS = frozenset({"10", "100", "1000"})
"""Link speeds, which name no model of a wired chip; to a wireless card they do."""
SERIES = _set("hd uhd gma gt gtx gts rtx rx mx r2 r3 r4 r5 r6 r7 r9 vega fx nvs iris arc firepro firegl dw")
"""Words that tell one series of a number from another: an HD 6600M is no RX 6600M."""

QUALIFIERS = SERIES | _set("ti super xt xtx pro le se gs gso go vt x2 ultra plus max m mx")
"""Words that set one card apart from another of the same number: a GTX 750 Ti is no GTX 750."""

_SHORTEST_MODEL = 3
_TRADE_MARKS = re.compile(r"\((?:r|tm|c)\)|®|™|\s#\d+$")
_ASIDE = re.compile(
    r"\(rev [0-9a-f]+\)|\(prog-if [^)]*\)|\brev\.? ?[0-9a-z]{1,2}\b|\(ndis[^)]*\)|\b802\.11\S*|\b802\.3\S*|"
    r"\bwi-?fi ?[4-7]e?\b|\b\d+(?:\.\d+)?\s?[mg]hz\b|\b\d+(?:\.\d+)?\s?[mg]b(?:it|ps|/s)\b|\bbt ?\d(?:\.\d)?\b|"
    r"\bbluetooth(?:\s?v?\d(?:\.\d)?)?|\b\dx\d(?::\d)?\b|\bpci-e(?:xpress)?\b|\bm\.2\b|\b100base\S*|\b\dt/?\dr\b|\bmax-?q\b"
)
_LETTERS_APART = re.compile(r"\b((?:rtl)?8\d{3}) ([a-e][esu])\b")
_COUNTED = re.compile(r"\((\d{1,2})\)")
_DECIMAL = re.compile(r"(\d)\.(\d)(?=\s?gb)")
_SPLIT = re.compile(r"[^a-z0-9]+")
_HYPHENED, _CHIP = r"\b({})[- ](?=\d)", r"({})(\d[a-z0-9]+)"
_SERIAL = re.compile(r"(hd|uhd|gma|gtx|gts|gt|rtx|rx|mx|dw|vega|nvs|fx)(\d+\w*)")
_SUFFIXED = re.compile(r"(\d{3,4})(ti|super)")
_WEAK = re.compile(r"\d+(?:st|nd|rd|th)|(?:\d{1,3}|1024)gb?|\d+gbe|no\d+|v\d+|\w{1,2}")
_SLOT = re.compile(r"^\s*(?:[0-9a-f]{4}:)?[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]\s+", re.IGNORECASE)
_CLASS = re.compile(
    r"^\s*(?:VGA compatible|Network|Ethernet|3D|Display|Audio|Wireless)\s(?:controller|device)\s*(?:\[[0-9a-f]{4}\])?"
    r"\s*:\s*",
    re.IGNORECASE,
)
_LAST_REVISION = re.compile(r"\s*\(rev [0-9a-f]+\)\s*$", re.IGNORECASE)
_REVISION = re.compile(r"\s*\((?:rev|prog-if) [^)]*\)\s*", re.IGNORECASE)


def undressed(text: str) -> str:
    """A text without the slot and the class that lspci prints before a name."""
    return " ".join(_CLASS.sub("", _SLOT.sub("", text)).split())


def unrevised(text: str) -> str:
    """A text without the revision that lspci puts behind a name; one that belongs to the name stays."""
    return " ".join(_LAST_REVISION.sub("", text).split())


def bare(text: str) -> str:
    """A device's name without what lspci prints around it: slot and class before, revision behind."""
    return " ".join(_REVISION.sub(" ", undressed(text)).split())


def _lettered(pattern: str) -> re.Pattern[str]:
    """An expression with the letters that stand before chips' numbers put in."""
    return compiled(pattern.format("|".join(_makers("chip"))))


@lru_cache(maxsize=16_384)
def _spelled(word: str) -> tuple[str, ...]:
    """One word brought to one spelling: chips without their maker's letters, a series apart from its number."""
    if match := _lettered(_CHIP).fullmatch(word):
        return (match[2],)
    if match := _SERIAL.fullmatch(word):
        return match[1], *_spelled(match[2])
    if match := _SUFFIXED.fullmatch(word):
        return match[1], match[2]
    return (word,)


@lru_cache(maxsize=16_384)
def _raw(text: str) -> tuple[str, ...]:
    lowered = _DECIMAL.sub(r"\1\2", _ASIDE.sub(" ", _TRADE_MARKS.sub(" ", text.lower())))
    lowered = _COUNTED.sub(r" no\1 ", _LETTERS_APART.sub(r"\1\2", _lettered(_HYPHENED).sub(r"\1", lowered)))
    return tuple(word for word in _SPLIT.split(lowered) if word)


def tokens(text: str) -> list[str]:
    """Words of a name, each in its one spelling; revisions, standards, speeds and trade marks dropped."""
    return [token for word in _raw(text) for token in _spelled(word)]


def rough(names: Sequence[str]) -> list[set[str]]:
    """Words of many names, each in its one spelling; nothing is dropped, which is quicker."""
    lines = "\n".join(names).lower().split("\n")
    return [{token for word in _SPLIT.split(line) if word for token in _spelled(word)} for line in lines]


def makers(text: str, kind: Kind) -> frozenset[int]:
    """Vendor numbers of the makers that a name says; empty when it says none."""
    known = _makers("") | _makers(kind)
    return frozenset().union(*(known[word] for word in tokens(text) if word in known))


def chip_makers(text: str) -> frozenset[int]:
    """Vendor numbers that the letters before a chip's number tell."""
    words = _raw(text)
    found = (_makers("chip")[match[1]] for word in words if (match := _lettered(_CHIP).fullmatch(word)))
    return frozenset().union(*found, *(_INTEL for word in words if _INTELS_OWN.fullmatch(word)))


def is_maker(word: str, kind: Kind) -> bool:
    """Whether a word is a maker's name or trade mark."""
    return word in _makers("") or word in _makers(kind)


def telling(words: Iterable[str], kind: Kind) -> list[str]:
    """Words that are neither noise nor a maker's name; a series is kept though only one maker has it."""
    noise = NOISE | SPEEDS if kind is Kind.ETHERNET else NOISE
    return [word for word in words if word not in noise and (word in SERIES or not is_maker(word, kind))]


def is_model(word: str) -> bool:
    """Whether a word may name a chip or card: a digit in it, and not so short that it is a size or a count."""
    return len(word) >= _SHORTEST_MODEL and any(c.isdigit() for c in word) and not _WEAK.fullmatch(word)


@lru_cache(maxsize=16_384)
def pieces(name: str) -> tuple[frozenset[str], tuple[frozenset[str], ...]]:
    """Take an entry's name apart.

    Parameters
    ----------
    name : str
        Such as 'Sun XT [Radeon HD 8670A/8690M / R5 M330 / M430]'.

    Returns
    -------
    outside : frozenset of str
        Words before and after the brackets, that hold for all of it.
    alternatives : tuple of frozenset of str
        Each of the names in brackets, or of the whole where there are none. A number that stands alone behind a stroke
        takes the words of the name before it: 8690M is an HD 8690M.
    """
    match = re.search(r"\[([^\[\]]+)\](?!.*\[)", name)
    inside, outside = (match[1], name[: match.start()] + " " + name[match.end() :]) if match else (name, "")
    inside = re.sub(r"(?i)\bpro/", "pro ", _ASIDE.sub(" ", inside.lower()))
    found: list[frozenset[str]] = []
    lead: list[str] = []
    for part in re.split(r"\s*/\s*", inside):
        words = tokens(part)
        if not words:
            continue
        at = next((n for n, word in enumerate(words) if any(c.isdigit() for c in word) and word not in SERIES), None)
        if at == 0:
            words = lead + words
        elif at is not None:
            lead = words[:at]
        found.append(frozenset(words))
    return frozenset(tokens(outside)), tuple(found) or (frozenset(),)


def wild(word: str) -> re.Pattern[str] | None:
    """Pattern of a number that leaves digits open, such as 93xx or 61x4a; None when it leaves none."""
    match = re.fullmatch(r"([a-z]{0,2})(\d{2}[\dx]*)[a-z]{0,2}", word)
    if match is None or "x" not in match[2] or len(match[2]) < _SHORTEST_MODEL:
        return None
    return re.compile(match[1] + match[2].replace("x", r"\d") + "[a-z]{0,2}")
