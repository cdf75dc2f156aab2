"""Room sheet: the printout of a unit, as PDF, HTML and plain text."""

from __future__ import annotations

from advisor.advice.record import Sheet
from advisor.sheet.compose import compose, compose_all
from advisor.sheet.html import render_html
from advisor.sheet.pdf import render_pdf
from advisor.sheet.text import render_text

__all__ = ["Sheet", "compose", "compose_all", "render_html", "render_pdf", "render_text"]
