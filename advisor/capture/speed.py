"""Five short speed tests, read-only, shared by the capture and the rehearsal rig so that both mean the same.

They use the standard library alone, so that the probe runs from a stick on a machine that has nothing installed.
"""

from __future__ import annotations

import errno
import hashlib
import lzma
import mmap
import os
import random
import stat
import struct
import time
from functools import cache

from advisor.errors import AccessError, CaptureError

SPEED_TEST_VERSION = 1
"""Raised whenever a change would alter what the figures mean; figures of different versions do not mix."""

MIB = 1 << 20
CHUNK_BYTES = MIB
LZMA_PRESET = 1
ACCESS_BYTES = 4096
READ_BYTES = MIB
WARM_UP_READS = 8
WARM_UP_S = 0.5
"""Longest that reads go on before a sequential one is timed [s], so that a slow disk takes little longer."""

SPAN = 0.01
"""Share of a disk, from its start, that counts as near, and at its end as its end: of 80 GB that is 0.8, more than
a disk's buffer (8 to 64 MB, from memory), and a small part of the stroke."""


def _noise(label: str, length: int) -> bytes:
    """Bytes that are the same on every machine and Python version (SHAKE-256, FIPS 202)."""
    return hashlib.shake_256(label.encode()).digest(length)


@cache
def fixed_buffer() -> bytes:
    """Build the fixed buffer that is decompressed.

    Returns
    -------
    bytes
        1 MiB, the same everywhere: in each 4 KiB three parts of words drawn from a vocabulary of 2048 with
        a bias to the first, and a part of 4-byte records that count up beside noise, as text and program
        code are mixed in a file system.
    """
    letters = _noise("letters", 2048 * 12)
    words = [
        bytes(97 + value % 26 for value in letters[at + 1 : at + 3 + letters[at] % 8])
        for at in range(0, len(letters), 12)
    ]
    draws = struct.unpack(f"<{256 * 1024}H", _noise("draws", 512 * 1024))
    # The cube of a uniform draw favours low indices, as a few words make up most of any text.
    text = b" ".join(words[draw**3 >> 37] for draw in draws)
    noise = _noise("records", 256 * 1024)
    records = b"".join(
        struct.pack("<HBB", (index * 8) & 0xFFFF, noise[index] & 0x3F, 0x48 if noise[index] & 3 else 0x89)
        for index in range(len(noise))
    )
    pieces = []
    for block in range(CHUNK_BYTES // 4096):
        pieces.append(text[block * 3072 : (block + 1) * 3072])
        pieces.append(records[block * 1024 : (block + 1) * 1024])
    return b"".join(pieces)


@cache
def _packed() -> bytes:
    return lzma.compress(fixed_buffer(), preset=LZMA_PRESET)


def decompress_mib_s(seconds: float = 2.0) -> float:
    """Measure how fast one thread decompresses lzma.

    Parameters
    ----------
    seconds : float
        How long to measure [s]; the last chunk is finished, so a slow machine takes a little longer.

    Returns
    -------
    float
        Output per elapsed second [MiB/s].
    """
    packed = _packed()
    lzma.decompress(packed)
    chunks = 0
    start = time.perf_counter()
    while True:
        lzma.decompress(packed)
        chunks += 1
        elapsed = time.perf_counter() - start
        if elapsed >= seconds:
            return chunks * CHUNK_BYTES / MIB / elapsed


class _DirectReader:
    """A file or device opened for reading past the page cache where the system can."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = os.fspath(path)
        self.direct = True
        try:
            self.handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC | getattr(os, "O_DIRECT", 0))
        except PermissionError as error:
            raise AccessError(
                f"{self.path} may not be read by this user, so its speed was not measured.", "Run it as root."
            ) from error
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise CaptureError(f"{self.path} cannot be opened: {error.strerror}.") from error
            self.direct = False
            self.handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
        mode = os.fstat(self.handle).st_mode
        self.size = os.lseek(self.handle, 0, os.SEEK_END)
        if not (stat.S_ISBLK(mode) or stat.S_ISREG(mode)) or self.size < 2 * READ_BYTES:
            os.close(self.handle)
            raise CaptureError(
                f"{self.path} is not a disk or file of at least 2 MiB, so its speed cannot be measured.",
                "Name a disk, such as /dev/sda.",
            )
        # An anonymous map is page-aligned, which a direct read needs.
        self.buffer = mmap.mmap(-1, READ_BYTES)

    def __enter__(self) -> _DirectReader:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.handle)
        self.buffer.close()

    def read(self, offset: int, length: int) -> int:
        if not self.direct:
            os.posix_fadvise(self.handle, offset, length, os.POSIX_FADV_DONTNEED)
        view = memoryview(self.buffer)[:length]
        try:
            return os.preadv(self.handle, [view], offset)
        except OSError as error:
            if error.errno == errno.EINVAL and self.direct:
                # Some file systems accept the flag and then refuse the read.
                os.close(self.handle)
                self.handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
                self.direct = False
                return os.preadv(self.handle, [view], offset)
            raise CaptureError(
                f"{self.path} could not be read at byte {offset}: {error.strerror}.",
                "A disk that fails to read is not worth an install; look at its health.",
            ) from error
        finally:
            view.release()


def _sequential(reader: _DirectReader, first: int, last: int, seconds: float) -> float:
    """Rate of a read from one offset to another, and from the first again where there is time left [MiB/s]."""
    offset = first
    start = time.perf_counter()
    for _ in range(min(WARM_UP_READS, (last - first) // READ_BYTES - 1)):
        reader.read(offset, READ_BYTES)
        offset += READ_BYTES
        if time.perf_counter() - start >= WARM_UP_S:
            break
    done = 0
    start = time.perf_counter()
    while True:
        if offset + READ_BYTES > last:
            offset = first
        done += reader.read(offset, READ_BYTES)
        offset += READ_BYTES
        elapsed = time.perf_counter() - start
        if elapsed >= seconds:
            return done / MIB / elapsed


def _random(reader: _DirectReader, blocks: int, seconds: float, count: int) -> float:
    """Mean time of a read of 4 KiB, spread evenly at random over so many blocks from the start [ms]."""
    draw = random.Random(os.urandom(16))
    done = 0
    start = time.perf_counter()
    while True:
        reader.read(draw.randrange(blocks) * ACCESS_BYTES, ACCESS_BYTES)
        done += 1
        elapsed = time.perf_counter() - start
        if done >= count or elapsed >= seconds:
            return 1000 * elapsed / done


def disk_read_mib_s(path: str | os.PathLike[str], seconds: float = 2.0) -> float:
    """Measure a sequential read from the start of a disk, past the page cache.

    Parameters
    ----------
    path : path-like
        Block device or large file; it is only ever read.
    seconds : float
        How long to measure [s]; the first 8 MiB, or half a second of them, are not counted.

    Returns
    -------
    float
        [MiB/s], in reads of 1 MiB, one at a time.

    Raises
    ------
    AccessError
        When this user may not read it.
    CaptureError
        When it is no disk, too small, or a read fails.
    """
    with _DirectReader(path) as reader:
        return _sequential(reader, 0, reader.size - reader.size % READ_BYTES, seconds)


def disk_read_end_mib_s(path: str | os.PathLike[str], seconds: float = 1.0) -> float:
    """Measure a sequential read of the last hundredth of a disk, past the page cache.

    Parameters
    ----------
    path, seconds
        As for `disk_read_mib_s`.

    Returns
    -------
    float
        [MiB/s], in reads of 1 MiB, one at a time: on platters less than at the start, as inner tracks are shorter.

    Raises
    ------
    AccessError, CaptureError
        As of `disk_read_mib_s`.
    """
    with _DirectReader(path) as reader:
        last = reader.size - reader.size % READ_BYTES
        span = max(int(last * SPAN) // READ_BYTES, 2) * READ_BYTES
        return _sequential(reader, last - span, last, seconds)


def disk_access_ms(path: str | os.PathLike[str], seconds: float = 2.0, count: int = 2000) -> float:
    """Measure the mean time of a random 4 KiB read, past the page cache.

    Parameters
    ----------
    path : path-like
        Block device or large file; it is only ever read.
    seconds : float
        How long to measure at most [s].
    count : int
        How many reads at most.

    Returns
    -------
    float
        [ms], one read at a time, spread evenly at random over the whole disk.

    Raises
    ------
    AccessError
        When this user may not read it.
    CaptureError
        When it is no disk, too small, or a read fails.
    """
    with _DirectReader(path) as reader:
        return _random(reader, reader.size // ACCESS_BYTES, seconds, count)


def disk_near_ms(path: str | os.PathLike[str], seconds: float = 1.0, count: int = 2000) -> float:
    """Measure the mean time of a random 4 KiB read within the first hundredth of a disk, past the page cache.

    Parameters
    ----------
    path, seconds, count
        As for `disk_access_ms`.

    Returns
    -------
    float
        [ms], one read at a time: on platters a short seek and half a turn, on flash the same as over the whole disk.

    Raises
    ------
    AccessError, CaptureError
        As of `disk_access_ms`.
    """
    with _DirectReader(path) as reader:
        # The way there may be a long one.
        reader.read(0, ACCESS_BYTES)
        return _random(reader, int(reader.size * SPAN) // ACCESS_BYTES, seconds, count)
