"""A disk of chosen rate and access time, held in memory: a plug-in script for nbdkit's Python interface.

nbdkit runs this file with the system's Python, so it imports nothing of the package. One head serves one request
at a time: a request that goes on where the last ones ended costs its length over the rate; one elsewhere costs the
access time besides; a flush after writes costs one access time, as the medium must come round once more.

nbdkit's own rate and delay filters were tried first: the rate filter lets a burst through, and the delay filter charges
a sequential request like a random one, which makes a fast sequential, slow random disk impossible.
"""

from __future__ import annotations

import builtins
import mmap
import time

API_VERSION = 2
MIB = 1 << 20

# What the kernel reorders within this span counts as sequential: a drive's own buffer straightens it.
NEAR_BYTES = 8 * MIB

# A request spends about this long between the kernel and this script; it is taken off, so the rate comes out right.
LATENCY_S = 0.0003

# mmap.MAP_NORESERVE is missing from Python 3.11's module; the value is the same on every Linux of this family.
MAP_NORESERVE = 0x4000


class Pace:
    """When the one head is free again.

    Parameters
    ----------
    rate : float
        Sequential rate [bytes/s].
    access : float
        Time to go elsewhere [s].
    """

    def __init__(self, rate: float, access: float) -> None:
        self.rate = rate
        self.access = access
        self.free_at = 0.0
        self.accesses = 0
        self.head = -1
        self.unflushed = False

    def transfer(self, now: float, offset: int, length: int, *, write: bool) -> float:
        """Book one request and say how long from now until it is done [s]."""
        cost = length / self.rate
        if self.head < 0 or abs(offset - self.head) > NEAR_BYTES:
            cost += self.access
            self.accesses += 1
            self.head = offset + length
        else:
            self.head = max(self.head, offset + length)
        self.unflushed = self.unflushed or write
        return self._book(now, cost)

    def flush(self, now: float) -> float:
        """Book a flush and say how long from now until it is done [s]; free when nothing was written."""
        cost = self.access if self.unflushed else 0.0
        self.accesses += self.unflushed
        self.unflushed = False
        return self._book(now, cost)

    def _book(self, now: float, cost: float) -> float:
        self.free_at = max(now - LATENCY_S, self.free_at) + cost
        return self.free_at - now


_settings: dict[str, float] = {}
_tally_path = ""
_tally: mmap.mmap | None = None
_store: mmap.mmap | None = None
_pace: Pace | None = None


def _wait(seconds: float) -> None:
    # A sleep overshoots by about 50 us; booking ahead evens that out, so that the shortest waits are left to add up.
    if seconds > 60e-6:
        time.sleep(seconds - 50e-6)


def config(key: str, value: str) -> None:
    """Take `size` [bytes], `rate` [MiB/s], `access` [ms] and `tally` (a file of 8 bytes) from nbdkit's command line."""
    global _tally_path
    if key == "tally":
        _tally_path = value
        return
    if key not in ("size", "rate", "access"):
        raise ValueError(f"unknown setting {key}; known are size, rate and access")
    _settings[key] = float(value)


def get_ready() -> None:
    """Reserve the disk's memory; a page takes room once it is written."""
    global _store, _pace, _tally
    if _tally_path:
        with builtins.open(_tally_path, "r+b") as file:
            _tally = mmap.mmap(file.fileno(), 8)
    _store = mmap.mmap(-1, int(_settings["size"]), flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS | MAP_NORESERVE)
    _pace = Pace(_settings["rate"] * MIB, _settings["access"] / 1000)


def open(readonly: bool) -> int:
    """Give every connection the same disk."""
    return 1


def get_size(handle: int) -> int:
    """Size of the disk [bytes]."""
    return int(_settings["size"])


def can_write(handle: int) -> bool:
    """It can be written."""
    return True


def can_flush(handle: int) -> bool:
    """It takes flushes."""
    return True


def _tell() -> None:
    """Write down how many accesses were paid for so far."""
    if _tally is not None and _pace is not None:
        _tally[:8] = _pace.accesses.to_bytes(8, "little")


def pread(handle: int, buffer: bytearray, offset: int, flags: int) -> None:
    """Read, at the disk's pace."""
    assert _store is not None and _pace is not None
    wait = _pace.transfer(time.monotonic(), offset, len(buffer), write=False)
    buffer[:] = _store[offset : offset + len(buffer)]
    _tell()
    _wait(wait)


def pwrite(handle: int, buffer: bytearray, offset: int, flags: int) -> None:
    """Write, at the disk's pace."""
    assert _store is not None and _pace is not None
    wait = _pace.transfer(time.monotonic(), offset, len(buffer), write=True)
    _store[offset : offset + len(buffer)] = bytes(buffer)
    _tell()
    _wait(wait)


def flush(handle: int, flags: int) -> None:
    """Flush, at the disk's pace."""
    assert _pace is not None
    wait = _pace.flush(time.monotonic())
    _tell()
    _wait(wait)
