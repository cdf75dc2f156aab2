"""Three short speed tests, read-only, shared by the capture and the rehearsal rig so that both mean the same.

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


def disk_read_mib_s(path: str | os.PathLike[str], seconds: float = 3.0) -> float:
    """Measure a sequential read from the start of a disk, past the page cache.

    Parameters
    ----------
    path : path-like
        Block device or large file; it is only ever read.
    seconds : float
        How long to measure [s]; the first 8 MiB are not counted.

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
        last = reader.size - reader.size % READ_BYTES
        offset = 0
        for _ in range(min(WARM_UP_READS, last // READ_BYTES - 1)):
            reader.read(offset, READ_BYTES)
            offset += READ_BYTES
        done = 0
        start = time.perf_counter()
        while True:
            if offset + READ_BYTES > last:
                offset = 0
            done += reader.read(offset, READ_BYTES)
            offset += READ_BYTES
            elapsed = time.perf_counter() - start
            if elapsed >= seconds:
                return done / MIB / elapsed


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
    draw = random.Random(os.urandom(16))
    with _DirectReader(path) as reader:
        blocks = reader.size // ACCESS_BYTES
        done = 0
        start = time.perf_counter()
        while True:
            reader.read(draw.randrange(blocks) * ACCESS_BYTES, ACCESS_BYTES)
            done += 1
            elapsed = time.perf_counter() - start
            if done >= count or elapsed >= seconds:
                return 1000 * elapsed / done
