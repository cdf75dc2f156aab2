"""The decision: each advice word where a technician would give it, its reason beside it, and no inversion."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice import assess
from advisor.advice.flags import RULES, SWOLLEN
from advisor.shop import Part, Shop, default_shop
from advisor.unit import Advice, StorageKind, Unit, frame

OFFICE_LAPTOP = {
    "asset_tag": "T-1", "form_factor": "laptop", "cpu": "i5-6300U", "ram_gib": "8", "storage_kind": "sata ssd",
    "storage_gib": "240", "boot_mode": "uefi", "wireless": "8086:24f3", "graphics": "Intel HD Graphics 520",
}  # fmt: skip
STOCK = (
    Part(name="8 GiB DDR4 SODIMM", kind="memory", fits="DDR4 SODIMM", gib=8),
    Part(name="4 GiB DDR3 SODIMM", kind="memory", fits="DDR3 SODIMM", gib=4),
    Part(name="SATA SSD 240 GB", kind="ssd", fits="sata", gib=223),
    Part(name="USB adapter", kind="wireless", fits="usb", device="usb:0cf3:9271"),
)


def shop(**changes: Any) -> Shop:
    return default_shop().model_copy(update={"stock": STOCK, **changes})


def one(**changes: Any) -> pd.Series:
    return assess(pd.DataFrame([{**OFFICE_LAPTOP, **changes}]), shop()).scored.iloc[0]


def test_an_office_laptop_gets_the_standard_image() -> None:
    unit = one()
    assert unit["advice"] == Advice.STANDARD
    assert unit["edition"] == "GNOME"
    assert unit["image_used"] == "debian-13"
    assert unit["wireless_support"] == "works"
    assert unit["elapsed_low_min"] <= unit["elapsed_min"] <= unit["elapsed_high_min"]
    assert unit["hands_on_min"] <= unit["elapsed_min"]


@pytest.mark.parametrize(
    ("changes", "advice", "flag"),
    [
        ({"cpu": None}, Advice.HOLD, "processor-unknown"),
        ({"cpu": "i5"}, Advice.HOLD, "processor-unknown"),
        ({"ram_gib": None}, Advice.HOLD, "memory-unknown"),
        ({"storage_kind": None, "storage_gib": None, "ram_gib": "4"}, Advice.HOLD, "disk-unknown"),
        ({"notes": "battery SWOLLEN, do not charge"}, Advice.SET_ASIDE, "battery-swollen"),
        ({"storage_kind": "none", "storage_gib": None}, Advice.PART_FIRST, "no-disk"),
        ({"storage_health_pct": "5 %"}, Advice.PART_FIRST, "disk-worn"),
        ({"wireless": "14e4:43b1"}, Advice.FIRMWARE_FIRST, "wireless-separate-driver"),
        ({"cpu": "Atom x5-Z8350", "ram_gib": "2", "storage_kind": "emmc", "storage_gib": "8 GB", "ram_soldered": "yes",
          "graphics": None}, Advice.SET_ASIDE, "below-comfort"),
    ],
)  # fmt: skip
def test_each_advice_comes_with_its_flag_and_reason(changes: dict[str, Any], advice: Advice, flag: str) -> None:
    unit = one(**changes)
    assert unit["advice"] == advice, unit["reasons"]
    assert flag in unit["flags"].split(";")
    assert len(unit["reasons"]) > 10


def test_a_processor_without_64_bit_gets_the_32_bit_image() -> None:
    unit = one(
        cpu="Atom N270", ram_gib="2", storage_kind="hdd", graphics="GMA 950", wireless="168c:002b", boot_mode="bios"
    )
    assert unit["image_used"] == "debian-12-i386"
    assert {"32-bit-only", "other-image"} <= set(unit["flags"].split(";"))


def test_a_named_image_is_kept_when_it_boots_and_an_unknown_one_is_flagged() -> None:
    assert one(image="Debian-12 ")["image_used"] == "debian-12"
    unit = one(image="the blue stick")
    assert unit["image_used"] == "debian-13"
    assert "image-foreign" in unit["flags"]


def test_the_part_named_is_one_that_fits() -> None:
    spinning = {"storage_kind": "hdd", "storage_gib": "500", "ram_gib": "4", "ram_slots_free": "1"}
    assert "SATA SSD 240 GB" in one(**spinning)["best_fix"]
    full = assess(pd.DataFrame([{**OFFICE_LAPTOP, "ram_gib": "2", "ram_slots_free": "0"}]), shop())
    assert "SODIMM" not in full.scored["best_fix"].iloc[0]
    soldered = assess(pd.DataFrame([{**OFFICE_LAPTOP, "ram_gib": "2", "ram_soldered": "yes"}]), shop())
    assert not soldered.parts["kind"].eq("memory").any()
    free = one(ram_gib="2", ram_slots_free="1")
    assert "8 GiB DDR4 SODIMM" in free["best_fix"], "a sixth-generation laptop takes DDR4"


def test_a_part_of_the_drawer_goes_before_one_that_must_be_bought() -> None:
    rows = pd.DataFrame([{**OFFICE_LAPTOP, "storage_kind": "hdd", "storage_gib": "500", "ram_gib": "4"}])
    assert "not in the drawer" not in assess(rows, shop()).scored["best_fix"].iloc[0]
    assert "not in the drawer" in assess(rows, shop(stock=())).scored["best_fix"].iloc[0]


def test_fitting_the_part_is_in_the_minutes() -> None:
    worn = one(storage_health_pct="5")
    assert worn["hands_on_min"] > one()["hands_on_min"]


@pytest.mark.parametrize(
    ("note", "stops"),
    [
        ("battery swollen", True), ("BULGING battery, touchpad lifts", True), ("battery leaks? leaking battery", True),
        ("no swelling seen", False), ("not swollen", False), ("bulb replaced", False), ("puffy battery", True),
    ],
)  # fmt: skip
def test_words_that_stop_work_on_a_unit(note: str, stops: bool) -> None:
    assert bool(SWOLLEN.search(note)) is stops


def test_every_flag_says_what_to_do_and_where_it_is_from() -> None:
    assert len({rule.code for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.action.endswith(".")
        assert rule.source
        assert rule.code == rule.code.lower()


def test_scoring_does_not_depend_on_the_rest_of_the_batch() -> None:
    rows = pd.DataFrame(
        [
            OFFICE_LAPTOP,
            {**OFFICE_LAPTOP, "asset_tag": "T-2", "cpu": "Core 2 Duo P8400", "ram_gib": "2", "storage_kind": "hdd"},
            {**OFFICE_LAPTOP, "asset_tag": "T-3", "cpu": "??", "storage_kind": "none"},
        ]
    )
    together = assess(rows, shop()).scored
    for row in range(len(rows)):
        alone = assess(rows.iloc[[row]].reset_index(drop=True), shop()).scored
        pd.testing.assert_frame_equal(
            together.iloc[[row]].reset_index(drop=True), alone, check_dtype=False, check_categorical=False
        )


RAM = [1, 2, 3, 4, 6, 8, 16, 32]
DISKS = ["hdd", "sata ssd", "nvme"]
CPUS = ["Core 2 Duo T5500", "i3-2350M", "i5-6300U", "i5-8350U", "i7-1185G7"]
"""Mobile Intel processors, each faster in one thread than the one before."""


@settings(max_examples=12, deadline=None)
@given(ram=st.sampled_from(RAM), disk=st.sampled_from(DISKS), cpu=st.sampled_from(CPUS))
def test_more_of_anything_never_gives_a_lighter_edition_or_a_longer_time(ram: int, disk: str, cpu: str) -> None:
    base = {**OFFICE_LAPTOP, "graphics": "Intel HD Graphics 520", "cpu": cpu, "ram_gib": ram, "storage_kind": disk}
    better = [{**base, "ram_gib": more} for more in RAM if more >= ram]
    better += [{**base, "storage_kind": more} for more in DISKS[DISKS.index(disk) :]]
    better += [{**base, "cpu": more} for more in CPUS[CPUS.index(cpu) :]]
    settings_ = shop(stock=())
    result = assess(pd.DataFrame(better), settings_)
    first = len([more for more in RAM if more >= ram])
    second = first + len(DISKS[DISKS.index(disk) :])
    choice = result.ladder.choice.map({name: number for number, name in enumerate(settings_.richness)}).fillna(99)
    same_edition = result.ladder.desktop_s
    for chain in (range(0, first), range(first, second), range(second, len(better))):
        ranks = [choice.iloc[row] for row in chain]
        assert ranks == sorted(ranks, reverse=True), "more gave a lighter edition"
        for before, after in zip(chain, list(chain)[1:], strict=False):
            assert (same_edition[after] <= same_edition[before] + 1e-9).all()
            assert (result.ladder.browser_s[after] <= result.ladder.browser_s[before] + 1e-9).all()


def test_memory_types_name_microarchitectures_that_the_processor_table_knows() -> None:
    from advisor import tables

    known = set(tables.load("identify/microarchitectures").frame["microarch"])
    rows = tables.load("advice/memory_types").frame
    assert set(rows["microarch"]) <= known
    assert rows["microarch"].is_unique


def test_a_disk_that_was_seen_is_not_called_hidden() -> None:
    typed = Unit(cpu="i5-1145G7", ram_gib=16, storage_kind="nvme", storage_gib=238, storage_mode="vmd")
    seen = typed.model_copy(update={"storage_model": "INVENTED 256"})
    gone = seen.model_copy(update={"storage_kind": StorageKind.NONE, "storage_gib": 0})
    first, second, third = (set(cell.split(";")) for cell in assess(frame([typed, seen, gone]), shop()).scored["flags"])
    assert "disk-hidden" in first and "controller-mode" not in first
    assert "controller-mode" in second and "disk-hidden" not in second
    assert "disk-hidden" in third


def test_the_second_function_of_old_graphics_is_no_device_without_a_driver() -> None:
    unit = one(cpu="Core 2 Duo P8400", graphics=None, devices="pci:8086:2a42; pci:8086:2a43")
    assert "graphics-no-driver" not in unit["flags"].split(";")
