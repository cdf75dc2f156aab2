"""Hostile input: no traceback, little memory, linear time, and no guess passed off as a fact."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.capture import battery, health, read_capture, read_listings, screen, smbios
from advisor.capture.listings import LARGEST_LISTING
from advisor.capture.machine_facts import Cell, Disk, Findings, MachineFacts
from advisor.errors import CaptureError
from advisor.unit import Capture

# Beginnings and keys that make a reader take a line seriously.
HEADS = [
    "bench-advisor recording 1", "/sys/class/dmi/id/product_name = ", "/sys/firmware/dmi/tables/DMI := ",
    "/sys/class/block/sda -> /sys/class/block/sda", "/sys/class/block/sda/size = ",
    "/sys/class/drm/card0-eDP-1/edid := ",
    "/sys/class/drm/card0-eDP-1/status = connected", "/sys/class/power_supply/BAT0/type = Battery",
    "/sys/class/power_supply/BAT0/energy_full = ", "/sys/class/power_supply/BAT0/energy_full_design = ",
    "/sys/class/input/input0/capabilities/abs = ", "/sys/class/input/input0/capabilities/ev = ", "/proc/meminfo = ",
    "/run/advisor/smartctl/sda = ", "/run/udev/data/+dmi:id = E:MEMORY_ARRAY_NUM_DEVICES=", "/sys/bus/pci/devices/",
    "/sys/bus/pci/devices/x/modalias = ", "/proc/cpuinfo = ", "MemTotal: ", "P: /devices/", "E: SUBSYSTEM=",
    "E: MODALIAS=",
    "E: DEVTYPE=disk", "E: POWER_SUPPLY_ENERGY_FULL=", "E: MEMORY_DEVICE_0_SIZE=", "00:02.0 ", "00:02.0 VGA [0300]: ",
    "\\tKernel driver in use: ", "Bus 001 Device 001: ID 0bda:c811 ", "      bInterfaceClass ", "processor\\t: 0",
    "vendor_id\\t: ", "cpu family\\t: ", "physical id\\t: ", "core id\\t: ", "flags\\t: ", "Architecture: ",
    "Model name: ",
    "CPU(s): ", "Handle 0x0001, DMI type 17, 40 bytes", "Memory Device", "\\tSize: ", "\\tForm Factor: ", "\\tType: ",
    "\\tArray Handle: ", "Physical Memory Array", "\\tUse: System Memory", "\\tNumber Of Devices: ",
    "\\tMaximum Capacity: ", '{"lscpu": [', '{"blockdevices": [', '{"unit": {', '"name": "sda", "size": ',
    "}", "]", "{",
]  # fmt: skip
HEADS = [head.replace("\\t", "\t") for head in HEADS]
TAILS = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["-1", "0", "9" * 30, "0x" + "f" * 30, "١٢", "1e999", "NaN", "\t", "..", "/", "00ff" * 40, "8 GB",
         "[8086:1916]",
         "pci:v00008086d00001916sv000017AAsd00005050bc03sc00i00", "Notebook", "DDR4", "block", "pci", "\x00",
         "\ud7ff", "="]
    ),
    st.binary(max_size=200).map(bytes.hex),
)  # fmt: skip
LINES = st.tuples(st.sampled_from(HEADS), TAILS).map("".join)
TEXTS = st.lists(st.one_of(LINES, st.text(max_size=60)), max_size=60).map("\n".join)
QUIET = settings(deadline=None, max_examples=250, suppress_health_check=[HealthCheck.function_scoped_fixture])


def check(taken: Capture) -> None:
    """A capture that is valid again when written and read, with a reason for all that is open."""
    assert Capture.model_validate_json(taken.model_dump_json()) == taken
    assert all(isinstance(reason, str) and reason for reason in taken.unread.values())
    assert len(taken.model_dump_json()) < 200_000


@QUIET
@given(TEXTS)
def test_any_text_is_read_or_refused(text):
    try:
        check(read_listings(text + "\n"))
    except CaptureError as refused:
        assert refused.message and refused.hint


@QUIET
@given(st.binary(max_size=2000), st.sampled_from(["", "bench-advisor recording 1\n", "\ufeff", "{"]))
def test_any_file_is_read_or_refused(tmp_path, content, head):
    path = tmp_path / "file"
    path.write_bytes(head.encode() + content)
    for read in (read_listings, read_capture):
        try:
            check(read(path))
        except CaptureError as refused:
            assert refused.message and refused.hint


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=5),
        st.dictionaries(
            st.sampled_from(["name", "size", "type", "tran", "rota", "rm", "model", "field", "data", "children",
                             "lscpu",
                             "blockdevices", "unit", "format", "unread", "cpu", "ram_gib", "notes"]), inner, max_size=6
        ),
    ),
    max_leaves=40,
)  # fmt: skip


@pytest.mark.slow
@QUIET
@given(JSON)
def test_any_json_is_read_or_refused(tmp_path, said):
    path = tmp_path / "file.json"
    path.write_text(json.dumps({"blockdevices": said, "lscpu": said}) + "\n" + json.dumps(said))
    for content in (json.dumps({"blockdevices": said, "lscpu": said}), json.dumps(said), json.dumps({"unit": said})):
        path.write_text(content + "\n")
        for read in (read_listings, read_capture):
            try:
                check(read(path))
            except CaptureError as refused:
                assert refused.message and refused.hint


@QUIET
@given(st.binary(max_size=600))
def test_any_bytes_as_table_panel_and_log(content):
    found = smbios.memory(content)
    assert found.modules is None or all(m.mib is None or m.mib >= 0 for m in found.modules)
    smbios.uefi_able(content)
    screen.parse_edid(content)
    screen.parse_edid(b"\x00\xff\xff\xff\xff\xff\xff\x00" + content)
    for wear in (
        health.nvme(content),
        health.ata(Disk("sda", link="ata", spinning=False, model="Samsung SSD"), content, content, None),
        health.smartctl(content.decode("latin-1"), Disk("sda")),
    ):
        assert wear.left_pct is None or 0 <= wear.left_pct <= 100


@QUIET
@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.integers()),
            st.one_of(st.none(), st.integers()),
            st.sampled_from(["energy", "charge"]),
        ),
        max_size=4,
    )
)
def test_any_battery(cells):
    found = Findings()
    battery.decide(MachineFacts(batteries=tuple(Cell(*cell) for cell in cells)), found)
    values, why = found.values, found.why
    health_pct = values.get("battery_health_pct")
    assert health_pct is None or 0 <= health_pct <= 150
    assert (not health_pct) == ("battery_health_pct" in why) or round(health_pct, 1) == 0


@QUIET
@given(data=st.data())
def test_a_recording_with_changed_bytes(roots, tmp_path, data):
    """A true recording with bytes overwritten, cut and repeated is read or refused."""
    whole = recording_of(roots)
    at = data.draw(st.integers(0, len(whole) - 1))
    noise = data.draw(st.binary(min_size=1, max_size=30))
    end = data.draw(st.integers(at, len(whole)))
    path = tmp_path / "changed"
    path.write_bytes(whole[:at] + noise + whole[at + len(noise) : end] + whole[at : at + 200])
    try:
        check(read_listings(path))
    except CaptureError as refused:
        assert refused.message and refused.hint


_RECORDING: dict[str, bytes] = {}


def recording_of(roots) -> bytes:
    """The script's text of one recorded machine."""
    if not _RECORDING:
        script = Path(health.__file__).parent / "script.sh"
        environment = {"ADVISOR_ROOT": str(roots("2013-laptop-haswell-two-batteries")), "PATH": "/usr/bin:/bin"}
        _RECORDING["it"] = subprocess.run(["sh", script, "-"], env=environment, capture_output=True, check=True).stdout
    return _RECORDING["it"]


HUGE = {
    "one long line": lambda size: "00:02.0 " + "[" * size,
    "brackets": lambda size: "00:02.0 VGA [0300]: " + "[8086:" * (size // 6),
    "many short lines": lambda size: "\n" * min(size, 97_000),
    "braces": lambda size: "{\n" * min(size // 2, 97_000),
    "opened and closed": lambda size: "{}\n" * min(size // 3, 97_000),
    "nested lists": lambda size: '{"lscpu": ' + "[" * (size - 10),
    "spaces": lambda size: "MemTotal:" + " " * size + "x kB",
    "paths": lambda size: "".join(f"/sys/class/block/{i}/size = 1\n" for i in range(min(size // 30, 97_000))),
    "deep paths": lambda size: ("/sys" + "/a" * 25 + " = 1\n") * min(size // 60, 97_000),
    "links in rings": lambda size: "".join(
        f"/sys/class/block/s{i} -> /sys/class/block/s{i + 1}\n" for i in range(min(size // 50, 97_000))
    ),
    "pci devices": lambda size: "".join(
        f"{i >> 8 & 255:02x}:{i & 31:02x}.0 X [0300]: y [8086:{i & 0xFFFF:04x}]\n"
        for i in range(min(size // 40, 97_000))
    ),
    "udev devices": lambda size: "".join(
        f"P: /devices/{i}\nE: SUBSYSTEM=block\nE: DEVTYPE=disk\n" for i in range(min(size // 50, 32_000))
    ),
    "keys": lambda size: "Architecture: x\n" + "k: v\n" * min(size // 5, 97_000),
    "memory devices": lambda size: "Memory Device\n\tSize: 1 GB\n" * min(size // 26, 48_000),
    "wide characters": lambda size: "Architecture: x\n" + "\U0001f600" * (size // 4),
    "one hexadecimal": lambda size: "/sys/firmware/dmi/tables/DMI := " + "00" * (size // 2 - 20),
    "smbios structures": lambda size: "/sys/firmware/dmi/tables/DMI := " + "1104000000000000" * (size // 16 - 20),
    "cpuinfo": lambda size: "processor\t: 0\ncore id\t: 1\n" * min(size // 26, 48_000),
}  # fmt: skip

MEASURE = """
import re, sys, time
from advisor.capture import read_listings
from advisor.errors import CaptureError
start = time.process_time()
try:
    read_listings(sys.argv[1])
except CaptureError as refused:
    assert refused.message
# The high-water mark of this very process; ru_maxrss would count the parent that it was forked from.
peak = re.search("VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())
print(time.process_time() - start, int(peak[1]) // 1024)
"""


def measured(path: Path) -> tuple[float, int]:
    """Processor seconds and peak memory [MiB] of reading a file in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(MEASURE), path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    seconds, mib = done.stdout.split()
    return float(seconds), int(mib)


@pytest.mark.slow
@pytest.mark.parametrize("kind", HUGE)
def test_huge_listings_stay_below_200_mib(tmp_path, kind):
    """The largest text that is read at all; its peak is the whole process's, the interpreter and libraries included."""
    path = tmp_path / "huge"
    path.write_text(HUGE[kind](LARGEST_LISTING - 100)[: LARGEST_LISTING - 100], encoding="utf-8")
    assert path.stat().st_size <= LARGEST_LISTING
    _, mib = measured(path)
    assert mib < 200


def operations(path: Path) -> int:
    """Lines of Python executed to read a file: work that does not depend on how busy the machine is."""
    program = """
    import sys
    count = 0
    def trace(frame, event, argument):
        global count
        count += event == "line"
        return trace
    from advisor.capture import listings
    import advisor.capture.live, advisor.capture.listings.merge
    sys.settrace(trace)
    try:
        listings.read_listings(sys.argv[1])
    except Exception as refused:
        assert type(refused).__name__ == "CaptureError", refused
    sys.settrace(None)
    print(count)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return int(done.stdout)


@pytest.mark.slow
@pytest.mark.parametrize("kind", HUGE)
def test_work_grows_no_faster_than_the_text(tmp_path, kind):
    """Four times the text, at most about four times the lines executed (a square law would give sixteen)."""
    small, large = tmp_path / "small", tmp_path / "large"
    small.write_text(HUGE[kind](10_000), encoding="utf-8")
    large.write_text(HUGE[kind](40_000), encoding="utf-8")
    few, many = operations(small), operations(large)
    assert many <= 5 * few + 20_000
