"""Devices as pyudev sees them in an umockdev testbed, and as lspci and lsblk read the same recorded sysfs."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from advisor import capture
from advisor.capture.live import gather
from advisor.capture.machine import FolderMachine

pytestmark = pytest.mark.outside

_SPEC = importlib.util.spec_from_file_location(
    "capture_machine_builder", Path(__file__).parents[1] / "capture" / "builder.py"
)
assert _SPEC is not None and _SPEC.loader is not None
builder = sys.modules.setdefault(_SPEC.name, importlib.util.module_from_spec(_SPEC))
if not hasattr(builder, "MACHINES"):
    _SPEC.loader.exec_module(builder)

UNLIKE = [
    "2006-laptop-core-duo-945gm-bios", "2007-laptop-turion-bcm4311", "2012-ultrabook-cache-module-raid",
    "2013-laptop-haswell-two-batteries", "2013-tablet-baytrail-uefi32-sdio", "2018-all-in-one-optane-cache",
    "2020-laptop-tigerlake-vmd", "2022-laptop-alderlake-hybrid-cores",
]  # fmt: skip
"""Machines that together have every bus, disk and battery the others have."""

SEEN = (
    "maker", "model", "form_factor", "tpm", "devices", "wireless", "graphics", "ethernet", "storage_kind",
    "storage_gib", "storage_model", "storage_mode", "screen", "touch", "camera", "battery_health_pct",
    "battery_cycles", "notes",
)  # fmt: skip
"""What a testbed holds: it takes the place of /sys alone, so processor, memory and firmware stay the host's."""


def uevent(tree, path: str, subsystem: str) -> list[str]:
    """What the kernel puts in a device's uevent file (Linux 6.12: the bus and class drivers' uevent functions)."""

    def text(name: str) -> str:
        return tree.files.get(f"{path}/{name}", b"").decode("utf-8", "replace").strip()

    found = [f"MODALIAS={text('modalias')}"] if text("modalias") else []
    driver = tree.links.get(f"{path}/driver")
    found += [f"DRIVER={driver.rpartition('/')[2]}"] if driver else []
    if subsystem == "pci":
        found.append(f"PCI_CLASS={int(text('class'), 16):X}")
    elif subsystem == "usb" and text("bInterfaceClass"):
        found += ["DEVTYPE=usb_interface", f"INTERFACE={int(text('bInterfaceClass'), 16)}/0/0"]
    elif subsystem == "net":
        found.append(f"INTERFACE={path.rpartition('/')[2]}")
        found += ["DEVTYPE=wlan"] if f"{path}/phy80211" in tree.links else []
    elif subsystem == "power_supply":
        names = ("type", "scope", "present", "energy_full", "energy_full_design", "charge_full", "charge_full_design")
        values = {name: text(name) for name in (*names, "cycle_count", "serial_number")}
        found += [f"POWER_SUPPLY_{name.upper()}={value}" for name, value in values.items() if value]
    return found


def describe(tree) -> str:
    """The tree as an umockdev device description (umockdev 0.17, README: device descriptions)."""
    subsystems = {}
    for link, target in tree.links.items():
        parts = link.split("/")
        if (parts[2] == "bus" and parts[4] == "devices") or parts[2] == "class":
            subsystems[target] = parts[3]
    owners = {*subsystems, *(target for link, target in tree.links.items() if link.endswith("/device"))}
    lines: dict[str, list[str]] = {path: [f"P: {path[4:]}"] for path in sorted(owners)}
    for path in owners:
        name, subsystem = path.rpartition("/")[2], subsystems.get(path, "scsi")
        if subsystem == "block":
            lines[path].append(f"N: {name}")
        lines[path].append(f"E: SUBSYSTEM={subsystem}")
        lines[path] += [f"E: {line}" for line in uevent(tree, path, subsystem)]
        if subsystem == "block":
            part = f"{path}/partition" in tree.files
            numbers = tree.files.get(f"{path}/dev", b"259:9").decode().strip()
            lines[path] += [f"E: DEVNAME=/dev/{name}", f"E: DEVTYPE={'partition' if part else 'disk'}"]
            known = tree.files.get(f"/run/udev/data/b{numbers}", b"").decode()
            lines[path] += [f"E: {line[2:]}" for line in known.splitlines()]
    for path, content in sorted(tree.files.items()):
        owner = max((one for one in owners if path.startswith(one + "/")), key=len, default=None)
        if owner is None:
            continue
        name = path[len(owner) + 1 :]
        if name == "edid":
            lines[owner].append(f"H: {name}={content.hex().upper()}")
        else:
            text = content.decode().rstrip("\n").replace("\\", "\\\\").replace("\n", "\\n")
            lines[owner].append(f"A: {name}={text}")
    for path, target in tree.links.items():
        owner, _, name = path.rpartition("/")
        if owner in owners and name in ("driver", "device", "phy80211"):
            lines[owner].append(f"L: {name}={os.path.relpath(target, owner)}")
    return "\n\n".join("\n".join(block) for block in lines.values()) + "\n"


def within(need, description: Path, program: str) -> str:
    """Run Python within a testbed; gives what it printed."""
    done = subprocess.run(
        [need("umockdev-run"), "-d", description, "--", sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("name", UNLIKE)
def test_live_probe_through_pyudev(need, tmp_path, name):
    tree = builder.expand(builder.load(name))
    (tmp_path / "machine.umockdev").write_text(describe(tree))
    program = (
        "import pyudev, json, advisor\n"
        "from advisor.capture.machine import LiveMachine\n"
        "assert isinstance(advisor.capture.live.open_machine('/'), LiveMachine)\n"
        "seen = {s: sorted(d.sys_path for d in pyudev.Context().list_devices(subsystem=s))\n"
        "        for s in ('pci', 'usb', 'block', 'net', 'power_supply')}\n"
        "print(json.dumps([seen, advisor.capture.probe().model_dump(mode='json')]))\n"
    )
    seen, unit = json.loads(within(need, tmp_path / "machine.umockdev", "import advisor.capture.live\n" + program))
    root = tree.write(tmp_path / "root")
    machine = FolderMachine(root)
    for subsystem, paths in seen.items():
        assert [device.path for device in machine.devices(subsystem)] == paths
        assert paths or subsystem == "power_supply"
    recorded = capture.probe(root).model_dump(mode="json")
    # A testbed has no empty folders, so that there is no TPM cannot be seen in it.
    fields = [field for field in SEEN if recorded[field] != "none"]
    assert {field: unit[field] for field in fields} == {field: recorded[field] for field in fields}


@pytest.mark.parametrize("name", UNLIKE)
def test_udevadms_export_is_read(need, tmp_path, name):
    """`udevadm info --export-db` (systemd 252 or later) run in the testbed, read as a technician's listing."""
    tree = builder.expand(builder.load(name))
    (tmp_path / "machine.umockdev").write_text(describe(tree))
    command = [need("umockdev-run"), "-d", tmp_path / "machine.umockdev", "--", need("udevadm"), "info", "--export-db"]
    listing = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert listing.startswith("P: /devices/")
    taken = capture.read_listings(listing)
    read, whole = taken.unit, capture.probe(tree.write(tmp_path / "root"))
    assert set(read.devices.split("; ")) == set(whole.devices.split("; "))
    for field in ("wireless", "graphics", "ethernet", "camera", "battery_health_pct", "battery_cycles"):
        assert getattr(read, field) == getattr(whole, field), field
    if whole.storage_mode not in (None, "ahci", "ide", "raid"):
        assert read.storage_kind == whole.storage_kind
        assert read.storage_mode == whole.storage_mode
    assert not [secret for secret in builder.SECRETS if secret.lower() in taken.model_dump_json().lower()]


def _config(line: str) -> bytes:
    """The first 64 bytes of PCI configuration space (PCI Local Bus 3.0, 6.1)."""
    _, kind, ids, sub, _ = line.split()
    base, interface = kind.split(".")
    space = bytearray(64)
    space[0:4] = bytes.fromhex(ids[2:4] + ids[0:2] + ids[7:9] + ids[5:7])
    space[9:12] = bytes.fromhex(interface + base[2:] + base[:2])
    space[0x2C:0x30] = bytes.fromhex(sub[2:4] + sub[0:2] + sub[7:9] + sub[5:7])
    return bytes(space)


@pytest.mark.parametrize("name", [name for name in builder.names() if name in UNLIKE])
def test_lspci_on_the_same_sysfs(need, tmp_path, name):
    """lspci (pciutils 3.9 or later) reads the recorded folder and lists the same ids, classes and drivers."""
    description = builder.load(name)
    tree = builder.expand(description)
    for line in description["buses"]["pci"]:
        path = builder.pci_path(line.split()[0])
        tree.put(f"{path}/config", _config(line))
        tree.put(f"{path}/resource", "\n".join(["0x0 0x0 0x0".replace("0x0", "0x" + "0" * 16)] * 7))
        tree.put(f"{path}/irq", "0")
        sub_vendor, sub_device = line.split()[3].split(":")
        tree.put(f"{path}/subsystem_vendor", f"0x{sub_vendor}")
        tree.put(f"{path}/subsystem_device", f"0x{sub_device}")
    root = tree.write(tmp_path / "root")
    command = [need("lspci"), "-A", "linux-sysfs", "-O", f"sysfs.path={root}/sys/bus/pci", "-D"]
    text = subprocess.run([*command, "-n", "-vmmk"], capture_output=True, text=True, check=True).stdout
    seen = [dict(re.findall(r"^(\w+):\t(.*)$", record, re.MULTILINE)) for record in text.strip().split("\n\n")]
    assert len(seen) == len(description["buses"]["pci"])
    facts = gather(FolderMachine(root))
    pci = [one for one in facts.devices if one.bus == "pci"]
    ours = {(d.at, f"{d.kind:04x}", f"{d.vendor:04x}", f"{d.product:04x}", d.driver) for d in pci}
    assert ours == {(r["Slot"], r["Class"], r["Vendor"], r["Device"], r.get("Driver")) for r in seen}
    # The listing itself, read as a technician's file, names the same devices with class and subsystem, and the same
    # network and graphics chips. The interface stays open: lspci shows it only when asked for more (-v).
    listing = subprocess.run([*command, "-nnk"], capture_output=True, text=True, check=True).stdout
    read = capture.read_listings(listing).unit
    whole = capture.probe(root)
    expected = [
        f"pci:v0000{r['Vendor']}d0000{r['Device']}sv0000{r['SVendor']}sd0000{r['SDevice']}"
        f"bc{r['Class'][:2]}sc{r['Class'][2:]}i*"
        for r in seen
    ]
    assert sorted(one.lower() for one in read.devices.split("; ")) == sorted(expected)
    bracketed = re.compile(r"\[([0-9a-f]{4}:[0-9a-f]{4})\]")
    for field in ("wireless", "graphics"):
        chips = [one for one in bracketed.findall(getattr(whole, field) or "") if "sdio" not in one]
        if name != "2013-tablet-baytrail-uefi32-sdio" or field == "graphics":
            assert bracketed.findall(getattr(read, field) or "") == chips


@pytest.mark.parametrize("name", [name for name in builder.names() if builder.load(name).get("disks")])
def test_lsblk_on_the_same_sysfs(need, tmp_path, name):
    """lsblk (util-linux 2.38 or later) reads the recorded folder; sizes, rotation and removability agree."""
    root = builder.expand(builder.load(name)).write(tmp_path / "root")
    command = [need("lsblk"), "--sysroot", root, "-J", "-b", "-d", "-o", "NAME,SIZE,ROTA,RM,TYPE,TRAN"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    seen = {row["name"]: row for row in json.loads(text)["blockdevices"] if row["type"] == "disk"}
    ours = {disk.name: disk for disk in gather(FolderMachine(root)).disks}
    assert ours
    for disk_name, disk in ours.items():
        row = seen[disk_name]
        assert (disk.size, disk.spinning, disk.removable) == (row["size"], row["rota"], row["rm"])
    # Read as a technician's listing, the same disk is chosen, of the same size.
    read, whole = capture.read_listings(text).unit, capture.probe(root)
    if not any(row["tran"] is None and row["name"].startswith("sd") for row in seen.values()):
        assert read.storage_gib == whole.storage_gib
