"""Names of network and graphics devices, as lspci and lsusb print them, against the lists of another day."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from advisor.drivers import ids, names, quirks
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import specs_of

pytestmark = pytest.mark.outside

KINDS = (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET)


def _listed(path: Path) -> list[tuple[int, str, int, str]]:
    """Vendor number and name, device number and name, of a list up to its classes."""
    found: list[tuple[int, str, int, str]] = []
    vendor = (0, "")
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("C "):
            break
        if match := re.match(r"([0-9a-f]{4})\s+(.+)", line):
            vendor = int(match[1], 16), match[2].strip()
        elif match := re.match(r"\t([0-9a-f]{4})\s+(.+)", line):
            found.append((*vendor, int(match[1], 16), match[2].strip()))
    return found


@pytest.mark.parametrize("bus", ["pci", "usb"])
def test_names_of_hwdata_lead_to_their_ids(need, bus):
    # Debian package hwdata (0.368 in Debian 12), two years older than the lists that the tables were made of. A device
    # or vendor that was renamed since is left out: by its old name it cannot be known.
    path = need(Path(f"/usr/share/hwdata/{bus}.ids"))
    table = ids.load(bus)
    asked = 0
    lost = []
    for vendor, vendor_name, device, name in _listed(path):
        kind = table.kind(vendor, device)
        at = table.index(vendor, device)
        if kind not in KINDS or at is None or table.names[at] != name or table.vendor(vendor) != vendor_name:
            continue
        asked += 1
        [found] = names.match([f"{vendor_name} {name} (rev 03)"], kind)
        if f"{bus}:{vendor:04x}:{device:04x}" not in {entry.text for entry in found.entries} or not found.exact:
            lost.append(f"{vendor_name} {name}")
    assert asked > (3_500 if bus == "pci" else 1_000)
    assert lost == []


def test_devices_that_hwdata_does_not_name_are_known_by_their_number(need):
    # What lspci prints for an id that its list lacks: the vendor's name, 'Device' and the number.
    path = need(Path("/usr/share/hwdata/pci.ids"))
    theirs = {(vendor, device) for vendor, _, device, _ in _listed(path)}
    vendors = {vendor: name for vendor, name, _, _ in _listed(path)}
    table = ids.load("pci")
    asked = 0
    for key, number in zip(table.ids.tolist(), table.kind_of.tolist(), strict=True):
        vendor, device = key >> 16, key & 0xFFFF
        kind = ids.KINDS[number]
        if kind not in KINDS or (vendor, device) in theirs or table.vendor(vendor) != vendors.get(vendor):
            continue
        asked += 1
        [[spec]] = specs_of([f"{vendors[vendor]} Device {device:04x} (rev 01)"], kind)
        meant = [one.text for one in spec.candidates or (spec,)]
        assert f"pci:{vendor:04x}:{device:04x}" in meant and spec.exact
        # Marvell has two vendor numbers under one name, and 2b42 under both.
        assert len(meant) == 1 or vendors[vendor].startswith("Marvell")
    assert asked > 300


def test_forbidden_modules_are_those_of_udev(need):
    # Debian package udev: modprobe.d/fbdev-blacklist.conf.
    path = need(Path("/usr/lib/modprobe.d/fbdev-blacklist.conf"))
    lines = path.read_text(encoding="utf-8").splitlines()
    assert quirks.forbidden() == {line.split()[1] for line in lines if line.startswith("blacklist ")}
