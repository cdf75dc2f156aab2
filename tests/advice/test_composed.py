"""What a unit's record says, piece by piece, and what of a batch is told; common practice, no source, unless said."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.advice import Batch, compose, fixed
from advisor.advice.batch import _rests_on
from advisor.advice.compose import _with_inches
from advisor.advice.devices import across, devices_of
from advisor.advice.flags import _device_flags
from advisor.advice.gather import _box, _still_trapped
from advisor.advice.record import Fitting, Item, Record
from advisor.shop import default_shop
from tests.advice.conftest import DRAWER, SSD, batch_of, shop_with

NOT_READY = tuple(image.model_copy(update={"on_hand": False}) for image in default_shop().images)
NOTHING = {"asset_tag": "", "maker": "", "model": "", "form_factor": "", "cpu": "", "ram_gib": "",
           "ram_slots_free": "", "storage_kind": "", "storage_gib": "", "boot_mode": "", "wireless": "",
           "graphics": ""}  # fmt: skip
UNITS: dict[str, dict[str, Any]] = {
    "plain": {"screen": "14 inch", "battery_health_pct": "80"}, "tablet": {"form_factor": "tablet", "model": "X"},
    "desktop": {"form_factor": "desktop", "model": "X", "wireless": "none"}, "b43": {"wireless": "14e4:4315"},
    "disk": {"storage_kind": "HDD 500 GB"}, "module": {"ram_gib": "4", "ram_slots_free": ""},
    "nothing": NOTHING, "swollen": {"notes": "battery swollen"}, "nameless": {"cpu": ""},
    "long": {"asset_tag": "é" * 40}, "longer": {"asset_tag": "é" * 40 + "x"}, "convertible": {
        "form_factor": "convertible", "model": "X", "notes": "keep\x07 it"},
    "plenty": {"ram_slots_free": "plenty"}, "no memory": {"ram_gib": ""}, "memory alone": {**NOTHING, "ram_gib": "8"},
    "disk alone": {**NOTHING, "storage_kind": "HDD"}, "named": {"wireless": "QCA6174A"}, "other": {"cpu": "Apple M1"},
}  # fmt: skip


@pytest.fixture(scope="module")
def batch() -> Batch:
    return batch_of(*UNITS.values())


@pytest.fixture(scope="module")
def records(batch: Batch) -> dict[str, Record]:
    return dict(zip(UNITS, batch, strict=True))


CHARGER = Item("Its charger", "updates and installs do not run on battery alone")
STICK = Item("Stick debian-13")
CABLE = "Network cable, or USB network adapter"
AT_HAND = {
    "plain": [STICK, CHARGER], "convertible": [STICK, CHARGER],
    "tablet": [STICK, Item("USB hub with keyboard and mouse", "a tablet has few ports"), CHARGER],
    "desktop": [STICK, Item(CABLE, "no Wi-Fi works yet")],
    "b43": [STICK, Item("firmware-b43-installer", "for wireless, needs a network"),
            Item(CABLE, "the packages to bring need a network"), CHARGER],
    "disk": [STICK, Item("SATA SSD 240 GB", "1 of 9, kept for this unit"), CHARGER],
    "module": [STICK, Item("4 GiB DDR4 SODIMM", "1 of 9, kept for this unit; check that a memory slot is free and that "
                           "the board takes DDR4"), CHARGER],
    "swollen": [], "nameless": [], "nothing": [],
}  # fmt: skip


@pytest.mark.parametrize("name", AT_HAND)
def test_what_is_to_be_had_at_hand(records: dict[str, Record], name: str) -> None:
    assert list(records[name].at_hand) == AT_HAND[name]


def test_a_stick_that_does_not_lie_ready_is_made_first() -> None:
    record = batch_of({"asset_tag": ""}, shop=shop_with(*DRAWER, images=NOT_READY))[0]
    assert record.tag == "no tag"
    assert record.at_hand[0] == Item("Stick debian-13", "not ready: make it first")
    assert (record.headline, record.advice) == ("MAKE STICK debian-13, then GNOME", "firmware first")


def test_what_is_checked_before_a_unit_leaves(records: dict[str, Record]) -> None:
    tried = "Tried on the installed system: Wi-Fi, sound, a film in the browser"
    lid = "Sleeps when the lid is closed and wakes; charges; keys for brightness and sound do their work"
    assert records["plain"].checks == records["tablet"].checks == (*fixed.CHECKS, tried, lid)
    assert records["desktop"].checks == (
        *fixed.CHECKS, "Tried on the installed system: sound, a film in the browser"
    )  # fmt: skip
    assert records["swollen"].checks == (
        "No install is advised: the unit takes no slot",
        "Before the unit leaves the shop in any direction, its disk is dealt with by the shop's data-sanitisation rule",
    )
    assert records["nameless"].checks == ("Write in what you find out, correct the intake row, and score it again",)


def test_the_fixed_words_of_a_sheet() -> None:
    assert fixed.CHECKS == (
        "Settings of the bench account copied to /etc/skel, for every new account; nothing private among them",
        "Bench account, its home and its password removed; the root password is not the shop's",
        "No Wi-Fi password, browser profile, shell history, mail or file of the bench left",
        "Machine id and SSH host keys are made anew; host name says nothing of the shop or the giver",
        "Package lists fresh, no update pending, no package half set up",
        "First start asks the recipient for language, keyboard, time zone, name and password",
    )
    assert fixed.LIMITS == "usual–most in {certainty} %; limits {desktop} s, {browser} s, {memory} MiB"
    severities = {"stop": "stop work", "act": "act first", "note": "note"}
    assert severities == fixed.SEVERITIES
    assert (fixed.ACROSS, fixed.CSV_HINT) == ("Devices on each image", "see the scored CSV")
    titles = {"set aside": "Before it leaves the bench", "hold": "Then", "other": "Hand-over checks"}
    assert titles == fixed.CHECKS_TITLE


def test_names_and_codes(records: dict[str, Record], batch: Batch) -> None:
    """A code holds 80 bytes at the most: a longer one is too fine for a cheap reader."""
    assert (records["plain"].tag, records["plain"].title) == ("T-1", "Lenovo ThinkPad T470")
    assert (records["nothing"].tag, records["nothing"].code) == ("row 7", "")
    assert records["nothing"].title == "maker and model not known"
    assert records["long"].code == "é" * 40 and records["longer"].code == ""
    assert records["convertible"].notes == "keep it"


def test_what_a_unit_is_and_what_is_not_known_of_it(records: dict[str, Record]) -> None:
    """256 GB are on the label of 238.4 GiB."""
    form, cpu, *rest = records["plain"].facts
    assert form == "laptop" and cpu.endswith("(Skylake, 2015, v3)") and "6300U" in cpu
    assert rest == ["8 GiB memory, 1 slot free", "SATA SSD 256 GB", "UEFI 64-bit", "screen 14 inch", "battery 80 %"]
    assert records["plain"].unknown == ()
    assert records["nothing"].unknown == (
        "processor", "memory", "kind of disk", "disk size", "firmware mode", "kind of box",
    )  # fmt: skip
    assert records["nameless"].unknown == ("processor",)


def test_what_is_to_be_found_out_and_where(records: dict[str, Record]) -> None:
    assert records["nameless"].find_out == (
        "The processor: the sticker, the firmware's set-up page, or a capture",
        "Processor not understood: Correct the processor's name, or capture the unit.",
    )
    assert records["plain"].find_out == records["swollen"].find_out == ()


def test_parts_of_a_record_and_what_is_brought(records: dict[str, Record]) -> None:
    """The check is asked for where a fact is open."""
    assert records["disk"].parts == (Fitting("SATA SSD 240 GB", "1 of 9, kept for this unit", ""),)
    assert records["disk"].bring == () and records["b43"].bring == ("firmware-b43-installer",)
    assert records["plain"].parts == ()


def test_what_was_assumed_for_the_minutes_is_in_words(records: dict[str, Record]) -> None:
    """Figures of `timing/assumed` and `timing/storage_rates`."""
    link = f"link {default_shop().link_mbps:g} Mbit/s"
    decompression, *rest = records["plain"].assumed
    assert decompression.startswith("decompression ") and decompression.endswith(" MiB/s")
    assert rest == ["disk access 0.14 ms", "disk read 430 MiB/s", link]
    assert records["swollen"].assumed == records["nameless"].assumed == ()


def test_a_unit_that_is_not_worked_on_has_no_minutes_stick_or_desktop(records: dict[str, Record]) -> None:
    for name in ("swollen", "nameless"):
        one = records[name]
        assert (one.edition, one.image, one.phases, one.slow, one.shares, one.runner_up) == ("", "", (), "", (), "")
        assert one.hands_on_min is one.elapsed_min is one.elapsed_low_min is one.elapsed_high_min is None
    assert records["plain"].edition == "GNOME" and len(records["plain"].phases) == 14


def test_a_record_in_lines(records: dict[str, Record]) -> None:
    plain = records["plain"]
    first, second, third, fourth = repr(plain).splitlines()
    assert (first, second) == ("T-1  Lenovo ThinkPad T470", "  INSTALL GNOME")
    assert third == (
        f"  {plain.elapsed_min:.0f} min in the slot ({plain.elapsed_low_min:.0f} to {plain.elapsed_high_min:.0f}), "
        f"{plain.hands_on_min:.0f} min hands-on"
    )
    assert fourth == f"  why: {plain.reasons[0].text}"
    assert len(repr(records["swollen"]).splitlines()) == 3


def test_units_of_a_batch_are_found_by_tag_or_place(batch: Batch) -> None:
    assert batch[" t-2 "].tag == batch[1].tag == "T-2" and batch["row 7"].row == 6
    for wrong, count in (("T-99", 0), ("T", 0)):
        with pytest.raises(KeyError, match=f"'{wrong}' stands on {count} rows of this batch; give the row's number"):
            batch[wrong]
    with pytest.raises(IndexError, match="row 18 is not among the 18 units"):
        batch[18]
    with pytest.raises(IndexError):
        batch[-1]
    assert len(batch) == 18 and [one.row for one in batch] == list(range(18))


def test_a_batch_is_counted_by_advice(batch: Batch) -> None:
    some = batch.where(lambda frame: frame["asset_tag"].isin(["T-1", "T-5", "T-8", "T-9", "T-13"]))
    told = "2 standard image, 1 fit a part first, 1 hold, 1 set aside"
    assert repr(some) == f"<Batch of 5 units at {batch.shop.name}: {told}>"


def test_parts_kept_for_a_unit() -> None:
    one = SSD.model_copy(update={"count": 1})
    disk = {"storage_kind": "HDD 500 GB"}
    found = batch_of(disk, disk, {**disk, "notes": "battery swollen"}, shop=shop_with(one))
    assert [found.kept_for(row) for row in range(3)] == [{"SATA SSD 240 GB": 1}, {}, {}]


def test_how_a_row_was_read(batch: Batch) -> None:
    """Unreadable is a row that tells nothing of what decides; partial is one that is held or has a cell left over."""
    rows = batch.scored.set_index(pd.Index(list(UNITS)))
    rows = rows.loc[["plain", "plenty", "no memory", "nothing", "memory alone", "disk alone"]]
    assert rows["status"].tolist() == ["scored", "partial", "partial", "unreadable", "partial", "partial"]
    assert rows["problem"].ne("").tolist() == [False, True, False, True, True, True]
    assert rows["problem"].iloc[1].startswith("ram_slots_free: ")


def test_some_units_keep_their_notes_and_problems(batch: Batch) -> None:
    plenty, named = (list(UNITS).index(name) for name in ("plenty", "named"))
    some = batch.where(pd.Series([at in (plenty, named) for at in range(len(batch))]))
    assert some.scored["taken_as"].tolist() == batch.scored["taken_as"].iloc[[plenty, named]].tolist()
    assert len(some) == 2 and some[0].taken == batch[plenty].taken and some[0].problem == batch[plenty].problem != ""
    assert some[1].taken == batch[named].taken != () and some.understood.problems["row"].tolist() == [1]
    with pytest.raises(ValueError, match="The condition has 2 rows, the batch 18"):
        batch.where(pd.Series([True, False]))


def test_a_processor_of_another_architecture_is_passed_on(batch: Batch) -> None:
    said = batch.flags[batch.flags["row"].eq(batch.case[-1]) & batch.flags["code"].eq("other-architecture")].iloc[-1]
    assert said[["severity", "title", "action", "source"]].tolist() == [
        "stop", "Processor of another architecture",
        "None of the images starts on it; pass it to somebody who has one that does.",
        "Debian Installation Guide, section 2.1.1 (table of architectures)",
    ]  # fmt: skip
    assert "is not an x86 processor" in said["reason"]


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz", "Intel Core i5-6300U"),
        ("Intel(R) Celeron(R) CPU N2830 @ 2.16 GHz", "Intel Celeron CPU N2830"),
        ("AMD Ryzen 5 3500U with Radeon Vega Mobile Gfx", "AMD Ryzen 5 3500U"), ("Pentium(C) 4", "Pentium 4"),
    ],
)  # fmt: skip
def test_a_processors_name_is_shortened(name: str, short: str) -> None:
    assert compose._short_cpu(name) == short


@pytest.mark.parametrize(
    ("text", "begun", "ended"),
    [("fit it", "Fit it", "fit it."), ("b43-x stays", "b43-x stays", "b43-x stays."), ("Well!", "Well!", "Well!"),
     ("so …", "So …", "so …"), ("why?", "why?", "why?"), ("done.", "done.", "done."), ("", "", "")],
)  # fmt: skip
def test_a_sentence_is_begun_and_ended(text: str, begun: str, ended: str) -> None:
    """A word with a sign in it may be a name, whose letters stay."""
    assert (compose._sentence(text), compose._stopped(text)) == (begun, ended)


def verdict(kind: str, support: str, severity: str = "limits", image: str = "one", **more: str) -> dict[str, str]:
    return {"kind": kind, "device": f"pci:{kind}", "name": "", "support": support, "severity": severity,
            "firmware_packages": "", "cure": "", "image": image, **more}  # fmt: skip


def test_devices_stand_worst_first_with_what_mends_them() -> None:
    rows = [
        verdict("audio", "works"), verdict("other", "works"), verdict("other", "no driver"),
        verdict("camera", "needs firmware", firmware_packages="a; b,c", cure="d"),
        verdict("bluetooth", "needs firmware", cure="d"), verdict("graphics", "newer kernel", cure="k"),
        verdict("wireless", "separate driver", cure="x-dkms"), verdict("storage", "needs firmware", "blocks"),
        verdict("ethernet", "unknown", cure="y", name="Realtek Semiconductor Co., Ltd. RTL8111"),
    ]  # fmt: skip
    found = devices_of(rows)
    assert [(one.kind, one.note) for one in found] == [
        ("storage", ""), ("ethernet", ""), ("other", ""), ("wireless", "x-dkms"), ("graphics", "k"),
        ("camera", "a, b, c"), ("bluetooth", "d"), ("audio", ""),
    ]  # fmt: skip
    assert [one.name for one in found][:3] == ["pci:storage", "Realtek RTL8111", "pci:other"]


def test_devices_against_images() -> None:
    """The image used first; what an image decides, then what works on none, then what works on all."""
    rows = [
        *(verdict("audio", "works", image=image) for image in ("one", "two", "old")),
        *(verdict("other", "works", image=image) for image in ("one", "two", "old")),
        verdict("camera", "no driver", image="one"), verdict("camera", "no driver", image="two"),
        verdict("wireless", "newer kernel", image="one"), verdict("wireless", "works", image="two"),
        *(verdict("wireless", "works", image=image, device="pci:w2", name="Second") for image in ("one", "two")),
        verdict("storage", "no driver", "blocks", image="one"), verdict("storage", "works", image="two"),
        verdict("other", "works", image="one", device="pci:o2"), verdict("other", "no driver", image="two",
                                                                           device="pci:o2"),
    ]  # fmt: skip
    images, found = across(rows, "two", ["old"])
    assert images == ("two", "one")
    assert [(one.kind, one.name, one.supports) for one in found] == [
        ("storage", "", ("works", "no driver")), ("other", "pci:o2", ("no driver", "works")),
        ("wireless", "pci:wireless", ("works", "newer kernel")), ("camera", "", ("no driver", "no driver")),
        ("audio", "", ("works", "works")), ("wireless", "Second", ("works", "works")),
    ]  # fmt: skip


class Devices(dict[str, np.ndarray]):
    """Verdicts as `Cases.devices` gives them."""

    row = np.array([0, 0, 0, 1, 1, 2, 2, 3, 3])


def test_a_flag_for_each_kind_of_device_and_what_to_do() -> None:
    """Storage, graphics, Wi-Fi and wired network must work before a unit leaves; the rest is a note."""
    devices = Devices(
        kind=["wireless", "ethernet", "audio", "graphics", "storage", "storage", "storage", "storage", "wireless"],
        support=["needs firmware", "no driver", "no driver", "separate driver", "newer kernel", "works", "works",
                 "works", "separate driver"],
        severity=["limits", "limits", "limits", "degrades", "blocks", "limits", "blocks", "limits", "limits"],
        action=["", "", "", "Own words.", "", "Set AHCI.", "Set AHCI too.", "Set AHCI.", ""],
        quirk=["", "", "", "", "", "vmd", "vmd", "vmd", ""], reason=list("abcdefghi"), source=list("ABCDEFGHI"),
    )  # fmt: skip
    devices = Devices({name: np.array(values, dtype=object) for name, values in devices.items()})
    facts = SimpleNamespace(hidden_mode=np.zeros(4, bool), disk_seen=np.array([False, False, False, True]))
    cases: Any = SimpleNamespace(devices=devices, facts=facts, adapter=np.array([False] * 4))
    found = _device_flags(cases)
    columns = ["row", "code", "severity", "title", "reason", "source", "action"]
    part = "Fit a part that has a driver, or do without."
    assert found[columns].to_numpy().tolist() == [
        [0, "wireless-needs-firmware", "act", "Wireless: needs firmware", "a", "A",
         "Put the package file on the stick before work starts."],
        [0, "ethernet-no-driver", "act", "Ethernet: no driver", "b", "B", part],
        [0, "audio-no-driver", "note", "Audio: no driver", "c", "C", part],
        [1, "graphics-separate-driver", "note", "Graphics: separate driver", "d", "D", "Own words."],
        [1, "storage-newer-kernel", "act", "Storage: newer kernel", "e", "E", "Take the stick with the newer kernel."],
        [3, "wireless-separate-driver", "act", "Wireless: separate driver", "i", "I",
         "Have the package and a wired link ready; the driver is built on the unit."],
        [2, "disk-hidden", "note", "Storage controller may hide the disk", "f", "F", "Set AHCI."],
    ]  # fmt: skip
    cases.adapter = np.array([True] * 4)
    spared = _device_flags(cases).set_index("code")[["severity", "action"]]
    assert spared.loc["wireless-needs-firmware"].tolist() == [
        "note", "The adapter takes its place; without one: put the package file on the stick before work starts."
    ]  # fmt: skip
    assert spared.loc["ethernet-no-driver"].tolist() == ["act", part]


@pytest.mark.parametrize(
    ("notes", "freed"),
    [
        ("UEFI firmware written", True), ("full ROM flashed", True), ("Other BIOS installed last year", True),
        ("firmware was replaced", True), ("the BIOS has already been flashed", True),
        ("custom firmware in place", True),
        ("free rom fitted", True), ("firmware as shipped", False), ("new keyboard fitted", False),
        ("firmware to be replaced", False), (None, False),
    ],
)  # fmt: skip
def test_a_chromebook_whose_firmware_was_replaced_is_no_longer_write_protected(notes: str | None, freed: bool) -> None:
    units = pd.DataFrame({"notes": pd.array([notes, notes], dtype="string")})
    trapped = pd.DataFrame({"row": [0, 1], "code": ["write-protect", "glued"]})
    assert _still_trapped(trapped, units)["code"].tolist() == (["glued"] if freed else ["write-protect", "glued"])


def test_a_box_is_opened_by_the_trap_that_takes_longest() -> None:
    """A screen glued over the way in takes longer than a glued body; a trap of another kind opens nothing."""
    units = pd.DataFrame({"form_factor": pd.array(["laptop", None, "tablet"], dtype="string")})
    trapped = pd.DataFrame({"row": [0, 0, 0, 2], "code": ["glued", "glued-screen", "glued", "write-protect"]})
    assert _box(units, trapped).tolist() == ["glued-screen", "", "tablet"]
    assert _box(units, trapped.iloc[:0]).tolist() == ["laptop", "", "tablet"]


def test_what_minutes_rest_on_in_shares_of_half_a_per_cent_or_more() -> None:
    shares = pd.DataFrame({"measured": [0.6, 0.5, None], "published": [0.392, 0.4, None], "modelled": [0.0049, 0, None],
                           "memory": [0.0051, 0.1, None]}).astype("Float64")  # fmt: skip
    timing: Any = SimpleNamespace(shares=shares)
    assert _rests_on(timing) == [
        "60 % measured, 39 % published, 1 % memory",
        "50 % measured, 40 % published, 10 % memory", "",
    ]  # fmt: skip


def test_shares_in_whole_per_cent_sum_to_a_hundred() -> None:
    """The largest remainders are rounded up, by hand: of the first .7, .8 and .5, two of which make the hundred."""
    rows = [[0.627, 0.298, 0.0, 0.075], [0.0, 0.755, 0.136, 0.109], [0.338, 0.338, 0.316, 0.008]]
    shares = pd.DataFrame(rows, columns=["measured", "published", "modelled", "memory"], dtype="Float64")
    timing: Any = SimpleNamespace(shares=shares)
    assert _rests_on(timing) == [
        "63 % measured, 30 % published, 7 % memory",
        "75 % published, 14 % modelled, 11 % memory", "34 % measured, 34 % published, 31 % modelled, 1 % memory",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1366x768 14", "1366x768 14 inch"), ("15.6", "15.6 inch"), ("14 inch", "14 inch"), ("1366x768", "1366x768"),
        ('15.6"', '15.6"'), ("1920 x 1080", "1920 x 1080"), ("scratch 2", "scratch 2"),
    ],
)  # fmt: skip
def test_a_screens_diagonal_has_its_unit(typed: str, said: str) -> None:
    assert _with_inches(typed) == said


def test_what_is_beyond_is_told_of_minutes_and_of_waits(batch: Batch, records: dict[str, Record]) -> None:
    """A processor of four cores, since sessions were measured on one; the note on the minutes stands first."""
    record = records["plain"]
    assert "waits beyond what was measured: " in record.beyond
    assert record.basis.startswith("from ") and " % published, " in record.basis
    assert " % from memory" in record.basis and " % memory" in batch.scored["minutes_from"].iloc[0]
    assert abs(sum(part for _, part in record.shares) - 1) < 1e-9
    assert [name for name, _ in record.shares] == ["measured", "published", "modelled", "memory"]
