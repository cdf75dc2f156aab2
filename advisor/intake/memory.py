"""Memory as people write it.

Rules: a number without a unit counts in GiB (a typed 8 is 8 GiB), and "GB" beside memory means GiB too, as modules are
made in powers of two. A unit stated by the header ("RAM (MB)") holds for the bare numbers below it. An amount is never
lost to a word beside it that is not known: the amount is taken, the word is asked about.
"""

from __future__ import annotations

import re
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from advisor.intake.parsed import A_DATE, NONE_WORDS, UNKNOWN, Parsed, meant, of_cell, without

RAM_MAX_GIB = 16_384.0
MOST_RAM_GIB = 256.0
"""Amount from which memory is doubted: a disk's size may stand in the wrong column [GiB]."""

NO_MEMORY = "no memory is fitted, so none can be counted on"
_ACCEPT_RAM = "memory such as '8', '8 GB', '8192 MB' or '2x4GB'"
_NO_AMOUNT = "no amount of memory is recognised"

_UNIT = (
    r"(?:gibibytes?|gigabytes?|gbytes?|gigs?|gib|gb|go|g|mebibytes?|megabytes?|megs?|mib|mb|mo|tebibytes?"
    r"|terabytes?|tib|tb|to)"
)
NUMBER = r"\d{1,3}'\d{3}|\d{1,2} \d{3}(?=\s?m[ib]?)|\d 000(?=\s?g)|\d+(?:[.,]\d+)?"
_QUICK_RAM = re.compile(r"(\d{1,3})\s?(gb|g|gib|gig)?")
_TIMES = r"(?:x|\*|st(?:ü|u)ck|pcs\.?)"
_TERM = re.compile(
    rf"(?<![\w.,'\-])(?:(?P<count>\d{{1,2}})\s*{_TIMES}\s*)?(?P<size>{NUMBER})\s*(?P<unit>{_UNIT})?"
    rf"(?:\s*{_TIMES}\s*(?P<behind>\d)(?![\d.,]))?(?![a-z0-9'])"
)
_JOIN = re.compile(r"\s*(?:\+|&|;|,|\band\b|\bund\b)\s*")
_EITHER = re.compile(r"\s*(?:/|\bor\b|\boder\b|\bou\b)\s*")

_WORD_COUNTS = {"one": "1", "single": "1", "two": "2", "four": "4"}
_MODULE = r"(?:module[sn]?|sticks?|(?:so-?)?dimms?|st(?:ü|u)ck)"
_COUNTED = re.compile(
    rf"\b(?P<count>\d|one|two|four)\s+(?P<each>{_MODULE}\s+(?:of|à|a|with|@)\s+(?=\d)|(?=\d+\s?{_UNIT}\s+{_MODULE}\b)"
    rf"|{_MODULE}\s+(?=\d+\s?{_UNIT}? each\b))"
)

_FREE = r"(?:free|open|empty|spare|leer|frei|available)"
_FULL = re.compile(
    rf"\bno (?:{_FREE} )?slots?(?: {_FREE})?\b|\b(?:both|all) (?:slots )?(?:full|used)\b|\b0 slots? free\b"
)
_SLOTS = re.compile(
    rf"\b(?P<a>\d|one|two)\s*(?:x\s*)?(?:{_FREE} (?:ram |memory |dimm )?slots?|slots? {_FREE}|{_FREE})\b"
    rf"|\b(?P<b>{_FREE} slots?|slots? {_FREE})\b"
)
_AMOUNT = rf"(?:{NUMBER})\s*{_UNIT}?"
_NOT_FITTED = re.compile(
    rf"[,;/(]?\s*\b(?:max(?:imum|\.)?|(?:upgrad|expand|extend)e?[ai]ble|up|takes)(?: (?:to|up to))?\s*{_AMOUNT}\b\)?"
    rf"|(?:[,;/(]|\bof\b)\s*{_AMOUNT}\s*max(?:imum|\.)?\b\)?|\b(?:was|originally|from)\s*{_AMOUNT}\b"
)
_NOW = re.compile(r"\b(?:upgraded to|now)\b")
_GLUED = re.compile(r"(?<=[a-z]{3})(?=\d{1,2}\s?gb\b)")
_USABLE = re.compile(r"\s*\b(?:usable|avail\w*|nutzbar)\b")
_NOT_SOLDERED = re.compile(r"\bnot? (?:soldered|on-?board)\b")
_SOLDERED = re.compile(r"\b(?:soldered|on-?board|on board|verlötet|soudée?)\b|\blpddr")
_KIND = re.compile(
    r"\b(?P<ddr>(?:lp)?ddr\d?)[lxu]?\b|\bpc(?P<pc>[2345])l?(?=[\s-]?\d{4}|\b)|\bpc(?:1600|2100|2700|3200)\b"
)
_APART = re.compile(
    rf"\bddr(?:[\s-](?P<digit>[2-5])(?=l?\b)|[\s-]?(?P<roman>i{{2,3}}|iv|v)\b)(?!\s*(?:{_UNIT}|x|\*)(?![a-z]))"
)
"""A generation that stands apart from its DDR, or in Roman figures: 'DDR 3', 'DDR-4', 'DDR III'."""
_ROMAN = {"ii": "2", "iii": "3", "iv": "4", "v": "5"}
_SPEEDS = frozenset(
    {"266", "333", "400", "533", "667", "800", "1066", "1067", "1333", "1600", "1866", "1867", "2133", "2400", "2666",
     "2667", "2933", "3200", "4266", "4267", "4800", "5200", "5600", "6400"}
)  # fmt: skip
"""Clocks that stand on modules, DDR to DDR5 [MT/s]: JEDEC's standards for each kind; from memory."""
_LABEL = re.compile(
    r"\b\d?rx\d{1,2}\b|\bpc\d?l?\s?-?\d{4,5}\w*(?:-[\w-]+)?"
    r"|\b(?=\w*\d)(?=\w*[a-z]{2})(?!(?:lp)?ddr)[a-z][\w/-]{6,}\b"
)
"""What is printed on a module beside its size: ranks, module name, part number."""
_GIB = {"g": 1.0, "m": 1 / 1024, "t": 1024.0}


def to_float(text: str) -> float:
    """A number with a decimal point or comma, and spaces or apostrophes between thousands."""
    text = text.replace(" ", "").replace("'", "")
    if re.fullmatch(r"\d{1,3},\d{3}", text) and text[0] != "0":
        return float(text.replace(",", ""))
    return float(text.replace(",", "."))


def in_thousands(text: str) -> float | None:
    """What a number with a point before its last three digits is where that parts thousands; None for any other."""
    return float(text.replace(".", "")) if re.fullmatch(r"[1-9]\d{0,2}\.\d{3}", text) else None


class Amount(NamedTuple):
    """A sum of modules as written, and where."""

    gib: float
    modules: tuple[float, ...]  # The modules [GiB], () where they are not counted out
    start: int
    end: int


@of_cell
def memory(plain: str, header_unit: str = "") -> Parsed:
    """Read an amount of memory.

    Parameters
    ----------
    plain : str
        Such as '8', '8GB', '8192 MB', '2x4GB', '4+4', '5,7', '8 gig DDR4'.
    header_unit : str, optional
        Unit that the header states: 'mb', 'mib', 'gb', 'gib'.

    Returns
    -------
    Parsed
        Total [GiB]; beside it ram_soldered, ram_slots_free, ram_type and ram_modules where the cell says them.
    """
    plain = _GLUED.sub(" ", _written_as_one(plain).replace("gb's", "gb"))
    quick = _QUICK_RAM.fullmatch(plain)
    if quick and (quick[2] or header_unit not in ("mb", "mib")) and (quick[2] or int(quick[1]) < 192):
        return _plausible(float(quick[1]))
    if plain in NONE_WORDS or meant("no memory", plain):
        return Parsed(None, NO_MEMORY, _ACCEPT_RAM)
    if meant("date", plain):
        return Parsed(None, A_DATE, _ACCEPT_RAM)
    found = _amount(plain, header_unit)
    return found._replace(also=(*_beside(plain), *found.also))


@of_cell
def memory_type(plain: str) -> Parsed:
    """Read a kind of memory, such as 'PC3-12800', as modules are sold by: 'DDR3', which DDR3L fits too."""
    plain = _written_as_one(plain)
    if plain in NONE_WORDS:
        return UNKNOWN
    kinds = {_kind(match) for match in _KIND.finditer(plain)}
    if len(kinds) == 1:
        return Parsed(kinds.pop())
    return Parsed(None, "no one kind of memory is recognised", "a kind such as 'DDR3' or 'DDR4'")


def _written_as_one(plain: str) -> str:
    """A text with each generation of memory written as one word."""
    return _APART.sub(lambda found: f"ddr{found['digit'] or _ROMAN[found['roman']]}", plain)


def _beside(plain: str) -> tuple[tuple[str, object], ...]:
    """What a cell says of the memory beside its amount."""
    found: list[tuple[str, object]] = []
    if _NOT_SOLDERED.search(plain):
        found.append(("ram_soldered", False))
    elif _SOLDERED.search(plain):
        found.append(("ram_soldered", "+" not in plain and "&" not in plain))
    slots = _SLOTS.search(plain)
    if _FULL.search(plain):
        found.append(("ram_slots_free", 0))
    elif slots:
        number = slots["a"] or "1"
        found.append(("ram_slots_free", int(_WORD_COUNTS.get(number, number))))
    kinds = {_kind(match) for match in _KIND.finditer(plain)}
    if len(kinds) == 1:
        found.append(("ram_type", kinds.pop()))
    return tuple(found)


def _kind(match: re.Match[str]) -> str:
    """Kind of a module: DDR3L fits where DDR3 does, PC3-12800 is a module of DDR3, PC2700 one of DDR."""
    return match["ddr"].upper() if match["ddr"] else f"DDR{match['pc'] or ''}"


def _amount(plain: str, header_unit: str) -> Parsed:
    """The amount in a text of several words."""
    rest = _SLOTS.sub(" ", _FULL.sub(" ", plain))
    rest = _NOT_FITTED.sub(" ", _NOW.sub(" ", rest))
    rest = _COUNTED.sub(lambda m: f"{_WORD_COUNTS.get(m['count'], m['count'])}x", rest)
    labels = " ".join(match[0] for match in _LABEL.finditer(rest) if not match[0].startswith("pc"))
    rest = " ".join(without("beside memory", _LABEL.sub(" ", rest)).split())
    found, problem = _amounts(rest, header_unit, bool(_KIND.search(plain)))
    problem = problem or _contradiction(found, rest)
    if problem:
        return Parsed(None, problem, _ACCEPT_RAM)
    parsed = _plausible(found[0].gib)
    # Of modules among which some are soldered in, nobody tells which.
    modules = () if _SOLDERED.search(plain) else next((one.modules for one in found if one.modules), ())
    unread = _left(rest, found)
    notes = [f"not read: {' '.join(filter(None, (unread, labels)))[:60]}" if unread or labels else ""]
    bare = re.fullmatch(r"\d{4,6}", rest)
    if bare and header_unit not in ("mb", "mib"):
        notes.append(f"{rest} without a unit was read as MiB")
    also = (("ram_modules", "; ".join(f"{_show(size)} GiB" for size in modules)),) if modules else ()
    return parsed._replace(note="; ".join(filter(None, notes)), also=also)


def _left(rest: str, found: list[Amount]) -> str:
    """Words of a text that are no part of an amount."""
    for amount in reversed(found):
        rest = rest[: amount.start] + " " + rest[amount.end :]
    return " ".join(word for word in re.split(r"[\s,;:()=+\-]+", _USABLE.sub(" ", rest)) if word.strip("./&"))


def _amounts(rest: str, header_unit: str, kind_said: bool) -> tuple[list[Amount], str]:
    """Sums of modules in a text, without its clocks and, beside a stated amount, its bare numbers; or why not."""
    terms = [term for term in _TERM.finditer(rest) if len(term["size"]) <= 8]
    stated = any(term["unit"] or term["count"] or term["behind"] for term in terms)
    clocks = [t for t in terms if not (t["unit"] or t["count"] or t["behind"]) and t["size"] in _SPEEDS]
    if stated or kind_said or len(clocks) < len(terms):
        terms = [term for term in terms if term not in clocks]
    groups: list[list[re.Match[str]]] = []
    for term in terms:
        between = rest[groups[-1][-1].end() : term.start()] if groups else ""
        both_counted = bool(groups and term["count"] and groups[-1][-1]["count"])
        if groups and (_JOIN.fullmatch(between) or (both_counted and between.isspace())):
            groups[-1].append(term)
        else:
            groups.append([term])
    if stated:
        groups = [
            group
            for group in groups
            if any(t["unit"] or t["count"] or t["behind"] for t in group) or rest[: group[0].start()].endswith("(")
        ]
    read = [(_modules(group, header_unit), group) for group in groups]
    doubts = [sizes for sizes, _ in read if isinstance(sizes, str)]
    if doubts or not read:
        return [], doubts[0] if doubts else _NO_AMOUNT
    return [
        Amount(sum(sizes), tuple(sizes) if counted and max(sizes) > 0 else (), group[0].start(), group[-1].end())
        for sizes, group in read
        if not isinstance(sizes, str)
        for counted in [len(group) > 1 or bool(group[0]["count"] or group[0]["behind"])]
    ], ""


def _modules(terms: list[re.Match[str]], header_unit: str) -> list[float] | str:
    """Sizes of modules [GiB]; a reason when a number may be two things."""
    last = next((term["unit"] for term in reversed(terms) if term["unit"]), "")
    sizes: list[float] = []
    for term in terms:
        size, unit = to_float(term["size"]), term["unit"] or last or header_unit
        thousands = in_thousands(term["size"])
        # No amount is written to the thousandth of a megabyte, and no modules make 16.384 GiB.
        if thousands and (unit[:1] == "m" or (not unit and thousands % 256 == 0)):
            size, unit = thousands, "mb"
        if not unit and 192 <= size < 1000:
            return f"{_show(size)} without a unit may be MB or GB"
        unit = unit or ("mb" if size >= 1000 else "gb")
        sizes += [size * _GIB[unit[0]]] * int(term["count"] or term["behind"] or 1)
    return sizes


def _contradiction(found: list[Amount], rest: str) -> str:
    """Why none of several amounts can be taken; '' when all say the same."""
    for one, other in pairwise(found):
        usable = _USABLE.match(rest[other.end :]) and 0.8 * one.gib <= other.gib <= one.gib
        if abs(other.gib - one.gib) < 0.01 or usable:
            continue
        if _EITHER.fullmatch(rest[one.end : other.start]):
            return f"{_NO_AMOUNT}: it may be {_show(one.gib)} or {_show(other.gib)} GiB"
        return f"{_show(one.gib)} GiB and {_show(other.gib)} GiB contradict each other"
    return ""


def _show(number: float) -> str:
    return f"{number:.2f}".rstrip("0").rstrip(".")


_MODULES = (0.25, 0.5, 1, 2, 4, 8, 12, 16, 24, 32, 48, 64, 96, 128)


@lru_cache(maxsize=4096)
def _made_of_modules(total: float) -> bool:
    """Whether up to two kinds of module, each of a size that is made, give this total."""
    return total in _MODULES or any(abs(total - first - second) < 1e-9 for first in _MODULES for second in _MODULES)


def _plausible(total: float) -> Parsed:
    if total <= 0:
        return Parsed(None, NO_MEMORY, _ACCEPT_RAM)
    if total > RAM_MAX_GIB:
        return Parsed(None, f"{_show(total)} GiB is no amount of memory that a PC has", _ACCEPT_RAM)
    rounded = round(total, 3)
    if rounded >= 2048 and rounded % 256 == 0 and _made_of_modules(rounded / 1024):
        # Nobody has that many GiB: it is what systems show in MiB.
        return Parsed(rounded / 1024, "", "", f"taken as {_show(rounded)} MiB")
    if rounded > MOST_RAM_GIB:
        return Parsed(rounded, f"{_show(rounded)} GiB is more than PCs have; kept as typed", _ACCEPT_RAM)
    if _made_of_modules(rounded):
        return Parsed(rounded)
    bigger = min((m for m in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 128, 256) if m >= rounded), default=0)
    hint = f"; it may be the usable part of {bigger} GiB" if bigger and bigger * 0.8 <= rounded else ""
    return Parsed(rounded, f"no set of modules adds up to {_show(rounded)} GiB{hint}; kept as typed", _ACCEPT_RAM)
