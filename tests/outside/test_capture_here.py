"""The machine this runs on, against lspci, lsblk, lscpu and free; and the script against the live probe."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from advisor import capture
from advisor.capture.live import gather
from advisor.capture.machine import LiveMachine

pytestmark = pytest.mark.outside

SCRIPT = Path(capture.__file__).parent / "script.sh"


@pytest.fixture(scope="module")
def unit():
    return capture()


def run(*command: str | Path) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ, "LC_ALL": "C"})
    return done.stdout


def test_pyudev_serves_the_live_probe():
    assert isinstance(capture.live.open_machine("/"), LiveMachine)
    assert "pyudev" in capture.take("/").taken_by


def test_pci_devices_are_lspcis(need, unit):
    seen = re.findall(r"^\S+ ([0-9a-f]{4}): ([0-9a-f]{4}):([0-9a-f]{4})", run(need("lspci"), "-n", "-D"), re.MULTILINE)
    listed = [one for one in (unit.devices or "").split("; ") if one.startswith("pci:")]
    assert {(one[9:13].lower(), one[18:22].lower()) for one in listed} == {(v, d) for _, v, d in seen}
    for name, classes in (("graphics", ("0300", "0302", "0380")), ("wireless", ("0280",))):
        ids = [f"{v}:{d}" for c, v, d in seen if c in classes]
        assert set(re.findall(r"(?<!usb:)\b([0-9a-f]{4}:[0-9a-f]{4})\b", getattr(unit, name) or "")) >= set(ids)


def test_usb_devices_are_lsusbs(need, unit):
    seen = re.findall(
        r"ID ([0-9a-f]{4}:[0-9a-f]{4})", subprocess.run([need("lsusb")], capture_output=True, text=True).stdout
    )
    hubs = {
        f"{(path.parent / 'idVendor').read_text().strip()}:{(path.parent / 'idProduct').read_text().strip()}"
        for path in Path("/sys/bus/usb/devices").glob("*/bDeviceClass")
        if path.read_text().strip() == "09"
    }
    listed = {f"{one[5:9]}:{one[10:14]}".lower() for one in (unit.devices or "").split("; ") if one.startswith("usb:")}
    # Hubs are left out of the unit's list. Where nothing is plugged in this says little: the testbeds say the rest.
    assert listed == set(seen) - hubs


def test_disks_are_lsblks(need):
    rows = json.loads(run(need("lsblk"), "-J", "-b", "-d", "-o", "NAME,SIZE,ROTA,RM,TYPE"))["blockdevices"]
    skipped = r"(loop|zram|ram|dm-|md|nbd)\d|mmcblk\d+boot"
    seen = {
        row["name"]: row for row in rows if row["type"] == "disk" and row["size"] and not re.match(skipped, row["name"])
    }
    ours = {disk.name: disk for disk in gather(LiveMachine()).disks}
    assert ours.keys() == seen.keys()
    for name, disk in ours.items():
        assert (disk.size, disk.removable) == (seen[name]["size"], seen[name]["rm"])
        assert disk.spinning is None or disk.spinning == seen[name]["rota"]


def test_processor_is_lscpus(need, unit):
    said = dict(re.findall(r"^\s*([^:]+):\s+(.*)$", run(need("lscpu")), re.MULTILINE))
    assert unit.cpu == " ".join(said["Model name"].split())
    assert unit.cpu_vendor == said["Vendor ID"]
    assert (unit.cpu_family, unit.cpu_model) == (int(said["CPU family"]), int(said["Model"]))
    assert unit.cpu_stepping == int(said["Stepping"])
    assert unit.cpu_cores == int(said["Core(s) per socket"]) * int(said["Socket(s)"])
    assert unit.cpu_threads == int(said["CPU(s)"])
    assert set(unit.cpu_flags.split()) == set(said["Flags"].split())


def test_memory_is_lsmems(need, unit):
    """lsmem (util-linux) adds up the kernel's memory blocks, which hold what firmware and kernel took of them too.

    What is fitted is that, but for whole blocks that the firmware keeps back: graphics may have 512 MiB of them.
    """
    blocks = run(need("lsmem"), "-b", "--summary=only")
    online, offline = (int(re.search(rf"Total {word} memory:\s+(\d+)", blocks)[1]) for word in ("online", "offline"))
    present = (online + offline) / 2**30
    used = int(run(need("free"), "-b").splitlines()[1].split()[1]) / 2**30
    assert used < present
    assert present <= unit.ram_gib <= present + 0.5


def test_boot_mode_is_the_kernels(unit):
    efi = subprocess.run(["sh", "-c", "test -d /sys/firmware/efi"], check=False).returncode == 0
    assert str(unit.boot_mode).startswith("uefi") == efi


@pytest.mark.parametrize("shell", [["dash"], ["busybox", "sh"]], ids=["dash", "busybox"])
def test_script_gives_the_live_probes_unit(need, tmp_path, shell):
    """The script under two shells, on this machine, without the overrides that the recorded machines need."""
    need(shell[0])
    out = tmp_path / "unit.txt"
    run(*shell, SCRIPT, out)
    read = capture.read_listings(out)
    live = capture.take("/")
    # The script asks a disk's health of smartctl alone, which need not be here.
    apart = {"storage_health_pct"} if "smartctl" not in out.read_text() else set()
    assert read.unit.model_dump(exclude=apart) == live.unit.model_dump(exclude=apart)


def test_script_in_an_empty_environment(need, tmp_path):
    """Only busybox on the path, as in a rescue shell; writes beside itself when no file is named."""
    busybox = need("busybox")
    tools = tmp_path / "bin"
    tools.mkdir()
    for name in ("sh", "od", "date", "id", "mv", "mkdir", "rm", "rmdir"):
        (tools / name).symlink_to(busybox)
    stick = tmp_path / "stick"
    stick.mkdir()
    (stick / "capture.sh").write_bytes(SCRIPT.read_bytes())
    subprocess.run(
        [tools / "sh", stick / "capture.sh"], env={"PATH": str(tools)}, cwd="/", check=True, capture_output=True
    )
    written = [path for path in stick.iterdir() if path.name != "capture.sh"]
    assert len(written) == 1 and written[0].name.startswith("unit-")
    apart = {"storage_health_pct"}
    assert capture.read_listings(written[0]).unit.model_dump(exclude=apart) == capture().model_dump(exclude=apart)


def test_script_passes_shellcheck(need):
    """shellcheck (0.9 or later) for POSIX sh."""
    done = subprocess.run([need("shellcheck"), "-s", "sh", SCRIPT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


REST = """00:1d.0 Host bridge [0600]: Intel Corporation Device [8086:7190]
00:1e.0 ISA bridge [0601]: Intel Corporation Device [8086:7110]
00:1f.0 IDE interface [0101]: Intel Corporation Device [8086:7111]
"""
"""What this machine's list may lack: only one with host bridge, ISA bridge and disk controller is taken as whole."""


def test_listings_of_this_machine_give_the_live_probes_facts(need):
    """lspci, /proc/cpuinfo, lscpu -J, lsblk -J and /proc/meminfo together in one text."""
    pci = run(need("lspci"), "-nnk")
    parts = [
        pci, Path("/proc/cpuinfo").read_text(), run(need("lscpu"), "-J"), run(need("lsblk"), "-J", "-b", "-O"),
        Path("/proc/meminfo").read_text(),
    ]  # fmt: skip
    taken, live = capture.read_listings("\n".join(parts)), capture()
    read = taken.unit
    same = [name for name in type(live).model_fields if name.startswith("cpu")]
    same += ["ram_gib"] if live.ram_modules is None else []
    assert {name: getattr(read, name) for name in same} == {name: getattr(live, name) for name in same}
    assert read.storage_gib == live.storage_gib
    theirs = [one for one in live.devices.split("; ") if one.startswith("pci:")]
    # What lspci leaves open is '*' in the listing's devices, so each stands for one or more of the live probe's.
    assert all(any(fnmatchcase(one, mine) for mine in read.devices.split("; ")) for one in theirs)
    assert all(any(fnmatchcase(one, mine) for one in theirs) for mine in read.devices.split("; "))
    kinds = set(re.findall(r"^\S+ .*? \[([0-9a-f]{4})\]: ", pci, re.MULTILINE))
    whole = {"0600", "0601"} <= kinds and any(kind.startswith("01") for kind in kinds)
    completed = read if whole else capture.read_listings(f"{pci}{REST}").unit
    for name in ("graphics", "wireless", "ethernet"):
        known = _on_pci(getattr(live, name))
        # lspci alone cannot say that there is no wireless chip at all: one may be on USB.
        sure = None if (name, known) == ("wireless", "none") else known
        assert _on_pci(getattr(completed, name)) == sure
        if known == "none" and not whole:
            assert getattr(read, name) is None
            assert taken.unread[name] == "none among the PCI devices that the source lists, which may not be all"
        else:
            assert _on_pci(getattr(read, name)) == sure


def _on_pci(said: str | None) -> str | None:
    """Devices' names as both sources have them: lspci shows none on USB or SDIO, and the live probe no revisions."""
    kept = re.sub(r"[^;]*\[(?:usb|sdio):[^;]*| \(rev [0-9a-f]{2}\)", "", said or "").strip("; ")
    return kept or None


@pytest.mark.parametrize("what", ["probe", "script"])
def test_nothing_is_opened_for_writing(need, tmp_path, what):
    """strace follows every process of a capture: whatever is opened is opened for reading."""
    probe = [sys.executable, "-B", "-c", "import advisor; advisor.capture.take('/')"]
    command = probe if what == "probe" else [need("dash"), SCRIPT, "-"]
    calls = "trace=open,openat,creat,truncate,unlink,unlinkat,rename,mkdir"
    # One log a process: in a common one, calls of two processes would break each other's lines.
    trace = [need("strace"), "-ff", "-qq", "-o", tmp_path / "log", "-e", calls]
    subprocess.run([*trace, *command], check=True, capture_output=True)
    lines = [line for log in tmp_path.glob("log.*") for line in log.read_text().splitlines()]
    assert sum("O_RDONLY" in line for line in lines) > 50
    writing = [
        line for line in lines if re.search(r"O_(WRONLY|RDWR|CREAT|TRUNC|APPEND)", line) and "/dev/null" not in line
    ]
    changing = [
        line for line in lines if any(line.startswith(f"{word}") for word in ("creat", "unlink", "rename", "mkdir"))
    ]
    assert not [line for line in writing + changing if " = -1 " not in line]
