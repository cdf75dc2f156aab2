"""A made-up assessment with the shape of the real one, so that panels are tested apart from the rooms they show."""

from __future__ import annotations

import types

import numpy as np
import pandas as pd
import pytest

from advisor.shop import default_shop
from advisor.unit import Capture, FormFactor, StorageKind, Unit, frame

IMAGES = [image.name for image in default_shop().images]
PHASES = (
    ("prepare", "Prepare and decide on the wipe", 6.0, 6.0),
    ("copy", "Copy the system", 1.0, 17.5),
    ("updates", "Updates", 0.5, 12.0),
    ("check", "First-boot check", 4.0, 5.5),
)


def make_assessment(units: pd.DataFrame, shop=None, hostile: str = ""):
    """An invented assessment: units without memory are on hold, all others get Xfce."""
    shop = shop or default_shop()
    n = len(units)
    units = units.reset_index(drop=True)
    hold = (units["ram_gib"].isna() | units["cpu"].isna()).to_numpy()
    advice = np.where(hold, "hold", "firmware first")
    text = lambda values: pd.Series(values, dtype="string")  # noqa: E731
    number = lambda value: pd.Series(np.where(hold, np.nan, value), dtype="Float64")  # noqa: E731
    scored = units.assign(
        status=text(["scored"] * n),
        problem=text([""] * n),
        reasons=text(["the Wi-Fi chip needs firmware"] * n),
        advice=text(advice),
        edition=text(np.where(hold, None, "Xfce")),
        image_used=text(["debian-13"] * n),
        hands_on_min=number(11.5),
        elapsed_min=number(41.0),
        elapsed_low_min=number(33.0),
        elapsed_high_min=number(55.0),
        firmware_packages=text(["firmware-iwlwifi"] * n),
        best_fix=text([f"fit 4 GB DDR3 SODIMM: Xfce -> MATE{hostile}"] * n),
    )
    rows = np.arange(n)
    ladder = types.SimpleNamespace(
        editions=list(shop.richness),
        desktop_s=np.tile([48.0, 41, 30, 24, 16, 13, 11], (n, 1)),
        desktop_high_s=np.tile([60.0, 52, 39, 31, 21, 17, 14], (n, 1)),
        browser_s=np.tile([14.0, 13, 12, 11, 9, 8.5, 8], (n, 1)),
        browser_high_s=np.tile([18.0, 16, 15, 14, 11, 10, 9.8], (n, 1)),
        memory_left_pct=np.tile([12.0, 20, 28, 33, 41, 45, 47], (n, 1)),
        disk_left_gib=np.tile([90.0] * 7, (n, 1)),
        out=np.tile(
            np.array(
                ["not enough graphics" + hostile, *["browser usable after 16 s, over 12 s" + hostile] * 3, *[None] * 3],
                dtype=object,
            ),
            (n, 1),
        ),
        gate=np.tile([0] + [1] * 6, (n, 1)),
        comfortable=np.tile([False] * 4 + [True] * 3, (n, 1)),
        unknown=np.tile([False] * 7, (n, 1)),
    )
    device = [
        {
            "row": row,
            "image": image,
            "kind": kind,
            "device": ident,
            "name": name + hostile,
            "support": support,
            "modules": "iwlwifi",
            "firmware_packages": package,
            "severity": "blocks",
            "cure": "",
            "reason": "names a firmware file",
            "source": "tables",
        }
        for row in rows
        for image in IMAGES
        for kind, ident, name, support, package in (
            (
                "wireless",
                "pci:8086:24f3",
                "Wireless 8260",
                "needs firmware" if "12" in image else "works",
                "firmware-iwlwifi",
            ),
            ("graphics", "pci:8086:1916", "HD Graphics 520", "works", ""),
            ("card reader", "usb:0bda:0129", "RTS5129", "no driver" if "i386" in image else "unknown", ""),
        )
    ]
    flags = [
        {
            "row": row,
            "code": "wireless-needs-firmware",
            "severity": "act",
            "title": "Wireless: needs firmware",
            "reason": f"names a file{hostile}",
            "source": "driver tables",
            "action": "Put the package file on the stick before work starts.",
        }
        for row in rows
    ]
    timed = [
        {"row": row, "phase": phase, "title": title + hostile, "hands_on_min": hands, "machine_min": machine}
        for row in rows[~hold]
        for phase, title, hands, machine in PHASES
    ]
    trials = [
        {
            "row": row,
            "part": "4 GB DDR3 SODIMM" + hostile,
            "kind": "memory",
            "in_stock": True,
            "edition_before": "Xfce",
            "edition_after": "MATE",
            "ladder_gain": 1,
            "cures": False,
            "check": "that a memory slot is free",
            "fit_min": 5.0,
        }
        for row in rows
    ]
    boots_reason = pd.DataFrame({image: pd.Series([None] * n, dtype="object") for image in IMAGES})
    boots_reason["debian-12-i386"] = "the loader is 32-bit only" + hostile
    phases = pd.DataFrame(timed, columns=["row", "phase", "title", "hands_on_min", "machine_min"])
    assumed = pd.DataFrame(
        [{"row": row, "fact": "link_mbps" + hostile, "value": "50 Mbit/s", "source": "the shop"} for row in rows]
    )
    return types.SimpleNamespace(
        shop=shop,
        units=units,
        scored=scored,
        ladder=ladder,
        devices=pd.DataFrame(device),
        flags=pd.DataFrame(flags),
        processors=pd.DataFrame({"cpu_year": [2015] * n}),
        parts=pd.DataFrame(trials),
        best_fix=scored["best_fix"],
        timing=types.SimpleNamespace(phases=phases, assumed=assumed, basis="from 64 rehearsals and 0 logged units"),
        decision=types.SimpleNamespace(
            frame=pd.DataFrame(
                {
                    "reason": ["the Wi-Fi chip needs firmware" + hostile] * n,
                    "rule": ["firmware"] * n,
                    "source": ["driver tables"] * n,
                    "part": [None] * n,
                }
            )
        ),
        facts=types.SimpleNamespace(
            boots_reason=boots_reason, chosen=pd.DataFrame({"image_wanted": ["debian-13"] * n})
        ),
    )


LAPTOP = Unit(
    asset_tag="B-017",
    maker="Acme",
    model="Book 5",
    form_factor=FormFactor.LAPTOP,
    cpu="Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz",
    cpu_family=6,
    cpu_model=78,
    ram_gib=8,
    storage_kind=StorageKind.HDD,
    storage_gib=465.8,
    wireless="Intel Wireless 8260",
)


@pytest.fixture
def laptop():
    return LAPTOP


@pytest.fixture
def assess():
    return make_assessment


@pytest.fixture
def assessment():
    return make_assessment(frame([LAPTOP, Unit(asset_tag="B-018", cpu="Core i3-4030U")]))


@pytest.fixture
def capture_of_laptop():
    return lambda: Capture(unit=LAPTOP.model_copy(update={"asset_tag": None}), unread={"ram_slots": "needs root"})
