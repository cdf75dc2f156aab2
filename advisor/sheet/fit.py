"""Fitting a sheet to one page: how large the type may be, what is shortened, what is left off, and saying so."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from advisor.advice import fixed as words
from advisor.advice.record import Across, Device, Flag, Item, Phase, Reason, Record
from advisor.sheet.layout import HARD_SPACE, PT, SCALES, SLACK, Measures, ems, height, shorten, wrap

MOST_IMAGES = 5
"""Most images side by side."""

MOST_ACROSS = 12
"""Most devices in the picture of devices against images."""

EVERYWHERE = "works everywhere"
"""Key of `Sheet.more` under which devices that work on every image are counted when they have no row."""

_HEAD_LINES = 3

MOST = {"reasons": 2, "at_hand": 7, "devices": 12, "rungs": 8, "phases": 18, "find_out": 6, "flags": 12, "checks": 9}
"""Most entries of a section that are shown even where there is room."""

_KEPT_WHOLE = 32

_SPARE = 2.0
"""Height planned to stay free, for browsers that round lines up [mm]."""

_FLAGS_KEPT = 36.0
"""Height that the flags get before the devices take theirs [mm]."""

_ACROSS_KEPT = 34.0
"""Height that the rows of devices which an image decides get before the devices take theirs [mm]."""


@dataclass(frozen=True, repr=False)
class Sheet(Record):
    """A record on its way to paper: `more` counts what was left off, by section; `part` names what is fitted."""

    more: dict[str, int] = field(default_factory=dict)
    part: str = ""


_MINUTES = ("hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min")


def sheets_of(records: Record | Iterable[Record]) -> list[Sheet]:
    """Sheets of one record or several: minutes as text, '' where there are none."""
    some = [records] if isinstance(records, Record) else list(records)
    return [one if isinstance(one, Sheet) else _sheet_of(one) for one in some]


def _sheet_of(record: Record) -> Sheet:
    values: dict[str, Any] = {one.name: getattr(record, one.name) for one in dataclasses.fields(Record)}
    values |= {name: "" if values[name] is None else f"{values[name]:.0f}" for name in _MINUTES}
    values["phases"] = tuple(
        dataclasses.replace(one, hands_on_min=f"{one.hands_on_min:.1f}", slot_min=f"{one.slot_min:.1f}")  # type: ignore[arg-type]
        for one in record.phases
    )
    # Figures tell more than words where there are any; why a desktop is passed over stands among the reasons.
    values["rungs"] = tuple(dataclasses.replace(one, why="") if one.desktop_s else one for one in record.rungs)
    return Sheet(**values, part=", ".join(part.name for part in record.parts))


@dataclass(frozen=True)
class Page:
    """A sheet cut to its page.

    Attributes
    ----------
    sheet : Sheet
        Texts shortened, sections cut, `more` counted.
    measures : Measures
        The page's measures, with its type at the scale that fits.
    phase_rows : tuple of float
        Height of each row of the phase table [mm].
    image_heads : tuple of tuple of str
        Lines of each image's name, over its column.
    across_notes : tuple of str
        Sentences below the picture of devices against images.
    left_free, right_free : float
        What is left over in the two columns [mm].
    """

    sheet: Sheet
    measures: Measures
    phase_rows: tuple[float, ...]
    image_heads: tuple[tuple[str, ...], ...]
    across_notes: tuple[str, ...]
    left_free: float
    right_free: float


def fit(sheet: Sheet) -> Page:
    """Fit a sheet to one A4 page, in the largest type that leaves nothing off.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    Page
        At the smallest type what does not fit is left off; `Page.sheet.more` says how much.
    """
    least = {name: len(getattr(sheet, name)) - most for name, most in MOST.items()}
    least["across"] = sum(row.decides for row in sheet.across) - MOST_ACROSS
    least["images"] = len(sheet.images) - MOST_IMAGES
    least = {name: count for name, count in least.items() if count > 0}
    for scale in SCALES:
        page = _fit(sheet, Measures().scaled(scale))
        more = {name: count for name, count in page.sheet.more.items() if name != EVERYWHERE}
        if page.left_free >= 0 and page.right_free >= 0 and more == least:
            return page
    return page


def _fit(sheet: Sheet, m: Measures) -> Page:
    sheet = _shorten_texts(sheet, m)
    room = m.height - _fixed(sheet, m) - _SPARE

    left = room
    if sheet.at_hand:
        left -= m.heading_h + len(sheet.at_hand) * m.row + m.gap
    if sheet.find_out:
        left -= m.heading_h + len(sheet.find_out) * m.find_out
    rows: tuple[float, ...] = ()
    if sheet.phases:
        left -= m.heading_h + 2 * _frame_row(m) + _assumed_height(sheet, m)
        sheet, rows = _phase_rows(sheet, left, m)
        left -= sum(rows)

    right = room - 2 * m.gap - m.line(m.small)
    heights = [_flag_height(flag, m) for flag in sheet.flags]
    wanted = m.heading_h + sum(heights) if heights else 0.0
    right -= m.heading_h
    if sheet.rungs:
        right -= m.heading_h + m.gap + m.line(m.small) + len(sheet.rungs) * m.row
    heads = image_heads(sheet, m)
    deciding = [_across_height(row, m) for row in sheet.across if row.decides][:MOST_ACROSS]
    if sheet.across:
        right -= _across_frame(sheet, heads, m)
    devices = [m.row + (m.line(m.small) if device.note else 0.0) for device in sheet.devices] or [m.row]
    shown = _fitting(devices, right - min(wanted, _FLAGS_KEPT) - min(sum(deciding), _ACROSS_KEPT))
    sheet = _cut(sheet, "devices", shown)
    right -= sum(devices[:shown])
    if deciding:
        shown = _fitting(deciding, right - min(wanted, _FLAGS_KEPT))
        right -= sum(deciding[:shown])
        deciding = deciding[:shown]
    if heights:
        right -= m.heading_h
        shown = _fitting(heights, right)
        sheet = _cut(sheet, "flags", shown)
        right -= sum(heights[:shown])
    sheet, right = _across_rows(sheet, len(deciding), right, m)
    heads = heads if sheet.across else ()
    return Page(
        sheet, m, tuple(round(row, 2) for row in rows), heads, across_notes(sheet), round(left, 2), round(right, 2)
    )


def _fitting(heights: list[float], room: float) -> int:
    """How many of the heights fit the room, from the first on; at least one."""
    used = 0.0
    for number, step in enumerate(heights):
        used += step
        if used > room:
            return max(number, 1)
    return len(heights)


def image_heads(sheet: Sheet, m: Measures) -> tuple[tuple[str, ...], ...]:
    """Break the images' names for the heads of their columns, after a hyphen where one is near.

    Parameters
    ----------
    sheet : Sheet
    m : Measures

    Returns
    -------
    tuple of tuple of str
        At most three lines an image.
    """
    room = _across_cell(sheet, m) - 0.5
    heads = []
    for name in sheet.images:
        lines, line = [], ""
        for piece in re.findall(r"[^-]*-?", name):
            if line and piece and _width(line + piece, m.across) > room:
                lines.append(line)
                line = ""
            line += piece
        lines = [shorten(one, room, m.across) for one in [*lines, line]]
        heads.append((*lines[: _HEAD_LINES - 1], lines[-1]) if len(lines) > _HEAD_LINES else tuple(lines))
    return tuple(heads)


def across_notes(sheet: Sheet) -> tuple[str, ...]:
    """Sentences below the picture of devices against images.

    Parameters
    ----------
    sheet : Sheet
        Cut to its page, or whole.

    Returns
    -------
    tuple of str
    """
    everywhere = words.everywhere(len(sheet.across), sheet.more.get(EVERYWHERE, 0))
    return tuple(filter(None, (everywhere, words.no_boot(sheet.no_boot))))


def _across_cell(sheet: Sheet, m: Measures) -> float:
    """Width of one image's column in the picture of devices against images [mm]."""
    return (m.right - m.across_label) / max(len(sheet.images), MOST_IMAGES)


def _across_frame(sheet: Sheet, heads: tuple[tuple[str, ...], ...], m: Measures) -> float:
    """Height of the picture without its rows: title, names of images, the two sentences below [mm]."""
    lines = max(map(len, heads), default=1)
    never = height(words.no_boot(sheet.no_boot), m.right, m.small)
    # A line is kept for how many devices work everywhere.
    return m.heading_h + m.gap + lines * m.line(m.across) + m.line(m.small) + never + 0.9


def _across_height(row: Across, m: Measures) -> float:
    tall = row.name or any(" " in support for support in row.supports)
    return (1 + bool(tall)) * m.line(m.across) + 0.7


def _across_rows(sheet: Sheet, deciding: int, room: float, m: Measures) -> tuple[Sheet, float]:
    """Keep the rows that an image decides, then as many that work everywhere as the room over allows."""
    first = [row for row in sheet.across if row.decides]
    rest = [row for row in sheet.across if not row.decides]
    kept = first[:deciding]
    if len(kept) == len(first):
        for row in rest:
            if room < _across_height(row, m) or len(kept) >= MOST_ACROSS:
                break
            kept.append(row)
            room -= _across_height(row, m)
    more = dict(sheet.more)
    for name, count in (("across", len(first) - deciding), (EVERYWHERE, len(rest) - (len(kept) - deciding))):
        if count:
            more[name] = count
    return dataclasses.replace(sheet, across=tuple(kept), more=more), room


def _frame_row(m: Measures) -> float:
    """Height of the first and last row of the phase table [mm]."""
    return m.heading_h * 0.7


def _phase_rows(sheet: Sheet, room: float, m: Measures) -> tuple[Sheet, tuple[float, ...]]:
    """Cut the phases to the room, and share out what is over so that there is space to write."""
    least = [max(m.phase_row_low, _phase_height(phase, m)) for phase in sheet.phases]
    shown = _fitting(least, room)
    sheet = _cut(sheet, "phases", shown)
    least = least[:shown]
    over = max(room - sum(least), 0.0) / len(least)
    return sheet, tuple(min(row + over, max(row, m.phase_row_high)) for row in least)


def _phase_height(phase: Phase, m: Measures) -> float:
    return height(phase.title, m.phase_title, m.body) + 0.6


def _fixed(sheet: Sheet, m: Measures) -> float:
    """Height of everything outside the two columns [mm]."""
    return (
        max(m.code, _head_height(sheet, m)) + 2 * m.gap + m.verdict_h + _reasons_height(sheet, m)
        + _checks_height(sheet, m) + 2 * m.gap + m.sign + _cautions_height(sheet, m) + m.footer + 2.5
    )  # fmt: skip


def _head_height(sheet: Sheet, m: Measures) -> float:
    return (
        m.tag * PT + 0.8 + m.line(m.title) + height("  ·  ".join(sheet.facts), m.head, m.body)
        + (height("Not known: " + " · ".join(sheet.unknown), m.head, m.small) if sheet.unknown else 0)
        + (height("Taken: " + " · ".join(sheet.taken), m.head, m.small) if sheet.taken else 0)
        + (height("Notes: " + sheet.notes, m.head, m.small) if sheet.notes else 0)
    )  # fmt: skip


def _reasons_height(sheet: Sheet, m: Measures) -> float:
    width = m.width - 4
    body = sum(height(_reason_text(reason), width, m.body) for reason in sheet.reasons)
    more = m.line(m.small) if sheet.more.get("reasons") else 0
    fix = height("Parts: " + sheet.best_fix, width, m.body) if sheet.best_fix else 0
    return body + fix + more + 6.8 + height(sheet.headline, width, m.headline)


def _reason_text(reason: Reason) -> str:
    return f"{reason.text} [{reason.source}]" if reason.source else reason.text


def _two_columns(heights: list[float]) -> float:
    half = math.ceil(len(heights) / 2)
    return max(sum(heights[:half]), sum(heights[half:]), 0.0)


def _checks_height(sheet: Sheet, m: Measures) -> float:
    return m.heading_h + _two_columns([height(text, m.half - m.box, m.body) + 0.7 for text in sheet.checks])


def _cautions_height(sheet: Sheet, m: Measures) -> float:
    return _two_columns([height(text, m.half - 6, m.small) + 0.4 for text in sheet.cautions]) + 2.6


def _flag_height(flag: Flag, m: Measures) -> float:
    width = m.right - m.box
    return height(flag.title + "  stop work", width, m.body) + height(flag_body(flag), width, m.small) + 0.9


def flag_body(flag: Flag) -> str:
    """What stands below a flag's title; a note is not acted on, so its action stays in the CSV."""
    return f"{flag.reason} {flag.action}".strip() if flag.severity != "note" else flag.reason


def _assumed_height(sheet: Sheet, m: Measures) -> float:
    return height("Assumed: " + " · ".join(sheet.assumed), m.left, m.small) if sheet.assumed else 0.0


def _cut(sheet: Sheet, name: str, most: int) -> Sheet:
    entries = getattr(sheet, name)
    most = min(most, MOST[name])
    if len(entries) <= most:
        return sheet
    more = sheet.more | {name: sheet.more.get(name, 0) + len(entries) - most}
    return dataclasses.replace(sheet, more=more, **{name: entries[:most]})


def _cut_images(sheet: Sheet) -> Sheet:
    over = len(sheet.images) - MOST_IMAGES
    if over <= 0:
        return sheet
    across = tuple(
        dataclasses.replace(row, supports=row.supports[:MOST_IMAGES], marks=row.marks[:MOST_IMAGES])
        for row in sheet.across
    )
    return dataclasses.replace(
        sheet, images=sheet.images[:MOST_IMAGES], across=across, more=sheet.more | {"images": over}
    )


def _shorten_texts(sheet: Sheet, m: Measures) -> Sheet:
    for name in MOST:
        sheet = _cut(sheet, name, MOST[name])
    sheet = _cut_images(sheet)
    inner = m.width - 4
    middle = m.width - m.verdict_word - m.verdict_minutes - 7
    beside_box = m.right - m.box
    return dataclasses.replace(
        sheet,
        tag=shorten(sheet.tag, m.head - 60, m.tag),
        shop=shorten(sheet.shop, 57, m.small, 2),
        title=shorten(sheet.title, m.head, m.title),
        facts=_joined(tuple(_whole(fact) for fact in sheet.facts), m.head, m.body, 2, "  ·  "),
        unknown=_joined(sheet.unknown, m.head - _width("Not known: ", m.small), m.small, 1),
        taken=_joined(sheet.taken, m.head - _width("Taken: ", m.small), m.small, 1),
        notes=shorten(sheet.notes, m.head - _width("Notes: ", m.small), m.small, 2),
        edition=shorten(sheet.edition, middle, m.edition),
        image=shorten(sheet.image, min(middle - _width("from the stick ", m.body), 36), m.body),
        part=shorten(sheet.part, middle - _width("after fitting ", m.body), m.body),
        reasons=tuple(_shorten_reason(reason, inner, m) for reason in sheet.reasons),
        headline=shorten(sheet.headline, inner, m.headline, 2),
        best_fix=shorten(sheet.best_fix, inner - _width("Parts: ", m.body), m.body, 2),
        at_hand=tuple(_shorten_item(item, m) for item in sheet.at_hand),
        find_out=tuple(shorten(text, m.left - m.box, m.body, 2) for text in sheet.find_out),
        devices=tuple(_shorten_device(device, m) for device in sheet.devices),
        across=tuple(
            dataclasses.replace(
                row,
                kind=shorten(row.kind, m.across_label - 0.5, m.across),
                name=shorten(row.name, m.across_label - 0.5, m.across),
            )
            for row in sheet.across
        ),
        no_boot=_joined(sheet.no_boot, m.right - _width(words.no_boot([""]), m.small), m.small, 2, ", "),
        rungs=tuple(
            dataclasses.replace(
                rung,
                edition=shorten(rung.edition, m.rung - 1, m.body),
                verdict=shorten(rung.verdict, m.right - m.box - m.rung - 3 * m.rung_cell - 1, m.body),
                why=shorten(rung.why, m.right - m.box - m.rung, m.small),
            )
            for rung in sheet.rungs
        ),
        phases=tuple(
            dataclasses.replace(phase, title=shorten(phase.title, m.phase_title, m.body, 2)) for phase in sheet.phases
        ),
        assumed=_joined(sheet.assumed, m.left - _width("Assumed: ", m.small), m.small, 3),
        flags=tuple(
            dataclasses.replace(
                flag,
                title=shorten(flag.title, beside_box - _width("  stop work", m.small), m.body),
                reason=shorten(flag.reason, beside_box, m.small, 2),
                action=shorten(flag.action, beside_box, m.small, 2),
            )
            for flag in sheet.flags
        ),
        checks=tuple(shorten(text, m.half - m.box, m.body, 2) for text in sheet.checks),
        basis=shorten(sheet.basis, m.width * 0.7, m.small),
    )


def _width(text: str, size: float) -> float:
    return ems(text) * size * PT


def _whole(text: str) -> str:
    """Keep a short text on one line."""
    return text.replace(" ", HARD_SPACE) if len(text) <= _KEPT_WHOLE else text


def _joined(texts: tuple[str, ...], width: float, size: float, lines: int, between: str = " · ") -> tuple[str, ...]:
    """Shorten a run of texts as one: whole texts while they fit, then how many are left off."""
    kept = list(texts)
    while kept:
        dropped = len(texts) - len(kept)
        run = between.join(kept) + (f"{between}(+{dropped} more)" if dropped else "")
        if len(wrap(run, width * SLACK, size)) <= lines:
            return (*kept, f"(+{dropped} more)") if dropped else tuple(kept)
        kept.pop()
    return (shorten(between.join(texts), width, size, lines),) if texts else ()


def _shorten_reason(reason: Reason, width: float, m: Measures) -> Reason:
    source = shorten(reason.source, width * 0.4, m.body)
    if len(wrap(_reason_text(Reason(reason.text, source)), width * SLACK, m.body)) <= 2:
        return Reason(reason.text, source)
    return Reason(shorten(reason.text, width - _width(f" [{source}]", m.body) / 2 - 4, m.body, 2), source)


def _shorten_item(item: Item, m: Measures) -> Item:
    room = m.left - m.box
    what = shorten(item.what, room * 0.7, m.body)
    return Item(what, shorten(item.why, room - _width(what, m.body) - 4, m.small))


def _shorten_device(device: Device, m: Measures) -> Device:
    return dataclasses.replace(
        device,
        kind=shorten(device.kind, m.kind - 1, m.body),
        name=shorten(device.name, m.right - m.box - m.kind - _width(device.support, m.body) - 2, m.body),
        note=shorten(device.note, m.right - m.box, m.small),
    )
