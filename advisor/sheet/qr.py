"""The QR code of an asset tag."""

from __future__ import annotations

import io
from functools import lru_cache


@lru_cache(maxsize=4096)
def qr_svg(text: str) -> str:
    """Draw a QR code as an `svg` element of one path, with a view box and a quiet zone of two modules; '' for ''."""
    if not text:
        return ""
    import segno

    # Readers take bytes without a stated encoding for what they like; UTF-8 is what most of them try first.
    encoding = None if text.isascii() else "utf-8"
    code = segno.make(text, error="m", micro=False, boost_error=True, encoding=encoding)
    # segno writes a path of dark runs and nothing of the text itself, so no tag can become markup here.
    out = io.BytesIO()
    code.save(out, kind="svg", border=2, omitsize=True, xmldecl=False, svgclass=None, lineclass=None, nl=False)
    return out.getvalue().decode("utf-8")
