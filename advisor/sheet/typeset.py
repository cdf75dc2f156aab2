"""The sheet as PDF or SVG, laid out by Typst with the fonts that come with the package."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any

from advisor.advice import fixed
from advisor.advice.record import Across, Mark, Phase, Record
from advisor.errors import InputError, ToolError
from advisor.sheet.marks import mark

HERE = Path(__file__).resolve().parent

TAGGED_MOST = 20
"""Sheets up to which the PDF is tagged for screen readers; tags make a large batch eight times larger and slower."""

MOST_IMAGES = 5
"""Images side by side."""

MOST = {
    "tag": 60, "shop": 90, "title": 120, "kind": 24, "edition": 24, "image": 60, "images": 60, "no_boot": 60,
    "notes": 400, "facts": 120, "unknown": 60, "taken": 200, "assumed": 80, "headline": 240, "basis": 240,
    "name": 160, "note": 160, "what": 160, "verdict": 30, "why": 200, "checks": 240, "find_out": 240,
}  # fmt: skip
"""Longest text of a field [characters]; a longer one ends in an ellipsis, the whole stands in the scored CSV."""

MOST_OF_OTHERS = 500
"""Longest text of every other field."""

_UNSEEN = {"Mn", "Me", "Mc", "Cc", "Cf", "Cs"}
"""Categories of characters that join others, or are not drawn."""

_LONG_WORD = re.compile(r"\S{41,}")


def render_pdf(records: Record | Iterable[Record]) -> bytes:
    """Set records as one PDF, an A4 page a unit.

    Returns
    -------
    bytes
        The same for the same records on every machine, without a date, and unless a text has characters that only a
        font of the machine can draw.

    Raises
    ------
    InputError
        When there is no record.
    ToolError
        When the typesetter fails.
    """
    some = listed(records)
    return _compiled(some, format="pdf", timestamp=0, pdf_tags=len(some) <= TAGGED_MOST)


def render_svg(records: Record | Iterable[Record]) -> list[bytes]:
    """Set records as SVG, one A4 page each; texts are outlines in it. Errors are those of `render_pdf`."""
    return _pictures(records, format="svg")


def render_png(records: Record | Iterable[Record]) -> list[bytes]:
    """Set records as PNG, one A4 page each, in the few greys that a sheet has. Parameters and errors as above.

    Returns
    -------
    list of bytes
        150 dots an inch; a sixth of the bytes of an SVG.
    """
    return [_in_greys(one) for one in _pictures(records, format="png", ppi=150)]


def _pictures(records: Record | Iterable[Record], **how: Any) -> list[bytes]:
    """A picture a page; the typesetter hands over a single one without a list around it."""
    pages = _compiled(listed(records), **how)
    return [pages] if isinstance(pages, bytes) else list(pages)


def _in_greys(png: bytes) -> bytes:
    """A picture with 16 greys, four bits a dot."""
    from PIL import Image

    grey = Image.open(BytesIO(png)).convert("L").point(lambda value: (value * 15 + 127) // 255)
    few = Image.frombytes("P", grey.size, grey.tobytes())
    few.putpalette([17 * level for level in range(16) for _ in "rgb"])
    out = BytesIO()
    few.save(out, "PNG", bits=4, compress_level=3)
    return out.getvalue()


def listed(records: Record | Iterable[Record]) -> list[Record]:
    """One record or several as a list; an error where there is none."""
    some = [records] if isinstance(records, Record) else list(records)
    if not some:
        raise InputError("There is no unit to print.", "Name at least one.")
    return some


def titled(records: Sequence[Record]) -> str:
    """Title of a document of these records."""
    first, last = records[0].tag, records[-1].tag
    return f"Bench sheet {first}" if len(records) == 1 else f"Bench sheets of {len(records)} units, {first} to {last}"


def _compiled(records: Sequence[Record], **how: Any) -> Any:
    content: dict[str, Any] = {
        "title": titled(records),
        "hint": fixed.CSV_HINT,
        "severities": fixed.SEVERITIES,
        "across_title": fixed.ACROSS,
        "most_images": MOST_IMAGES,
        "marks": {name: str(mark(name)) for name in Mark},
        "pages": [_page(one) for one in records],
    }
    odd = _odd(json.dumps(content, ensure_ascii=False))
    sheets = json.dumps(content | {"odd": odd}, ensure_ascii=False)
    template, hint = HERE / "sheet.typ", "Use --out with .txt instead."
    return typeset(template, {"sheets": sheets}, hint, the_machines_fonts=bool(odd), **how)


def typeset(
    template: Path, inputs: dict[str, str], hint: str, the_machines_fonts: bool = False, **how: Any
) -> Any:  # fmt: skip
    """Set a template that bears the name of what it makes; ToolError with the hint when the typesetter fails.

    Returns
    -------
    bytes, or list of bytes
        As the typesetter gives a single page or several.
    """
    import typst

    try:
        return _compiler(template, the_machines_fonts).compile(sys_inputs=inputs, **how)
    except typst.TypstError as error:
        raise ToolError(f"The {template.stem} could not be set: {error}.", hint) from error


@cache
def _compiler(template: Path, the_machines_fonts: bool) -> Any:
    """A typesetter; looking for the machine's fonts takes a while and is only worth it where a text needs them."""
    import typst

    return typst.Compiler(
        input=template, root=template.parent, font_paths=[HERE / "fonts"], ignore_system_fonts=not the_machines_fonts
    )


@lru_cache(maxsize=4096)
def _qr_svg(text: str) -> str:
    """Draw a QR code as an `svg` element of one path, with a view box and a quiet zone of two modules; '' for ''."""
    if not text:
        return ""
    import segno

    # Readers take bytes without a stated encoding for what they like; UTF-8 is what most of them try first.
    encoding = None if text.isascii() else "utf-8"
    code = segno.make(text, error="m", micro=False, boost_error=True, encoding=encoding)
    # segno writes a path of dark runs and nothing of the text itself, so no tag can become markup here.
    out = BytesIO()
    code.save(out, kind="svg", border=2, omitsize=True, xmldecl=False, svgclass=None, lineclass=None, nl=False)
    return out.getvalue().decode("utf-8")


def _page(record: Record) -> dict[str, Any]:
    """A record as it is printed: minutes rounded, sentences that hang on what is shown chosen."""
    deciding, rows = sum(row.decides for row in record.across), len(record.across)
    return _shown(record) | {
        "qr": _qr_svg(record.code),
        "checks_title": fixed.CHECKS_TITLE.get(record.advice, fixed.CHECKS_TITLE["other"]),
        "never_boots": _shown(fixed.no_boot(record.no_boot)),
        "everywhere": [fixed.everywhere(max(kept, deciding), rows - max(kept, deciding)) for kept in range(rows + 1)],
    }


def _shown(value: Any, name: str = "", digits: int = 0) -> Any:
    """A value of a record as plain data, its texts as they are set."""
    if isinstance(value, str):
        return _fitting(value, MOST.get(name, MOST_OF_OTHERS))
    if isinstance(value, float):
        return f"{value:.{digits}f}"
    if isinstance(value, tuple):
        return [_shown(one, name) for one in value]
    if value is None or isinstance(value, int):
        return value
    shown = {name: _shown(one, name, int(isinstance(value, Phase))) for name, one in vars(value).items()}
    if isinstance(value, Across):
        shown |= {"decides": value.decides, "kind": _narrow(shown["kind"]), "name": _narrow(shown["name"])}
    if isinstance(value, Record):
        shown["heads"] = [_narrow(one) for one in shown["images"]]
    return shown


def _narrow(text: str) -> str:
    """A text for a narrow column, in which a long piece may break anywhere."""
    return re.sub(r"[^\s\u200b-]{11,}", lambda piece: "\u200b".join(piece.group()), text)


def _fitting(text: str, most: int) -> str:
    """A text no longer than its place can ever hold, in which a word longer than a line may break anywhere."""
    if len(text) > most:
        text = text[:most].rstrip() + "…"
    return _LONG_WORD.sub(lambda word: "\u200b".join(word.group()), text) if len(text) > 40 else text


def _odd(text: str) -> dict[str, str]:
    """Characters that the package's fonts may lack, and how each is written where no font has it."""
    found = sorted({one for one in text if one > "\u02ff" and unicodedata.category(one) not in _UNSEEN})
    return {one: _written_out(one) for one in found if not "\u2010" <= one <= "\u2027"}


def _written_out(character: str) -> str:
    symbol = unicodedata.category(character) == "So"
    return f"[{unicodedata.name(character, '').lower()}]" if symbol else f"[U+{ord(character):04X}]"
