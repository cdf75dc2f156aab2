"""Room sheet: the printout of a unit, as PDF, HTML and plain text, from its record."""

from __future__ import annotations

from advisor.sheet.html import render_html
from advisor.sheet.pdf import render_pdf
from advisor.sheet.text import render_text

__all__ = ["render_html", "render_pdf", "render_text"]
