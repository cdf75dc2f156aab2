"""What pasting does to a listing, undone once before anything is recognised."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass

_COLOUR = re.compile(r"\x1b(?:\[[0-9;?]{0,40}[ -/]{0,4}[@-~]|\][^\x07\x1b]{0,200}(?:\x07|\x1b\\)|[@-Z\\-_])")
_BLANKS = dict.fromkeys((160, 8239, 8287, 12288, *range(8192, 8203)), " ")
_NOTHING = dict.fromkeys((0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, 0xFEFF, 0xAD))
_OTHER = {0xFF1A: ":", 0x201C: '"', 0x201D: '"'}
_SIGNS = str.maketrans(_BLANKS | _NOTHING | _OTHER)

_RETURN = re.compile(r"\r+[ \t]{0,40}\n|\r")
_FENCE = re.compile(r"\s{0,8}(?:`{3,}|~{3,})[\w+-]{0,20}\s*\Z")
_MARKUP = re.compile(
    r"\[/?(?:code|indent|quote|pre|i|b)(?:=[^\]]{0,40})?\]|</?(?:pre|code|details|summary|p|br)\b[^>]{0,80}>", re.I
)
_QUOTE = re.compile(r"(?:\s{0,3}>){1,8} ?")
_BULLET = re.compile(r"\s{0,4}[-*•] (?=\S)")
_ENTITY = re.compile(r"&(?:lt|gt|amp|quot|nbsp|#39);")
_LABEL = re.compile(
    r"(/proc/[a-z/]{2,30}|(?:lspci|lsusb|dmidecode|free|df|lsmod|uname|lscpu|lsblk|dmesg)"
    r"(?: -{1,2}[a-z-]{1,20}){0,3}): ?"
)
"""What Debian's installer puts before each line of its hardware summary."""


@dataclass(frozen=True)
class Line:
    """A line as it was before it was pasted."""

    text: str
    label: str = ""  # The command that a hardware summary names before it, '' for none


def mend(text: str) -> list[Line]:
    """Undo colours, odd blanks, quoting, fences, markup and the labels of a hardware summary; no line is dropped.

    Returns
    -------
    list of Line
        One for each line of the text.
    """
    text = text.translate(_SIGNS)
    if "\x1b" in text:
        text = _COLOUR.sub("", text)
    if "\r" in text:
        text = _RETURN.sub("\n", text)
    return [_mend(line) for line in text.split("\n")]


def _mend(line: str) -> Line:
    if _FENCE.match(line):
        return Line("")
    if "&" in line:
        line = _ENTITY.sub(lambda found: html.unescape(found[0]), line).replace("\xa0", " ")
    if "[" in line or "<" in line:
        line = _MARKUP.sub("", line)
    if line[:4].lstrip().startswith(">"):
        line = _QUOTE.sub("", line, count=1)
    if line.startswith("`") and not line.startswith("`-"):
        line = line.lstrip("`")
    line = line.rstrip("`").removeprefix("\\")
    label = _LABEL.match(line[:80])
    if label:
        return Line(line[label.end() :], label[1])
    return Line(_BULLET.sub("", line, count=1) if line[:5].lstrip()[:1] in ("-", "*", "•") else line)
