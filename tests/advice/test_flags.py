"""Each flag on a unit that just has what it asks for, and on one that just has not: words and severity as stated.

What is right is common practice, no source; the shop's thresholds are those of its built-in settings.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.advice import Batch
from advisor.advice.flags import raise_flags
from advisor.shop import default_shop
from tests.advice.conftest import DRAWER, batch_of, shop_with

RULES = tables.dicts("advice/flags")
Unit = dict[str, Any]
BOX = {"form_factor": "desktop", "model": "OptiPlex 5040", "cpu": "i5-6500"}
UNNAMED = {"cpu": "Xeon E5-1620", **{k: v for k, v in BOX.items() if k != "cpu"}, "graphics": "Quadro K2000"}
HOME = {"cpu": "Core 2 Duo E6550", "ram_gib": "4", "storage_kind": "", "storage_gib": "250", "model": "OptiPlex 755",
        "form_factor": "desktop", "graphics": "Q35"}  # fmt: skip
BOX_OF_NO_CHIP = {"form_factor": "desktop", "model": "Precision T3600", "graphics": ""}
SLOW = {"cpu": "Celeron N2830", "ram_gib": "4", "ram_slots_free": "0", "graphics": "Bay Trail"}

FLAGS: list[tuple[str, str, str, str, Unit, Unit]] = [
    ("processor-unknown", "stop", "Processor not understood", "Correct the processor's name, or capture the unit.",
     {"cpu": ""}, {"cpu": "i5-6300U"}),
    ("processor-open", "note", "Processor not told apart", "Write the whole number, or capture the unit.",
     UNNAMED, {"cpu": ""}),
    ("memory-unknown", "stop", "Memory not known",
     "Read the memory size from the firmware's set-up page, or capture the unit.", {"ram_gib": ""}, {"ram_gib": "1"}),
    ("disk-unknown", "act", "Kind of disk not known", "Look at the disk, or capture the unit.",
     {"storage_kind": "", "storage_gib": ""}, {"storage_kind": "none", "storage_gib": ""}),
    ("no-disk", "act", "No disk", "Fit a disk before the unit takes a slot.",
     {"storage_kind": "none", "storage_gib": ""}, {"storage_kind": "", "storage_gib": ""}),
    ("disk-worn", "act", "Disk is worn", "Replace the disk; keep nothing of value on it.",
     {"storage_health_pct": "19"}, {"storage_health_pct": "20"}),
    ("disk-hidden", "act", "Storage controller may hide the disk",
     "Switch the controller to AHCI/NVMe in the firmware's set-up before installing; note the old setting.",
     {"storage_mode": "raid"}, {"storage_mode": "raid", "storage_model": "SAMSUNG MZ7LN256"}),
    ("controller-mode", "note", "Controller in RAID or VMD mode",
     "Nothing, if this is the disk to install to; a second disk may stay hidden until the mode is AHCI/NVMe.",
     {"storage_mode": "vmd", "storage_model": "SAMSUNG MZ7LN256"}, {"storage_model": "SAMSUNG MZ7LN256"}),
    ("32-bit-only", "note", "Processor has no 64-bit mode", "Use the 32-bit image; Debian 13 offers none to install.",
     {"cpu": "Pentium M 780", "model": "", "maker": "", "boot_mode": "legacy"}, {"cpu": "Core 2 Duo P8400"}),
    ("uefi-32-bit", "note", "32-bit UEFI on this unit",
     "Use an image whose boot menu has a 32-bit UEFI loader (Debian's amd64 images carry one).",
     {"boot_mode": "32-bit UEFI"}, {"boot_mode": "64-bit UEFI"}),
    ("image-foreign", "act", "Image on the row is not the shop's",
     "Correct the image's name, or add it to the shop file.", {"image": "the blue stick"}, {"image": "DEBIAN-12 "}),
    ("other-image", "note", "Use another stick than usual", "Take the named stick.",
     {"wireless": "10ec:b852", "image": "debian-12"}, {"image": "debian-12"}),
    ("slow", "act", "Stays slow", "Tell the recipient, or find it another use; see the other options.", SLOW, {}),
    ("likely-value", "note", "A missing fact was taken as likely", "Look at it before the unit takes a slot.",
     HOME, {**HOME, "storage_kind": "HDD"}),
    ("wireless-unknown", "act", "Wi-Fi chip not known", "Read the chip's name or id, or capture the unit.",
     {"wireless": ""}, {**BOX, "wireless": ""}),
    ("wireless-unknown", "act", "Wi-Fi chip not known", "Read the chip's name or id, or capture the unit.",
     {**BOX, "wireless": "no such chip"}, {**BOX, "wireless": "none"}),
    ("graphics-assumed", "note", "Graphics chip not known", "Try the desktop's effects before handing over.",
     {"cpu": "Xeon E5-1620", **BOX_OF_NO_CHIP}, {"graphics": ""}),
    ("graphics-assumed", "note", "Graphics chip not known", "Try the desktop's effects before handing over.",
     {**HOME, "storage_kind": "HDD", "graphics": "a chip of that board"}, {**HOME, "storage_kind": "HDD"}),
    ("battery-weak", "note", "Battery is weak", "Tell the recipient, or fit another battery.",
     {"battery_health_pct": "59"}, {"battery_health_pct": "60"}),
    ("secure-boot-module", "act", "Secure Boot and a separately built driver",
     "Enrol the key that signs the module at the next start, or switch Secure Boot off.",
     {"wireless": "14e4:43b1", "secure_boot": "yes"}, {"wireless": "14e4:43b1", "secure_boot": "no"}),
    ("secure-boot-module", "act", "Secure Boot and a separately built driver",
     "Enrol the key that signs the module at the next start, or switch Secure Boot off.",
     {"wireless": "14e4:43b1", "secure_boot": "yes"}, {"secure_boot": "yes"}),
    ("disk-hidden", "note", "Storage controller may hide the disk", "", {"devices": "pci:8086:9a0b"},
     {"devices": "pci:8086:9a0b", "storage_model": "SAMSUNG MZ7LN256"}),
    ("bring-network", "act", "Needs a wired network at the bench",
     "Connect a cable, or another adapter, before the package is installed.",
     {"wireless": "14e4:4315"}, {"wireless": "8086:24f3"}),
    ("tag-twice", "act", "Asset tag stands twice", "Give each unit its own tag.",
     {"asset_tag": "TWICE"}, {"asset_tag": "ONCE"}),
    ("tag-twice", "act", "Asset tag stands twice", "Give each unit its own tag.",
     {"asset_tag": "TWICE"}, {"asset_tag": ""}),
    ("value-not-understood", "note", "A value was not understood", "Correct the value and score the row again.",
     {"ram_slots_free": "plenty"}, {"ram_slots_free": "2"}),
    ("wireless-separate-driver", "act", "Wireless: separate driver", "", {"wireless": "14e4:43b1"}, {}),
    ("wireless-needs-firmware", "act", "Wireless: needs firmware", "", {"wireless": "14e4:4315"}, {}),
    # An adapter of the drawer takes its place.
    ("wireless-newer-kernel", "note", "Wireless: newer kernel", "", {"wireless": "14c3:7902"}, {}),
]  # fmt: skip
"""Code, severity, title, action, a unit that has it, one that has not; no action: the device's own verdict words it."""

REASONS = {
    "processor-unknown": "the row names no processor",
    "memory-unknown": "the edition depends on the memory, and the row gives none",
    "disk-unknown": "a spinning disk and an SSD differ in minutes and in comfort",
    "no-disk": "no internal disk is fitted",
    "disk-worn": "19 % of the disk's life is left, below the shop's 20 %",
    "disk-hidden": "the controller is in RAID mode",
    "controller-mode": "the controller is in VMD mode, yet the disk SAMSUNG MZ7LN256 was seen",
    "32-bit-only": "the processor's level is i686",
    "uefi-32-bit": "the firmware is 32-bit UEFI; a stick with only a 64-bit loader does not start",
    "image-foreign": "'the blue stick' is none of: debian-13, debian-13-backports, debian-12, debian-12-backports, "
    "debian-12-i386",
    "battery-weak": "59 % of the design capacity is left, below the shop's 60 %",
    "secure-boot-module": "the driver is built on the unit, and Secure Boot refuses unsigned modules",
    "bring-network": "installing firmware-b43-installer fetches what is lacking, or builds it on the unit",
    "tag-twice": "the tag stands on more than one row",
}
"""What is said of the unit that has it, where the rule states the sentence."""


@pytest.fixture(scope="module")
def batch() -> Batch:
    return batch_of(*(unit for row in FLAGS for unit in row[4:]))


def flags_of(batch: Batch, row: int) -> pd.DataFrame:
    return batch.flags[batch.flags["row"] == batch.case[row]].set_index("code")


@pytest.mark.parametrize("at", range(len(FLAGS)), ids=[f"{row[0]}-{at}" for at, row in enumerate(FLAGS)])
def test_a_flag_is_raised_where_its_rule_holds_and_only_there(batch: Batch, at: int) -> None:
    code, severity, title, action, *_ = FLAGS[at]
    found = flags_of(batch, 2 * at)
    assert code in found.index and code not in flags_of(batch, 2 * at + 1).index
    said = found.loc[[code]].iloc[0]
    assert (said["severity"], said["title"]) == (severity, title)
    assert said["action"] == action or (not action and said["action"])
    assert said["source"]
    if action:
        assert said["reason"] == REASONS.get(code, said["reason"])


def test_every_rule_has_its_rows() -> None:
    assert {rule["code"] for rule in RULES} - {row[0] for row in FLAGS} == {"no-image-boots", "long-slot"}
    assert set(REASONS) <= {row[0] for row in FLAGS}


def test_a_unit_that_no_stick_starts_is_told_to_be_set_aside() -> None:
    images = tuple(image for image in default_shop().images if image.name == "debian-13")
    unit = {"cpu": "Pentium M 780", "model": "", "maker": "", "boot_mode": "legacy"}
    batch = batch_of(unit, shop=shop_with(*DRAWER, images=images))
    said = flags_of(batch, 0).loc["no-image-boots"]
    assert (said["severity"], said["title"]) == ("stop", "No image of the shop boots on this unit")
    assert said["action"] == "Set the unit aside, or add an image that fits it to the shop's list."
    assert said["reason"] == "the processor is i686, not 64-bit; the image is amd64"
    assert batch.scored.loc[0, "do_first"] == "SET ASIDE: no stick starts it"
    assert {rung.why for rung in batch[0].rungs} == {"no image of the shop starts on this unit"}
    assert {(rung.verdict, rung.desktop_s) for rung in batch[0].rungs} == {("ruled out", "")}
    assert batch[0].reasons[0].source == "edition gates"


def test_a_long_slot_is_one_above_the_shops_minutes(batch: Batch) -> None:
    elapsed = np.full(len(batch.cases), np.nan)
    elapsed[:2] = [240.0, 240.6]
    found = raise_flags(batch.cases, elapsed).query("code == 'long-slot'")
    assert found["row"].tolist() == [1]
    assert found.iloc[0].to_dict() == {
        "row": 1, "code": "long-slot", "severity": "note", "title": "Holds a slot for long",
        "reason": "241 min elapsed, above the shop's 240 min", "source": "shop's threshold slot_max_min",
        "action": "Start it first, or overnight.",
    }  # fmt: skip


def test_graphics_is_assumed_by_the_year_or_not_at_all(batch: Batch) -> None:
    by_year, old = (2 * at for at, row in enumerate(FLAGS) if row[0] == "graphics-assumed")
    said = [flags_of(batch, row).loc["graphics-assumed", "reason"] for row in (by_year, old)]
    assert said == [
        "no graphics chip is known: a PC of 2008 or later is taken to draw",
        "'a chip of that board' is taken not to draw",
    ]


def test_flags_stand_worst_first(batch: Batch) -> None:
    place = batch.flags["severity"].map({"stop": 0, "act": 1, "note": 2})
    for _, mine in place.groupby(batch.flags["row"]):
        assert mine.is_monotonic_increasing


def test_at_most_four_values_are_told_of_that_were_not_understood() -> None:
    wrong = ("ram_slots_free", "storage_gib", "storage_health_pct", "battery_health_pct", "link_mbps", "boot_mode")
    unit = dict.fromkeys(wrong, "plenty")
    reason = flags_of(batch_of(unit), 0).loc["value-not-understood", "reason"]
    assert reason.endswith(" (+2 more)")


def test_a_worn_disk_is_told_of_until_another_takes_its_place() -> None:
    worn = {"storage_health_pct": "10"}
    stays = batch_of(worn, shop=shop_with(buys_parts=False)).scored.loc[0, "reasons"]
    assert "Disk is worn: 10 % of the disk's life is left, below the shop's 20 %" in stays
    fitted = batch_of(worn)
    assert fitted.scored.loc[0, "do_first"] == "FIT SATA SSD 240 GB, then GNOME"
    assert "Disk is worn" not in fitted.scored.loc[0, "reasons"]
    assert not any("worn" in rung.why for rung in fitted[0].rungs)


def test_some_units_of_a_batch_read_as_they_do_in_the_whole(batch: Batch) -> None:
    some = batch.frame["advice"].ne("standard image") | batch.frame["taken_as"].ne("")
    part = batch.where(some.to_numpy()).frame.reset_index(drop=True)
    pd.testing.assert_frame_equal(part, batch.frame[some.to_numpy()].reset_index(drop=True))


VMD = "drivers/pci/controller/vmd.c; otherwise common practice, no source"
SOURCES = {
    "disk-hidden": f"linux 6.12 Documentation/admin-guide and {VMD}", "controller-mode": f"linux 6.12 {VMD}",
    "32-bit-only": "Debian 13 release notes, 'i386 is no longer supported as a regular architecture'",
    "uefi-32-bit": "Debian Installation Guide, 'UEFI support'", "slow": "comfort model against the shop's thresholds",
    "secure-boot-module":
        "Debian package shim-signed and dkms, README.Debian: modules built on the unit need an enrolled key",
    "bring-network": "packages firmware-b43-installer and broadcom-sta-dkms: they fetch, or build with what they fetch",
    "long-slot": "shop's threshold slot_max_min",
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule["code"])
def test_each_rule_names_its_source(rule: dict[str, str]) -> None:
    assert rule["source"] == SOURCES.get(rule["code"], "common practice, no source")


@pytest.mark.parametrize(
    ("cpu", "model", "quoted"),
    [("Apple M1", "", "'Apple M1' is not an x86 processor (apple m1); Debian's PC images do not fit it"),
     ("", "PowerBook G4", "PowerBook G4")],
)  # fmt: skip
def test_a_processor_of_another_architecture_is_said_once_and_is_not_one_that_was_not_understood(
    cpu: str, model: str, quoted: str
) -> None:
    flags = batch_of({"cpu": cpu, "model": model, "maker": ""}).flags
    stops = flags[flags["severity"].eq("stop")]
    assert stops["code"].tolist() == ["other-architecture"]
    assert quoted in stops["reason"].iloc[0]
