"""Each rule of the decision on units that differ in one fact; what is right is common practice, no source, unless said."""  # noqa: E501

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest

from advisor import tables
from advisor.advice.options import COMFORTABLE, KEY, SLOW, UNUSABLE, VERY_SLOW, level_of
from advisor.shop import Part, Thresholds
from tests.advice.conftest import ADAPTER, DDR3, DDR4, DRAWER, SSD, batch_of, shop_with

One = Callable[..., pd.Series]

CORE2 = {"cpu": "Core 2 Duo P8400", "model": "Latitude E6400", "graphics": "GMA 4500MHD", "wireless": "8086:4232"}


@pytest.mark.parametrize(
    ("changes", "advice", "first"),
    [
        ({}, "standard image", "INSTALL GNOME"),
        ({"storage_kind": "HDD 500 GB"}, "fit a part first", "FIT SATA SSD 240 GB, then GNOME"),
        ({"ram_gib": "4"}, "fit a part first", "FIT 4 GiB DDR4 SODIMM, then GNOME"),
        (
            {"ram_gib": "4", "ram_slots_free": "0"},
            "fit a part first",
            "FIT 2 x 4 GiB DDR4 SODIMM in place of what is fitted, then GNOME",
        ),
        (
            {"ram_gib": "2x2 GB"},
            "fit a part first",
            "FIT 4 GiB DDR4 SODIMM, then GNOME",
        ),
        (
            {"ram_gib": "2x2 GB", "ram_slots_free": ""},
            "fit a part first",
            "FIT 4 GiB DDR4 SODIMM in place of 2 GiB, then GNOME",
        ),
        ({"ram_gib": "4", "ram_soldered": "yes"}, "lighter image", "INSTALL MATE"),
        (
            {"ram_gib": "4", "storage_kind": "HDD 500 GB"},
            "fit a part first",
            "FIT 4 GiB DDR4 SODIMM and SATA SSD 240 GB, then GNOME",
        ),
        ({"storage_kind": "none", "storage_gib": ""}, "fit a part first", "FIT SATA SSD 240 GB, then GNOME"),
        ({"storage_health_pct": "19"}, "fit a part first", "FIT SATA SSD 240 GB, then GNOME"),
        ({"storage_health_pct": "20"}, "standard image", "INSTALL GNOME"),
        ({"wireless": "14e4:4315"}, "firmware first", "BRING firmware-b43-installer, then GNOME"),
        (
            {"wireless": "14e4:43b1"},
            "firmware first",
            "BRING broadcom-sta-dkms and linux-headers-amd64, then GNOME",
        ),
        ({"ram_gib": ""}, "hold", "READ THE MEMORY"),
        ({"cpu": ""}, "hold", "READ THE PROCESSOR"),
        ({"storage_kind": "", "storage_gib": ""}, "hold", "READ THE KIND OF DISK"),
        ({"storage_kind": "eMMC", "storage_gib": "", "ram_slots_free": "0"}, "standard image", "INSTALL GNOME"),
        ({"notes": "battery swollen"}, "set aside", "SET ASIDE: Swollen or damaged battery"),
        ({"cpu": "Apple M1"}, "set aside", "SET ASIDE: Processor of another architecture"),
        (
            {"cpu": "Atom N270", "ram_gib": "1", "ram_slots_free": "0", "boot_mode": "legacy", "model": ""},
            "set aside",
            "SET ASIDE: not usable",
        ),
    ],
)
def test_one_fact_decides(decided: One, changes: dict[str, Any], advice: str, first: str) -> None:
    row = decided(**changes)
    assert row["advice"] == advice
    assert row["do_first"].startswith(first)


def test_a_lighter_desktop_that_stays_slow_is_not_shown_as_if_all_were_well(decided: One) -> None:
    row = decided(cpu="Celeron N2830", ram_gib="4", ram_slots_free="0", storage_kind="SATA SSD", graphics="Bay Trail")
    assert row["advice"] == "lighter image"
    assert row["do_first"] == "INSTALL MATE, which stays slow"
    assert "slow" in row["flags"].split(";")
    assert "stays slow: browser usable after" in row["reasons"]


def test_what_is_very_slow_gets_the_lightest_desktop(decided: One) -> None:
    row = decided(cpu="Atom Z3740", ram_gib="2", ram_soldered="yes", storage_kind="eMMC", storage_gib="32 GB",
                  graphics="Bay Trail")  # fmt: skip
    assert row["edition"] == "LXDE"
    assert row["do_first"] == "INSTALL LXDE, which stays very slow"


def test_old_graphics_is_spared_what_it_composes_slowly(decided: One) -> None:
    assert decided(**CORE2, ram_slots_free="0")["edition"] == "MATE"
    with_card = {**CORE2, "graphics": "Radeon HD 5450", "cpu": "Core 2 Duo E8600", "form_factor": "desktop"}
    assert decided(**with_card)["edition"] == "GNOME"


def test_the_usual_desktop_is_taken_where_it_is_comfortable_unless_the_richest_is_asked_for() -> None:
    usual = shop_with(*DRAWER, default_edition="Xfce")
    assert batch_of({}, shop=usual).scored["edition"].iloc[0] == "Xfce"
    assert batch_of({}, shop=usual).scored["advice"].iloc[0] == "standard image"
    richest = usual.model_copy(update={"take_richest": True})
    assert batch_of({}, shop=richest).scored["edition"].iloc[0] == "GNOME"


def test_a_cheap_module_goes_before_a_heavy_desktop_on_four_gib_and_only_from_the_drawer() -> None:
    assert batch_of({"ram_gib": "4"}).scored["best_fix"].iloc[0].startswith("fit 4 GiB DDR4 SODIMM (1 of 9, kept for")
    lacking = batch_of({"ram_gib": "4"}, shop=shop_with(SSD)).scored.iloc[0]
    assert (lacking["advice"], lacking["edition"]) == ("lighter image", "MATE")
    assert lacking["best_fix"].endswith("(not in the drawer) would give GNOME")


def test_headroom_is_the_shops_setting() -> None:
    roomy = shop_with(SSD, thresholds=Thresholds(headroom_mib=1500))
    assert batch_of({"ram_gib": "4"}, shop=roomy).scored["edition"].iloc[0] == "GNOME"


def test_a_part_is_bought_rather_than_a_unit_sent_out_slow_unless_the_shop_does_not_buy() -> None:
    unit = {"storage_kind": "HDD 500 GB"}
    bought = batch_of(unit, shop=shop_with()).scored.iloc[0]
    assert bought["do_first"] == "BUY AND FIT SATA SSD 240 GB, then GNOME"
    assert "(not in the drawer, to be bought)" in bought["best_fix"]
    kept = batch_of(unit, shop=shop_with(buys_parts=False)).scored.iloc[0]
    assert kept["advice"] == "lighter image"
    assert kept["do_first"].endswith("which stays slow")


def test_no_unit_leaves_over_the_shops_limit() -> None:
    unit = {"storage_kind": "HDD 500 GB"}
    strict = shop_with(buys_parts=False, thresholds=Thresholds(slow_limit=1))
    row = batch_of(unit, shop=strict).scored.iloc[0]
    assert row["advice"] == "set aside"
    assert "no part fits that would mend it" in row["reasons"]


def test_only_the_wifi_chip_never_changes_whether_a_unit_is_usable() -> None:
    slow = {"cpu": "Celeron N2830", "ram_gib": "4", "ram_slots_free": "0", "storage_kind": "HDD 500 GB"}
    chips = ("AR9485", "BCM43142", "8086:24f3", "14c3:7902", "MT7902", "no such chip", "", "8086:ffff")
    rows = batch_of(*({**slow, "wireless": chip} for chip in chips)).scored
    assert set(rows["advice"]) == {"fit a part first"}
    assert rows["edition"].nunique() == 1
    assert rows["do_first"].str.contains("SATA SSD 240 GB").all()


def test_a_dead_wifi_gets_an_adapter_that_the_stick_drives() -> None:
    unit = {"wireless": "8086:ffff", "devices": "pci:14c3:7902"}
    row = batch_of({"wireless": "14c3:7902"}).scored.iloc[0]
    assert row["do_first"] == "FIT USB Wi-Fi adapter, then GNOME"
    useless = ADAPTER.model_copy(update={"device": "usb:0000:0000"})
    assert "USB Wi-Fi adapter," not in batch_of(unit, shop=shop_with(useless, buys_parts=False)).scored["do_first"][0]


def test_a_newer_kernel_is_brought_only_where_no_adapter_is_to_be_had() -> None:
    row = batch_of({"wireless": "14c3:7902"}, shop=shop_with(buys_parts=False)).scored.iloc[0]
    assert row["advice"] == "firmware first"
    assert row["firmware_packages"] == "linux-image-amd64/13-backports"
    assert "bring-network" in row["flags"].split(";")


def test_another_stick_that_serves_the_devices_outright_goes_before_bringing(decided: One) -> None:
    row = decided(wireless="10ec:b852", image="debian-12")
    assert row["do_first"] == "USE STICK debian-13, install GNOME"
    assert "other-image" in row["flags"].split(";")
    assert decided(image="debian-12")["image_used"] == "debian-12"


def test_a_stick_that_does_not_lie_ready_is_not_counted_on(decided: One) -> None:
    row = decided(wireless="14c3:7902")
    assert row["image_used"] == "debian-13"


def test_a_processor_without_64_bit_gets_the_32_bit_stick(decided: One) -> None:
    row = decided(cpu="Pentium M 780", ram_gib="2", storage_kind="SATA SSD", graphics="Radeon X300", maker="", model="",
                  boot_mode="legacy")  # fmt: skip
    assert row["image_used"] == "debian-12-i386"
    assert row["cpu_level"] == "i686"


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        ({}, True),
        ({"ram_slots_free": "0"}, True),
        ({"ram_slots_free": "0", "ram_gib": "1x4"}, False),
        ({"ram_soldered": "yes"}, False),
        ({"cpu": "i5-4300U", "model": "Latitude E7440"}, False),
        ({"form_factor": "desktop", "model": "OptiPlex 5040", "cpu": "i5-6500"}, False),
        ({"ram_slots_free": ""}, True),
    ],
)
def test_a_module_is_of_the_boards_type_and_form_and_has_a_slot(changes: dict[str, Any], fits: bool) -> None:
    row = batch_of({"ram_gib": "4", **changes}, shop=shop_with(DDR4, buys_parts=False)).scored.iloc[0]
    assert (row["advice"] == "fit a part first") is fits
    if changes.get("ram_slots_free") == "":
        assert "check that a memory slot is free" in row["best_fix"]


def test_two_modules_are_fitted_where_one_is_too_little_and_two_slots_are_free() -> None:
    small = Part(name="1 GiB DDR3 DIMM", kind="memory", fits="DDR3 DIMM", gib=1, count=4)
    unit = {"cpu": "i5-2400", "ram_gib": "2", "ram_slots_free": "2", "form_factor": "desktop", "model": "OptiPlex 790",
            "graphics": "HD 2000"}  # fmt: skip
    shop = shop_with(small, buys_parts=False)
    assert batch_of(unit, shop=shop).scored["do_first"].iloc[0].startswith("FIT 2 x 1 GiB DDR3 DIMM")
    alone = batch_of({**unit, "ram_slots_free": "1"}, shop=shop).scored["do_first"].iloc[0]
    assert alone.startswith("FIT 1 GiB DDR3 DIMM")


def test_a_penryn_board_takes_either_type_and_says_to_look() -> None:
    row = batch_of({**CORE2, "ram_gib": "2"}, shop=shop_with(DDR4, DDR3, buys_parts=True)).scored.iloc[0]
    assert "that the board takes DDR" in row["best_fix"]


def test_an_nvme_disk_is_replaced_by_an_nvme_disk() -> None:
    nvme = Part(name="NVMe SSD 256 GB", kind="ssd", fits="nvme", gib=238, count=1)
    unit = {"storage_kind": "NVMe", "storage_health_pct": "3"}
    row = batch_of(unit, shop=shop_with(SSD, nvme, buys_parts=False)).scored.iloc[0]
    assert row["do_first"] == "FIT NVMe SSD 256 GB, then GNOME"


def test_what_size_and_year_leave_no_doubt_of_is_taken_and_said() -> None:
    unit = {"cpu": "Core 2 Duo E6550", "ram_gib": "4", "storage_kind": "", "storage_gib": "250", "model": "OptiPlex 755",  # noqa: E501
            "form_factor": "desktop", "graphics": "Q35"}  # fmt: skip
    row = batch_of(unit).scored.iloc[0]
    assert row["advice"] == "fit a part first"
    assert "likely-value" in row["flags"].split(";")


def test_a_processor_that_its_name_leaves_open_holds_only_where_it_matters(decided: One) -> None:
    settled = decided(cpu="Xeon E5-1620", form_factor="desktop", model="Precision T3600", graphics="Quadro K2000",
                      wireless="none")  # fmt: skip
    assert settled["advice"] == "standard image"
    assert "processor-open" in settled["flags"].split(";")
    assert decided(cpu="Celeron", graphics="")["advice"] == "hold"


LIMITS = Thresholds(desktop_s=30, browser_s=10, memory_left_pct=25, certainty=0.8, slow_limit=4)


@pytest.mark.parametrize(
    ("desktop", "browser", "left", "killed", "level"),
    [
        (30.0, 10.0, 1024.0, 0.0, COMFORTABLE),
        (30.1, 10.0, 1024.0, 0.0, SLOW),
        (30.0, 10.1, 1024.0, 0.0, SLOW),
        (60.0, 20.0, 1024.0, 0.0, SLOW),
        (60.1, 20.0, 1024.0, 0.0, VERY_SLOW),
        (30.0, 40.0, 1024.0, 0.0, VERY_SLOW),
        (30.0, 40.1, 1024.0, 0.0, UNUSABLE),
        (120.1, 10.0, 1024.0, 0.0, UNUSABLE),
        (30.0, 10.0, 1023.0, 0.0, VERY_SLOW),
        (30.0, 10.0, 1024.0, 0.2, COMFORTABLE),
        (30.0, 10.0, 1024.0, 0.201, UNUSABLE),
    ],
)
def test_levels_turn_at_the_thresholds(desktop: float, browser: float, left: float, killed: float, level: int) -> None:
    limits = LIMITS.model_copy(update={"certainty": 0.8})
    found, _ = level_of(*(pd.Series([one]).to_numpy() for one in (desktop, browser, left, killed, 4096.0)), limits)
    assert found[0] == level


def test_the_order_of_preference_is_the_one_that_the_readme_words() -> None:
    assert KEY == (
        "unusable", "dead", "level", "slow", "buy", "roomy", "waits", "unusual", "kernel", "n_parts", "bring", "stick",
        "rich", "missed", "size", "fit_min",
    )  # fmt: skip


def test_memory_types_name_microarchitectures_that_the_processor_table_knows() -> None:
    known = set(tables.load("identify/microarchitectures").frame["microarch"])
    named = tables.load("advice/memory_types").frame["microarch"]
    assert set(named) <= known
    assert named.is_unique


def test_what_a_typed_name_was_taken_as_stands_beside_the_unit_and_its_double() -> None:
    """pci.ids knows the QCA6174A as 168c:003e under a longer name; a name that the list has is not explained."""
    batch = batch_of({"wireless": "QCA6174A"}, {"wireless": "QCA9377"}, {"wireless": "QCA6174A"})
    taken = batch.scored["taken_as"]
    for row in (0, 2):
        assert taken[row].count("'QCA6174A'") == 1 and "pci:168c:003e" in taken[row]
        assert any("QCA6174A" in line for line in batch[row].taken)
    assert "QCA9377" not in taken[1]
