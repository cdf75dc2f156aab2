"""The hard gates at their edges, and what is said of them; figures from the sources that the gates name."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.editions import gates
from advisor.editions.drawing import drawing
from advisor.shop import Image, default_shop
from advisor.unit import Unit, frame

ROW = {"edition": "Xfce", "min_ram_gib": 1.0, "min_disk_gib": 9.31, "installed_mib": 3300.0, "download_mib": 946.0,
       "drawing": "any", "needs_gl": "nothing"}  # fmt: skip
HEAVY = {**ROW, "edition": "Big", "installed_mib": 9000.0, "download_mib": 3000.0, "drawing": "hardware",
         "needs_gl": "OpenGL 2.1"}  # fmt: skip
ROWS = pd.DataFrame([ROW, HEAVY])
SIS = "pci:v00001039d00006351sv00000000sd00000000bc03sc00i00"
NEED = 12000 / 1024 * 1.07


def test_a_disk_holds_the_guides_least_or_what_the_install_takes_with_its_margin() -> None:
    """Installation Guide, table 3.2: 10 GB, 9.31 GiB; section D.2: packages fetched and unpacked lie there together."""
    assert gates.need_disk_gib(ROWS).tolist() == pytest.approx([9.31, NEED])


@pytest.mark.parametrize(
    ("unit", "draws", "fits"),
    [
        ({"ram_gib": 1.0, "storage_gib": 13.0}, True, [True, True]),
        ({"ram_gib": 0.99, "storage_gib": 13.0}, True, [False, False]),
        ({"ram_gib": 1.0, "storage_gib": 9.31}, True, [True, False]),
        ({"ram_gib": 1.0, "storage_gib": 9.3}, True, [False, False]),
        ({"ram_gib": 1.0, "storage_gib": 12.5}, True, [True, False]),
        ({"ram_gib": 1.0, "storage_gib": 13.0}, False, [True, False]),
        ({"ram_gib": None, "storage_gib": 13.0}, True, [False, False]),
        ({"ram_gib": 1.0, "storage_gib": None}, True, [False, False]),
        ({"ram_gib": 1.0, "storage_gib": 13.0, "storage_kind": "none"}, True, [False, False]),
    ],
)
def test_memory_disk_and_graphics_are_gates(unit: dict[str, Any], draws: bool, fits: list[bool]) -> None:
    assert gates.fits(frame([Unit(**unit)]), np.array([draws]), ROWS)[0].tolist() == fits


@pytest.mark.parametrize(
    ("unit", "who", "row", "need", "words"),
    [
        ({"ram_gib": 0.5}, "hardware", ROW, 9.31, "Xfce needs at least 1 GiB of memory; the unit has 0.5 GiB"),
        ({"ram_gib": 1.0, "storage_gib": 9.31}, "hardware", ROW, 9.31, ""),
        ({"storage_kind": "none"}, None, ROW, 9.31, "Xfce needs a disk of at least 9.3 GiB; no disk is fitted"),
        ({"storage_gib": 8.0}, None, ROW, 9.31, "Xfce needs a disk of at least 9.3 GiB; the unit has 8 GiB"),
        ({"graphics": "SiS 771"}, "software", HEAVY, 1, "Big needs OpenGL 2.1; the unit has SiS 771"),
        ({}, "software", HEAVY, 1, "Big needs OpenGL 2.1; the unit has no chip that draws"),
        ({}, "software", ROW, 1, ""),
        ({}, None, HEAVY, 1, ""),
        ({}, "hardware", HEAVY, 1, ""),
    ],
)
def test_why_an_edition_does_not_fit(
    unit: dict[str, Any], who: str | None, row: dict[str, Any], need: float, words: str
) -> None:
    assert gates.why_not_fit(unit, who, row, need) == words


BOTH = Image(name="both", release="12", kernel="debian-12")
OLD = Image(
    name="old", release="12", kernel="debian-12-i386", architecture="i386", boots=("uefi 32-bit", "legacy bios")
)
GONE = OLD.model_copy(update={"name": "gone", "release": "13"})


@pytest.mark.parametrize(
    ("level", "boots"),
    [("i686", [False, True, False]), ("v1", [True, True, False]), ("v4", [True, True, False]), (None, [False] * 3)],
)
def test_what_an_architecture_runs_on(level: str | None, boots: list[bool]) -> None:
    """Debian 13 release notes: i386 is no longer supported as a regular architecture."""
    processors = pd.DataFrame({"cpu_level": pd.array([level], dtype="string")})
    units = frame([Unit(boot_mode="legacy bios")])
    assert gates.starts(units, processors, [BOTH, OLD, GONE])[0].tolist() == boots


@pytest.mark.parametrize(
    ("mode", "open_boot", "starts"),
    [("uefi 64-bit", True, False), ("uefi 32-bit", False, True), ("legacy bios", False, True), (None, True, True),
     (None, False, False)],
)  # fmt: skip
def test_a_boot_mode_that_the_image_has_not_stops_it(mode: str | None, open_boot: bool, starts: bool) -> None:
    processors = pd.DataFrame({"cpu_level": pd.array(["v2"], dtype="string")})
    units = frame([Unit(boot_mode=mode)])
    assert gates.starts(units, processors, [OLD, BOTH], open_boot)[0].tolist() == [starts, True]


@pytest.mark.parametrize(
    ("level", "mode", "image", "words"),
    [
        ("v2", "legacy bios", GONE, "Debian 13 has no i386 installer and kernel"),
        ("i686", "legacy bios", BOTH, "the processor is i686, not 64-bit; the image is amd64"),
        ("v1", "uefi 64-bit", OLD, "the unit boots in uefi 64-bit; the image boots in uefi 32-bit, legacy bios"),
        ("i686", "legacy bios", OLD, ""),
        (None, None, OLD, ""),
    ],
)
def test_why_an_image_does_not_start(level: str | None, mode: str | None, image: Image, words: str) -> None:
    assert gates.why_not_start({"boot_mode": mode}, level, image) == words


@pytest.mark.parametrize(
    ("year", "least", "graphics", "slow"),
    [(2009, None, None, True), (2010, None, None, False), (None, 2009, None, True), (None, 2010, None, False),
     (2007, None, "GMA X3100", True), *((2007, None, card, False) for card in
      ("Radeon HD 5450", "GeForce 8400", "Quadro FX", "FirePro V3900", "GT 710", "GTX 650", "RX 560", "HD 7570",
       "R7 240"))],
)  # fmt: skip
def test_graphics_of_before_2010_draws_slowly_unless_a_card_is_named(
    year: int | None, least: int | None, graphics: str | None, slow: bool
) -> None:
    """Common practice, no source."""
    processors = pd.DataFrame({"cpu_year": pd.array([year], dtype="Int64"),
                               "cpu_year_least": pd.array([least], dtype="Int64")})  # fmt: skip
    assert gates.draws_slowly(frame([Unit(graphics=graphics)]), processors)[0] == slow


@pytest.mark.parametrize(
    ("unit", "chip", "year", "who", "whence"),
    [
        ({}, None, 2007, None, None),
        ({}, None, 2008, "hardware", "year of the processor"),
        ({}, "HD Graphics 520", 2015, "hardware", "processor"),
        ({"devices": SIS}, "HD Graphics", 2015, "software", "devices"),
        ({"graphics": "8086:2a02", "devices": SIS}, None, 2007,
         "hardware", "graphics"),
        ({"graphics": "Matrox G200 and Radeon HD 5450"}, None, 2007, "hardware", "graphics"),
        # Ids of other devices say nothing of graphics.
        ({"devices": "pci:8086:24f3"}, None, 2007, None, None),
        ({"devices": "pci:v00008086d000024F3sv00000000sd00000000bc02sc80i00"}, None, 2007, None, None),
    ],
)  # fmt: skip
def test_who_draws_is_told_by_the_surest_of_what_is_known(
    unit: dict[str, Any], chip: str | None, year: int, who: str | None, whence: str | None
) -> None:
    """Intel 965 has a Mesa driver (crocus), SiS has none: package libgl1-mesa-dri of Debian 13."""
    processors = pd.DataFrame({"cpu_graphics": pd.array([chip], dtype="string"),
                               "cpu_year": pd.array([year], dtype="Int64")})  # fmt: skip
    found = drawing(frame([Unit(**unit)]), processors).iloc[0]
    assert [None if pd.isna(one) else one for one in found] == [who, whence]


def test_the_built_in_images_start_what_they_are_published_for() -> None:
    processors = pd.DataFrame({"cpu_level": pd.array(["i686", "v1"], dtype="string")})
    units = frame([Unit(boot_mode="legacy bios"), Unit(boot_mode="uefi 64-bit")])
    found = gates.starts(units, processors, default_shop().images)
    assert found.tolist() == [[False, False, False, False, True], [True, True, True, True, False]]
