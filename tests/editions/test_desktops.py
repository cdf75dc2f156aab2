"""Who composes each desktop, and which graphics chips draw: from Debian's packages and Mesa's drivers."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor import tables
from advisor.editions.drawing import drawing
from advisor.unit import Unit, frame

DESKTOPS = {
    ("GNOME", "12"): ("mutter 43", "hardware", "no"), ("GNOME", "13"): ("mutter 48", "hardware", "no"),
    ("KDE Plasma", "12"): ("KWin 5.27", "hardware", "no"), ("KDE Plasma", "13"): ("KWin 6.3", "hardware", "no"),
    ("Cinnamon", "12"): ("muffin 5.6", "hardware", "yes"), ("Cinnamon", "13"): ("muffin 6.4", "hardware", "yes"),
    **{(name, release): (window, "any", "no") for release in ("12", "13") for name, window in (
        ("MATE", "marco"), ("Xfce", "xfwm4"), ("LXQt", "xfwm4 or openbox"), ("LXDE", "openbox"))},
}  # fmt: skip
"""Compositor as Debian's releases ship it, what draws, and whether a session drawn by the processor ships."""


def test_compositors_of_debians_desktops() -> None:
    found = {(row["edition"], row["release"]): (row["compositor"], row["drawing"], row["software_session"])
             for row in tables.dicts("editions/desktops")}  # fmt: skip
    assert found == DESKTOPS


NEEDS = {
    "GNOME": "OpenGL 3.1 or OpenGL ES 2.0 on the chip", "KDE Plasma": "OpenGL 2.0 or OpenGL ES 2.0 on the chip",
    "Cinnamon": "OpenGL 2.1 or OpenGL ES 2.0 on the chip",
}  # fmt: skip


@pytest.mark.parametrize("row", tables.dicts("editions/desktops"), ids=lambda row: f"{row['edition']} {row['release']}")
def test_what_a_compositor_asks_of_the_chip(row: dict[str, str]) -> None:
    assert row["needs_gl"] == NEEDS.get(row["edition"], "nothing: X without OpenGL")


CHIPS = {
    # Mesa 22.0 dropped its classic drivers (i830, r100, r200, early nouveau); what never had one draws in software.
    "software": [
        "8086:3577", "8086:2562", "8086:8108", "8086:0be1", "1106:3371", "1039:6351", "102b:0522", "1a03:2000",
        "18ca:0020", "5333:8d04", "126f:0710", "1023:9397", "1002:4c57", "1002:5159", "1002:515e", "10de:0110",
        "GMA 500", "GMA 3600", "82845G", "Extreme Graphics", "UniChrome Pro", "SiS Mirage 3", "Matrox G200e", "ES1000",
        "Radeon 9200", "Radeon 7500", "GeForce 4 MX", "Rage 128",
    ],
    # i915, crocus, iris, r300, r600, radeonsi, nouveau.
    "hardware": [
        "8086:27a2", "8086:2772", "8086:a011", "8086:2a02", "8086:0166", "8086:1916", "1002:68f9", "1002:7187",
        "10de:0a65", "10de:01d7", "GMA 950", "945GM", "X3100", "GMA 4500MHD", "HD Graphics 4000", "Bay Trail", "UHD",
        "Radeon HD 5450", "FirePro V3900", "GeForce 8400 GS", "Quadro NVS 140M", "ION", "Iris Xe", "Q35",
    ],
}  # fmt: skip


@pytest.mark.parametrize(("chip", "who"), [(chip, who) for who, chips in CHIPS.items() for chip in chips])
def test_a_chip_draws_or_leaves_it_to_the_processor(chip: str, who: str) -> None:
    """Drivers in package libgl1-mesa-dri of Debian 13; ids and names as pci.ids has them."""
    processors = pd.DataFrame({"cpu_graphics": pd.array([None], dtype="string"), "cpu_year": pd.array([2005], "Int64")})
    assert drawing(frame([Unit(graphics=chip)]), processors)["drawing"].iloc[0] == who


NO_ENGINE = "gma500 has no drawing engine"
FAMILIES = {
    "Intel 8xx": ("software", "none"), "Intel GMA 500/600 (PowerVR)": ("software", NO_ENGINE),
    "Intel GMA 3600 (PowerVR)": ("software", NO_ENGINE), "Intel GMA 500/600/3600 (PowerVR)": ("software", NO_ENGINE),
    "Intel GMA 9xx/31xx": ("hardware", "i915"), "Intel 965 and later": ("hardware", "crocus or iris"),
    **dict.fromkeys(("VIA", "SiS", "Matrox", "ASPEED", "XGI", "S3", "Silicon Motion", "Trident", "ATI ES1000",
                     "ATI before Radeon 9500", "chips without a drawing driver"), ("software", "none")),
    "AMD and ATI Radeon 9500 and later": ("hardware", "r300 or r600 or radeonsi"),
    "NVIDIA before GeForce FX or close to it": ("", "nouveau"), "NVIDIA GeForce FX and later": ("hardware", "nouveau"),
}  # fmt: skip
"""Mesa's drivers of each family, package libgl1-mesa-dri of Debian 13; who belongs to which is from memory."""

MAKERS = {"8086": "Intel", "1106": "VIA", "1039": "SiS", "102b": "Matrox", "1a03": "ASPEED", "18ca": "XGI",
          "5333": "S3", "126f": "Silicon Motion", "1023": "Trident", "1002": "ATI", "10de": "NVIDIA"}  # fmt: skip
"""Makers of the ids, as pci.ids has them."""


@pytest.mark.parametrize("row", tables.dicts("editions/graphics"), ids=lambda row: f"{row['match']} {row['family']}")
def test_a_family_of_chips_has_its_maker_and_its_driver(row: dict[str, str]) -> None:
    assert (row["drawing"], row["driver"]) == FAMILIES[row["family"]]
    assert row["match"] == "name" or MAKERS[row["pattern"][:4]] in row["family"]


def test_every_family_has_its_row() -> None:
    assert {row["family"] for row in tables.dicts("editions/graphics")} == set(FAMILIES)
