"""Bytes of a sheet to text: the encodings that spreadsheets write."""

from __future__ import annotations

import codecs

from advisor.errors import InputError

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_KINDS = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"7z\xbc\xaf", "a 7-Zip archive"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"SQLite format 3", "an SQLite database"),
    (b"PAR1", "a Parquet file"),
)
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""First bytes of the Excel format that was used before 2007."""

ZIP = b"PK\x03\x04"
"""First bytes of a ZIP file, which an .xlsx is."""

_CONTROL = bytes(set(range(32)) - {9, 10, 11, 12, 13, 27} | {127})
SAVE_AS = "Save the sheet as CSV (UTF-8) or as .xlsx and hand that in."


def decode(data: bytes, name: str) -> tuple[str, str]:
    """Turn the bytes of a text table into text.

    Parameters
    ----------
    data : bytes
        Content of the file.
    name : str
        Name of the file, for the message.

    Returns
    -------
    tuple of str
        The text, and the encoding it was in: 'utf-8', 'utf-16', 'utf-16-le', 'utf-16-be', 'utf-32', 'windows-1252'.

    Raises
    ------
    InputError
        When the bytes are no text.
    """
    for start, kind in _KINDS:
        if data.startswith(start) and (kind != "a program" or b"\x00" in data[:512]):
            raise InputError(f"{name} is {kind}, not a table.", SAVE_AS)
    for mark, encoding in _BOMS:
        if data.startswith(mark) and not (encoding == "utf-32" and len(data) % 4):
            try:
                return _textual(data.decode(encoding), name), encoding.removesuffix("-sig")
            except UnicodeDecodeError as error:
                raise InputError(
                    f"{name} starts as {encoding}, but is damaged at byte {error.start}.", SAVE_AS
                ) from error
    sample = data[:4096]
    if sample.count(0) > len(sample) // 4:
        even, odd = sample[0::2].count(0), sample[1::2].count(0)
        encoding = "utf-16-le" if odd > even else "utf-16-be"
        try:
            return _textual(data.decode(encoding), name), encoding
        except UnicodeDecodeError:
            raise InputError(f"{name} is not text: it is full of zero bytes.", SAVE_AS) from None
    if len(sample) and (sample.count(0) or len(sample) - len(sample.translate(None, _CONTROL)) > len(sample) // 50):
        raise InputError(f"{name} is not text: it holds control bytes that no sheet has.", SAVE_AS)
    try:
        return _textual(data.decode("utf-8"), name), "utf-8"
    except UnicodeDecodeError:
        # Windows-1252 leaves five bytes undefined; Latin-1 reads those as control characters, which are dropped.
        text = data.decode("windows-1252", errors="replace")
        if text.count("�") > len(text) // 100:
            raise InputError(f"{name} is in no encoding that sheets are saved in.", SAVE_AS) from None
        return _textual(text, name), "windows-1252"


def _textual(text: str, name: str) -> str:
    """Drop zero characters that slip in; refuse a text that is mostly not printable."""
    sample = text[:4096]
    odd = sum(1 for c in sample if not c.isprintable() and c not in "\t\r\n\x0b\x0c\ufeff\xa0\u2028\u2029")
    if odd > 8 and odd > len(sample) // 20:
        raise InputError(f"{name} is not text: most of its characters cannot be printed.", SAVE_AS)
    return text.replace("\x00", "").lstrip("\ufeff")
