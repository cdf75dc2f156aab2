"""The speed tests that the capture and the rig share."""

from __future__ import annotations

import hashlib
import lzma
import os
import zlib

import pytest

from advisor.capture import speed
from advisor.errors import AccessError, CaptureError

MIB = 1 << 20


def test_the_buffer_never_changes():
    # Pinned: another buffer would make figures of different versions look alike. Raise SPEED_TEST_VERSION with it.
    assert speed.SPEED_TEST_VERSION == 1
    assert hashlib.sha256(speed.fixed_buffer()).hexdigest() == BUFFER
    assert len(speed.fixed_buffer()) == MIB


BUFFER = "df4e422a31db6f542be682db961470020344a53414117742b6720a4c4fc05379"


def test_the_buffer_packs_about_as_a_file_system_does():
    # Debian trees packed for the rehearsals come to 2.3 to 3.6 times with xz (common range, measured).
    assert 2.0 < MIB / len(lzma.compress(speed.fixed_buffer(), preset=6)) < 4.0
    assert 1.5 < MIB / len(zlib.compress(speed.fixed_buffer(), 9)) < 4.0


def test_decompression_is_counted_at_its_output(monkeypatch):
    # A clock that moves a quarter of a second a chunk: 4 MiB/s by definition.
    ticks = iter(range(1000))
    monkeypatch.setattr(speed.time, "perf_counter", lambda: next(ticks) * 0.25)
    monkeypatch.setattr(speed.lzma, "decompress", lambda packed: b"")
    assert speed.decompress_mib_s(2.0) == pytest.approx(4.0)


def test_a_file_is_read_in_order_and_never_written(tmp_path):
    path = tmp_path / "disk"
    path.write_bytes(os.urandom(32 * MIB))
    before, stamp = hashlib.sha256(path.read_bytes()).digest(), path.stat().st_mtime_ns
    assert speed.disk_read_mib_s(path, 0.05) > 0
    assert speed.disk_access_ms(path, 0.05) > 0
    assert hashlib.sha256(path.read_bytes()).digest() == before and path.stat().st_mtime_ns == stamp


def test_the_figures_are_length_over_time(tmp_path, monkeypatch):
    path = tmp_path / "disk"
    path.write_bytes(bytes(32 * MIB))
    now = [0.0]
    offsets: list[int] = []

    def read(self, offset, length):
        now[0] += 0.010
        offsets.append(offset)
        return length

    monkeypatch.setattr(speed._DirectReader, "read", read)
    monkeypatch.setattr(speed.time, "perf_counter", lambda: now[0])
    # 1 MiB in 10 ms is 100 MiB/s; each random read of 10 ms is 10 ms.
    assert speed.disk_read_mib_s(path, 1.0) == pytest.approx(100.0)
    assert offsets[:4] == [0, MIB, 2 * MIB, 3 * MIB] and max(offsets) < 32 * MIB
    offsets.clear()
    assert speed.disk_access_ms(path, 1.0) == pytest.approx(10.0)
    assert all(offset % 4096 == 0 for offset in offsets) and len(set(offsets)) > 80
    assert speed.disk_access_ms(path, 100.0, count=7) == pytest.approx(10.0)


@pytest.mark.parametrize("make", ["folder", "small", "missing", "pipe"])
def test_what_is_no_disk_is_refused(tmp_path, make):
    path = tmp_path / "it"
    if make == "folder":
        path.mkdir()
    elif make == "small":
        path.write_bytes(b"x" * 1000)
    elif make == "pipe":
        path = "/dev/null"
    for test in (speed.disk_read_mib_s, speed.disk_access_ms):
        with pytest.raises(CaptureError):
            test(path, 0.01)


def test_a_disk_of_another_user_is_told(tmp_path, monkeypatch):
    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(speed.os, "open", refuse)
    with pytest.raises(AccessError, match="may not be read"):
        speed.disk_read_mib_s(tmp_path / "disk", 0.01)
