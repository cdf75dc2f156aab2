"""Capture files: whole, refused with a clear sentence, or read as far as they are valid."""

from __future__ import annotations

import json
import os
import stat

import pytest

from advisor.capture import read_capture, write_capture
from advisor.capture.summary import text
from advisor.errors import CaptureError, InputError
from advisor.unit import CAPTURE_FORMAT, Capture, FormFactor, StorageKind, Unit

UNIT = Unit(asset_tag="017", cpu="Intel(R) N100", ram_gib=16, form_factor=FormFactor.SMALL_DESKTOP, secure_boot=False)
CAPTURE = Capture(taken_at="2026-01-01T00:00:00+00:00", unit=UNIT, unread={"ram_slots": "needs root"})


def test_what_is_written_is_read(tmp_path):
    path = write_capture(CAPTURE, tmp_path / "unit.json")
    assert read_capture(path) == CAPTURE
    assert json.loads(path.read_text())["format"] == CAPTURE_FORMAT
    assert [entry.name for entry in tmp_path.iterdir()] == ["unit.json"]


def test_a_capture_of_three_speeds_is_still_read(tmp_path):
    """As a capture was written before near access and the end of the disk were measured."""
    path = tmp_path / "old.json"
    path.write_text("""{
  "format": 1, "taken_at": "2026-11-20T09:00:00+00:00", "taken_by": "advisor 0.1.0, udev",
  "unit": {"asset_tag": "017", "cpu": "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz", "storage_kind": "spinning disk",
           "decompress_mib_s": 21.5, "disk_read_mib_s": 92.1, "disk_access_ms": 17.3},
  "unread": {"ram_slots": "needs root"}
}""")
    read = read_capture(path)
    unit = read.unit
    assert (unit.decompress_mib_s, unit.disk_read_mib_s, unit.disk_access_ms) == (21.5, 92.1, 17.3)
    assert unit.disk_near_ms is None and unit.disk_read_end_mib_s is None
    assert read.unread == {"ram_slots": "needs root"}


def test_near_access_and_the_disks_end_are_written_read_and_refused_like_the_other_speeds(tmp_path):
    good = CAPTURE.model_copy(update={"unit": UNIT.model_copy(update={"disk_near_ms": 7.9, "disk_read_end_mib_s": 36})})
    path = write_capture(good, tmp_path / "unit.json")
    assert read_capture(path) == good
    said = " ".join(text(good).split())
    assert "at its end 36 MiB/s" in said and "near by 7.9 ms" in said
    names = ("disk_read_mib_s", "disk_access_ms", "disk_near_ms", "disk_read_end_mib_s")
    for nonsense in (0, -1, 1e9, "fast"):
        path.write_text(json.dumps({"format": 1, "unit": {"cpu": "x"} | dict.fromkeys(names, nonsense)}))
        read = read_capture(path)
        assert read.unread.keys() == set(names) and all(getattr(read.unit, name) is None for name in names)


def test_a_newer_format_is_refused(tmp_path):
    path = tmp_path / "new.json"
    path.write_text(json.dumps({"format": CAPTURE_FORMAT + 1, "unit": {"cpu": "x"}}))
    with pytest.raises(CaptureError) as refused:
        read_capture(path)
    assert "newer version" in refused.value.message and str(CAPTURE_FORMAT + 1) in refused.value.message
    assert "newer version of the advisor" in refused.value.hint


@pytest.mark.parametrize("form", ["x", 0, -1, True, 1.5, None, [1]])
def test_a_format_that_is_no_number_is_refused(tmp_path, form):
    path = tmp_path / "odd.json"
    path.write_text(json.dumps({"format": form, "unit": {}}))
    with pytest.raises(CaptureError, match="no format number"):
        read_capture(path)


@pytest.mark.parametrize(
    "content, said",
    [
        (b"", "is empty"),
        (b"  \n", "is empty"),
        (b"\x7fELF\x02\x01\x01\x00\xff\xfe\xfd", "not text"),
        (b"hello", "is not JSON"),
        (b'{"format": 1, "unit": {"cpu": "Int', "is cut short"),
        (b'{"format": 1, "unit": {"cpu": "x"}', "is cut short"),
        (b"[1, 2]", "no 'unit'"),
        (b'{"unit": 5}', "no 'unit'"),
        (b"null", "no 'unit'"),
        (b"[" * 200_000, "not JSON"),
        (b'{"unit": {"ram_gib": ' + b"9" * 5000 + b"}}", "not JSON"),
        (b"00:02.0 VGA compatible controller", "is not JSON"),
    ],
)
def test_what_is_no_capture_is_refused(tmp_path, content, said):
    path = tmp_path / "bad.json"
    path.write_bytes(content)
    with pytest.raises(CaptureError) as refused:
        read_capture(path)
    assert said in refused.value.message
    assert refused.value.hint
    assert len(refused.value.message) < 500


def test_a_huge_file_is_refused_unread(tmp_path):
    path = tmp_path / "huge.json"
    with open(path, "wb") as file:
        file.truncate(6 << 20)
    with pytest.raises(CaptureError, match="larger than 5 MiB"):
        read_capture(path)


def test_missing_folder_and_pipe(tmp_path):
    with pytest.raises(CaptureError, match="does not exist"):
        read_capture(tmp_path / "none.json")
    with pytest.raises(CaptureError, match="is a folder"):
        read_capture(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CaptureError):
        read_capture(tmp_path / "pipe")


def test_unknown_fields_are_ignored_and_bad_values_named(tmp_path):
    path = tmp_path / "mixed.json"
    unit = {
        "cpu": "Intel(R) N100", "ram_gib": -4, "storage_kind": "punch card", "storage_gib": 120, "cpu_model": "many",
        "secure_boot": "perhaps", "colour": "green", "screen": {"a": 1},
    }  # fmt: skip
    path.write_text(json.dumps({"format": 1, "unit": unit, "unread": {"tpm": "none seen", "x": 5}, "later": True}))
    taken = read_capture(path)
    assert (taken.unit.cpu, taken.unit.storage_gib) == ("Intel(R) N100", 120)
    assert {"ram_gib", "storage_kind", "cpu_model", "secure_boot", "screen", "tpm"} == taken.unread.keys()
    assert "-4" in taken.unread["ram_gib"] and "was dropped" in taken.unread["ram_gib"]


def test_numbers_that_are_no_numbers(tmp_path):
    path = tmp_path / "nan.json"
    path.write_text('{"format": 1, "unit": {"ram_gib": NaN, "storage_gib": Infinity, "cpu": "x"}}')
    taken = read_capture(path)
    assert taken.unit.ram_gib is None and taken.unit.storage_gib is None
    assert taken.unit.cpu == "x"


def test_a_folder_that_may_not_be_written(tmp_path):
    with pytest.raises(InputError):
        write_capture(CAPTURE, tmp_path / "none" / "unit.json")
    path = tmp_path / "unit.json"
    write_capture(CAPTURE, path)
    assert stat.S_IMODE(path.stat().st_mode) & 0o400


def test_kinds_survive(tmp_path):
    for kind in StorageKind:
        capture = Capture(unit=Unit(storage_kind=kind))
        assert read_capture(write_capture(capture, tmp_path / "k.json")).unit.storage_kind is kind
