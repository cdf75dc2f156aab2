"""The sheet as PDF, set by Typst with the fonts that come with the package, whatever the machine has."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path

from advisor.advice import fixed as words
from advisor.advice.record import Record
from advisor.errors import InputError, ToolError
from advisor.sheet.fit import MOST_IMAGES, Page, fit, sheets_of
from advisor.sheet.qr import qr_svg

HERE = Path(__file__).resolve().parent

TAGGED_MOST = 20
"""Sheets up to which the PDF is tagged for screen readers; tags make a large batch eight times larger and slower."""


def render_pdf(sheets: Record | Iterable[Record]) -> bytes:
    """Set sheets as one PDF, an A4 page a unit.

    Parameters
    ----------
    sheets : Record or iterable of Record

    Returns
    -------
    bytes
        The same for the same sheets on every machine: no date, no system font.

    Raises
    ------
    InputError
        When there is no sheet.
    ToolError
        When the typesetter fails.
    """
    some = sheets_of(sheets)
    if not some:
        raise InputError("There is no unit to print.", "Name at least one.")
    import typst

    title = some[0].tag if len(some) == 1 else f"{len(some)} units, {some[0].tag} to {some[-1].tag}"
    try:
        content = as_json([fit(sheet) for sheet in some], title)
        return bytes(
            _compiler().compile(
                format="pdf", sys_inputs={"sheets": content}, timestamp=0, pdf_tags=len(some) <= TAGGED_MOST
            )
        )
    except typst.TypstError as error:
        raise ToolError(f"The sheet could not be set: {error}.", "Use --out with .html or .txt instead.") from error


@cache
def _compiler():  # type: ignore[no-untyped-def]  # typst has no public protocol for it
    import typst

    return typst.Compiler(input=HERE / "sheet.typ", root=HERE, font_paths=[HERE / "fonts"], ignore_system_fonts=True)


def as_json(pages: Sequence[Page], title: str) -> str:
    """Write the pages as the JSON that the Typst page reads.

    Parameters
    ----------
    pages : sequence of Page
    title : str
        Of the document.

    Returns
    -------
    str
    """
    content = [
        dataclasses.asdict(page.sheet)
        | {
            "m": dataclasses.asdict(page.measures),
            "phase_rows": page.phase_rows,
            "image_heads": page.image_heads,
            "across_notes": page.across_notes,
            "qr": qr_svg(page.sheet.code),
        }
        for page in pages
    ]
    return json.dumps(
        {
            "title": f"Bench sheet {title}",
            "hint": words.CSV_HINT,
            "severities": words.SEVERITIES,
            "checks_title": words.CHECKS_TITLE,
            "across_title": words.ACROSS,
            "most_images": MOST_IMAGES,
            "pages": content,
        },
        ensure_ascii=False,
    )
