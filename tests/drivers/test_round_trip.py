"""Every name that an id list gives to a network or graphics device leads back to its ids."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from advisor.drivers import ids, names, small_tables
from advisor.drivers.kinds import Kind

sys.path.insert(0, str(Path(__file__).parent))
from round_trip import trips

# Names that say no model, such as '802.11n Network Adapter': they name their ids and are taken as none of them.
GENERAL = {("pci", Kind.ETHERNET): 3, ("usb", Kind.WIRELESS): 17, ("usb", Kind.ETHERNET): 4}


@pytest.mark.parametrize("kind", [Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET])
@pytest.mark.parametrize("bus", ["pci", "usb"])
def test_names_alone(bus, kind):
    every = list(trips(bus, kind, vendors=False))
    assert len(every) > 10
    assert [trip for trip in every if not trip.own <= trip.found or not trip.one] == []
    assert sum(not trip.taken for trip in every) == GENERAL.get((bus, kind), 0)


@pytest.mark.parametrize("kind", [Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET])
@pytest.mark.parametrize("bus", ["pci", "usb"])
def test_names_as_lspci_prints_them(bus, kind):
    # With the vendor's name it is these ids and those that had it in an earlier pci.ids, as a pasted text may be old;
    # no others, unless the whole is the name of another vendor's device too.
    every = list(trips(bus, kind, vendors=True))
    assert [trip for trip in every if not trip.own | trip.former <= trip.found or not trip.taken or not trip.one] == []
    wide = [trip for trip in every if trip.own | trip.former != trip.found]
    assert [trip.text for trip in wide if len(trip.found - trip.former) > len(trip.own) + 1] == [] and len(wide) < 3


def test_former_names_lead_to_their_ids():
    # A list that lspci never printed names no id beside those that have its name now.
    now = {" ".join(name.lower().split()) for bus in ("pci", "usb") for name in ids.load(bus).names}
    rows = small_tables.rows("former_names")
    assert len(rows) > 900
    for row in rows:
        bus, vendor, device = row["id"].split(":")
        kind = ids.load(bus).kind(int(vendor, 16), int(device, 16))
        [found] = names.match([f"{ids.load(bus).vendor(int(vendor, 16))} {row['name']} (rev 03)"], kind)
        hidden = row["name"].lower() in now and not row["source"].startswith("pci.ids ")
        assert (row["id"] in {entry.text for entry in found.entries}) or hidden, row


@pytest.mark.parametrize(
    "typed, kind, expected",
    [
        # Packages pci.ids: Debian 12 gave the name to 8168, Debian 13 gives it to 8161; both are on the market.
        ("Realtek Semiconductor Co., Ltd. RTL8111/8168/8411 PCI Express Gigabit Ethernet Controller (rev 0c)",
         Kind.ETHERNET, {"pci:10ec:8161", "pci:10ec:8168"}),
        # Package discover-data alone gave it to 8177, 8178 and 8191.
        ("Realtek Semiconductor Co., Ltd. RTL8188CE 802.11b/g/n WiFi Adapter (rev 01)",
         Kind.WIRELESS, {"pci:10ec:8176"}),
    ],
)  # fmt: skip
def test_a_name_that_moved(typed, kind, expected):
    [found] = names.match([typed], kind)
    assert {entry.text for entry in found.entries} == expected and found.exact
