"""The sheet as one self-contained HTML file: the typesetter's own pages as pictures, each with its text."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from html import escape

from advisor.advice.record import Record
from advisor.sheet.text import render_text
from advisor.sheet.typeset import listed, render_png, render_svg, titled

SHARP_MOST = 12
"""Pages up to which they are drawn as outlines, sharp on any paper: about a megabyte each, a sixth of that as dots."""

_STYLE = """
body { margin: 0; background: #bbb; } figure { margin: 6mm auto; width: 210mm; }
img { display: block; width: 210mm; height: 297mm; background: #fff; }
details { background: #fff; padding: 2mm 10mm; } pre { white-space: pre-wrap; }
@page { size: A4; margin: 0; }
@media print {
  body { background: none; } details { display: none; }
  figure { margin: 0; height: 297mm; overflow: hidden; break-after: page; } figure:last-child { break-after: auto; }
}
"""


def figures(records: Iterable[Record]) -> str:
    """Pages as HTML figures: a picture a page, its text below for those who cannot see it or want to copy from it."""
    some = list(records)
    kind, pages = ("svg+xml", render_svg(some)) if len(some) <= SHARP_MOST else ("png", render_png(some))
    return "\n".join(
        f'<figure class="page"><img src="data:image/{kind};base64,{b64encode(page).decode("ascii")}" '
        f'alt="{escape(f"Sheet of {one.tag}: {one.headline}. The text below says the same.")}">'
        f"<details><summary>As text</summary><pre>{escape(render_text(one))}</pre></details></figure>"
        for one, page in zip(some, pages, strict=True)
    )


def render_html(records: Record | Iterable[Record]) -> str:
    """Set records as one HTML file that needs nothing beside it, a printable A4 page a unit.

    Returns
    -------
    str
        There is no script, no link and no outside address in it; texts of a unit are outlines in the pictures and
        escaped elsewhere.

    Raises
    ------
    InputError
        When there is no record.
    ToolError
        When the typesetter fails.
    """
    some = listed(records)
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8"><title>{escape(titled(some))}</title>'
        f"<style>{_STYLE}</style></head>\n<body>\n{figures(some)}\n</body>\n</html>\n"
    )
