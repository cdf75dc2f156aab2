"""Bytes of a sheet to lines of text: the encodings that spreadsheets write, a damaged character kept apart."""

from __future__ import annotations

import codecs
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from advisor.errors import InputError
from advisor.tables import dicts

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
"""First bytes of the Excel format that was used before 2007."""

ZIP = b"PK\x03\x04"
"""First bytes of a ZIP file, which an .xlsx is."""

_CONTROL = bytes(set(range(32)) - {9, 10, 11, 12, 13, 27} | {127})
SAVE_AS = "Save the sheet as CSV (UTF-8) or as .xlsx and hand that in."


MAX_LINE = 1 << 20
"""Longest line read [character]; what stands behind is left out, and said. No row of a sheet is that long."""

_BLOCK = 1 << 20
_ESCAPED = re.compile("[\udc80-\udcff]")
_FOREIGN = re.compile("[^\x00-\x7f\udc80-\udcff]")
_ODD = re.compile("[\x00\ufffd\ud800-\udfff]")
_MOST_LOST = 100
"""One lost character in so many is a damaged sheet; more, and it is no sheet in that encoding."""


@dataclass(frozen=True)
class Text:
    """A text table's lines."""

    source: Callable[[], BinaryIO]  # Opens the bytes anew
    encoding: str  # 'utf-8', 'utf-16', 'utf-16-le', 'utf-16-be', 'utf-32' or 'windows-1252'
    suspect: bool  # Some characters may be damaged: cells are to be passed through `mend`

    def lines(self) -> Iterator[str]:
        """Lines with their ends; one longer than `MAX_LINE` is cut there, and then has none."""
        errors = "surrogateescape" if self.encoding == "utf-8" else "replace"
        encoding = "utf-8-sig" if self.encoding == "utf-8" else self.encoding
        stream = io.TextIOWrapper(self.source(), encoding, errors, newline="")
        while line := stream.readline(MAX_LINE):
            if len(line) == MAX_LINE and line[-1] not in "\r\n":
                while (more := stream.readline(MAX_LINE)) and more[-1] not in "\r\n":
                    pass
            yield line


def odd(text: str) -> bool:
    """Whether a text holds a character that `mend` has something to say of."""
    return _ODD.search(text) is not None


def mend(text: str) -> tuple[str, str]:
    """Read the bytes of a cell that are no UTF-8 as Windows-1252, and drop zero characters.

    Parameters
    ----------
    text : str
        As `Text.lines` gives it.

    Returns
    -------
    tuple of str
        The cell, and what is wrong with it.
    """
    bad = _ESCAPED.findall(text)
    mended = []
    if bad:
        text = _ESCAPED.sub(lambda found: bytes([ord(found[0]) - 0xDC00]).decode("windows-1252", "replace"), text)
        shown = ", ".join(dict.fromkeys(f"{ord(one) - 0xDC00:#04x}" for one in bad[:5]))
        mended.append(f"byte {shown} is no UTF-8; read as Windows-1252")
    if "\x00" in text:
        text = text.replace("\x00", "")
        mended.append("holds zero characters; they were left out")
    text = re.sub("[\ud800-\udfff]", "\ufffd", text)
    if "\ufffd" in text and not bad:
        mended.append("holds a character that was lost when it was saved")
    return text, "; ".join(mended)


def decode(source: Callable[[], BinaryIO], name: str) -> Text:
    """Find out how the bytes of a text table are encoded: mostly UTF-8 is read as such, its bad bytes one by one;
    without a single character of more than a byte in UTF-8, as Windows-1252. InputError when they are no text.
    """
    with source() as file:
        sample = file.read(_BLOCK)[:4096]
    for row in dicts("intake/no_sheets"):
        if sample.startswith(bytes.fromhex(row["begins"])) and (row["kind"] != "a program" or b"\x00" in sample[:512]):
            raise InputError(f"{name} is {row['kind']}, not a table.", SAVE_AS)
    found = _counted(source)
    encoding = _encoding(sample, found["size"], name)
    if encoding != "utf-8":
        text = Text(source, encoding, True)
    elif found["bad"] and not found["foreign"] and not sample.startswith(codecs.BOM_UTF8):
        if found["lost"] > found["size"] // _MOST_LOST:
            raise InputError(f"{name} is in no encoding that sheets are saved in.", SAVE_AS)
        text = Text(source, "windows-1252", found["zero"] > 0 or found["lost"] > 0)
    else:
        text = Text(source, "utf-8", found["bad"] + found["zero"] + found["replaced"] > 0)
    _printable(text, name)
    return text


def _encoding(sample: bytes, size: int, name: str) -> str:
    """The encoding as far as its marks and zero bytes tell; 'utf-8' stands for one of a byte a character too."""
    for mark, encoding in _BOMS:
        if sample.startswith(mark) and not (encoding == "utf-32" and size % 4):
            return "utf-8" if encoding == "utf-8-sig" else encoding
    if sample.count(0) > len(sample) // 4:
        even, uneven = sample[0::2].count(0), sample[1::2].count(0)
        return "utf-16-le" if uneven > even else "utf-16-be"
    if len(sample) - len(sample.translate(None, _CONTROL)) > len(sample) // 50:
        raise InputError(f"{name} is not text: it holds control bytes that no sheet has.", SAVE_AS)
    return "utf-8"


def _counted(source: Callable[[], BinaryIO]) -> Counter[str]:
    """All bytes of a text (size); those that are no UTF-8 (bad), zero, or without a character in Windows-1252 (lost);
    characters of more than a byte in UTF-8 (foreign), and those that were lost when it was saved (replaced).
    """
    decoder = codecs.getincrementaldecoder("utf-8")("surrogateescape")
    out: Counter[str] = Counter()
    with source() as file:
        while block := file.read(_BLOCK):
            out.update(size=len(block), zero=block.count(0))
            text = decoder.decode(block)
            if not text.isascii():
                lost = sum(block.count(byte) for byte in (b"\x81", b"\x8d", b"\x8f", b"\x90", b"\x9d"))
                bad, foreign = len(_ESCAPED.findall(text)), len(_FOREIGN.findall(text))
                out.update(lost=lost, bad=bad, foreign=foreign, replaced=text.count("\ufffd"))
    out["bad"] += len(decoder.decode(b"", final=True))
    return out


def _printable(text: Text, name: str) -> None:
    """Refuse a text whose beginning is mostly not printable, or mostly lost."""
    lines = text.lines()
    sample = ""
    while len(sample) < 4096 and (line := next(lines, "")):
        sample += line
    sample = sample[:4096]
    kept = [one for one in sample if not one.isprintable() and one not in "\t\r\n\x0b\x0c\ufeff\xa0\u2028\u2029"]
    strange = len(kept) + sample.count("\ufffd")
    if strange > 8 and strange > len(sample) // 20:
        raise InputError(f"{name} is not text: most of its characters cannot be printed.", SAVE_AS)
