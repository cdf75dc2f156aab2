"""Every name that an id list gives to a network or graphics device leads back to its ids."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

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
    # With the vendor's name it is these ids and no others, unless the whole is the name of another vendor's device too.
    every = list(trips(bus, kind, vendors=True))
    assert [trip for trip in every if not trip.own <= trip.found or not trip.taken or not trip.one] == []
    wide = [trip for trip in every if trip.own != trip.found]
    assert [trip.text for trip in wide if len(trip.found) > len(trip.own) + 1] == [] and len(wide) < 3
