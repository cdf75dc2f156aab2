"""What stands inside files: compressed texts, archives, an initramfs, databases, owners of pictures and documents."""

from __future__ import annotations

import bz2
import gzip
import io
import itertools
import lzma
import re
import sqlite3
import struct
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, suppress
from typing import Any

from advisor.handover.tree import LARGEST

MOST_UNPACKED = 256 << 20
"""Most bytes that one file is unpacked to [bytes]; an initramfs with all drivers has some 150 MB."""

MOST_MEMBERS = 100_000
"""Most members of an archive that are looked at."""

MOST_IN_A_ROW = 64
"""Most archives in a row in one file; a start image has a few."""

MOST_OF_A_MEMBER = 1 << 20
"""Most bytes of a member that are looked into [bytes]."""

BROKEN = (OSError, EOFError, ValueError, zlib.error, lzma.LZMAError, struct.error, KeyError, IndexError, RuntimeError)
"""What reading a damaged archive, database or picture may raise."""


def _zstd(source: io.BytesIO) -> Any:
    import zstandard

    return zstandard.ZstdDecompressor(max_window_size=1 << 27).stream_reader(source, read_across_frames=True)


PACKED: dict[bytes, Callable[[io.BytesIO], Any]] = {
    b"\x1f\x8b": gzip.open, b"BZh": bz2.open, b"\xfd7zXZ\0": lzma.open, b"\x28\xb5\x2f\xfd": _zstd,
}  # fmt: skip
"""Magic of gzip, bzip2, xz and zstd (file formats of each; RFC 1952, RFC 8878), and what reads it."""


def unpacked(content: bytes, most: int = MOST_UNPACKED) -> bytes:
    """Content without its gzip, bzip2, xz or zstd, at most `most` bytes and as far as it could be unpacked."""
    opened = next((opened for magic, opened in PACKED.items() if content.startswith(magic)), None)
    if opened is None:
        return content[:most]
    parts: list[bytes] = []
    # Four libraries unpack, each with errors of its own.
    with suppress(Exception), closing(opened(io.BytesIO(content))) as stream:
        while most > 0 and (part := stream.read(min(most, 1 << 20))):
            parts.append(part)
            most -= len(part)
    return b"".join(parts)


def members(content: bytes) -> Iterator[tuple[str, bytes]]:
    """Names and beginnings of what an archive holds: an initramfs (cpio, several in a row), tar or zip.

    Parameters
    ----------
    content : bytes
        Compressed or not.
    """
    with suppress(*BROKEN, tarfile.TarError, zipfile.BadZipFile):
        if content.startswith(b"PK\x03\x04"):
            yield from _zip(content)
            return
        at, left = 0, MOST_UNPACKED
        for _ in range(MOST_IN_A_ROW):
            if not content.startswith(b"07070", at):
                content, at = unpacked(content[at:], left), 0
                left -= len(content)
            if content[257:262] == b"ustar" and at == 0:
                yield from _tar(content)
                return
            if not content.startswith(b"07070", at):
                return
            rest = _FILLED.search(content, (yield from _cpio(content, at)))
            if rest is None:
                return
            at = rest.start()


def _zip(content: bytes) -> Iterator[tuple[str, bytes]]:
    left = MOST_UNPACKED
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for one in archive.infolist()[:MOST_MEMBERS]:
            if one.flag_bits & 1 or left <= 0:
                yield one.filename, b""
                continue
            with archive.open(one) as file:
                body = file.read(MOST_OF_A_MEMBER)
            left -= len(body)
            yield one.filename, body


def _tar(content: bytes) -> Iterator[tuple[str, bytes]]:
    with tarfile.open(fileobj=io.BytesIO(content), mode="r:") as archive:
        for _, one in zip(range(MOST_MEMBERS), archive, strict=False):
            file = archive.extractfile(one) if one.isreg() else None
            yield one.name.removeprefix("./"), file.read(MOST_OF_A_MEMBER) if file else b""


_FILLED = re.compile(rb"[^\0]")


def _cpio(content: bytes, at: int) -> Generator[tuple[str, bytes], None, int]:
    """cpio in the 'new ASCII' form; gives where it ends: what follows, padded and perhaps packed, is another archive.

    Format: Linux, Documentation/driver-api/early-userspace/buffer-format.rst.
    """
    for _ in range(MOST_MEMBERS):
        if content[at : at + 5] != b"07070":
            return len(content)
        fields = [int(content[at + 6 + 8 * k : at + 14 + 8 * k], 16) for k in range(13)]
        size, name_size = fields[6], fields[11]
        name = content[at + 110 : at + 110 + name_size - 1].decode("utf-8", "surrogateescape")
        start = (at + 110 + name_size + 3) & ~3
        at = (start + size + 3) & ~3
        if name == "TRAILER!!!":
            break
        yield name.removeprefix("./"), content[start : start + min(size, MOST_OF_A_MEMBER)]
    return at


MOST_TURNS = 20_000
"""Most thousands of steps of SQLite's machine that a count may take; one of a million rows takes some 4,000."""


def count(database: bytes, log: bytes, query: str) -> int | None:
    """Ask an SQLite database, with what its write-ahead log adds; nothing is written, not even beside it.

    Parameters
    ----------
    database, log : bytes
        Content of the file and of the one beside it whose name ends in -wal.
    query : str
        Of this package's table; gives one number.

    Returns
    -------
    int or None
        None when it is no such database. One that holds a view, which can be asked without an end, and one whose
        answer takes too long surely holds something: 1.
    """
    content = bytearray(_with_log(database, log))
    if not content.startswith(b"SQLite format 3\0"):
        return None
    # Not in write-ahead mode any more: there is no file for a log here (sqlite.org/fileformat.html, 1.3.3).
    content[18:20] = b"\1\1"
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("PRAGMA temp_store = MEMORY")
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST)
        turns = itertools.count()
        db.set_progress_handler(lambda: next(turns) > MOST_TURNS, 1000)
        try:
            db.deserialize(bytes(content))
            db.execute("PRAGMA query_only = ON")
            names = re.findall(r"\w+", query.casefold())
            views = db.execute("SELECT name FROM sqlite_master WHERE type = 'view'").fetchall()
            if any(str(name).casefold() in names for (name,) in views):
                return 1
            [(found,)] = db.execute(query).fetchall()
        except sqlite3.OperationalError as error:
            return 1 if error.sqlite_errorcode == sqlite3.SQLITE_INTERRUPT else None
        except (sqlite3.Error, ValueError, TypeError, OverflowError):
            return None
    return int(found or 0)


def _with_log(database: bytes, log: bytes) -> bytes:
    """The database with its log's committed pages in place (sqlite.org/fileformat.html, 4.1 to 4.4)."""
    if len(log) < 56 or log[:4] not in (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83"):
        return database
    size = int.from_bytes(log[8:12], "big") or 65536
    content, waiting = bytearray(database), {}
    for at in range(32, len(log) - 24 - size + 1, 24 + size):
        page, pages = struct.unpack(">II", log[at : at + 8])
        if log[at + 8 : at + 16] != log[16:24] or not 0 < page <= LARGEST // size:
            break
        waiting[page] = log[at + 24 : at + 24 + size]
        if pages:
            content.extend(b"\0" * max(0, pages * size - len(content)))
            for number, body in waiting.items():
                content[(number - 1) * size : number * size] = body
            content, waiting = content[: pages * size] if pages <= LARGEST // size else content, {}
    return bytes(content)


_OWNERS = {b"\xff\xd8\xff": (b"Exif\0\0",), b"\x89PNG": (b"tEXt", b"iTXt", b"zTXt", b"eXIf")}
"""Beginnings of JPEG and PNG, and without which marks they cannot say whose they are."""

GPS, ARTIST, HOST, OWNER, SERIAL, AUTHOR = 0x8825, 0x013B, 0x013C, 0xA430, 0xA431, 0x9C9D
"""Tags of Exif 2.32 (JEITA CP-3451), and Windows' XPAuthor."""


def owner_of_picture(content: bytes) -> bool:
    """Whether a picture says where or by whom it was taken: Exif place, artist, owner or serial number; XMP creator."""
    found = any(mark in content[: 1 << 20] for mark in (b"<dc:creator>", b"exif:GPSLatitude", b"aux:OwnerName"))
    marks = next((marks for start, marks in _OWNERS.items() if content.startswith(start)), None)
    if found or (marks and not any(mark in content for mark in marks)):
        return found
    from PIL import Image, UnidentifiedImageError

    with suppress(*BROKEN, SyntaxError, UnidentifiedImageError, Image.DecompressionBombError):
        picture = Image.open(io.BytesIO(content))
        exif = picture.getexif()
        inner = exif.get_ifd(0x8769)
        texts = (exif.get(ARTIST), exif.get(AUTHOR), exif.get(HOST), inner.get(OWNER), inner.get(SERIAL))
        keys = {str(key).casefold() for key in picture.info}
        found = bool(exif.get_ifd(GPS)) or any(str(text).strip("\0 ") for text in texts if text)
        found |= bool(keys & {"author", "artist", "copyright"})
    return found


_AUTHORS = (b"<dc:creator>", b"<cp:lastModifiedBy>", b"<meta:initial-creator>")


def owner_of_document(content: bytes) -> bool:
    """Whether an office document or PDF says who wrote it (ODF meta.xml, OOXML docProps/core.xml, PDF /Author)."""
    if content.startswith(b"%PDF"):
        at = content.find(b"/Author")
        return at >= 0 and content[at + 7 : at + 12].strip(b" ")[:2] not in (b"()", b"<>", b"")
    with suppress(*BROKEN, zipfile.BadZipFile), zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in {"meta.xml", "docProps/core.xml"} & set(archive.namelist()[:MOST_MEMBERS]):
            with archive.open(name) as file:
                body = file.read(MOST_OF_A_MEMBER)
            found = [(body.find(mark), len(mark)) for mark in _AUTHORS]
            if any(start >= 0 and not body[start + size : start + size + 1].startswith(b"<") for start, size in found):
                return True
    return False


def swap_holds(read_at: Callable[[int, int], bytes], size: int) -> bool:
    """Whether a swap area, read by start and length, still holds pages or a hibernation image.

    The first page ends in its signature (Linux, include/linux/swap.h, union swap_header); a hibernation image replaces
    it (kernel/power/swap.c, HIBERNATE_SIG 'S1SUSPEND'). None of what it reads is kept.
    """
    head = read_at(0, 4096)
    if head[-10:] in (b"S1SUSPEND\0", b"LINHIB0001") or head[-9:] == b"S1SUSPEND":
        return True
    if head[-10:] not in (b"SWAPSPACE2", b"SWAP-SPACE"):
        return False
    return any(read_at(at, 1 << 20).strip(b"\0") for at in range(4096, min(size, MOST_UNPACKED), 1 << 20))
