"""The sheet as plain text for a terminal of any width."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from functools import lru_cache

from advisor.advice import fixed
from advisor.advice.record import Mark, Record

NARROWEST = 40
"""Narrowest terminal the text is set for; a narrower one wraps it."""

_TOGETHER = 92
"""Width from which short sections get columns."""

_MARKS: dict[str, tuple[str, str]] = {
    Mark.FULL: ("●", "*"),
    Mark.HALF: ("◐", "%"),
    Mark.UP: ("▲", "^"),
    Mark.DIAMOND: ("◆", "#"),
    Mark.CROSS: ("×", "x"),
    Mark.QUERY: ("?", "?"),
    Mark.PLUS: ("+", "+"),
    Mark.PAUSE: ("‖", "="),
    Mark.SQUARE: ("■", "!"),
    Mark.RING: ("○", "o"),
    Mark.DOT: ("·", "."),
}
"""Character of each mark, and the one for a terminal that knows only ASCII."""


def render_text(sheet: Record, width: int = 100, *, ascii_only: bool = False) -> str:
    """Set a sheet as text.

    Parameters
    ----------
    width : int, default 100
        Columns of the terminal; less than 40 counts as 40.
    ascii_only : bool, default False
        Use no character beyond ASCII for marks and rules, and '?' for those of the unit's own texts.

    Returns
    -------
    str
        No line is wider than `width`; nothing in it moves a cursor or sets a colour.
    """
    page = _Page(max(width, NARROWEST), ascii_only)
    _head(page, sheet)
    _verdict(page, sheet)
    at_hand = [f"{item.what} ({item.why})" if item.why else item.what for item in sheet.at_hand]
    page.listed("To have at hand", "[ ] ", at_hand)
    page.listed("Find out first", "[ ] ", sheet.find_out)
    _phases(page, sheet)
    if sheet.flags:
        page.title("Flags")
        for flag in sheet.flags:
            word = fixed.SEVERITIES.get(flag.severity, flag.severity)
            page.item(f"{page.mark(flag.mark)} ", f"{flag.title} ({word}): {flag.reason}")
            if flag.action:
                page.item("    ", flag.action)
    _devices(page, sheet)
    _across(page, sheet)
    _ladder(page, sheet)
    page.listed(fixed.CHECKS_TITLE.get(sheet.advice, fixed.CHECKS_TITLE["other"]), "[ ] ", sheet.checks)
    page.listed("Cautions", "!   ", sheet.cautions)
    page.blank()
    if sheet.elapsed_min is not None:
        beyond = sheet.beyond.removeprefix("beyond what was measured: ")
        page.item("", f"Minutes {sheet.basis}{f' ({beyond})' if beyond else ''}.")
    page.item("", sheet.made_with)
    return page.text()


def columns_of(text: str) -> int:
    """Terminal columns a text takes: two for wide characters, none for combining ones."""
    return len(text) if text.isascii() else sum(map(_columns, text))


@lru_cache(maxsize=4096)
def _columns(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def cut(text: str, width: int, ellipsis: str = "…") -> str:
    """Cut a text to some columns, with an ellipsis where it was cut."""
    if columns_of(text) <= width:
        return text
    return text[: _fitting(text, width - len(ellipsis))].rstrip() + ellipsis


def _fitting(text: str, width: int) -> int:
    """How many characters of a text fit some columns."""
    used = 0
    for number, character in enumerate(text):
        used += _columns(character)
        if used > width:
            return number
    return len(text)


def pad(text: str, width: int) -> str:
    """Fill a text with spaces to some columns."""
    return text + " " * max(width - columns_of(text), 0)


class _Page:
    """Lines of the sheet, wrapped to a width."""

    def __init__(self, width: int, ascii_only: bool) -> None:
        self.width = width
        self.ascii_only = ascii_only
        self.rule = "-" if ascii_only else "─"
        self.ellipsis = "..." if ascii_only else "…"
        self._lines: list[str] = []

    def mark(self, name: str) -> str:
        return _MARKS.get(name, _MARKS[Mark.QUERY])[self.ascii_only]

    def blank(self) -> None:
        self._lines.append("")

    def line(self, text: str) -> None:
        self._lines.append(cut(text, self.width, self.ellipsis).rstrip())

    def title(self, text: str) -> None:
        self.blank()
        shown = cut(text, self.width - 4, self.ellipsis)
        self.line(f"{self.rule * 2} {shown} " + self.rule * max(self.width - columns_of(shown) - 4, 0))

    def listed(self, title: str, lead: str, texts: Sequence[str]) -> None:
        """A section of items, where there are any."""
        if texts:
            self.title(title)
        for text in texts:
            self.item(lead, text)

    def item(self, lead: str, text: str) -> None:
        """Wrap a text, its later lines hanging under its first."""
        lead = cut(lead, self.width - 12, "")
        room = self.width - columns_of(lead)
        line, first = "", True
        for word in text.split(" "):
            for piece in _pieces(word, room):
                if line and columns_of(line) + 1 + columns_of(piece) > room:
                    self._lines.append((lead if first else " " * columns_of(lead)) + line)
                    line, first = piece, False
                else:
                    line = f"{line} {piece}" if line else piece
        self._lines.append(((lead if first else " " * columns_of(lead)) + line).rstrip())

    def text(self) -> str:
        text = "\n".join(self._lines) + "\n"
        if self.ascii_only:
            text = text.replace("–", "-").replace("…", "...").replace("·", "-")
            text = text.encode("ascii", "replace").decode("ascii")
        return text


def _pieces(word: str, room: int) -> Iterable[str]:
    while columns_of(word) > room:
        size = max(_fitting(word, room), 1)
        yield word[:size]
        word = word[size:]
    yield word


def _head(page: _Page, sheet: Record) -> None:
    page.item("", f"{sheet.tag}  {sheet.title}")
    page.item("", ", ".join(sheet.facts))
    if sheet.unknown:
        page.item("Not known: ", ", ".join(sheet.unknown))
    if sheet.taken:
        page.item("Taken: ", "; ".join(sheet.taken))
    if sheet.notes:
        page.item("Notes: ", sheet.notes)
    page.item("", sheet.shop)


def _verdict(page: _Page, sheet: Record) -> None:
    page.title("Advice")
    page.item("", f"{page.mark(sheet.mark)} {sheet.headline}")
    page.item("  ", sheet.advice)
    if sheet.edition:
        page.item("  ", f"{sheet.edition} from the stick {sheet.image}")
    elif sheet.image:
        page.item("  ", f"no edition yet; stick {sheet.image}")
    if sheet.parts:
        page.item("  ", f"after fitting {', '.join(part.name for part in sheet.parts)}")
    if sheet.elapsed_min is not None:
        page.item(
            "  ",
            f"{sheet.hands_on_min:.0f} min hands-on, {sheet.elapsed_min:.0f} min in the slot "
            f"({sheet.elapsed_low_min:.0f} to {sheet.elapsed_high_min:.0f} in 8 of 10)",
        )
    for reason in sheet.reasons:
        page.item("  ", f"{reason.text} [{reason.source}]" if reason.source else reason.text)
    if sheet.best_fix:
        page.item("  ", f"Parts: {sheet.best_fix}")


def _phases(page: _Page, sheet: Record) -> None:
    if not sheet.phases:
        return
    page.title("Phases, minutes")
    numbers = 24
    room = min(page.width - numbers - 4, 64)
    page.line(" " * 4 + pad("", room) + f"{'hands':>7}{'slot':>7}{'actual':>9}")
    for phase in sheet.phases:
        lead, title = "[ ] ", phase.title
        if columns_of(title) > room:
            page.item(lead, title)
            lead, title = " " * 4, ""
        page.line(f"{lead}{pad(title, room)}{phase.hands_on_min:>7.1f}{phase.slot_min:>7.1f}   ______")
    page.line(f"    {pad('Together', room)}{sheet.hands_on_min or 0:>7.0f}{sheet.elapsed_min or 0:>7.0f}   ______")
    if sheet.assumed:
        page.item("    Assumed: ", ", ".join(sheet.assumed))


def _devices(page: _Page, sheet: Record) -> None:
    page.title(f"Devices on {sheet.image}" if sheet.image else "Devices")
    if not sheet.devices:
        page.item("", "none named on the row")
    for device in sheet.devices:
        note = f" ({device.note})" if device.note else ""
        if page.width >= _TOGETHER:
            kind = pad(cut(device.kind, 12, page.ellipsis), 13)
            support = pad(cut(device.support, 16, page.ellipsis), 17)
            lead = f"{page.mark(device.mark)} {kind}{support}"
            page.item(lead, device.name + note)
        else:
            page.item(f"{page.mark(device.mark)} ", f"{device.kind}: {device.support}{note}, {device.name}")


def _across(page: _Page, sheet: Record) -> None:
    rows = [row for row in sheet.across if row.decides]
    everywhere = fixed.everywhere(len(rows), len(sheet.across) - len(rows))
    if not sheet.across:
        return
    page.title(fixed.ACROSS)
    label = 13
    cell = 4 + max((len(support) for row in rows for support in row.supports), default=0)
    if page.width >= label + cell * len(sheet.images):
        heads = [cut(name, cell - 2, page.ellipsis) for name in sheet.images]
        if rows:
            page.line(" " * label + "".join(pad(f"  {head}", cell) for head in heads))
        for row in rows:
            cells = zip(row.marks, row.supports, strict=True)
            supports = "".join(pad(f"{page.mark(mark)} {support}", cell) for mark, support in cells)
            page.line(pad(cut(row.kind, label - 1, page.ellipsis), label) + supports)
    else:
        for row in rows:
            page.item("", f"{row.kind}{f' ({row.name})' if row.name else ''}")
            for image, mark, support in zip(sheet.images, row.marks, row.supports, strict=True):
                page.item(f"  {page.mark(mark)} ", f"{support} on {image}")
    if everywhere:
        page.item("", everywhere)
    if sheet.no_boot:
        page.item("", fixed.no_boot(sheet.no_boot))


def _ladder(page: _Page, sheet: Record) -> None:
    if not sheet.rungs:
        return
    page.title("Desktops, as it will be prepared")
    page.item("  ", sheet.limits)
    heads = f"  {'':<12}{'desktop s':>11}{'browser s':>11}{'MiB left':>9}"
    narrow = page.width < len(heads)
    if not narrow:
        page.line(heads)
    for rung in sheet.rungs:
        lead = f"{page.mark(rung.mark)} {pad(cut(rung.edition, 11, page.ellipsis), 12)}"
        if not rung.desktop_s:
            page.item(lead, rung.why)
        elif narrow:
            figures = f"desktop {rung.desktop_s} s, browser {rung.browser_s} s, {rung.memory_left_mib} MiB left"
            page.item(f"{page.mark(rung.mark)} ", f"{rung.edition}: {figures}; {rung.verdict}")
        else:
            numbers = f"{rung.desktop_s:>11}{rung.browser_s:>11}{rung.memory_left_mib:>8}"
            if page.width >= len(lead) + 30 + 26:
                page.item(f"{lead}{numbers}  ", rung.verdict)
            else:
                page.line(f"{lead}{numbers}")
                page.item("  ", rung.verdict)
