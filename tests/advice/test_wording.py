"""What an option lacks, what is brought and what is missing, in words; each on either side of its limit.

What is right is common practice, no source; the shop's settings stand beside.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.advice import Batch
from advisor.advice.cases import Brought, FittedPart, _packages, seconds_words, shortfall
from advisor.advice.facts import Facts, module_forms
from advisor.advice.options import level_of
from advisor.advice.parts import memory_check
from advisor.advice.readings import TITLES, WHERE, missing
from advisor.advice.sentences import FIND_OUT, LEVEL_WORDS, NO_PART, NOTHING_TO_FIX
from advisor.columns import Columns
from advisor.shop import Architecture, Image, Part, Thresholds, default_shop
from advisor.unit import Unit, frame
from tests.advice.conftest import batch_of, shop_with

LIMITS = Thresholds(desktop_s=30, browser_s=10, memory_left_pct=25, certainty=0.8, disk_left_pct=20)
FITS: dict[str, Any] = {"desktop_high_s": 30.0, "browser_high_s": 10.0, "left_mib": 1024.0, "killed": 0.19,
                        "disk_left_pct": 20.0, "memory_gib": 0.0, "ssd": -1}  # fmt: skip


@pytest.mark.parametrize(
    ("option", "worn", "words"),
    [
        ({}, False, ""),
        ({"desktop_high_s": 30.2}, False, "desktop usable after 31 s, over 30 s"),
        ({"browser_high_s": 600.5}, False, "browser usable after more than 10 minutes, over 10 s"),
        ({"left_mib": 1023.9}, False, "1023 MiB of memory left, under 25 %"),
        ({"left_mib": 2048.0, "memory_gib": 4.0}, False, ""),
        ({"left_mib": 2047.0, "memory_gib": 4.0}, False, "2047 MiB of memory left, under 25 %"),
        ({"killed": 0.2}, False, ""),
        ({"killed": 0.201}, False, "21 % likely to have a program killed"),
        ({"disk_left_pct": 19.9}, False, "19 % of the disk left, under 20 %"),
        ({}, True, "the disk is worn"),
        ({"ssd": 0}, True, ""),
        ({"desktop_high_s": 40.0, "browser_high_s": 11.0, "disk_left_pct": 5.0}, True,
         "desktop usable after 40 s, over 30 s; browser usable after 11 s, over 10 s; "
         "5 % of the disk left, under 20 %; the disk is worn"),
    ],
)  # fmt: skip
def test_what_misses_the_shops_thresholds(option: dict[str, Any], worn: bool, words: str) -> None:
    facts: Any = SimpleNamespace(
        shop=SimpleNamespace(thresholds=LIMITS), ram_gib=np.array([4.0]), worn=np.array([worn])
    )
    assert shortfall(FITS | option, facts, 0) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(30.0, "30 s"), (30.01, "31 s"), (600.0, "600 s"), (600.1, "more than 10 minutes"), (0.2, "1 s")],
)
def test_a_bound_is_rounded_up(seconds: float, words: str) -> None:
    assert seconds_words(seconds) == words


@pytest.mark.parametrize(
    ("desktop", "browser", "left", "missed"),
    [
        (30.0, 10.0, 1024.0, 0.0), (45.0, 10.0, 1024.0, 0.5), (30.0, 20.0, 1024.0, 1.0), (45.0, 20.0, 1024.0, 1.5),
        (15.0, 5.0, 512.0, 0.5), (15.0, 20.0, 0.0, 2.0), (15.0, 20.1, 0.0, 1.01),
    ],
)  # fmt: skip
def test_what_is_missed_adds_up_in_shares_of_the_thresholds(
    desktop: float, browser: float, left: float, missed: float
) -> None:
    """What the waits make very slow, over twice a threshold, more memory makes no better."""
    _, found = level_of(*(np.array([one]) for one in (desktop, browser, left, 0.0, 4096.0)), LIMITS)
    assert found[0] == pytest.approx(missed)


def device(support: str, cure: str = "", packages: str = "") -> dict[str, str]:
    return {"kind": "wireless", "support": support, "cure": cure, "firmware_packages": packages}


@pytest.mark.parametrize(
    ("row", "release", "architecture", "brought"),
    [
        (device("needs firmware", "a", "a b"), "13", "amd64", [("a", False), ("b", False)]),
        (device("needs firmware", "firmware-b43-installer"), "13", "amd64", [("firmware-b43-installer", True)]),
        (device("needs firmware"), "13", "amd64", []),
        (device("separate driver", "x-dkms"), "13", "amd64", [("x-dkms", True), ("linux-headers-amd64", True)]),
        (device("separate driver", "x-dkms"), "12", "i386", [("x-dkms", True), ("linux-headers-686-pae", True)]),
        (device("separate driver"), "13", "amd64", []),
        (device("newer kernel", "debian-12-backports"), "12", "amd64", [("linux-image-amd64/12-backports", True)]),
        (device("newer kernel", "debian-13-backports"), "12", "amd64", []),
        (device("works"), "13", "amd64", []),
    ],
)
def test_packages_that_are_brought_and_whether_they_need_a_network(
    row: dict[str, str], release: str, architecture: str, brought: list[tuple[str, bool]]
) -> None:
    """An installer fetches, a driver is built with what is fetched, a kernel comes from backports."""
    expected = [Brought(name, "wireless", True, network) for name, network in brought]
    image = Image(name="one", release=release, kernel="debian-13", architecture=Architecture(architecture))
    assert _packages(row, image, True) == expected


def test_two_of_a_part_are_counted() -> None:
    part = Part(name="4 GiB DDR3 DIMM", kind="memory", fits="DDR3 DIMM", gib=4)
    assert [FittedPart(0, part, times, False, "", "").name for times in (1, 2)] == [part.name, f"2 x {part.name}"]


def test_facts_that_may_decide_are_asked_for_in_this_order_and_where_they_are_read() -> None:
    assert TITLES == {
        "cpu": "the processor", "level": "whether the processor is 64-bit", "ram_gib": "the memory",
        "storage_kind": "the kind of disk", "storage_gib": "the disk's size", "boot_mode": "the boot mode",
    }  # fmt: skip
    assert list(TITLES) == ["cpu", "level", "ram_gib", "storage_kind", "storage_gib", "boot_mode"]
    label = "the disk's label, the firmware's set-up page, or a capture"
    assert {
        "cpu": "the sticker, the firmware's set-up page, or a capture",
        "level": "a capture, or the processor's full name on the firmware's set-up page",
        "ram_gib": "the firmware's set-up page, the modules' labels, or a capture",
        "storage_kind": label, "storage_gib": label, "boot_mode": "the firmware's set-up page",
    } == WHERE  # fmt: skip
    assert (NO_PART, NOTHING_TO_FIX, FIND_OUT) == ("no part helps", "none needed", "first find out what is missing")
    assert LEVEL_WORDS == {0: "", 1: "slow", 2: "very slow"}


KNOWN: dict[str, Any] = {"ram_gib": 8.0, "storage_kind": "nvme", "storage_gib": 238.0, "boot_mode": "legacy bios"}


def processor(speed: float | None, level: str | None) -> pd.DataFrame:
    year = pd.array([None], "Int64")
    columns = {"cpu_speed": pd.array([speed], "Float64"), "cpu_level": pd.array([level], "string")}
    return pd.DataFrame({**columns, "cpu_year": year, "cpu_year_least": year})


@pytest.mark.parametrize(
    ("unit", "speed", "level", "lacking"),
    [
        ({}, 1.0, "v3", set()), ({}, None, "v3", {"cpu"}), ({}, None, None, {"cpu"}), ({}, 1.0, None, {"level"}),
        ({"decompress_mib_s": 30.0}, None, None, {"level"}), ({"ram_gib": None}, 1.0, "v3", {"ram_gib"}),
        ({"storage_kind": None}, 1.0, "v3", {"storage_kind"}),
        ({"storage_kind": None, "disk_read_mib_s": 90.0}, 1.0, "v3", {"storage_kind"}),
        ({"storage_kind": None, "disk_access_ms": 15.0}, 1.0, "v3", {"storage_kind"}),
        ({"storage_kind": None, "disk_read_mib_s": 90.0, "disk_access_ms": 15.0}, 1.0, "v3", set()),
        ({"storage_gib": None}, 1.0, "v3", {"storage_gib"}),
        ({"storage_kind": "none", "storage_gib": None}, 1.0, "v3", set()),
        ({"boot_mode": None}, 1.0, "v3", {"boot_mode"}),
    ],
)  # fmt: skip
def test_a_missing_fact_is_one_that_nothing_else_tells(
    unit: dict[str, Any], speed: float | None, level: str | None, lacking: set[str]
) -> None:
    """What was measured stands for the processor's name and for the kind of disk; no disk has no size."""
    units = frame([Unit(**{**KNOWN, **unit})])
    facts: Any = SimpleNamespace(
        units=units, shop=default_shop(), no_disk=np.array([unit.get("storage_kind") == "none"]),
        processors=processor(speed, level),
    )  # fmt: skip
    assert {name for name, rows in missing(facts).items() if rows[0]} == lacking


def test_where_every_image_starts_in_every_mode_none_is_asked_for() -> None:
    images = tuple(one for one in default_shop().images if len(one.boots) == 3)
    facts: Any = SimpleNamespace(
        units=frame([Unit(**{**KNOWN, "boot_mode": None})]), no_disk=np.array([False]),
        shop=default_shop().model_copy(update={"images": images}),
        processors=processor(1.0, "v3"),
    )  # fmt: skip
    assert images and not missing(facts)["boot_mode"][0]


HDD = {"storage_kind": "HDD 500 GB"}
WHY: list[tuple[dict[str, Any], str, str]] = [
    ({"ram_gib": ""}, "READ THE MEMORY", "the memory decides and is not known; at worst: "),
    ({"cpu": "", "ram_gib": ""}, "READ THE PROCESSOR and THE MEMORY",
     "the processor and the memory decide and are not known: the row names no processor; at worst: "),
    ({**HDD, "wireless": "14e4:4315"}, "FIT SATA SSD 240 GB, bring firmware-b43-installer, then GNOME", ""),
    ({**HDD, "wireless": "10ec:b852", "image": "debian-12"},
     "FIT SATA SSD 240 GB, then GNOME from stick debian-13", "spinning disk: browser usable after "),
    ({"storage_kind": "none", "storage_gib": ""}, "FIT SATA SSD 240 GB, then GNOME",
     "no disk is fitted; GNOME: desktop"),
    ({"storage_health_pct": "19"}, "FIT SATA SSD 240 GB, then GNOME", "the disk is worn (19 % left); GNOME: desktop"),
    ({"ram_gib": "4"}, "FIT 4 GiB DDR4 SODIMM, then GNOME", "4 GiB of memory is little for GNOME; GNOME: desktop"),
    ({"wireless": "14c3:7902"}, "FIT USB Wi-Fi adapter, then GNOME", ""),
    ({"image": "debian-12", "wireless": "10ec:b852"}, "USE STICK debian-13, install GNOME",
     "GNOME: desktop after about "),
    ({"wireless": "10ec:8190"}, "FIT USB Wi-Fi adapter, then GNOME", ""),
]  # fmt: skip
"""A unit, the first thing to do, and how the reason begins."""


@pytest.fixture(scope="module")
def decided() -> Batch:
    return batch_of(*(unit for unit, _, _ in WHY))


@pytest.mark.parametrize("at", range(len(WHY)), ids=[first for _, first, _ in WHY])
def test_the_first_thing_to_do_and_how_its_reason_begins(decided: Batch, at: int) -> None:
    row = decided.scored.iloc[at]
    assert row["do_first"] == WHY[at][1] and row["reasons"].startswith(WHY[at][2])


def test_what_of_it_is_said_further(decided: Batch) -> None:
    reasons = decided.scored["reasons"]
    assert all("; at best: GNOME from debian-13" in reasons[row] for row in (0, 1))
    assert "an adapter spares a newer kernel; GNOME: desktop after about " in reasons[7]
    assert "its Wi-Fi stays dead without an adapter; GNOME: desktop after about " in reasons[9]
    assert all(" s, browser " in one and " MiB of memory left" in one for one in reasons[2:])


def test_a_part_that_leaves_the_desktop_as_it_is_says_so_and_wifi_that_an_adapter_replaces_is_no_act_first(
    decided: Batch,
) -> None:
    assert decided[7].best_fix.endswith(" of 9, kept for this unit): GNOME as before")
    flags = decided.flags[decided.flags["code"].str.startswith("wireless-")].set_index("row")
    newer = flags.loc[7]
    assert newer["severity"] == "note" and newer["action"].startswith("The adapter takes its place; without one: ")
    alone = batch_of({"wireless": "14c3:7902"}, shop=shop_with(buys_parts=False)).flags
    (row,) = alone[alone["code"].str.startswith("wireless-")].to_dict("records")
    assert row["severity"] == "act" and "adapter" not in row["action"]


def test_a_part_is_told_with_what_it_changes_and_what_came_second(decided: Batch) -> None:
    """On a spinning disk everything is slow: the richest of the lighter ones that are as quick would be taken."""
    record = decided[3]
    assert record.best_fix == "fit SATA SSD 240 GB (2 of 9, kept for this unit): MATE, slow becomes GNOME"
    assert (record.runner_up, record.lost) == ("MATE from debian-13", "it would be slower")
    assert decided[0].best_fix == decided[1].best_fix == FIND_OUT and decided[8].best_fix == NOTHING_TO_FIX
    assert decided[4].best_fix == (
        "fit SATA SSD 240 GB (3 of 9, kept for this unit): not usable becomes GNOME; check that there is a SATA bay"
    )


def test_why_a_shop_that_asks_for_the_richest_passes_its_usual_desktop_over() -> None:
    shop = shop_with(default_edition="MATE", take_richest=True)
    assert "; the shop asks for the richest" in batch_of({}, shop=shop).scored.loc[0, "reasons"]


def test_a_stick_without_any_of_the_shops_desktops() -> None:
    image = default_shop().images[0]
    shop = shop_with(default_edition="Xfce", richness=("Xfce",), images=(
        image.model_copy(update={"editions": ("GNOME",)}),))  # fmt: skip
    found = batch_of({}, shop=shop)[0].reasons[0]
    assert (found.text, found.source) == ("Its stick has none of the shop's desktops", "edition gates")


def test_a_name_that_no_table_knows_and_a_module_of_no_stated_form() -> None:
    facts: Any = SimpleNamespace(
        units=frame([Unit(cpu="odd"), Unit()]), processors=pd.DataFrame({"cpu_problem": pd.array([None] * 2, "string")})
    )
    assert Facts.processor_problems.func(facts) == [
        "'odd' is no processor that the tables know",
        "the row names no processor",
    ]
    module = Part(name="m", kind="memory", fits="DDR4", gib=4)
    units = frame([Unit(ram_slots_free=1, ram_type="DDR4")])
    known: Any = SimpleNamespace(
        fields=Columns(units),
        module_forms=module_forms(units),
        memory_told=[True],
        likely_memory=["DDR4"],
        bank=SimpleNamespace(free=np.array([1.0])),
    )
    assert memory_check(known, 0, module) == "that its modules are of this form"
