"""A unit's devices against the images, as one SVG: support in words and in shape, so that it prints in grey."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from advisor.drivers.frames import DeviceVerdicts
from advisor.drivers.kinds import Kind
from advisor.unit import Support

WIDTH = 900
"""Width of the drawing [px]; 170 mm of paper make its text 2.5 mm high."""
MOST_IMAGES = 6
"""Images side by side; more of them go in a second block below."""

_LABEL = 246
_LINE = 15
_PAD = 9
_INK, _SOFT, _RULE, _SHADE = "#1c1c1c", "#565656", "#bdbdbd", "#f0f0f0"
_FONT = "font-family='DejaVu Sans, Verdana, sans-serif'"

_SHAPES = {
    Support.WORKS: (
        f"<circle r='8' fill='{_INK}'/><path d='M-4 0l3 3.4 5-6.4' fill='none' stroke='#fff' stroke-width='2'/>"
    ),
    Support.NEEDS_FIRMWARE: (
        f"<rect x='-7' y='-7' width='14' height='14' fill='#fff' stroke='{_INK}' stroke-width='1.6'/>"
        f"<path d='M0-4.5v7M-3.4-.6L0 3l3.4-3.6' fill='none' stroke='{_INK}' stroke-width='1.8'/>"
    ),
    Support.NEWER_KERNEL: (
        f"<path d='M0-8L8.5 7h-17z' fill='#fff' stroke='{_INK}' stroke-width='1.6'/>"
        f"<path d='M0-2.5v6.5M-2.6.4L0-2.6 2.6.4' fill='none' stroke='{_INK}' stroke-width='1.5'/>"
    ),
    Support.SEPARATE_DRIVER: (
        f"<path d='M0-9L9 0 0 9-9 0z' fill='#fff' stroke='{_INK}' stroke-width='1.6'/>"
        f"<path d='M-3.6 0h7.2M0-3.6v7.2' stroke='{_INK}' stroke-width='1.8'/>"
    ),
    Support.NO_DRIVER: f"<path d='M-6.5-6.5L6.5 6.5M6.5-6.5L-6.5 6.5' stroke='{_INK}' stroke-width='3.6'/>",
    Support.UNKNOWN: (
        f"<circle r='7.6' fill='#fff' stroke='{_INK}' stroke-width='1.4' stroke-dasharray='2.6 2'/>"
        f"<text y='4.4' text-anchor='middle' font-size='12' font-weight='bold' fill='{_INK}' {_FONT}>?</text>"
    ),
}
"""Shape of each support, centred on 0, 0 and 18 px wide."""


@dataclass(frozen=True)
class Cell:
    """What one image does with one device: word, a short note below it, and the whole reason."""

    support: Support
    note: str
    severity: str
    reason: str


@dataclass(frozen=True)
class Line:
    """One device: its kind, its name, and a cell an image."""

    kind: str
    name: str
    cells: tuple[Cell, ...]


def lines(verdicts: DeviceVerdicts, row: int, *, others: bool = False) -> tuple[list[str], list[Line]]:
    """Take a unit's devices out of the verdicts.

    Parameters
    ----------
    verdicts : DeviceVerdicts
    row : int
        Unit position.
    others : bool
        Also devices of no kind that a bench looks at.

    Returns
    -------
    images : list of str
    lines : list of Line
        By kind, in the order of `Kind`, then as listed.
    """
    frame = verdicts.devices
    frame = frame[frame["row"] == row]
    images = [str(name) for name in frame["image"].drop_duplicates()]
    keep = pd.Series(True, index=frame.index) if others else (frame["kind"] != Kind.OTHER) | (frame["problem"] != "")
    frame = frame[keep]
    order = {str(kind): number for number, kind in enumerate(Kind)}
    columns = ("kind", "device", "name", "support", "firmware_packages", "cure", "severity", "reason", "quirk")
    taken = [[str(value) for value in frame[column]] for column in columns]
    grouped: dict[tuple[str, str], list[Cell]] = {}
    names: dict[tuple[str, str], str] = {}
    for kind, device, name, support, packages, cure, severity, reason, quirk in zip(*taken, strict=True):
        note = packages or cure
        if not note and Support(support) is Support.WORKS and severity == "blocks":
            note = quirk
        key = (kind, device)
        names[key] = name if name == device or not device.startswith(("pci:", "usb:")) else f"{name} ({device})"
        grouped.setdefault(key, []).append(Cell(Support(support), note, severity, reason))
    found = [Line(kind, names[kind, device], tuple(cells)) for (kind, device), cells in grouped.items()]
    return images, sorted(found, key=lambda line: order[line.kind])


def svg(verdicts: DeviceVerdicts, row: int, *, others: bool = False) -> str:
    """Draw a unit's devices, down, against the images, across.

    Parameters
    ----------
    verdicts : DeviceVerdicts
    row : int
        Unit position.
    others : bool
        Also devices of no kind that a bench looks at.

    Returns
    -------
    str
        A whole SVG document of 900 px width without scripts, links or outside fonts; all text is escaped.
    """
    images, found = lines(verdicts, row, others=others)
    if not found:
        return _document(
            46, ["No device of this unit is known."], [_text(12, 28, "No device of this unit is known.", 14)]
        )
    body: list[str] = []
    y = 0
    for start in range(0, len(images), MOST_IMAGES):
        part = images[start : start + MOST_IMAGES]
        drawn, y = _block(part, [_slice(line, start, len(part)) for line in found], y)
        body += drawn
    legend, y = _legend(found, y + 6)
    told = [f"{line.kind} {line.name}: " + _told(images, line) for line in found]
    return _document(y, told, body + legend)


def _slice(line: Line, start: int, count: int) -> Line:
    return Line(line.kind, line.name, line.cells[start : start + count])


def _told(images: Sequence[str], line: Line) -> str:
    return ", ".join(f"{image} {cell.support}" for image, cell in zip(images, line.cells, strict=True))


def _document(height: int, told: Sequence[str], body: Sequence[str]) -> str:
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {height}' width='{WIDTH}' height='{height}' "
        f"style='max-width:100%;height:auto' role='img'>"
        f"<title>Devices and images</title><desc>{escape('; '.join(told))}</desc>"
        f"<rect width='{WIDTH}' height='{height}' fill='#fff'/>{''.join(body)}</svg>"
    )


def _block(images: Sequence[str], found: Sequence[Line], y: int) -> tuple[list[str], int]:
    width = (WIDTH - _LABEL) / len(images)
    inner = width - 2 * _PAD
    out = []
    heads = [_wrap(image.replace("-", "- "), max(6, int(inner / 8.2)), 3) for image in images]
    y += _PAD + _LINE * max(map(len, heads))
    for number, words in enumerate(heads):
        for at, text in enumerate(words):
            place = y - _LINE * (len(words) - 1 - at)
            out.append(_text(_LABEL + width * number + _PAD, place, text.replace("- ", "-"), 13, weight="bold"))
    y += _PAD
    out.append(f"<path d='M0 {y - 0.5}H{WIDTH}' stroke='{_INK}' stroke-width='1.4'/>")
    for number, line in enumerate(found):
        label = _wrap(line.name, 34, 3)
        cells = [
            (
                _wrap(str(cell.support), max(8, int((inner - 23) / 7.4)), 2),
                _wrap(_commas(cell.note), int(inner / 6.4), 3),
            )
            for cell in line.cells
        ]
        tallest = max(_LINE * max(1, len(word)) + 5 + 14 * len(note) for word, note in cells)
        height = 2 * _PAD + max(_LINE * (1 + len(label)), tallest)
        if number % 2:
            out.append(f"<rect y='{y}' width='{WIDTH}' height='{height}' fill='{_SHADE}'/>")
        out.append(_text(_PAD, y + _PAD + 11, line.kind, 13, weight="bold"))
        for at, text in enumerate(label):
            out.append(_text(_PAD, y + _PAD + 11 + _LINE * (at + 1), text, 12, colour=_SOFT))
        for at, (cell, (word, note)) in enumerate(zip(line.cells, cells, strict=True)):
            out.append(_cell(cell, word, note, _LABEL + width * at + _PAD, y + _PAD))
        y += height
        out.append(f"<path d='M0 {y - 0.5}H{WIDTH}' stroke='{_RULE}'/>")
    return out, y


def _commas(note: str) -> str:
    """Package names with commas between; an image's name may hold blanks of its own."""
    return ", ".join(note.split()) if note.startswith("firmware-") else note


def _cell(cell: Cell, word: Sequence[str], note: Sequence[str], x: float, y: float) -> str:
    weight = "bold" if cell.severity == "blocks" else "normal"
    texts = [_text(x + 23, y + 13 + _LINE * at, text, 12, weight=weight) for at, text in enumerate(word)]
    below = y + 16 + _LINE * len(word)
    texts += [_text(x, below + 14 * at, text, 11.5, colour=_SOFT) for at, text in enumerate(note)]
    shape = f"<g transform='translate({x + 9:.1f} {y + 9:.1f})'>{_SHAPES[cell.support]}</g>"
    return f"<g><title>{escape(cell.reason)}</title>{shape}{''.join(texts)}</g>"


def _legend(found: Sequence[Line], y: int) -> tuple[list[str], int]:
    used = {cell.support for line in found for cell in line.cells}
    out, x = [], float(_PAD)
    for support in Support:
        if support in used:
            out.append(f"<g transform='translate({x + 9:.1f} {y + 13})'>{_SHAPES[support]}</g>")
            out.append(_text(x + 23, y + 17, str(support), 12, colour=_SOFT))
            x += 44 + 7.4 * len(str(support))
    if any(cell.severity == "blocks" for line in found for cell in line.cells):
        y += 22
        out.append(_text(_PAD, y + 17, "In bold: the device is out until it is cured.", 12, colour=_SOFT))
    return out, y + 30


def _wrap(text: str, letters: int, most: int) -> list[str]:
    if not text:
        return []
    found = textwrap.wrap(text, letters, break_long_words=True, break_on_hyphens=True) or [""]
    if len(found) > most:
        found = found[:most]
        found[-1] = found[-1][: letters - 1].rstrip() + "…"
    return found


def _text(x: float, y: float, text: str, size: float, *, weight: str = "normal", colour: str = _INK) -> str:
    return (
        f"<text x='{x:.1f}' y='{y:.1f}' font-size='{size}' font-weight='{weight}' fill='{colour}' {_FONT}>"
        f"{escape(text)}</text>"
    )


def escape(text: str) -> str:
    """Make text safe inside XML: markup signs and both quotes replaced, letters that XML forbids dropped."""
    kept = "".join(
        letter
        for letter in text
        if letter in "\t\n" or " " <= letter < "\x7f" or "\xa0" <= letter <= "\ud7ff" or "\ue000" <= letter <= "\ufffd"
        or letter > "\uffff"
    )  # fmt: skip
    for sign, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("'", "&apos;"), ('"', "&quot;")):
        kept = kept.replace(sign, name)
    return kept
