"""`edid-decode`, and a screen's EDID as plain bytes."""

from __future__ import annotations

import re

from advisor.capture import screen
from advisor.capture.listings.kinds import ListingKind, Section, blank_or
from advisor.capture.machine_facts import MachineFacts, Panel

_BYTES = re.compile(r"(?:[0-9a-fA-F]{2} ){15}[0-9a-fA-F]{2}\s*\Z")
_TIMING = re.compile(r"\s{0,8}(?:DTD 1|Detailed mode).{0,40}?(?:(\d{3,5})x(\d{3,5})|Clock)")
_MM = re.compile(r"(\d{2,4}) mm x (\d{2,4}) mm")
_CM = re.compile(r"\s{0,8}Maximum image size: (\d{1,3}) cm x (\d{1,3}) cm")
_OUTER = re.compile(r"-(?:HDMI|DP|VGA|DVI)-")
_INNER = re.compile(r"-(?:eDP|LVDS|DSI)-")
_NAMED = re.compile(r"\s{0,8}(?:Display Product Name|Monitor name):")
OUTSIDE = "a monitor that is not built in"


def read(section: Section) -> MachineFacts:
    """Read the size of a built-in screen.

    A connector in the command tells whether it is built in; without one, monitors give their name in the EDID and
    panels do not (common practice, no source).
    """
    block = bytes.fromhex("".join(line for line in section.lines if _BYTES.match(line)))
    outer = bool(_OUTER.search(section.command)) or b"\0\0\0\xfc\0" in block[54:126]
    outer = outer or any(_NAMED.match(line) for line in section.lines)
    if outer and not _INNER.search(section.command):
        return MachineFacts(why={"screen": OUTSIDE})
    found = screen.parse_edid(block) or _of_text(section.lines)
    return MachineFacts(panel=Panel(*found)) if found else MachineFacts()


def _of_text(lines: list[str]) -> tuple[int, int, float | None] | None:
    """Pixels and inches of what edid-decode prints, in its new form or that before 2020."""
    size: tuple[int, int] | None = None
    inches = None
    for line, after, later in zip(lines, [*lines[1:], ""], [*lines[2:], "", ""], strict=False):
        timing, cm = _TIMING.match(line), _CM.match(line)
        if cm and inches is None and int(cm[1]):
            inches = screen.nominal_inches(int(cm[1]) * 10, int(cm[2]) * 10)
        if timing and size is None:
            mm = _MM.search(line)
            inches = screen.nominal_inches(int(mm[1]), int(mm[2])) if mm else inches
            words = timing.groups() if timing[1] else (*after.split()[:1], *later.split()[:1])
            size = (int(words[0]), int(words[1])) if len(words) == 2 and all(w.isdigit() for w in words) else None
    return (*size, inches) if size else None


EDID = ListingKind(
    "edid-decode", re.compile(r"edid-decode \(hex\):|EDID version:|Block 0, Base EDID|00 (?:[fF]{2} ){6}00 ").match,
    blank_or(rf"[\t A-Z-]|{_BYTES.pattern}"), read,
)  # fmt: skip
