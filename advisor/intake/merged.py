"""Cells that hold model, processor, memory and disk together."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from advisor.identify.names import locate
from advisor.intake.disks import disks
from advisor.intake.memory import memory

_GB = r"(?:gib|gb|gig|g|go)"
_MEMORY = re.compile(
    rf"(?<![\w.,])(?:\d\s?x\s?)?\d{{1,3}}\s?{_GB}\b(?:\s*(?:ram|memory|ddr\d?l?|lpddr\d?x?|mem))?"
    rf"|(?<![\w.,])\d{{4,5}}\s?mb\b(?:\s*(?:ram|memory))?",
    re.I,
)
_DISK = re.compile(
    rf"(?<![\w.,])\d+(?:[.,]\d+)?\s?(?:tib|tb|to|{_GB})?\s?(?:m\.?2\s)?(?:nvme|ssd|sshd|hdd|emmc)(?:\s(?:ssd"
    rf"|drive))?\b|\b(?:nvme|ssd|hdd|emmc)\s?\d+\s?(?:tb|{_GB})?\b"
    rf"|(?<![\w.,])(?:\d\s?x\s?)?\d+(?:[.,]\d+)?\s?(?:tib|tb)\b",
    re.I,
)
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
    rest: str
    several: bool = False


@lru_cache(maxsize=200_000)
def pieces(text: str, strict: bool = False) -> Pieces:
    """Take apart a cell such as 'Desk 3000 / i5-6300U 8GB 240SSD'.

    Parameters
    ----------
    text : str
    strict : bool
        Only look for a processor; for a cell that is meant to hold the model alone.

    Returns
    -------
    Pieces
        `rest` is what remains, for the model; `several` tells that more than one processor is named.
    """
    spans = locate(text)
    cpu, several = "", False
    rest = text
    if spans:
        several = len({name for _, _, name in spans}) > 1
        start, end = spans[0][0], spans[0][1]
        before = re.search(
            r"(?:\b(?:intel|amd)(?:\(r\)|®)?\s+)?(?:\b(?:core|genuine)(?:\(tm\)|™)?\s+)?$", rest[:start], re.I
        )
        start = before.start() if before else start
        clock = _CLOCK.match(rest, end)
        end = clock.end() if clock else end
        cpu = rest[start:end].strip(_EDGE)
        rest = rest[:start] + " / " + rest[end:]
    lines = [] if spans or strict else list(_LINE_ONLY.finditer(text))
    if len(lines) == 1:
        cpu = lines[0][0].strip(_EDGE.replace(")", ""))
        rest = text[: lines[0].start()] + " / " + text[lines[0].end() :]
    if strict:
        return Pieces(cpu, "", "", _tidy(rest) if cpu else text, several)
    ram = disk = ""
    found = list(_DISK.finditer(rest))
    if found and not disks(" + ".join(match[0] for match in found)).size.problem:
        disk = " + ".join(match[0].strip() for match in found)
        for match in reversed(found):
            rest = rest[: match.start()] + " / " + rest[match.end() :]
    amounts = list(_MEMORY.finditer(rest))
    if len(amounts) == 2 and not disk:
        sizes = [memory(match[0]).total.value or 0.0 for match in amounts]
        if sizes[0] <= 64 and sizes[1] >= 100 and "ram" not in amounts[1][0].lower():
            disk = amounts[1][0]
            rest = rest[: amounts[1].start()] + " / " + rest[amounts[1].end() :]
            amounts = amounts[:1]
    if len(amounts) == 1 and not memory(amounts[0][0]).total.problem:
        ram = amounts[0][0].strip()
        rest = rest[: amounts[0].start()] + " / " + rest[amounts[0].end() :]
    return Pieces(cpu, ram, disk, _tidy(rest), several)


def _tidy(text: str) -> str:
    text = re.sub(r"(?:\s*/\s*)+", " / ", " ".join(text.split()))
    text = re.sub(r"\bwith\b\s*(?=/|$)|(?:^|(?<=/))\s*(?:ram|@)\s*(?=/|$)", "", text)
    return re.sub(r"\s*[/,;|]\s*(?=[/,;|]|$)", "", text).strip(_EDGE)
