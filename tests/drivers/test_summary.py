"""What `advisor tables` prints of tables and chips, word for word where a person reads it."""

from __future__ import annotations

import datetime

import pytest

from advisor.drivers import summary, table_files
from advisor.errors import InputError


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, " (in the future: is this machine's clock right?)"), (0, " (0 days ago)"), (90, " (90 days ago)"),
        (91, " (91 days ago: old, build it again with 'advisor tables build')"),
    ],
)  # fmt: skip
def test_a_table_is_old_after_ninety_days(days: int, words: str) -> None:
    """Debian's point releases come about every two months; common practice, no source."""
    assert summary._age(days) == words


def test_modules_that_only_open_a_bus_or_serve_some_subsystems_are_marked() -> None:
    """ssb is the bus of old Broadcom cards; iwlwifi's table names subsystems of the 7260 (Linux 6.12)."""
    bus, some = summary.find("pci:14e4:4315").splitlines(), summary.find("pci:8086:08b1").splitlines()
    assert bus[0].startswith("  pci:14e4:4315  Broadcom") and bus[1].startswith("      ssb (only a bus): debian-12")
    assert some[1].startswith("      iwlwifi (some subsystems): debian-12")
    assert summary.find("pci:8086:ffff").splitlines()[1].startswith("      none: debian-12")


def test_a_name_that_no_list_has_is_said_with_the_nearest() -> None:
    assert summary.find("qwxyz") == "'qwxyz' is in no id list; give its id, as lspci -nn or lsusb shows it."
    near = summary.find("Intel 82660", "wireless").splitlines()
    assert near[0] == "'Intel 82660' is in no id list. Nearest, by spelling:"
    assert 1 < len(near) <= 1 + 6 and all(line.startswith("  pci:8086:") for line in near[1:])
    with pytest.raises(InputError, match="'toaster' is no kind of device; there are: wireless, graphics, ethernet"):
        summary.find("AX201", "toaster")


def test_a_name_is_found_with_its_ids() -> None:
    """pci.ids: the AX200 has one id, 8086:2723."""
    said = summary.find("Intel AX200", "wireless").splitlines()
    assert said[0].startswith("As wireless: 1 id(s)") and said[1].startswith("  pci:8086:2723  Intel")


def test_a_table_is_described_by_its_own_meta_file() -> None:
    about = table_files.load("debian-13").about
    said = summary.one("debian-13").splitlines()
    assert said[:6] == [
        about["title"], *(f"  {name}: {about[name]}" for name in ("source", "date", "licence", "remake", "sha256"))
    ]  # fmt: skip
    package = about["packages"][0]
    assert f"  {package['name']} {package['version']} ({package['area']}, {package['size'] / 2**20:.1f} MiB) " \
        f"{package['sha256'][:16]}" in said  # fmt: skip


def test_every_table_is_listed_under_its_kind() -> None:
    said = summary.every(datetime.date(2030, 1, 1)).splitlines()
    heads = [line for line in said if not line.startswith(" ")]
    assert heads == ["Kernels", "Firmware of", "Names of ids"]
    for kind, head in zip(("kernel", "firmware", "ids"), heads, strict=True):
        for name in table_files.names(kind):
            line = next(line for line in said[said.index(head) :] if line.startswith(f"  {name}: "))
            assert "old, build it again" in line and ", built " in line
            about = table_files.meta(table_files.place(name, kind))
            assert {
                "kernel": f"{about.get('version')}, {about.get('modules')} modules, {about.get('aliases')} aliases",
                "firmware": f"{about.get('files')} files in {len(about.get('packages', []))} packages",
                "ids": f"list of {about.get('version')}",
            }[kind] in line  # fmt: skip
