"""The sheet as one self-contained HTML file, a printable A4 page a unit."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from advisor.advice import fixed as words
from advisor.advice.record import Mark, Record
from advisor.errors import InputError
from advisor.sheet.fit import MOST_IMAGES, fit, sheets_of
from advisor.sheet.layout import Measures
from advisor.sheet.qr import qr_svg

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

HERE = Path(__file__).resolve().parent

_SHAPES: dict[str, str] = {
    Mark.FULL: '<circle cx="50" cy="50" r="42"/>',
    Mark.RING: '<circle cx="50" cy="50" r="38" fill="none" stroke="currentColor" stroke-width="11"/>',
    Mark.HALF: (
        '<circle cx="50" cy="50" r="38" fill="none" stroke="currentColor" stroke-width="11"/>'
        '<path d="M50 12a38 38 0 0 0 0 76z"/>'
    ),
    Mark.UP: '<path d="M50 10 95 90H5z"/>',
    Mark.DIAMOND: '<path d="M50 5 95 50 50 95 5 50z"/>',
    Mark.SQUARE: '<path d="M12 12h76v76H12z"/>',
    Mark.CROSS: '<path d="M16 16 84 84M16 84 84 16" stroke="currentColor" stroke-width="17"/>',
    Mark.PLUS: '<path d="M37 8h26v29h29v26H63v29H37V63H8V37h29z"/>',
    Mark.PAUSE: '<path d="M19 10h22v80H19zM59 10h22v80H59z"/>',
    Mark.DOT: '<circle cx="50" cy="50" r="17"/>',
    Mark.QUERY: (
        '<path d="M8 8h84v84H8z" fill="none" stroke="currentColor" stroke-width="11"/>'
        '<path d="M33 40a17 16 0 1 1 25 14c-6 4-8 6-8 11M50 71v9" fill="none" stroke="currentColor" stroke-width="10"/>'
    ),
}
"""Shapes in a field of 100 by 100; the word always stands beside them."""


def render_html(sheets: Record | Iterable[Record]) -> str:
    """Set sheets as one HTML file that needs nothing beside it: fonts, codes and shapes are inside.

    Parameters
    ----------
    sheets : Record or iterable of Record

    Returns
    -------
    str
        Every text of a unit is escaped; there is no script, no link and no outside address in it.

    Raises
    ------
    InputError
        When there is no sheet.
    """
    some = sheets_of(sheets)
    if not some:
        raise InputError("There is no unit to print.", "Name at least one.")
    paper = Measures()
    return _template().render(
        pages=[fit(sheet) for sheet in some],
        title=f"Bench sheet {some[0].tag}" if len(some) == 1 else f"Bench sheets of {len(some)} units",
        paper=paper,
        ratio=round(paper.small / paper.body, 4),
        fonts={"regular": _font("B612-Regular.otf"), "bold": _font("B612-Bold.otf")},
        hint=words.CSV_HINT,
        severities=words.SEVERITIES,
        titles=words.CHECKS_TITLE,
        across_title=words.ACROSS,
        most_images=MOST_IMAGES,
    )


@cache
def _template() -> Template:
    import jinja2

    environment = jinja2.Environment(loader=jinja2.FileSystemLoader(HERE), autoescape=True, trim_blocks=True)
    environment.globals.update(mark=mark, qr=_code, halves=_halves)
    return environment.get_template("sheet.html.j2")


def mark(name: str, size: float = 7) -> Markup:
    """Draw a mark.

    Parameters
    ----------
    name : str
        A `Mark`; another name draws the query.
    size : float
        [mm].

    Returns
    -------
    markupsafe.Markup
        An `svg` element in the colour of the text around it, hidden from screen readers: the word stands beside it.
    """
    from markupsafe import Markup

    shape = _SHAPES.get(name, _SHAPES[Mark.QUERY])
    return Markup(
        f'<svg viewBox="0 0 100 100" width="{float(size):g}mm" height="{float(size):g}mm" fill="currentColor" '
        f'aria-hidden="true">{shape}</svg>'
    )


def _code(text: str) -> Markup:
    from markupsafe import Markup

    return Markup(qr_svg(text))


def _halves(entries: Sequence[str]) -> tuple[Sequence[str], Sequence[str]]:
    half = math.ceil(len(entries) / 2)
    return entries[:half], entries[half:]


@cache
def _font(name: str) -> str:
    return base64.b64encode((HERE / "fonts" / name).read_bytes()).decode("ascii")
