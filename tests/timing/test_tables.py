"""Steps, screens and operators row by row: what each way of working takes away or brings, added up by hand.

Seconds of operators are those of the sources that `timing/operators` names. Which step is done when, and how far units
differ in it, is common practice, no source; figures 'from memory' stand here once more, so that a slip shows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import pandas as pd
import pytest

from advisor import tables
from advisor.shop import Installer, Practice, Shop, default_shop
from advisor.timing import operations
from advisor.timing.hands import hands_on, phase_table
from advisor.timing.operations import steps
from advisor.timing.rates import assumed
from advisor.unit import Unit, frame

K, P, H, M = 0.28, 1.10, 0.40, 1.35
"""Key, point, home, prepare in mind: Card, Moran and Newell, CACM 23(7), 1980, 396-410."""
WORD, METRE, INDEX = 60 / 238, 2 / (1.272 + 1.462), 0.36
"""Brysbaert 2019; Bohannon 1997; an index of BasicMOST, Zandin 2002."""
Z = 1.2815515655446004
"""Ninth decile of the standard normal distribution: NIST/SEMATECH e-Handbook, 1.3.6.7.1."""


def typed(text: str, shifted: int) -> float:
    """Seconds of the keys of a text, and of Shift, which is a key of its own."""
    return (len(text) + shifted) * K


def told(*titles: str) -> float:
    """Seconds in which a step's title is read and its end is looked at."""
    return sum(len(title.split()) * WORD + M for title in titles)


SETTINGS = ("Set the panel", "Set the background and look", "Set the browser's first page and search",
            "Set the power and screen lock", "Set the notices of updates",
            "Set the file manager and desktop icons")  # fmt: skip
COPIES = (
    told("Copy the settings to the skeleton of new accounts", "Look through the copy: nothing private in it")
    + 5 * M + 2 * K + typed("sudo cp -rT ~/.config /etc/skel/.config", 2) + typed("sudo find /etc/skel -type f", 0)
)  # fmt: skip
LAYOUT = (
    told("Install the layout's package") + M + K + typed("sudo apt install -y /media/bench/LAYOUT/*.deb", 7)
    - told(*SETTINGS) - 6 * (3 * M + 4 * P + 4 * K + 10 * WORD) - COPIES
)  # fmt: skip
LIVE = (
    told("Find the installer on the desktop and start it", "Answer the screens of the live installer") + M + P + 2 * K
    + 3 * (M + P + K) + 3 * M + 3 * P + 3 * K + 15 * WORD  # language, place, layout; which disk is erased
    + M + H + K + K + M + K + M + K + H + P + K + typed("Bench", 1) + typed("debian", 0) + 2 * typed("bench-42", 0)
    + 3 * M + 2 * P + 2 * K + 25 * WORD + M + P + K  # the summary; the restart
)  # fmt: skip
TEXT = (
    # 22 questions: a look and Enter, where a password is not given again; three that are read, one with more keys.
    told("Answer the questions of the text installer") + (20 + 3) * M + (22 + 1 + 4) * K + (10 + 15 + 10) * WORD
    + typed("Bench", 1) + typed("debian", 0) + 2 * typed("bench-42", 0)
)  # fmt: skip
PREPARED = 3 * M + 3 * K + told("See that the disk it will take is the right one, and let the prepared answers run")
CLONE = (
    told("See which disk is the unit's own, and have the image written to it") + 3 * M + K
    + typed("zstd -dc /media/bench/IMAGE | sudo dd of=/dev/DISK bs=4M oflag=direct conv=fsync", 11)
    + told("Check the file system, and grow it to the disk") + M + K
    + typed("sudo e2fsck -fp /dev/DISK1 && sudo resize2fs /dev/DISK1", 10)
)  # fmt: skip
BACK = 8 * METRE + 6 * INDEX + told("Get the one stick back from the unit that had it last")
LOOK_IN = 4 * METRE + M + told("Look in whether it runs")
RETURNS = 2 * (8 * METRE + told("Come back, read how it ended") - told("Read how it ended"))
FIRMWARE = (
    told("Bring the firmware package on a stick: fetch it, plug it in", "Install the firmware package and start again")
    + M + 8 * METRE + 6 * INDEX + 2 * M + 3 * P + 4 * K
    + typed("sudo apt install /media/bench/FIRMWARE/*.deb && sudo reboot", 11)
)  # fmt: skip
GREETING = M + H + P + K + told("Close the greeting")


def hands_s(practices: Iterable[Practice] = (), installer: str = "live", edition: str = "Xfce") -> float:
    """Hands-on seconds of a unit whose firmware must be fetched, without the allowance."""
    shop: Shop = default_shop().model_copy(update={"practices": tuple(practices)})
    images = tuple(image.model_copy(update={"installer": Installer(installer)}) for image in shop.images)
    found = hands_on(
        frame([Unit(form_factor="laptop", wireless="Intel 8260")]), pd.Series([True]), editions=pd.Series([edition]),
        images=pd.Series(["debian-13"]), shop=shop.model_copy(update={"images": images}),
    )  # fmt: skip
    return 60 * float(found.minutes.sum()) / 1.11


@pytest.mark.parametrize(
    ("change", "more"),
    [
        ({"practices": [Practice.LAYOUT_PACKAGE]}, LAYOUT), ({"practices": [Practice.PRESEEDED]}, PREPARED - LIVE),
        ({"practices": [Practice.SECOND_STICK]}, -BACK), ({"practices": [Practice.FIRMWARE_STICK]}, -FIRMWARE),
        ({"practices": [Practice.SIDE_BY_SIDE]}, -BACK - LOOK_IN - RETURNS), ({"practices": [Practice.CACHE]}, 0),
        ({"installer": "text"}, TEXT - LIVE), ({"installer": "text", "practices": [Practice.PRESEEDED]},
         PREPARED - LIVE), ({"edition": "GNOME"}, GREETING), ({"edition": "KDE Plasma"}, GREETING),
        ({"edition": "Cinnamon"}, 0), ({"installer": "packages"}, TEXT - LIVE), ({"installer": "clone"}, CLONE - LIVE),
        ({"installer": "clone", "practices": [Practice.PRESEEDED]}, CLONE - LIVE),
    ],
)  # fmt: skip
def test_each_way_of_working_takes_away_and_brings_these_seconds(change: dict[str, object], more: float) -> None:
    assert hands_s(**change) - hands_s() == pytest.approx(more, abs=0.15)  # type: ignore[arg-type]


MEANWHILE = {
    "Look over lid, screen, hinges, keys, ports and feet", "Look in whether it runs", "Note the battery's health",
    "Put the stick back, stick the tag's label on", "Log the minutes so far by its tag",
}  # fmt: skip
"""Steps that the machine's work leaves time for."""

BEGINS = {
    "boot": 4, "copy": 0, "first_boot": 1, "refresh": 3, "base": 1, "updates": 1, "restart": 1, "second_refresh": 3,
    "seal": 4, "check": 1,
}  # fmt: skip
"""Steps of each phase in which the machine works that are done before it works; all but those of above come after."""


def test_what_is_done_before_while_and_after_the_machine_works() -> None:
    table, number = steps(), dict.fromkeys(phase_table().names, 0)
    for phase, title, while_, after in zip(table.phase, table.title, table.meanwhile, table.after, strict=True):
        number[phase] += 1
        assert while_ == (title in MEANWHILE), title
        assert after == (phase in BEGINS and number[phase] > BEGINS[phase] and not while_), title


DIFFERS = {
    "Switch on, call the firmware's menu, look at clock, start order, Secure Boot and disk": (0.6, 2),
    "Find out what the intake left open: on its label or in the firmware's menu": (0.5, 2.5),
    "Look into what the notes say": (0.5, 3), "Clean what the notes name": (0.3, 3),
    "Set the storage controller to AHCI in the firmware": (0.5, 3), "Choose the 32-bit UEFI start": (0.5, 3),
    **dict.fromkeys(SETTINGS, (0.5, 2)), "Look through the copy: nothing private in it": (0.5, 2),
    "See that no profile, history, mail or file of the bench is left": (0.5, 2),
}  # fmt: skip
"""Title to how many times as long it takes on a tenth of the units at the least and the most; others take as long."""

WAITS = {
    "Switch on, hold the key of the start menu, choose the stick": 12, "Refresh the package lists": 30,
    "Pull the stick when told, let it restart": 12, "Install the firmware package and start again": 12, "Restart": 12,
    "Refresh again, until nothing is left": 30, "Start it as the recipient would": 12,
    "Close the lid, open it again": 5,
}  # fmt: skip
"""Seconds stood by at the most."""


def test_how_far_units_differ_in_a_step_and_how_long_it_is_stood_by() -> None:
    table = steps()
    for title, spread, wait in zip(table.title, table.spread, table.wait, strict=True):
        low, high = DIFFERS.get(title, (1, 1))
        assert spread == pytest.approx((high - low) / (2 * Z), rel=1e-4), title
        assert wait == WAITS.get(title, 0), title
    assert set(DIFFERS) | set(WAITS) <= set(table.title)


FROM_MEMORY = {
    "Look into what the notes say": 20 * WORD + 6 * M, "Clean what the notes name": 12 * 3 + 17 * INDEX,
    "Get the one stick back from the unit that had it last": 8 * METRE + 6 * INDEX,
    "Set the storage controller to AHCI in the firmware": 3 * INDEX + 20 * K + 6 * M + 40 * WORD,
    "Choose the 32-bit UEFI start": 3 * INDEX + 12 * K + 4 * M + 30 * WORD, "Look in whether it runs": 4 * METRE + M,
    "Bring the firmware package on a stick: fetch it, plug it in": M + 8 * METRE + 6 * INDEX,
    "Come back, read how it ended": 8 * METRE + M + 12 * WORD,
    "Run the shop's own script: the bench account goes, the first start asks":
        2 * M + K + typed("sudo /media/bench/SCRIPT", 6),
}  # fmt: skip
"""Seconds of a step, its title and its end apart, that rest on memory."""


def test_what_of_a_step_rests_on_memory() -> None:
    for title, remembered in zip(steps().title, steps().remembered, strict=True):
        assert remembered == pytest.approx(1.11 * FROM_MEMORY.get(title, 0), rel=2e-3), title


# operator: low, high [s]; the paper's fastest and slowest typist for a key, the rest from memory
SPREADS = {"key": (0.2, 0.5), "point": (0.8, 1.5), "home": (0.3, 0.55), "think": (0.9, 2.0), "glue": (6, 25),
           "wipe": (1.5, 6), "wait": (1, 1)}  # fmt: skip
ALONE = {"glue": 12, "wipe": 3, "wait": 1}
UNITS = {"word": "word", "metre": "metre", "glue": "centimetre", "wait": "second"}


DOES = {
    "key": "Press a key or a button of the mouse", "point": "Point with the mouse", "word": "Read a word",
    "home": "Move the hand between keyboard and mouse", "think": "Prepare in mind: find it, judge it, choose",
    "metre": "Walk a metre", "press": "Press a switch or a button of the unit",
    "pick": "Take something light and put it down", "plug": "Plug in at a port in sight",
    "plug behind": "Plug in at the back of the box", "unplug": "Pull a plug or a module out",
    "carry": "Take from three or four steps away and set down",
    "lift": "Take something heavy from three or four steps away and set it down there",
    "tool": "Take a tool up and put it back", "turn": "Turn the unit over",
    "screw out": "Take a screw out and lay it aside", "screw in": "Set a screw and drive it home",
    "captive out": "Loosen a captive screw", "captive in": "Tighten a captive screw", "clip": "Free or close a clip",
    "connector": "Set a module or plug into a connector on the board", "wipe": "Wipe a palm's breadth clean",
    "glue": "Warm and cut a centimetre of adhesive, or lay it new",
    "wait": "Stand by while the machine works, at the most",
}  # fmt: skip


def test_what_each_operator_does() -> None:
    assert {row["operator"]: row["title"] for row in tables.dicts("timing/operators")} == DOES


@pytest.mark.parametrize("row", tables.dicts("timing/operators"), ids=lambda row: row["operator"])
def test_how_far_persons_differ_at_an_operator(row: dict[str, str]) -> None:
    name = row["operator"]
    assert row["unit"] == UNITS.get(name, "each")
    if name in ALONE:
        assert float(row["seconds"]) == ALONE[name]
    if name in SPREADS:
        assert (float(row["low"]), float(row["high"])) == SPREADS[name]


def test_operators_in_words() -> None:
    assert operations.worded(operations.operators().counts("2 key + 1.5 think", "A")) == "4 key, 1.5 think"


FITTINGS = {
    "laptop": "Bottom cover with eight screws and clips, battery plug off",
    "convertible": "Bottom cover with ten screws and clips, battery plug off", "tablet": "Screen glued to the body",
    "all-in-one": "Back cover with six screws and clips, laid on its face", "desktop": "Door with two thumbscrews",
    "small desktop": "Cover with one thumbscrew, slid off", "server": "Cover with a latch",
    "thin client": "Cover with three screws and clips", "": "Kind of box not known: as a laptop",
    "memory out": "Take a module out and lay it aside",
    "glued": "Body or screen glued", "glued-screen": "Screen glued over the way in",
    "hard-to-open": "Most of it taken apart", "memory": "Set a module",
    "ssd sata": "Change the disk: four screws of its frame, two plugs", "ssd nvme": "Change or set the disk: one screw",
    "ssd msata": "Change or set the disk: one screw", "ssd m.2 sata": "Change or set the disk: one screw",
    "wireless usb": "Plug the adapter in", "wireless m.2": "Change the card: one screw, two aerials",
    "wireless mini pcie": "Change the card: two screws, two aerials",
}  # fmt: skip


def test_a_fitting_says_what_is_undone() -> None:
    assert {row["name"]: row["title"] for row in tables.dicts("timing/fitting")} == FITTINGS


# What each assumed figure is counted in.
COUNTED_IN = {
    "cpu_speed": "relative to the reference processor", "cpu_cores": "cores", "restart_wait": "s", "seal_work": "s",
    "restart_access": "random reads", "installed_files": "files",
    **dict.fromkeys(("image_share", "clone_share"), "share of 1"),
    **dict.fromkeys(("speed_spread", "link_factor", "xz_work"), "factor"),
    **dict.fromkeys(("medium_mib_s", "decompress_at_one"), "MiB/s"),
    **dict.fromkeys(("restart_read", "medium_read", "session_read", "extra_mib", "update_mib"), "MiB"),
    **dict.fromkeys(("restart_cpu", "session_cpu"), "MiB of decompression"),
    **dict.fromkeys(("extra_packages", "update_packages"), "packages"),
}  # fmt: skip


def test_what_an_assumed_figure_is_counted_in() -> None:
    assert {name: fact.unit for name, fact in assumed().items()} == COUNTED_IN


@pytest.mark.parametrize("row", tables.dicts("timing/firmware"), ids=lambda row: row["source"][:60])
def test_a_line_of_a_start_is_as_systemd_prints_it(row: dict[str, str]) -> None:
    """systemd-analyze(1) prints seconds to the millisecond, and is of 2010 or later."""
    for name in ("firmware_s", "loader_s", "kernel_s"):
        assert not row[name] or re.fullmatch(r"\d{1,3}\.\d{3}", row[name]), name
    assert not row["year"] or 2010 <= int(row["year"]) <= 2026
