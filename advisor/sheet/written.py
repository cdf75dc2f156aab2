"""The sheet as a file: what is written hangs on the ending of its name."""

from __future__ import annotations

import os
from collections.abc import Sequence

from advisor.advice.record import Record
from advisor.errors import InputError
from advisor.sheet.html import render_html
from advisor.sheet.text import render_text
from advisor.sheet.typeset import render_pdf

ENDINGS = (".pdf", ".html", ".htm", ".txt")
"""Endings of a file's name that say what is written."""


def written(records: Sequence[Record], path: str | os.PathLike[str], width: int = 100) -> bytes | str:
    """Set records as what a file of this name holds.

    Parameters
    ----------
    width : int
        Columns of the text.

    Raises
    ------
    InputError
        When the ending is none of `ENDINGS`, or there is no record.
    ToolError
        When the typesetter fails.
    """
    ending = os.path.splitext(path)[1].lower()
    if ending not in ENDINGS:
        raise InputError(f"{path} does not say what to write.", "Let its name end in .pdf, .html or .txt.")
    if ending == ".txt":
        return "\f".join(render_text(one, width) for one in records)
    return render_pdf(records) if ending == ".pdf" else render_html(records)
