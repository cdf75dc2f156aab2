"""A capture's devices are judged on every image of the built-in shop."""

from __future__ import annotations

from advisor import drivers
from advisor.shop import default_shop
from advisor.unit import Unit, frame


def test_known_cards_on_every_image():
    units = frame([Unit(devices="pci:8086:24f3;pci:14e4:43b1"), Unit(wireless="Broadcom 4352")])
    images = default_shop().images
    found = drivers.assess(units, images).devices
    assert len(found) == 3 * len(images)
    wireless = found[found["device"] == "pci:14e4:43b1"]
    # No mainline driver: /usr/share/broadcom-sta/broadcom-sta.ids of package broadcom-sta-dkms lists it.
    assert set(wireless["support"]) == {"separate driver"}
    assert set(wireless["cure"]) == {"broadcom-sta-dkms"}
    assert set(wireless["row"]) == {0, 1}
