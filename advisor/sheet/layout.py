"""Measures of the page that HTML and PDF share, and how wide a text runs in its type."""

from __future__ import annotations

import dataclasses
import unicodedata
from dataclasses import dataclass

PT = 25.4 / 72
"""A point [mm]."""

PITCH = 1.22
"""Line pitch over type size."""

_ASCII_WIDTHS = (
    35, 35, 40, 85, 55, 90, 70, 20, 45, 45, 55, 60, 25, 45, 30, 55, 65, 65, 65, 65, 65, 65, 65, 65, 65, 65, 30, 25, 65,
    50, 65, 55, 100, 65, 65, 60, 65, 60, 55, 65, 70, 30, 45, 60, 55, 90, 75, 80, 60, 80, 65, 55, 60, 70, 65, 95, 65, 60,
    60, 45, 55, 50, 75, 55, 55, 52, 60, 50, 60, 55, 40, 60, 60, 30, 30, 55, 35, 90, 60, 60, 60, 60, 40, 45, 40, 60, 55,
    75, 55, 55, 50, 65, 20, 60, 75,
)  # fmt: skip
"""Advance widths of B612 from space to tilde [1/100 em], from its hmtx table; bold has the same."""

SOFT_BREAK = "\u200b"
"""Zero-width space, put where a word longer than its line has to break: renderers do not break words by themselves."""

HARD_SPACE = "\u00a0"
"""No-break space, inside short facts."""

_OTHER = 0.75
_WIDE = 1.15
SLACK = 0.985
"""Share of a width that texts are planned to use, for rounding and renderers that differ by a hair."""


@dataclass(frozen=True)
class Measures:
    """Measures of an A4 sheet [mm], type sizes in points, at one scale of the type.

    The page, its columns and the boxes to write in stay; type and rows grow together.
    """

    page_w: float = 210
    page_h: float = 297
    margin_x: float = 10
    margin_top: float = 9
    margin_bottom: float = 7
    gutter: float = 5
    left: float = 100
    right: float = 85
    code: float = 22
    verdict_word: float = 50
    verdict_minutes: float = 52
    sign: float = 17
    find_out: float = 13
    cell: float = 13
    actual: float = 18
    gap: float = 2.8
    tag: float = 24
    title: float = 10
    body: float = 7.3
    small: float = 6.4
    heading: float = 8.2
    edition: float = 12
    headline: float = 15
    heading_h: float = 5.6
    verdict_h: float = 17
    row: float = 3.75
    box: float = 4.6
    kind: float = 17.5
    across: float = 6.4
    across_label: float = 15.5
    rung: float = 17.5
    rung_cell: float = 11.5
    phase_row_low: float = 4.2
    phase_row_high: float = 7.0
    footer: float = 3.8
    mark: float = 3.2

    @property
    def width(self) -> float:
        """Width between the margins [mm]."""
        return self.page_w - 2 * self.margin_x

    @property
    def height(self) -> float:
        """Height between the margins [mm]."""
        return self.page_h - self.margin_top - self.margin_bottom

    @property
    def head(self) -> float:
        """Width beside the code [mm]."""
        return self.width - self.code - 4

    @property
    def half(self) -> float:
        """Width of one of two equal columns [mm]."""
        return (self.width - self.gutter) / 2

    @property
    def phase_title(self) -> float:
        """Width of a phase's title [mm]."""
        return self.left - self.box - 2 * self.cell - self.actual - 1

    def line(self, size: float) -> float:
        """Height of a line [mm] of a type size [pt]."""
        return size * PT * PITCH

    def scaled(self, scale: float) -> Measures:
        """The same page with type and rows made larger."""
        grown = (
            "body", "small", "heading", "title", "heading_h", "row", "box", "kind", "rung",
            "phase_row_low", "footer", "mark",
        )  # fmt: skip
        return dataclasses.replace(self, **{name: round(getattr(self, name) * scale, 3) for name in grown})


SCALES: tuple[float, ...] = (1.16, 1.1, 1.05, 1.0)
"""Scales of the type that are tried, largest first."""


def ems(text: str) -> float:
    """Width of a text set in one line.

    Parameters
    ----------
    text : str

    Returns
    -------
    float
        [em]; exact for ASCII, on the wide side for the rest.
    """
    total = 0.0
    for character in text:
        code = ord(character)
        if 32 <= code < 127:
            total += _ASCII_WIDTHS[code - 32] / 100
        elif character == HARD_SPACE:
            total += _ASCII_WIDTHS[0] / 100
        elif unicodedata.east_asian_width(character) in "WF":
            total += _WIDE
        elif character != SOFT_BREAK and not unicodedata.combining(character):
            total += _OTHER
    return total


def wrap(text: str, width: float, size: float) -> list[str]:
    """Break a text into lines as a renderer would: at spaces, inside a word only when it is longer than a line.

    Parameters
    ----------
    text : str
    width : float
        [mm].
    size : float
        Type size [pt].

    Returns
    -------
    list of str
    """
    room = width / (size * PT)
    if ems(text) <= room:
        return [text]
    space = ems(" ")
    lines: list[str] = []
    line, used = "", 0.0
    for word in text.split(" "):
        length = ems(word)
        gap = space if line else 0.0
        if used + gap + length <= room:
            line, used = (f"{line} {word}" if line else word), used + gap + length
            continue
        if line:
            lines.append(line)
        line, used = "", 0.0
        for character in word:
            step = ems(character)
            if used + step > room and line:
                lines.append(line)
                line, used = "", 0.0
            line, used = line + character, used + step
    return [*lines, line]


def shorten(text: str, width: float, size: float, lines: int = 1) -> str:
    """Cut a text so that it fits some lines, with an ellipsis where it was cut.

    Parameters
    ----------
    text : str
    width : float
        [mm].
    size : float
        Type size [pt].
    lines : int, default 1

    Returns
    -------
    str
        The text itself when it fits.
    """
    width *= SLACK
    start = text[: lines * 500]
    broken = wrap(start, width, size)
    kept = broken[:lines]
    if len(broken) > lines or len(text) > len(start):
        last = kept[-1]
        while last and ems(last + "…") * size * PT > width:
            last = last[:-1]
        kept[-1] = last.rstrip(" ,;:(") + "…"
    return _rejoin(start, kept)


def _rejoin(text: str, lines: list[str]) -> str:
    """Join broken lines as the text had them: by a space, or by nothing to be seen where a word was split."""
    out, at = lines[0], len(lines[0])
    for line in lines[1:]:
        space = text[at : at + 1] == " "
        out += (" " if space else SOFT_BREAK) + line
        at += len(line) + space
    return out


def height(text: str, width: float, size: float) -> float:
    """Height of a text set in lines.

    Parameters
    ----------
    text : str
    width : float
        [mm].
    size : float
        Type size [pt].

    Returns
    -------
    float
        [mm], 0 for no text.
    """
    return len(wrap(text, width * SLACK, size)) * size * PT * PITCH if text else 0.0
