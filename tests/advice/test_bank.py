"""Memory slots: what comes out before larger modules go in, by counting modules; common practice, no source."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.advice.bank import bank_of, in_place_of, module_sizes
from advisor.shop import Part
from advisor.unit import Unit, frame
from tests.advice.conftest import SSD, batch_of, shop_with

LAPTOP: dict[str, Any] = {"form_factor": "laptop", "ram_gib": 2.0, "ram_slots_free": 0}
DDR2 = Part(name="2 GiB DDR2 SODIMM", kind="memory", fits="DDR2 SODIMM", gib=2, count=9)
OLD = {
    "maker": "HP", "model": "Compaq 6730b", "cpu": "Core 2 Duo P8600", "ram_gib": "2x1 GB", "ram_slots_free": "0",
    "storage_gib": "120 GB", "boot_mode": "legacy", "wireless": "8086:4237", "graphics": "GMA 4500MHD",
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "modules", "out", "gib"),
    [
        # A free slot takes the module; where none is free the smallest comes out, and where one is known and two go in.
        ({"ram_slots_free": 1}, 1, 0, 0),
        ({"ram_slots_free": 2}, 2, 0, 0),
        ({"ram_modules": "1 GiB; 1 GiB"}, 1, 1, 1),
        ({"ram_modules": "1 GiB; 1 GiB"}, 2, 2, 2),
        ({"ram_modules": "2 GiB DDR2 SODIMM 667; 512 MiB DDR2 SODIMM 667"}, 1, 1, 0.5),
        ({"ram_modules": "2 GiB; 1 GiB", "ram_slots_free": 1}, 2, 1, 1),
        # One module in one slot; two can't take its place. Chips on the board stay where they are.
        ({"ram_modules": "2 GiB"}, 1, 1, 2),
        ({"ram_modules": "2 GiB"}, 2, 2, np.nan),
        ({"ram_modules": "2 GiB DDR3 Row Of Chips 1600; 1 GiB DDR3 SODIMM"}, 1, 1, 1),
        ({"ram_modules": "2 GiB LPDDR3"}, 1, 1, np.nan),
        # Sizes not told: all may sit in the one that comes out; two come out where two slots are usual or known.
        ({}, 1, 1, 2),
        ({}, 2, 2, 2),
        ({"form_factor": "desktop"}, 2, 2, np.nan),
        ({"form_factor": "desktop", "ram_slots": 2}, 2, 2, 2),
        ({"ram_slots": 1}, 2, 2, np.nan),
        # Nobody said whether a slot is free: one is hoped for, two are not; two modules fill a laptop.
        ({"ram_slots_free": None}, 1, 0, 0),
        ({"ram_slots_free": None}, 2, 1, np.nan),
        ({"ram_slots_free": None, "ram_modules": "1 GiB; 1 GiB"}, 1, 1, 1),
        ({"ram_slots_free": None, "ram_modules": "1 GiB; 1 GiB", "form_factor": "desktop"}, 1, 0, 0),
        ({"ram_slots_free": None, "ram_modules": "2 GiB"}, 1, 0, 0),
    ],
)  # fmt: skip
def test_what_comes_out(changes: dict[str, Any], modules: int, out: int, gib: float) -> None:
    units = frame([Unit(**{**LAPTOP, **changes})])
    cores = pd.DataFrame({"cpu_microarch": pd.array(["Merom"], dtype="string")})
    count, held = bank_of(units, cores).out(np.array([0]), np.array([2.0]), modules)
    assert count.tolist() == [out]
    assert held.tolist() == pytest.approx([gib], nan_ok=True)


@pytest.mark.parametrize(("core", "gib"), [("Bonnell", np.nan), ("Saltwell", np.nan), ("Penryn", 1.0)])
def test_a_netbook_has_one_slot(core: str, gib: float) -> None:
    # Netbooks with these Atoms had one slot; from memory.
    units = frame([Unit(**LAPTOP)])
    cores = pd.DataFrame({"cpu_microarch": pd.array([core], dtype="string")})
    assert bank_of(units, cores).out(np.array([0]), np.array([1.0]), 2)[1].tolist() == pytest.approx([gib], nan_ok=True)


def test_modules_are_read_as_captures_and_sheets_write_them() -> None:
    assert module_sizes("4 GiB DDR3 SODIMM 1333; 512 MiB DDR2 SODIMM 533") == [0.5, 4.0]
    assert module_sizes("8 GiB LPDDR5 Row Of Chips 6400; 2 GiB DDR3 Chip") == []
    assert in_place_of("1 GiB; 1 GiB", 2) == "in place of 2 x 1 GiB"
    assert in_place_of("2 GiB; 1 GiB; 4 GiB", 2) == "in place of 1 GiB and 2 GiB"
    assert in_place_of("2 GiB; 1 GiB", 1) == "in place of 1 GiB"
    assert in_place_of(None, 2) == "in place of what is fitted"
    assert in_place_of("1 GiB; 1 GiB", 0) == ""


def test_larger_modules_take_the_place_of_small_ones_and_that_is_said() -> None:
    batch = batch_of(OLD, shop=shop_with(SSD, DDR2, buys_parts=False))
    row, record = batch.scored.iloc[0], batch["T-1"]
    assert row["do_first"].startswith("FIT 2 x 2 GiB DDR2 SODIMM in place of 2 x 1 GiB, then ")
    assert "2 GiB of memory is little for " in row["reasons"]
    assert "and the slots are full" in row["reasons"]
    assert row["best_fix"].startswith("fit 2 x 2 GiB DDR2 SODIMM in place of 2 x 1 GiB (")
    assert "memory slot" not in row["best_fix"]
    assert any("; in place of 2 x 1 GiB" in str(item) for item in record.at_hand)
    assert batch.cases.prepared["ram_gib"].tolist() == [4.0]
    # Parts that the shop does not have are only told of, and what they would take the place of.
    kept = batch_of({**OLD, "ram_gib": "2 GB"}, shop=shop_with(SSD, DDR2, buys_parts=False)).scored.iloc[0]
    assert kept["do_first"].startswith("FIT 2 x 2 GiB DDR2 SODIMM in place of what is fitted, then ")
    assert "check that it has two memory slots" in kept["best_fix"]


def test_nothing_comes_out_for_no_gain() -> None:
    # 2 x 2 GiB are there already; one module of 2 GiB in the place of another gives nothing.
    row = batch_of({**OLD, "ram_gib": "2x2 GB"}, shop=shop_with(SSD, DDR2, buys_parts=False)).scored.iloc[0]
    assert "DDR2" not in row["do_first"]


@pytest.mark.parametrize(
    ("cpu", "ram", "helps"),
    [
        # Intel's 945 shows some 3 GiB however much is fitted (from memory): from 2 to 3 GiB a module helps, to 4 none.
        ("Core 2 Duo T5500", "2x1 GB", True), ("Core 2 Duo T5500", "3 GB (2+1)", False),
        # The 965 that came with the T7250 has no such limit.
        ("Core 2 Duo T7250", "3 GB (2+1)", True),
    ],
)  # fmt: skip
def test_no_module_is_fitted_that_the_chipset_does_not_show(cpu: str, ram: str, helps: bool) -> None:
    unit = {**OLD, "model": "", "cpu": cpu, "ram_gib": ram, "graphics": "GMA X3100"}
    batch = batch_of(unit, shop=shop_with(DDR2, buys_parts=False))
    fitted = {one["modules"] for one in batch.cases.options.frame.to_dict("records")}
    assert (fitted != {0}) is helps
    assert batch.cases.prepared["ram_gib"].max() <= (3.0 if "T5500" in cpu else 4.0)


@pytest.mark.parametrize(("cpu", "gib", "fits"), [("i5-520M", 8, False), ("i5-520M", 4, True), ("i5-2520M", 8, True)])
def test_a_module_is_no_larger_than_the_controller_drives(cpu: str, gib: float, fits: bool) -> None:
    # The first Core i drives 4 GiB a module, the second 8 (from memory).
    part = Part(name="module", kind="memory", fits="DDR3 SODIMM", gib=gib, count=9)
    unit = {"cpu": cpu, "model": "Latitude", "ram_gib": "2", "ram_slots_free": "1", "graphics": "HD Graphics"}
    batch = batch_of(unit, shop=shop_with(part, buys_parts=False))
    assert bool(batch.cases.options.frame["modules"].any()) is fits
