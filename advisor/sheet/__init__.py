"""Room sheet: the printout of a unit, as PDF, HTML, SVG and plain text, from its record."""

from __future__ import annotations

from advisor.sheet.html import figures, render_html
from advisor.sheet.text import render_text
from advisor.sheet.typeset import render_pdf, render_svg
from advisor.sheet.written import ENDINGS, written

__all__ = ["ENDINGS", "figures", "render_html", "render_pdf", "render_svg", "render_text", "written"]
