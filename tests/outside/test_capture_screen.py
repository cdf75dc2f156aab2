"""Screens against edid-decode, touch against the kernel's event codes."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

from advisor.capture import screen

pytestmark = pytest.mark.outside

_SPEC = importlib.util.spec_from_file_location(
    "capture_machine_builder", Path(__file__).parents[1] / "capture" / "builder.py"
)
assert _SPEC is not None and _SPEC.loader is not None
builder = sys.modules.setdefault(_SPEC.name, importlib.util.module_from_spec(_SPEC))
if not hasattr(builder, "MACHINES"):
    _SPEC.loader.exec_module(builder)

PANELS = sorted(
    {
        (*panel["size"], *panel["mm"])
        for name in builder.names()
        if "size" in (panel := builder.load(name).get("panel", {}))
    }
)


@pytest.mark.parametrize("width, height, across, down", [panel for panel in PANELS if all(panel)])
def test_edid_is_edid_decodes(need, tmp_path, width, height, across, down):
    """edid-decode (v4l-utils' tool; Debian package edid-decode) on the very bytes."""
    block = builder.edid(width, height, (across, down))
    path = tmp_path / "edid.bin"
    path.write_bytes(block)
    said = subprocess.run([need("edid-decode"), path], capture_output=True, text=True, check=False).stdout
    found = re.search(r"DTD 1: +(\d+)x(\d+).*\((\d+) mm x (\d+) mm\)", said)
    assert tuple(map(int, found.groups())) == (width, height, across, down)
    assert "Checksum: 0x" in said and "invalid" not in said.partition("Warnings")[0].lower()
    own = screen.parse_edid(block)
    assert own[:2] == (width, height)
    # Sizes are sold in tenths of an inch, and makers round up a little: 0.08 at most here, of the 13.3 inch panel.
    assert own[2] == pytest.approx((across**2 + down**2) ** 0.5 / 25.4, abs=0.085)


def test_damaged_edid_is_refused_by_both(need, tmp_path):
    block = bytearray(builder.edid(1366, 768, (344, 194)))
    block[60] ^= 0xFF
    path = tmp_path / "edid.bin"
    path.write_bytes(block)
    said = subprocess.run([need("edid-decode"), path], capture_output=True, text=True, check=False).stdout
    assert "should be" in said  # Checksum: 0x.. (should be 0x..)
    assert screen.parse_edid(bytes(block)) is None


def test_event_codes_are_the_kernels(need):
    """linux-libc-dev: linux/input-event-codes.h."""
    text = need("/usr/include/linux/input-event-codes.h").read_text()
    codes = {name: int(value, 0) for name, value in re.findall(r"^#define\s+(\w+)\s+(0x\w+|\d+)\b", text, re.MULTILINE)}
    own = (screen._EV_ABS, screen._ABS_X, screen._ABS_MT_X, screen._BTN_TOUCH, screen._BTN_PEN, screen._DIRECT)
    names = ("EV_ABS", "ABS_X", "ABS_MT_POSITION_X", "BTN_TOUCH", "BTN_TOOL_PEN", "INPUT_PROP_DIRECT")
    assert own == tuple(codes[name] for name in names)
