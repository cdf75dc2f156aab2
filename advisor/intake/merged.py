"""Cells that hold model, processor, memory and disk together."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from advisor.identify.bare import locate_bare
from advisor.identify.names import locate
from advisor.intake.disks import LABEL_SIZES, disks
from advisor.intake.headers import DISK_KINDS
from advisor.intake.memory import NO_MEMORY, memory, to_float

_GB = r"(?:gib|gb|gig|g|go)"
_MEMORY = re.compile(
    rf"(?<![\w.,])(?:\d\s?x\s?)?\d{{1,3}}\s?{_GB}\b(?:\s*(?:ram|memory|ddr\d?l?|lpddr\d?x?|mem))?"
    rf"|(?<![\w.,])\d{{4,5}}\s?mb\b(?:\s*(?:ram|memory))?",
    re.I,
)
_DISK = re.compile(
    rf"(?<![\w.,])\d+(?:[.,]\d+)?\s?(?:tib|tb|to|{_GB})?\s?(?:m\.?2\s)?(?:nvme|ssd|sshd|hdd|emmc)(?:\s(?:ssd"
    rf"|drive))?\b|\b(?:nvme|ssd|hdd|emmc)\s?\d+\s?(?:tb|{_GB})?\b"
    rf"|(?<![\w.,])(?:\d\s?x\s?)?\d+(?:[.,]\d+)?\s?(?:tib|tb)\b"
    r"|\bno (?:hdd|ssd|disk|hard drive)\b|\b(?:hdd|ssd|disk|hard drive) (?:removed|missing|pulled)\b",
    re.I,
)
_ANY_AMOUNT = re.compile(r"\d\s?(?:[gtm]i?b|g\b|gig|[gt]o\b)|ssd|sshd|hdd|nvme|emmc|disk|hard drive|\d\s?/\s?\d", re.I)
"""What `_MEMORY` or `_DISK` must find at the least; most cells hold nothing of it."""
_PAIR = re.compile(r"(?<![\w./-])(?P<ram>[1-4]|6|8|12|16|32)\s?/\s?(?P<disk>\d{2,4})(?![\w./-])")
"""Memory and disk as a pair of bare numbers, such as 4/320; from memory of adverts."""
_CLOCK = re.compile(r"\s*(?:cpu|processor)?\s*@?\s*\d[.,]\d+\s*ghz", re.I)
_LINE_ONLY = re.compile(
    r"\b(?:intel\s+)?(?:core\s*)?i[3579]\b(?:[\s,-]*\(?\d{1,2}(?:st|nd|rd|th)?[\s-]*gen(?:eration)?\)?)?"
    r"|\b(?:amd\s+)?ryzen\s*[3579]\b|\b(?:intel\s+)?(?:celeron|pentium|atom|core\s*2\s*(?:duo|quad))\b",
    re.I,
)
_EDGE = " \t/,;|-()[]+\n\r"


class Pieces(NamedTuple):
    """What was found in one cell; '' where nothing was."""

    cpu: str
    ram: str
    disk: str
    rest: str  # What remains, for the model
    several: bool = False  # More than one processor is named
    hint: str = ""  # Kind of disk that the header states


@lru_cache(maxsize=200_000)
def pieces(text: str, fields: tuple[str, ...] = (), lines: bool = True) -> Pieces:
    """Take apart a cell such as 'Desk 3000 / i5-6300U 8GB 240SSD', which holds `fields` in order by its header
    (`headers.combined`); with `lines`, one without a number ('Celeron') is taken as the processor too.
    """
    hint = next((field for field in fields if field in DISK_KINDS), "")
    if fields and (parts := _by_header(text, fields, hint)):
        return parts
    cpu, rest, several = _processor(text, lines)
    ram, disk, rest = _amounts(rest)
    return Pieces(cpu, ram, disk, _tidy(rest), several, hint)


_SEPARATORS = (r"\s*/\s*", r"\s*\|\s*", r"\s*;\s*", r"\s*,\s*", r"\s*\+\s*", r"\s+-\s+", r"\s*\n\s*")


def _by_header(text: str, fields: tuple[str, ...], hint: str) -> Pieces | None:
    """Parts of a cell in the order of its header; None where they do not fit it."""
    split = [re.split(separator, text.strip()) for separator in _SEPARATORS]
    parts = next((one for one in split if len(one) == len(fields) and all(one)), None)
    if parts is None:
        alone = not any(len(one) > 1 for one in split) and fields[0] == "ram_gib" and not memory(text).problem
        return Pieces("", text.strip(), "", "", hint=hint) if alone and (memory(text).value or 99) <= 32 else None
    named = dict(zip(fields, parts, strict=True))
    ram = named.get("ram_gib", "")
    disk = next((part for field, part in named.items() if field not in ("maker", "model", "cpu", "ram_gib")), "")
    if ram and memory(ram).value is None and memory(ram).problem != NO_MEMORY:
        return None
    if disk and disks(disk, hint=hint).kind.value is None and disks(disk, hint=hint).size.value is None:
        return None
    rest = " ".join(filter(None, (named.get("maker", ""), named.get("model", ""))))
    return Pieces(named.get("cpu", "").strip(_EDGE), ram, disk, rest, hint=hint)


def _processor(text: str, lines: bool) -> tuple[str, str, bool]:
    """The processor of a cell, the cell without it, and whether there are several."""
    spans = locate(text)
    bare = () if spans else locate_bare(text)
    several = len({name for _, _, name in spans}) > 1 or len({text[a:b].lower() for a, b in bare}) > 1
    if spans or bare:
        start, end = spans[0][:2] if spans else bare[0]
        before = re.search(
            r"(?:\b(?:intel|amd)(?:\(r\)|®)?\s+)?(?:\b(?:core|genuine|atom|celeron|pentium)(?:\(tm\)|™)?\s+)?$",
            text[:start], re.I,
        )  # fmt: skip
        start = before.start() if before else start
        clock = _CLOCK.match(text, end)
        end = clock.end() if clock else end
        return text[start:end].strip(_EDGE), text[:start] + " / " + text[end:], several
    found = list(_LINE_ONLY.finditer(text)) if lines else []
    if len(found) == 1:
        cpu = found[0][0].strip(_EDGE.replace(")", ""))
        return cpu, text[: found[0].start()] + " / " + text[found[0].end() :], False
    return "", text, False


@lru_cache(maxsize=200_000)
def amounts_in(text: str) -> Pieces:
    """Memory and disk alone that a cell names, and the cell without them."""
    if not _ANY_AMOUNT.search(text):
        return Pieces("", "", "", text)
    ram, disk, rest = _amounts(text)
    return Pieces("", ram, disk, _tidy(rest) if ram or disk else text)


def _amounts(rest: str) -> tuple[str, str, str]:
    """Memory and disk of a cell, and the cell without them."""
    ram = disk = ""
    found = list(_DISK.finditer(rest))
    if found and not disks(" + ".join(match[0] for match in found)).size.problem:
        disk = " + ".join(match[0].strip() for match in found)
        for match in reversed(found):
            rest = rest[: match.start()] + " / " + rest[match.end() :]
    amounts = list(_MEMORY.finditer(rest))
    if len(amounts) == 2 and not disk:
        sizes = [memory(match[0]).value or 0.0 for match in amounts]
        if sizes[0] <= 64 and sizes[1] >= 80 and "ram" not in amounts[1][0].lower():
            disk = amounts[1][0]
            rest = rest[: amounts[1].start()] + " / " + rest[amounts[1].end() :]
            amounts = amounts[:1]
    pair = None if found or amounts else _PAIR.search(rest)
    if pair and to_float(pair["disk"]) in LABEL_SIZES:
        return pair["ram"], pair["disk"], rest[: pair.start()] + " / " + rest[pair.end() :]
    if len(amounts) == 1 and not memory(amounts[0][0]).problem:
        ram = amounts[0][0].strip()
        rest = rest[: amounts[0].start()] + " / " + rest[amounts[0].end() :]
    return ram, disk, rest


def _tidy(text: str) -> str:
    text = re.sub(r"(?:\s*/\s*)+", " / ", " ".join(text.split()))
    text = re.sub(r"\bwith\b\s*(?=/|$)|(?:^|(?<=/))\s*(?:ram|@)\s*(?=/|$)", "", text)
    return re.sub(r"\s*[/,;|]\s*(?=[/,;|]|$)", "", text).strip(_EDGE)
