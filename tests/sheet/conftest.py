"""Sheets made by hand: a plain one, one on hold, one set aside, and hostile ones. No unit here is real."""

from __future__ import annotations

import dataclasses
import random

import pytest

from advisor.advice import fixed
from advisor.advice.record import SUPPORT_MARK, Across, Device, Fitting, Flag, Item, Mark, Phase, Reason, Record, Rung
from advisor.unit import Support

HOSTILE = (
    "<script>alert(1)</script><b>bold</b> {{ 7*7 }} {% raw %} #strong[typst] $x^2$ \\u{1F4A9} @ref <label> "
    "'; DROP TABLE -- \" & ]] /* */ // `raw` _it_ *it* =1+1 שלום مرحبا 你好世界 👾 "
)
LONG = HOSTILE * 5
UNBROKEN = "W" * 900

PHASES = (
    ("Prepare, and decide on the wipe", "5", "5"), ("Boot the medium", "2", "3.1"), ("Answer the installer", "4", "4"),
    ("Copy the system to disk", "0.5", "9.4"), ("First boot and set-up", "2", "3.6"),
    ("Connect, and refresh the package lists", "1.5", "2"), ("Base set and codecs", "1", "3.4"),
    ("Updates", "0.7", "8.2"), ("Restart", "0.5", "1.4"), ("Refresh again until nothing is left", "0.7", "1"),
    ("Customise", "4", "4"), ("Copy the bench account's settings to the skeleton for new users", "1", "1"),
    ("Seal for the recipient", "2", "2"), ("First-boot check", "4", "4.5"),
)  # fmt: skip


def plain() -> Record:
    return Record(
        row=0,
        headline="BRING firmware-iwlwifi, then Cinnamon from stick debian-12-plain",
        parts=(), bring=("firmware-iwlwifi",), runner_up="GNOME from debian-12", lost="it would be slower", slow="",
        shares=(("measured", 0.0), ("modelled", 0.1), ("assumed", 0.2), ("practice", 0.7)), beyond="",
        status="scored", problem="",
        tag="TT-0042",
        code="TT-0042",
        shop="A bench of the tests",
        title="Lenovo ThinkPad T460",
        facts=(
            "laptop", "Intel Core i5-6300U (Skylake, 2015, v3)", "8 GiB memory, 1 slot free",
            "sata ssd 240 GiB, 91 % life left", "uefi 64-bit", "screen 1920x1080 14", "battery 71 %",
        ),
        unknown=(),
        taken=("boot mode 'UEFI': taken as 64-bit UEFI",),
        notes="lid scratched",
        advice="firmware first",
        mark=Mark.HALF,
        edition="Cinnamon",
        image="debian-12-plain",
        reasons=(Reason("Wireless 8260 does nothing until firmware-iwlwifi is there", "driver and firmware tables"),),
        best_fix="none needed",
        at_hand=(Item("Stick debian-12-plain"), Item("firmware-iwlwifi, on the stick", "for wireless")),
        find_out=(),
        devices=(
            Device("wireless", "Intel Wireless 8260", "needs firmware", Mark.HALF, "firmware-iwlwifi"),
            Device("graphics", "Intel HD Graphics 520", "works", Mark.FULL),
            Device("card reader", "Realtek RTS525A", "unknown", Mark.QUERY),
        ),
        images=("debian-12-plain", "debian-12", "debian-13-backports"),
        across=(
            Across("wireless", "", ("needs firmware", "works", "newer kernel"), (Mark.HALF, Mark.FULL, Mark.UP)),
            Across("card reader", "", ("unknown",) * 3, (Mark.QUERY,) * 3),
            Across("graphics", "", ("works",) * 3, (Mark.FULL,) * 3),
        ),
        no_boot=("debian-12-i386",),
        rungs=(
            Rung("GNOME", "desktop slow", Mark.RING, "30–41", "11–15", "31"),
            Rung("Cinnamon", "advised", Mark.FULL, "17–22", "7–9", "44"),
            Rung("LXDE", "ruled out", Mark.CROSS, why="the image debian-12-plain does not have it"),
        ),
        phases=tuple(Phase(title, float(hands), float(slot)) for title, hands, slot in PHASES),
        hands_on_min=29.0,
        elapsed_min=53.0,
        elapsed_low_min=43.0,
        elapsed_high_min=66.0,
        basis="from 64 measured installs and 0 logged units",
        assumed=("decompress 58 MiB/s", "disk read 380 MiB/s"),
        flags=(
            Flag("act", Mark.UP, "Wireless: needs firmware", "the stick does not carry it", "Put it on the stick."),
            Flag("note", Mark.DOT, "Battery is weak", "41 % is left, below the shop's 60 %", "Tell the recipient."),
        ),
        checks=(*fixed.CHECKS, fixed.TRIED_CHECK.format(kinds="Wi-Fi, sound"), fixed.PORTABLE_CHECK),
        cautions=fixed.CAUTIONS,
        limits="limits 30 s, 12 s, 25 % free",
        made_with="bench-advisor 0",
    )  # fmt: skip


def held() -> Record:
    return dataclasses.replace(
        plain(), advice="hold", mark=Mark.PAUSE, edition="", image="", phases=(), hands_on_min=None, elapsed_min=None,
        elapsed_low_min=None, elapsed_high_min=None, at_hand=(), rungs=(), devices=(), images=(), across=(), no_boot=(),
        unknown=("processor", "memory"),
        find_out=("Processor not understood: Correct the processor's name.", "Memory not known: Read it."),
        checks=fixed.HOLD_CHECKS,
    )  # fmt: skip


def aside() -> Record:
    return dataclasses.replace(
        plain(), advice="set aside", mark=Mark.SQUARE, edition="", image="", phases=(), hands_on_min=None,
        elapsed_min=None, elapsed_low_min=None, elapsed_high_min=None, at_hand=(), checks=fixed.STOPPED_CHECKS,
    )  # fmt: skip


def crammed(text: str, entries: int = 22) -> Record:
    """Every place filled with one text, every section far too long."""
    return dataclasses.replace(
        plain(), tag=text, code="", shop=text, title=text, facts=(text,) * 9, unknown=(text,) * 6, taken=(text,) * 4,
        notes=text,
        advice="fit a part first", mark=Mark.PLUS, edition=text, image=text, headline=text, best_fix=text,
        parts=tuple(Fitting(text, text, text) for _ in range(3)), bring=(text,) * 5, basis=text,
        reasons=(Reason(text, text),) * 9, assumed=(text,) * 9, checks=(text,) * 12,
        at_hand=tuple(Item(text, text) for _ in range(entries)),
        devices=tuple(Device(text, text, "separate driver", Mark.DIAMOND, text) for _ in range(entries)),
        images=(text,) * 9, no_boot=(text,) * 5,
        across=tuple(Across(text, text, ("separate driver",) * 9, (Mark.DIAMOND,) * 9) for _ in range(entries)),
        rungs=tuple(Rung(text, text, Mark.CROSS, why=text) for _ in range(12)),
        phases=tuple(Phase(text, 999.9, 999.9) for _ in range(entries)),
        flags=tuple(Flag("stop", Mark.SQUARE, text, text, text, text) for _ in range(entries)),
    )  # fmt: skip


def mixed(seed: int) -> Record:
    """A sheet with sections and texts of random lengths."""
    dice = random.Random(seed)
    alphabet = (
        "Latitude",
        "i5-5300U",
        "WWW",
        "iiiiii",
        "pci:8086:24f3",
        "a",
        "überholt",
        "№",
        "→",
        "wireless",
        "GiB/s",
    )

    def text(most: int) -> str:
        return " ".join(dice.choice(alphabet) for _ in range(dice.randint(1, most)))

    def many(make, most: int):
        return tuple(make() for _ in range(dice.randint(0, most)))

    images = dice.randint(1, 7)

    def across() -> Across:
        supports = dice.choices([str(word) for word in Support], k=images)
        return Across(
            text(1), dice.choice(("", text(3))), tuple(supports), tuple(map(SUPPORT_MARK.__getitem__, supports))
        )

    return dataclasses.replace(
        dice.choice((plain(), held(), aside())),
        images=tuple(text(1) for _ in range(images)), across=many(across, 16), no_boot=many(lambda: text(1), 4),
        tag=text(2), title=text(9), facts=many(lambda: text(5), 8), notes=text(30), unknown=many(lambda: text(2), 6),
        taken=many(lambda: text(9), 3),
        reasons=many(lambda: Reason(text(30), text(12)), 4), best_fix=text(14),
        at_hand=many(lambda: Item(text(8), text(8)), 9), find_out=many(lambda: text(12), 7),
        devices=many(lambda: Device(text(1), text(6), "no driver", Mark.CROSS, dice.choice(("", text(9)))), 16),
        rungs=many(lambda: Rung(text(1), "memory tight", Mark.RING, "100–200", "99–150", "12"), 8),
        phases=many(lambda: Phase(text(9), 4.5, 120.0), 18), assumed=many(lambda: text(4), 7),
        flags=many(lambda: Flag(dice.choice(("stop", "act", "note")), Mark.UP, text(7), text(24), text(16)), 9),
        checks=many(lambda: text(16), 9),
    )  # fmt: skip


@pytest.fixture
def sheets() -> dict[str, Record]:
    return {
        "plain": plain(),
        "held": held(),
        "aside": aside(),
        "long": crammed(LONG),
        "unbroken": crammed(UNBROKEN),
        "few but long": crammed(LONG, 2),
    }
