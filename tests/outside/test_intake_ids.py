"""Device ids written without their bus, against the lists of PCI and USB ids."""

from __future__ import annotations

import pytest

from advisor.intake.device_ids import item
from advisor.tables import load

pytestmark = pytest.mark.outside


def _ids(path):
    """Pairs of vendor and product in an id list, up to its classes."""
    found, vendor = set(), ""
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("C "):
            break
        if not line or line.startswith("#"):
            continue
        if not line.startswith("\t"):
            vendor = line[:4].lower()
        elif not line.startswith("\t\t"):
            found.add((vendor, line[1:5].lower()))
    return found


@pytest.fixture(scope="module")
def lists():
    from pathlib import Path

    return {bus: Path(f"/usr/share/hwdata/{bus}.ids") for bus in ("pci", "usb")}


def test_ids_of_each_maker_sit_on_the_bus_that_is_taken(need, lists):
    # Debian package hwdata: pci.ids and usb.ids. Nine in ten, as some USB ids stand under a maker's PCI number: Intel's
    # development kits among 4,000 PCI devices, for one.
    ids = {bus: _ids(need(path)) for bus, path in lists.items()}
    table = load("intake/id_makers").frame
    assert len(table) > 50
    for vendor, bus in zip(table["vendor"], table["bus"], strict=True):
        other = "usb" if bus == "pci" else "pci"
        own = sum(pair[0] == vendor for pair in ids[bus])
        strange = sum(pair[0] == vendor for pair in ids[other])
        assert own >= 3, (vendor, bus)
        assert own >= 9 * strange, (vendor, own, strange)


def test_network_chips_are_put_on_their_bus(need, lists):
    # Every id of pci.ids whose vendor is in the table comes back as a PCI id, save those that usb.ids has too.
    ids = {bus: _ids(need(path)) for bus, path in lists.items()}
    table = load("intake/id_makers").frame
    makers = set(table.loc[table["bus"] == "pci", "vendor"])
    chips = [pair for pair in ids["pci"] - ids["usb"] if pair[0] in makers]
    assert len(chips) > 5_000
    assert all(item(f"{vendor}:{product}") == (f"pci:{vendor}:{product}", "") for vendor, product in chips)


def test_makers_names_begin_as_in_pci_ids(need, lists):
    # hwdata's pci.ids: each beginning is of the vendor's own name, and of no other vendor's in the table.
    named = {}
    for line in need(lists["pci"]).read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("C "):
            break
        if line[:1].strip() and not line.startswith("#"):
            named[line[:4].lower()] = line[4:].strip().lower()
    table = load("intake/id_makers").frame
    told = table[table["name"].notna()]
    assert len(told) > 20
    for vendor, name in zip(told["vendor"], told["name"], strict=True):
        fits = [other for other in table.loc[table["bus"] == "pci", "vendor"] if named[other].startswith(name)]
        assert fits == [vendor]
