"""A paced disk that begins as a copy of an image file: a plug-in script for nbdkit's Python interface.

The pace is that of the rehearsal rig's disk (`paced_disk.Pace`). What is written stays in memory and the image is
never changed. Until a file named `go` exists nothing is paced, so that a machine is brought up quickly first.
nbdkit runs this file with the system's Python, so it imports nothing of the package.
"""

from __future__ import annotations

import importlib.util
import mmap
import os
import time
from typing import Any

API_VERSION = 2
MIB = 1 << 20

# mmap.MAP_NORESERVE is missing from Python 3.11's module; the value is the same on every Linux of this family.
MAP_NORESERVE = 0x4000

_settings: dict[str, str] = {}
_store: mmap.mmap | None = None
_rig: Any = None
_pace: Any = None


def config(key: str, value: str) -> None:
    """Take `image`, `pacer` and `go` (paths), `rate` [MiB/s] and `access` [ms] from nbdkit's command line."""
    if key not in ("image", "pacer", "go", "rate", "access"):
        raise ValueError(f"unknown setting {key}; known are image, pacer, go, rate and access")
    _settings[key] = value


def get_ready() -> None:
    """Map the image: a page that is written becomes the disk's own."""
    global _store, _rig
    spec = importlib.util.spec_from_file_location("paced_disk", _settings["pacer"])
    assert spec is not None and spec.loader is not None
    _rig = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(_rig)
    # Not `open`, which nbdkit's interface gives another meaning in this file.
    handle = os.open(_settings["image"], os.O_RDONLY)
    flags = mmap.MAP_PRIVATE | MAP_NORESERVE
    _store = mmap.mmap(handle, 0, flags=flags, prot=mmap.PROT_READ | mmap.PROT_WRITE)
    os.close(handle)


def _paced() -> Any:
    global _pace
    if _pace is None and os.path.exists(_settings["go"]):
        _pace = _rig.Pace(float(_settings["rate"]) * MIB, float(_settings["access"]) / 1000)
    return _pace


def open(readonly: bool) -> int:
    """Give every connection the same disk."""
    return 1


def get_size(handle: int) -> int:
    """Size of the disk [bytes]."""
    assert _store is not None
    return len(_store)


def can_write(handle: int) -> bool:
    """It can be written."""
    return True


def can_flush(handle: int) -> bool:
    """It takes flushes."""
    return True


def pread(handle: int, buffer: bytearray, offset: int, flags: int) -> None:
    """Read, at the disk's pace."""
    assert _store is not None
    pace = _paced()
    wait = pace.transfer(time.monotonic(), offset, len(buffer), write=False) if pace else 0.0
    buffer[:] = _store[offset : offset + len(buffer)]
    _rig._wait(wait)


def pwrite(handle: int, buffer: bytearray, offset: int, flags: int) -> None:
    """Write, at the disk's pace."""
    assert _store is not None
    pace = _paced()
    wait = pace.transfer(time.monotonic(), offset, len(buffer), write=True) if pace else 0.0
    _store[offset : offset + len(buffer)] = bytes(buffer)
    _rig._wait(wait)


def flush(handle: int, flags: int) -> None:
    """Flush, at the disk's pace."""
    pace = _paced()
    if pace:
        _rig._wait(pace.flush(time.monotonic()))
