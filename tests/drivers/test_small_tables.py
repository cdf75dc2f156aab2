"""Every row of the room's own tables makes sense, and meets the kernels' tables."""

from __future__ import annotations

import re

import pytest

from advisor.drivers import needs, quirks, small_tables, table_files
from advisor.drivers.judge import bind
from advisor.drivers.kinds import Kind, of_module
from advisor.drivers.needs import Lack
from advisor.drivers.quirks import Effect
from advisor.drivers.spec import by_id
from advisor.tables import load

TABLES = ("severity", "chips", "chips_kernel", "quirks", "quirks_packages", "names", "forbidden")
ID = re.compile(r"(pci|usb|sdio):[0-9a-f]{4}:([0-9a-f]{4}|\*)")


@pytest.mark.parametrize("name", TABLES)
def test_every_row_says_where_it_is_from(name):
    rows = small_tables.rows(name)
    assert rows
    assert all(row["source"].strip() for row in rows)
    assert set(rows[0]) == set(load(f"drivers/{name}").about["columns"])


@pytest.mark.parametrize("name", ["chips", "chips_kernel", "quirks", "quirks_packages", "names"])
def test_ids_are_well_formed(name):
    for row in small_tables.rows(name):
        for text in small_tables.parts(row["ids"]):
            assert text == "*" or ID.fullmatch(text), row


def test_words_are_of_the_closed_sets():
    assert {row["severity"] for row in small_tables.rows("severity")} <= set(Lack)
    for name in ("quirks", "quirks_packages"):
        assert {row["effect"] for row in small_tables.rows(name)} <= set(Effect)
    for row in small_tables.rows("quirks") + small_tables.rows("quirks_packages"):
        if row["effect"] in ("separate driver", "fetched firmware", "userspace"):
            assert row["packages"], row["code"]
        if row["effect"] == "through":
            assert row["module"], row["code"]


def test_each_module_has_one_severity():
    named = [row["module"] for row in small_tables.rows("severity")]
    assert len(named) == len(set(named))


def test_modules_exist_in_some_kernel():
    known = {module for name in table_files.SHIPPED for module in table_files.load(name).modules}
    for name in ("severity", "chips", "chips_kernel"):
        assert {row["module"] for row in small_tables.rows(name)} <= known
    assert {quirk["module"] for quirk in small_tables.rows("quirks") if quirk["module"]} <= known


@pytest.mark.parametrize("name", table_files.SHIPPED)
def test_the_severity_of_every_device_driver_that_names_firmware_is_known(name):
    table = table_files.load(name)
    kinds = (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET, Kind.BLUETOOTH)
    missing = {
        module
        for module, path in zip(table.modules, table.paths, strict=True)
        if of_module(path, module) in kinds and needs.files(table, module) and _binds(table, module)
    } - needs.rules().keys()
    assert not missing


def _binds(table, module: str) -> bool:
    """Whether a module binds PCI, USB or SDIO devices."""
    number = table.numbers[module]
    return any((table.arrays[f"{bus}_module"] == number).any() for bus in ("pci", "usb", "sdio"))


@pytest.mark.parametrize("name", table_files.SHIPPED)
def test_files_of_chips_are_files_that_the_module_names(name):
    table = table_files.load(name)
    matched = 0
    for row in small_tables.rows("chips_kernel"):
        if row["module"] not in table.numbers or not row["files"]:
            continue
        patterns = [p for p in small_tables.parts(row["files"]) if not p.startswith("+")]
        named = needs.files(table, row["module"])
        hits = [
            any(re.fullmatch(p.replace("*", ".*"), n.rpartition("/")[2] if "/" not in p else n) for n in named)
            for p in patterns
        ]
        matched += bool(hits) and any(hits)
    assert matched > 40


def test_quirks_of_a_device_go_before_those_of_its_maker():
    from advisor.drivers.spec import by_id

    codes = [quirk.code for quirk in quirks.of_device(by_id("pci", 0x14E4, 0x4315))]
    assert codes == ["b43", "b43-firmware"]


NOT_NAMED = {("i915", "i915/cfl_*")}
"""Files of a row that no kernel names."""
NOT_BOUND = {"pci:14e4:43df", "pci:8086:1132", "pci:8086:7121", "pci:8086:7123", "pci:8086:7125"}
"""Ids of rows that no shipped kernel's aliases name; the four of Intel are the i810 and its like."""


def test_the_files_of_a_chip_are_files_that_its_own_module_names():
    tables = [table_files.load(name) for name in table_files.SHIPPED]
    lacking = set()
    for row in small_tables.rows("chips") + small_tables.rows("chips_kernel"):
        named = [file for table in tables for file in needs.files(table, row["module"])]
        for pattern in small_tables.parts(row["files"]):
            if not pattern.startswith("+") and not any(needs._fits(pattern, file) for file in named):
                lacking.add((row["module"], pattern))
    assert lacking == NOT_NAMED


def test_the_ids_of_a_chip_are_ids_that_its_own_module_binds():
    """Bluetooth adapters are bound by class, by one module alone."""
    asked = [(row["module"], text) for row in small_tables.rows("chips") + small_tables.rows("chips_kernel")
             for text in small_tables.parts(row["ids"]) if "*" not in text]  # fmt: skip
    specs = [by_id(bus, int(vendor, 16), int(device, 16)) for bus, vendor, device in (t.split(":") for _, t in asked)]
    bound = set()
    for name in table_files.SHIPPED:
        for (module, text), found in zip(asked, bind(specs, table_files.load(name)), strict=True):
            if module in {one for one, _, _ in found}:
                bound.add((module, text))
    left = {(module, text) for module, text in asked if (module, text) not in bound}
    assert {text for module, text in left if module != "btusb"} == NOT_BOUND
    assert all(text.startswith("usb:") for _, text in left if text not in NOT_BOUND)


FAMILY = {
    "ath10k_pci": "ath10k/", "ath11k_pci": "ath11k/", "ath12k": "ath12k/", "ath12k_wifi7": "ath12k/", "ath3k": "a",
    "mwifiex_pcie": "mrvl/pcie", "mwifiex_sdio": "mrvl/sd", "r8723bs": "rtlwifi/rtl8723bs_", "brcmfmac": "brcm/",
    "rtl8723ae": "rtlwifi/rtl8723fw", "amdgpu": "amdgpu/", "nouveau": "nvidia/", "iwlwifi": "iwlwifi-", "i915": "i915/",
    "mt7921e": "mediatek/WIFI",
}  # fmt: skip
"""How the files begin that a driver asks for: its folder in linux-firmware."""


@pytest.mark.parametrize("name", ["chips", "chips_kernel"])
def test_files_lie_in_their_drivers_folder_and_a_chips_name_is_in_them(name):
    for row in small_tables.rows(name):
        files = [one.removeprefix("+") for one in small_tables.parts(row["files"])]
        begins = "intel/sof" if row["module"].startswith("snd_sof") else FAMILY.get(row["module"], "")
        assert all(file.startswith(begins) for file in files), row
        if row["module"] == "nouveau" and row["name"]:
            chip = re.fullmatch(r"\\b(\w+)", row["name"])
            assert chip is None or files == [f"nvidia/{chip[1].lower()}/*"], row


GENERATIONS = {
    "Mendocino": "10_3_7", "Raphael": "10_3_6", "Phoenix1": "11_0_1", "Phoenix2": "11_0_4", "Strix [": "11_5_0",
    "Navi 31": "11_0_0", "Navi 32": "11_0_3", "Navi 33": "11_0_2", "Strix Halo": "11_5_1", "Krackan": "11_5_2",
    "Navi 44": "12_0_0", "Navi 48": "12_0_1",
}  # fmt: skip


@pytest.mark.parametrize("chip", GENERATIONS)
def test_a_new_radeon_asks_for_the_files_of_its_generation(chip):
    """Linux 6.12, Documentation/gpu/amdgpu/apu-asic-info-table.csv and dgpu-asic-info-table.csv; later from memory."""
    rows = [row for row in small_tables.rows("chips") if row["module"] == "amdgpu"
            and re.search(row["name"], f"[AMD/ATI] {chip}")]  # fmt: skip
    assert [row["files"] for row in rows] == [f"amdgpu/gc_{GENERATIONS[chip]}_*"]
