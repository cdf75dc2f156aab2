"""Names as people write them; the ids are pci.ids' and usb.ids' own entries for these names."""

from __future__ import annotations

import pytest

from advisor.drivers import names, splitting
from advisor.drivers.kinds import Kind

# pci.ids 2025.06.09 and usb.ids 2025.07.26, the entry whose name holds the model.
KNOWN = [
    (Kind.WIRELESS, "Intel Dual Band Wireless-AC 8260", {"pci:8086:24f3", "pci:8086:24f4"}),
    (Kind.WIRELESS, "Intel(R) Wireless-AC 8260 (rev 3a)", {"pci:8086:24f3", "pci:8086:24f4"}),
    (Kind.WIRELESS, "Broadcom 4352", {"pci:14e4:43b1"}),
    (Kind.WIRELESS, "BCM4352", {"pci:14e4:43b1"}),
    (Kind.WIRELESS, "rtl8821ce", {"pci:10ec:b821", "pci:10ec:c821"}),
    (Kind.WIRELESS, "Intel AX200", {"pci:8086:2723"}),
    (Kind.WIRELESS, "Centrino Advanced-N 6205", {"pci:8086:0082", "pci:8086:0085"}),
    (Kind.WIRELESS, "Centrino Wireless-N 1000", {"pci:8086:0083", "pci:8086:0084"}),
    (Kind.WIRELESS, "Atheros AR9285", {"pci:168c:002b"}),
    (Kind.WIRELESS, "QCA9377", {"pci:168c:0042"}),
    (Kind.WIRELESS, "BCM43142", {"pci:14e4:4365"}),
    (Kind.GRAPHICS, "Intel HD 520", {"pci:8086:1916", "pci:8086:1921"}),
    (Kind.GRAPHICS, "Radeon R5 M330", {"pci:1002:6660"}),
    (Kind.GRAPHICS, "Radeon HD 6450", {"pci:1002:6779"}),
    (Kind.GRAPHICS, "Quadro K620", {"pci:10de:13bb"}),
    (Kind.ETHERNET, "82579LM", {"pci:8086:1502"}),
    (Kind.ETHERNET, "Intel I217-V", {"pci:8086:153b"}),
    (Kind.ETHERNET, "Realtek PCIe GbE Family Controller", {"pci:10ec:8168"}),
]


@pytest.mark.parametrize(("kind", "text", "ids"), KNOWN)
def test_names_give_their_ids(kind, text, ids):
    [found] = names.match([text], kind)
    assert found.exact
    assert {entry.text for entry in found.entries} == ids
    assert bool(found.problem) == (len(ids) > 1)


@pytest.mark.parametrize(
    "text", ["wifi", "Intel", "1", "=1", "Intel 99999", "'; DROP TABLE", "R5", "(((", "ÄÖÜ", "x" * 5000]
)
def test_what_no_list_knows_is_never_taken(text):
    for kind in (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET):
        [found] = names.match([text], kind)
        assert not found.exact and found.problem


def test_a_slip_of_the_pen_shows_the_nearest():
    [found] = names.match(["Intel 82660"], Kind.WIRELESS)
    assert not found.exact
    assert "pci:8086:24f3" in {entry.text for entry in found.entries}


def test_the_makers_name_keeps_families_apart():
    # HD 3000: Intel's Sandy Bridge, and AMD's RS780L listed as 'Radeon 3000'.
    intel, amd = names.match(["Intel HD 3000", "Radeon HD 3000"], Kind.GRAPHICS)
    assert {entry.vendor for entry in intel.entries} == {0x8086}
    assert {entry.vendor for entry in amd.entries} == {0x1002}


def test_a_cell_may_name_two_chips():
    assert splitting.split("Intel HD 520 + GeForce 940MX") == ["Intel HD 520", "GeForce 940MX"]
    assert splitting.split("8265 / 8275") == ["8265", "8275"]
    assert splitting.split("RTL8111/8168") == ["RTL8111/8168"]
