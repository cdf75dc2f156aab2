"""Every recorded machine, read by the probes and by the shell script; expected values are written by hand beside it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from advisor import capture
from advisor.capture.capture_file import as_text
from advisor.unit import Unit

SCRIPT = Path(capture.__file__).parent / "script.sh"
APART = {"devices", "cpu_flags"}
SHELLS = {"dash": ["dash"], "busybox": ["busybox", "sh"]}


def shell(name: str) -> list[str]:
    """The command of a shell; a missing one skips here and fails where CI is set."""
    command = SHELLS[name]
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not here")
    return command


def known(unit: Unit) -> dict:
    """What is known of a unit, without the long lists."""
    return {
        name: value for name, value in unit.model_dump(mode="json").items() if value is not None and name not in APART
    }


def test_probe_finds_what_is_published(recorded, no_names):
    description, root = recorded
    taken = capture.take(root)
    assert known(taken.unit) == description["expected"]
    assert ("lm" in taken.unit.cpu_flags.split()) == (description["cpu"]["level"] != "i686")
    listed = taken.unit.devices.split("; ")
    assert len(listed) == len(set(listed))
    ids = {line.split()[2] for line in description["buses"]["pci"]}
    found = {f"{one[9:13]}:{one[18:22]}".lower() for one in listed if one.startswith("pci:")}
    assert found == ids
    usb = {line.split()[1] for line in description["buses"].get("usb", ()) if " 09." not in line}
    assert {f"{one[5:9]}:{one[10:14]}".lower() for one in listed if one.startswith("usb:")} == usb


def test_what_is_open_has_a_reason(recorded):
    _, root = recorded
    taken = capture.take(root)
    never_read = {
        "asset_tag", "image", "link_mbps", "decompress_mib_s", "disk_read_mib_s", "disk_access_ms",
        "disk_near_ms", "disk_read_end_mib_s", "notes",
    }  # fmt: skip
    open_fields = {name for name, value in taken.unit if value is None} - never_read
    assert open_fields <= taken.unread.keys()
    assert all(taken.unread.values())


def test_no_identifier_is_kept(recorded, builder):
    _, root = recorded
    text = as_text(capture.take(root))
    assert not [secret for secret in builder.SECRETS if secret.lower() in text.lower()]


@pytest.mark.parametrize("name", SHELLS)
def test_script_gives_the_same_unit(recorded, builder, tmp_path, name):
    _, root = recorded
    out = tmp_path / "unit.txt"
    done = subprocess.run(
        [*shell(name), str(SCRIPT), str(out)],
        env={**os.environ, "ADVISOR_ROOT": str(root)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert capture.read_listings(out).unit == capture.take(root).unit
    text = out.read_text()
    assert not [secret for secret in builder.SECRETS if secret.lower() in text.lower()]
    assert "534e3453" not in text  # the panel's serial number in hexadecimal


def test_identifiers_only_when_asked_for(builder, tmp_path):
    root = builder.expand(builder.load("2013-laptop-haswell-two-batteries")).write(tmp_path)
    notes = capture.probe(root, identifiers=True).notes
    assert "unit serial SN4SECRET" in notes
    assert "wlp3s0 address 02:5e:c2:e7:00:01" in notes
    assert capture.probe(root).notes is None
