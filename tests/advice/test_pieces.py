"""The pieces that a decision is made of, by what each states: parts, readings, trouble, ranks, words.

What is right is common practice, no source, unless said; figures 'from memory' stand here as their constants state
them.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.advice import assess, compose, decide, fixed, parts
from advisor.advice.bank import bank_of
from advisor.advice.devices import short_maker
from advisor.advice.facts import kernel_from_backports, module_forms, module_types, weigh
from advisor.advice.options import rich_rank
from advisor.advice.printable import clean
from advisor.advice.readings import BEST, WORST, Reading, read, sides
from advisor.advice.record import ADVICE_MARK, SEVERITY_MARK, SUPPORT_MARK, Across
from advisor.advice.sentences import LOST
from advisor.columns import Columns
from advisor.shop import Architecture, Image, Part, Shop, default_shop
from advisor.unit import Advice, Support, Unit, frame

ALL = ("GNOME", "KDE Plasma", "Cinnamon", "MATE", "Xfce", "LXQt", "LXDE")


def facts_of(units: pd.DataFrame, types: str = "DDR4", card: str = "", **ruled_out: bool) -> Any:
    n = len(units)
    return SimpleNamespace(
        fields=Columns(units),
        units=units, memory_types=(np.zeros(n, dtype=int), [module_types(types)]), shop=default_shop(),
        module_forms=module_forms(units), likely_most=np.full(n, np.nan),
        bank=bank_of(units, pd.DataFrame({"cpu_microarch": pd.array(["Skylake"] * n, dtype="string")})),
        disk_card=np.full(n, card, dtype=object),
        memory_told=units["ram_type"].notna().to_numpy(), likely_memory=np.full(n, types, dtype=object),
        ruled_out={kind: np.full(n, ruled_out.get(kind, False)) for kind in ("memory", "ssd", "wireless")},
        no_disk=units["storage_kind"].eq("none").fillna(False).to_numpy(dtype=bool),
    )  # fmt: skip


def reading_of(units: pd.DataFrame, year: float = 2015) -> Any:
    processors = pd.DataFrame({"cpu_year": pd.array([year] * len(units), dtype="Float64")})
    none = np.zeros(len(units), dtype=bool)
    return Reading(np.arange(len(units)), units, processors, none, none)


BOARD = {"ram_gib": 4.0, "ram_slots_free": 1, "ram_soldered": False, "form_factor": "laptop"}
SODIMM = Part(name="module", kind="memory", fits="DDR4 SODIMM", gib=4)


@pytest.mark.parametrize(
    ("unit", "modules", "types", "fits"),
    [
        ({}, 1, "DDR4", True),
        ({"ram_slots_free": 0}, 1, "DDR4", False),
        ({"ram_slots_free": None}, 1, "DDR4", True),
        # One goes into the free slot and one in the place of what is fitted, of which there may be one module alone.
        ({"ram_slots_free": 1}, 2, "DDR4", True),
        ({"ram_slots_free": 0}, 2, "DDR4", True),
        ({"ram_slots_free": 2}, 2, "DDR4", True),
        ({"ram_slots_free": None}, 2, "DDR4", False),
        ({"ram_soldered": True}, 1, "DDR4", False),
        ({"ram_soldered": None}, 1, "DDR4", True),
        ({"ram_max_gib": 8.0}, 1, "DDR4", True),
        ({"ram_max_gib": 7.9}, 1, "DDR4", False),
        ({"ram_max_gib": 11.9, "ram_slots_free": 2}, 2, "DDR4", False),
        ({"ram_max_gib": 12.0, "ram_slots_free": 2}, 2, "DDR4", True),
        ({}, 1, "DDR3", False),
        ({}, 1, "DDR4 DDR5", True),
    ],
)
def test_a_module_fits_a_free_slot_of_its_type_under_the_boards_most(
    unit: dict[str, Any], modules: int, types: str, fits: bool
) -> None:
    units = frame([Unit(**{**BOARD, **unit})])
    assert parts.memory_fits(facts_of(units, types), reading_of(units), SODIMM, modules)[0] == fits
    assert not parts.memory_fits(facts_of(units, types, memory=True), reading_of(units), SODIMM, modules)[0]


def test_low_voltage_ddr3_boards_take_ddr3() -> None:
    units = frame([Unit(**BOARD)])
    ddr3 = SODIMM.model_copy(update={"fits": "DDR3 SODIMM"})
    assert parts.memory_fits(facts_of(units, "DDR3L"), reading_of(units), ddr3, 1)[0]


@pytest.mark.parametrize(
    ("form", "dimm", "sodimm"),
    [
        ("desktop", True, False), ("server", True, False), ("small desktop", True, True), ("laptop", False, True),
        ("all-in-one", False, True), ("convertible", False, True), ("thin client", False, True),
        ("tablet", False, True), (None, True, True),
    ],
)  # fmt: skip
def test_long_modules_go_into_desktops_and_short_ones_into_the_rest(form: str | None, dimm: bool, sodimm: bool) -> None:
    units = frame([Unit(**{**BOARD, "form_factor": form})])
    long = SODIMM.model_copy(update={"fits": "DDR4 DIMM"})
    found = [parts.memory_fits(facts_of(units), reading_of(units), part, 1)[0] for part in (long, SODIMM)]
    assert found == [dimm, sodimm]


@pytest.mark.parametrize(
    ("unit", "dimm", "sodimm"),
    [
        # Named by the row; HP's and Dell's manuals of these boxes, from memory.
        ({"model": "OptiPlex 780 SFF"}, True, False), ({"model": "Compaq 8200 Elite Small Form Factor"}, True, False),
        ({"model": "ThinkCentre M93p Tiny"}, False, True), ({"model": "EliteDesk 800 G3 DM"}, False, True),
        ({"model": "OptiPlex 7050 Micro"}, False, True), ({"model": "Compaq 8200 Elite USDT"}, False, True),
        ({"model": "EliteDesk 800 G1 Desktop Mini"}, False, True), ({"model": "NUC7i5BNH"}, True, True),
        # Neither word, or one that means a tower, or the ultra small: either may fit.
        ({"model": "ProDesk 600"}, True, True), ({"model": "dx2400 Micro Tower"}, True, True),
        ({"model": "B450 mini-ITX build"}, True, True), ({"model": "micro ATX build"}, True, True),
        # Sheets call the small boxes desktops too; a desktop whose name says nothing takes the long ones.
        ({"model": "EliteDesk 800 G1 USDT", "form_factor": "desktop"}, False, True),
        ({"model": "Chromebox 3010"}, False, True), ({"model": "H81 micro ATX", "form_factor": "desktop"}, True, False),
        ({"model": "Veriton X2611G", "form_factor": "desktop"}, True, False),
        ({"model": "OptiPlex 760 Ultra Small Form Factor"}, True, True), ({"model": None}, True, True),
        # A name tells nothing of other boxes, and modules that were read go before any name.
        ({"model": "Satellite Mini", "form_factor": "laptop"}, False, True),
        ({"model": "OptiPlex 780 SFF", "ram_modules": "2 GiB DDR3 SODIMM 1333"}, False, True),
        ({"model": "Odd Tiny", "ram_modules": "4 GiB DDR4 DIMM 2400; 4 GiB DDR4 DIMM 2400"}, True, False),
        ({"form_factor": "all-in-one", "ram_modules": "4 GiB DDR4 DIMM 2400"}, True, False),
        ({"form_factor": "laptop", "ram_modules": "8 GiB LPDDR4 Row Of Chips"}, False, True),
    ],
)  # fmt: skip
def test_what_a_small_box_is_called_or_has_fitted_tells_the_form_of_its_modules(
    unit: dict[str, Any], dimm: bool, sodimm: bool
) -> None:
    units = frame([Unit(**{**BOARD, "form_factor": "small desktop", **unit})])
    long = SODIMM.model_copy(update={"fits": "DDR4 DIMM"})
    facts = facts_of(units)
    assert [parts.memory_fits(facts, reading_of(units), part, 1)[0] for part in (long, SODIMM)] == [dimm, sodimm]
    sure = dimm != sodimm
    assert ("that its modules are SODIMM" in parts.memory_check(facts, 0, SODIMM)) == (not sure)


@pytest.mark.parametrize(
    ("kind", "year", "sata", "nvme"),
    [
        ("spinning disk", 2020, True, False), ("hybrid disk", 2020, True, False), ("sata ssd", 2020, True, False),
        ("nvme", 2016, False, True), ("emmc", 2016, False, False), ("usb", 2016, False, False),
        ("none", 2017, True, False), ("none", 2018, False, True), (None, 2016, False, False),
    ],
)  # fmt: skip
def test_an_ssd_goes_where_its_bus_is(kind: str | None, year: int, sata: bool, nvme: bool) -> None:
    units = frame([Unit(storage_kind=kind)])
    one, other = (Part(name=fits, kind="ssd", fits=fits, gib=223) for fits in ("sata", "nvme"))
    reading = reading_of(units, year)
    assert [parts.ssd_fits(facts_of(units), reading, part)[0] for part in (one, other)] == [sata, nvme]
    assert not parts.ssd_fits(facts_of(units, ssd=True), reading, one)[0]


@pytest.mark.parametrize(("card", "fits"), [("", "sata"), ("msata", "msata"), ("m.2", "m.2 sata")])
@pytest.mark.parametrize(("kind", "year"), [("sata ssd", 2014), ("none", 2014)])
def test_a_card_is_changed_for_a_card_of_its_own_form(card: str, fits: str, kind: str, year: float) -> None:
    # mSATA (SATA revision 3.1) and M.2 (PCI-SIG) are cards in slots of their own; a 2.5-inch disk has none.
    units = frame([Unit(storage_kind=kind)])
    for one in ("sata", "msata", "m.2 sata"):
        part = Part(name=one, kind="ssd", fits=one, gib=223)
        assert parts.ssd_fits(facts_of(units, card=card), reading_of(units, year), part)[0] == (one == fits)


@pytest.mark.parametrize(
    ("unit", "card", "words"),
    [
        ({"storage_kind": "sata ssd", "form_factor": "laptop"}, "", "that its disk is a 2.5-inch one and no card"),
        (
            {"storage_kind": "sata ssd", "form_factor": "small desktop"},
            "",
            "that its disk is a 2.5-inch one and no card",
        ),
        ({"storage_kind": "sata ssd", "form_factor": "laptop"}, "msata", ""),
        ({"storage_kind": "sata ssd", "form_factor": "desktop"}, "", ""),
        ({"storage_kind": "spinning disk", "form_factor": "laptop"}, "", ""),
    ],
)
def test_a_solid_state_disk_may_be_a_card(unit: dict[str, Any], card: str, words: str) -> None:
    part = Part(name="s", kind="ssd", fits="sata", gib=223)
    assert parts.ssd_check(facts_of(frame([Unit(**unit)]), card=card), 0, part) == words


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        ({"ram_slots_free": 1, "ram_type": "DDR4", "form_factor": "laptop"}, ""),
        ({"ram_type": "DDR4", "form_factor": "laptop"}, "that a memory slot is free"),
        ({"ram_slots_free": 1, "form_factor": "laptop"}, "that the board takes DDR4"),
        ({"ram_slots_free": 1, "ram_type": "DDR4", "form_factor": "small desktop"}, "that its modules are SODIMM"),
        ({"ram_slots_free": 1, "ram_type": "DDR4"}, "that its modules are SODIMM"),
        ({}, "that a memory slot is free and that the board takes DDR4 and that its modules are SODIMM"),
    ],
)
def test_what_is_to_be_looked_at_before_a_module_is_fitted(unit: dict[str, Any], words: str) -> None:
    assert parts.memory_check(facts_of(frame([Unit(**unit)])), 0, SODIMM) == words


@pytest.mark.parametrize(
    ("types", "fits", "words"),
    [
        # Both were sold: the one is picked by the drawer, the other is named. JEDEC's DDR3L takes 1.35 V (JESD79-3-1A).
        ("DDR2 DDR3", "DDR2 SODIMM", "that the board takes DDR2 and not DDR3"),
        ("DDR2 DDR3", "DDR3 SODIMM", "that the board takes DDR3 and not DDR2"),
        ("DDR3L", "DDR3 SODIMM", "that the board takes DDR3 and that the module is a DDR3L one, of 1.35 V"),
        ("DDR3", "DDR3 SODIMM", "that the board takes DDR3"),
    ],
)
def test_where_two_types_were_sold_or_a_low_voltage_is_asked_that_is_said(types: str, fits: str, words: str) -> None:
    unit = Unit(ram_slots_free=1, form_factor="laptop")
    module = SODIMM.model_copy(update={"fits": fits})
    assert parts.memory_check(facts_of(frame([unit]), types), 0, module) == words


@pytest.mark.parametrize(
    ("cpu", "model", "part"),
    [
        # Boards for Sandy Bridge take DDR3 alone: DDR is memory as such. Athlon 64 had boards for DDR; from memory.
        ("i5-2400", "Veriton", "4 GiB DDR3 DIMM"), ("AMD Athlon 64 3200+", "Dimension", ""),
    ],
)  # fmt: skip
def test_a_bare_ddr_is_a_type_on_old_boards_alone(cpu: str, model: str, part: str) -> None:
    unit = Unit(cpu=cpu, model=model, ram_gib=2, ram_slots_free=1, ram_type="DDR", form_factor="desktop")
    facts = assess(frame([unit.model_copy(update={"asset_tag": "T-1"})])).cases.facts
    reading = read(facts, sides(1, BEST))
    memory = [one for one in parts.usual_parts() if one.kind == "memory"]
    fits = [one.name for one in memory if parts.memory_fits(facts, reading, one, 1)[0]]
    assert (part in fits) if part else not fits


def test_what_is_to_be_looked_at_before_an_ssd_is_fitted() -> None:
    units = frame([Unit(storage_kind="none"), Unit(storage_kind="sata ssd")])
    for fits, words in (("sata", "that there is a SATA bay"), ("nvme", "that there is an NVMe slot")):
        part = Part(name="ssd", kind="ssd", fits=fits, gib=223)
        assert [parts.ssd_check(facts_of(units), row, part) for row in (0, 1)] == [words, ""]


def test_units_with_parts_fitted_are_what_they_then_are() -> None:
    old = {"ram_gib": 4.0, "ram_slots_free": 1, "storage_kind": "spinning disk", "storage_gib": 465.0,
           "storage_health_pct": 40.0, "disk_read_mib_s": 80.0, "disk_access_ms": 15.0,
           "disk_near_ms": 1.2}  # fmt: skip
    units = frame([Unit(**old)] * 3)
    more = parts.with_memory(units, np.array([4.0, 2.0, 0.0]), np.array([1, 2, 0]), np.array([0.0, 1.0, 0.0]))
    assert more["ram_gib"].tolist() == [8.0, 7.0, 4.0]
    assert more["ram_slots_free"].tolist() == [0, 0, 1]
    new = parts.with_ssd(units, np.array([True, True, False]), np.array([223.0, 238.0, 0.0]),
                         np.array([False, True, False]))  # fmt: skip
    assert new["storage_kind"].tolist() == ["sata ssd", "nvme", "spinning disk"]
    assert new["storage_gib"].tolist() == [223.0, 238.0, 465.0]
    assert new["storage_health_pct"].tolist() == [100.0, 100.0, 40.0]
    assert new["storage_mode"].iloc[:2].tolist() == ["ahci", "nvme"]
    for name in ("disk_read_mib_s", "disk_access_ms", "disk_near_ms"):
        assert new[name].isna().tolist() == [True, True, False]


def test_a_shelf_is_the_drawer_and_what_is_not_in_it_can_be_bought() -> None:
    ssd = Part(name="sata ssd 240 gb", kind="ssd", fits="sata", gib=223, count=2)
    empty = Part(name="gone", kind="ssd", fits="sata", gib=447, count=0)
    shop = default_shop().model_copy(update={"stock": (ssd, empty)})
    found = parts.shelf(shop)
    names = [part.name for part in found.parts]
    assert names[:2] == ["sata ssd 240 gb", "gone"] and "SATA SSD 240 GB" not in names and "NVMe SSD 256 GB" in names
    assert found.count.tolist() == [2] + [0] * (len(names) - 1)
    kept = parts.shelf(shop.model_copy(update={"buys_parts": False}))
    assert [part.name for part in kept.parts] == ["sata ssd 240 gb"]


# name: kind, fits, GiB, minutes to fit; what a bench usually buys, common practice, no source
USUAL = {
    **{f"{gib} GiB {kind} {form}": ("memory", f"{kind} {form}", gib) for form in ("SODIMM", "DIMM")
       for gib, kind in ((2, "DDR2"), (4, "DDR3"), (8, "DDR3"), (4, "DDR4"), (8, "DDR4"), (8, "DDR5"))},
    "SATA SSD 240 GB": ("ssd", "sata", 223), "mSATA SSD 240 GB": ("ssd", "msata", 223),
    "M.2 SATA SSD 240 GB": ("ssd", "m.2 sata", 223), "NVMe SSD 256 GB": ("ssd", "nvme", 238),
    "USB Wi-Fi adapter (AR9271)": ("wireless", "usb", 0),
}  # fmt: skip


def test_usual_parts_are_what_a_bench_buys() -> None:
    assert {one.name: (one.kind, one.fits, one.gib) for one in parts.usual_parts()} == USUAL
    assert all(one.count == 0 and one.fit_min is None for one in parts.usual_parts())
    # usb.ids and linux 6.1 drivers/net/wireless/ath/ath9k/hif_usb.c: 0cf3:9271 is the AR9271.
    assert [one.device for one in parts.usual_parts() if one.device] == ["usb:0cf3:9271"]
    for name, one in ((one.name, one) for one in parts.usual_parts() if one.kind == "ssd"):
        # Makers count in thousands: 240 GB are 223 GiB.
        assert one.gib == int(int(name.split()[-2]) * 1000**3 / 1024**3)


NOTHING = frame([Unit(asset_tag="T")])
OPEN = pd.DataFrame({
    "cpu_speed": [np.nan], "cpu_speed_low": [np.nan], "cpu_speed_high": [np.nan], "cpu_speed_least": [np.nan],
    "cpu_speed_most": [np.nan], "cpu_year": pd.array([pd.NA], dtype="Int64"),
    "cpu_year_least": pd.array([2008], dtype="Int64"), "cpu_cores": pd.array([pd.NA], dtype="Int64"),
    **{name: pd.array([pd.NA], dtype="string") for name in ("cpu_level", "cpu_level_least", "cpu_level_most")},
})  # fmt: skip


@pytest.mark.parametrize(
    ("side", "speed", "level", "year", "ram", "kind", "gib", "boots"),
    [
        (WORST, 0.12, "i686", 2008, 1.0, "spinning disk", 8.0, False),
        (BEST, 2.5, "v3", 2020, 16.0, "nvme", 480.0, True),
    ],
)
def test_a_missing_fact_is_taken_at_its_worst_and_at_its_best(
    side: int, speed: float, level: str, year: int, ram: float, kind: str, gib: float, boots: bool
) -> None:
    facts = SimpleNamespace(units=NOTHING, processors=OPEN, drawing=pd.Series(["hardware"], dtype="string"))
    found = read(facts, sides(1, side), np.arange(1))  # type: ignore[arg-type]
    cpu = found.processors.iloc[0]
    assert (cpu["cpu_speed"], cpu["cpu_speed_low"], cpu["cpu_speed_high"]) == (speed, speed, speed)
    assert (cpu["cpu_level"], cpu["cpu_year"]) == (level, year)
    unit = found.units.iloc[0]
    assert (unit["ram_gib"], unit["storage_kind"], unit["storage_gib"]) == (ram, kind, gib)
    assert found.draws[0] and found.open_boot[0] == boots


@pytest.mark.parametrize(
    ("kind", "worst", "best"),
    [("emmc", 16.0, 64.0), ("usb", 8.0, 64.0), ("sata ssd", 60.0, 60.0), ("spinning disk", 60.0, 60.0)],
)
def test_a_disk_of_unknown_size_has_what_its_kind_has(kind: str, worst: float, best: float) -> None:
    units = frame([Unit(storage_kind=kind)])
    facts = SimpleNamespace(units=units, processors=OPEN, drawing=pd.Series(["software"], dtype="string"))
    found = [read(facts, sides(1, side), np.arange(1)) for side in (WORST, BEST)]  # type: ignore[arg-type]
    assert [one.units["storage_gib"].iloc[0] for one in found] == [worst, best]
    assert not found[0].draws[0]


def verdict(kind: str, support: str, severity: str = "limits", cure: str = "", packages: str = "") -> pd.DataFrame:
    return pd.DataFrame({
        "row": [0], "image": ["debian-13"], "kind": [kind], "support": [support], "severity": [severity],
        "cure": [cure], "firmware_packages": [packages],
    })  # fmt: skip


@pytest.mark.parametrize(
    ("devices", "dead", "bring", "kernel", "no_wifi", "cost"),
    [
        (("wireless", "works"), 0, 0, 0, False, 0),
        (("wireless", "unknown"), 0, 0, 0, False, 0),
        (("wireless", "no driver"), 1, 0, 0, True, 300),
        (("wireless", "needs firmware", "limits", "", "firmware-x"), 0, 1, 0, False, 100),
        (("wireless", "needs firmware"), 1, 0, 0, True, 100),
        (("wireless", "separate driver", "limits", "x-dkms"), 0, 1, 0, False, 200),
        (("wireless", "newer kernel", "limits", "debian-13-backports"), 0, 1, 1, False, 200),
        (("wireless", "newer kernel", "limits", "debian-14"), 1, 0, 0, True, 200),
        (("graphics", "no driver"), 1, 0, 0, False, 300),
        (("storage", "no driver"), 1, 0, 0, False, 3000),
        (("graphics", "no driver", "degrades"), 0, 0, 0, False, 300),
        (("ethernet", "no driver"), 0, 0, 0, False, 30),
        (("audio", "no driver"), 0, 0, 0, False, 30),
        (("bluetooth", "no driver"), 0, 0, 0, False, 3),
        (("camera", "no driver"), 0, 0, 0, False, 0),
    ],
)
def test_what_a_device_asks_for_on_an_image(
    devices: tuple[str, ...], dead: int, bring: int, kernel: int, no_wifi: bool, cost: float
) -> None:
    support, trouble = weigh(verdict(*devices), 1, default_shop())
    assert support[devices[0]][0, 0] == devices[1]
    assert (trouble.dead[0, 0], trouble.bring[0, 0], trouble.kernel[0, 0]) == (dead, bring, kernel)
    assert (trouble.no_wifi[0, 0], trouble.cost[0, 0]) == (no_wifi, cost)
    assert trouble.wifi_kernel[0, 0] == bool(kernel) and trouble.adapter[0, 0] == (no_wifi or bool(kernel))
    assert not trouble.dead[0, 1:].any() and not trouble.bring[0, 1:].any()


def an_image(release: str, architecture: str = "amd64") -> Image:
    return Image(name="one", release=release, kernel=f"debian-{release}", architecture=Architecture(architecture))


def test_a_newer_kernel_is_the_package_of_the_architecture_from_the_images_own_backports() -> None:
    newer, cure = "newer kernel", "debian-12-backports"
    assert kernel_from_backports(newer, cure, an_image("12")) == "linux-image-amd64"
    assert kernel_from_backports(newer, cure, an_image("12", "i386")) == "linux-image-686-pae"
    assert kernel_from_backports(newer, cure, an_image("13")) == ""
    assert kernel_from_backports("no driver", cure, an_image("12")) == ""


@pytest.mark.parametrize(
    ("shop", "order", "usual"),
    [
        (Shop(), ALL, ("GNOME",)),
        (Shop(default_edition="MATE"), ("MATE", "Xfce", "LXQt", "LXDE", "Cinnamon", "KDE Plasma", "GNOME"), ("MATE",)),
        (Shop(default_edition="LXDE"), ("LXDE", "LXQt", "Xfce", "MATE", "Cinnamon", "KDE Plasma", "GNOME"), ("LXDE",)),
        (Shop(default_edition="MATE", take_richest=True), ALL, ("GNOME",)),
    ],
)
def test_after_the_usual_desktop_the_lighter_ones_come_richest_first(
    shop: Shop, order: tuple[str, ...], usual: tuple[str, ...]
) -> None:
    rank, unusual = rich_rank(shop)
    assert tuple(sorted(rank, key=lambda name: rank[name])) == order
    assert tuple(name for name in ALL if not unusual[name]) == usual


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(22.4, 30.2, "22–30"), (5.1, 5.4, "5"), (7, None, "7"), (601, 700, "600+"), (600, 601, "600+"),
     (120, 240, "120+"), (80, 240, "80–240"), (9, 700, "9–600+"), (599.6, 700, "600+"), (None, None, "")],
)  # fmt: skip
def test_two_waits_are_told_as_one_text(low: float | None, high: float | None, words: str) -> None:
    assert compose.span(low, high) == words


@pytest.mark.parametrize(
    ("value", "digits", "words"), [(2.50, 2, "2.5"), (100.0, 0, "100"), (7.0, 1, "7"), (None, 0, ""), (pd.NA, 1, "")]
)
def test_a_number_is_told_without_idle_zeros(value: Any, digits: int, words: str) -> None:
    assert compose.number(value, digits) == words


@pytest.mark.parametrize(
    ("cell", "text"),
    [(None, ""), (pd.NA, ""), (float("nan"), ""), (1.5, "1.5"), ("a \x1b[31m b", "a [31m b"), ("a\u202eb", "a b"),
     ("Küche", "Küche"), (" a\n\tb ", "a b"), ("x" * 2001, "x" * 2000)],
)  # fmt: skip
def test_a_cell_is_made_fit_for_paper(cell: Any, text: str) -> None:
    assert clean(cell) == text


def test_why_a_runner_up_lost_is_told_by_what_it_lost_in() -> None:
    assert LOST == {
        "unusable": "it would not be usable", "dead": "a device that decides would stay dead",
        "level": "it would be slower", "slow": "it would be slower", "buy": "a part would have to be bought",
        "roomy": "it leaves less memory to spare", "waits": "it would be slower",
        "unusual": "it is not the shop's usual desktop", "missed": "it would be slower",
        "kernel": "a newer kernel would have to be brought", "n_parts": "it takes more parts",
        "bring": "more has to be brought", "stick": "it takes another stick", "rich": "its desktop is less rich",
        "size": "it takes a larger part", "fit_min": "it takes longer to fit",
    }  # fmt: skip


def test_every_sheet_carries_the_cautions() -> None:
    """The four of the README's list, each with what must be done."""
    asked = (
        ("Erasing is final", "confirm the right to erase", "data-sanitisation rule"),
        ("swollen or damaged battery stops work", "do not charge, press or open it"),
        ("Mains and power-supply work is for a competent person under local rules", "safety testing and lithium "
         "disposal follow local law"),
        ("Static kills parts", "power off, unplug, ground yourself before you open the case"),
    )  # fmt: skip
    assert len(fixed.CAUTIONS) == len(asked)
    for words, wanted in zip(fixed.CAUTIONS, asked, strict=True):
        assert all(one in words for one in wanted) and " not the " not in words and not words.endswith("not")


def test_what_is_tried_before_a_unit_is_handed_over() -> None:
    assert fixed.KINDS_TRIED == {
        "wireless": "Wi-Fi", "ethernet": "wired network", "camera": "camera", "bluetooth": "Bluetooth",
        "card reader": "card reader", "fingerprint": "fingerprint reader",
    }  # fmt: skip
    assert fixed.ALWAYS_TRIED == ("sound", "a film in the browser")


@pytest.mark.parametrize(
    ("shown", "hidden", "words"),
    [
        (2, 0, ""), (0, 0, ""), (0, 3, "Every device works on every image."),
        (1, 1, "1 more device works on every image."), (1, 2, "2 more devices work on every image."),
    ],
)  # fmt: skip
def test_devices_without_a_row_are_told_of(shown: int, hidden: int, words: str) -> None:
    assert fixed.everywhere(shown, hidden) == words


def test_images_that_do_not_boot_are_told_of() -> None:
    assert fixed.no_boot([]) == ""
    assert fixed.no_boot(["one", "other"]) == "Does not boot on this unit: one, other."


def test_each_word_has_a_shape_of_its_own() -> None:
    for marks, words in ((SUPPORT_MARK, Support), (ADVICE_MARK, Advice), (SEVERITY_MARK, ("stop", "act", "note"))):
        assert set(marks) == {str(word) for word in words} and len(set(marks.values())) == len(marks)


def test_a_device_that_works_everywhere_decides_nothing() -> None:
    found = [Across("wireless", "", words, ()).decides for words in
             (("works", "works"), ("works", "unknown"), ("needs firmware", "needs firmware"))]  # fmt: skip
    assert found == [False, True, True]


@pytest.mark.parametrize(
    ("unit", "memory", "disk"),
    [
        ({}, "", ""),
        ({"ram_gib": 8, "ram_slots_free": 1}, "8 GiB memory, 1 slot free", ""),
        ({"ram_gib": 7.5, "ram_slots_free": 0}, "7.5 GiB memory, 0 slots free", ""),
        ({"ram_gib": 4, "ram_soldered": True, "ram_slots_free": 1}, "4 GiB memory, soldered", ""),
        ({"ram_gib": 4, "ram_soldered": False}, "4 GiB memory", ""),
        ({"storage_kind": "none"}, "", "no disk"),
        ({"storage_kind": "sata ssd", "storage_gib": 223.5, "storage_health_pct": 91}, "",
         "SATA SSD 240 GB, 91 % life left"),
        ({"storage_kind": "nvme", "storage_mode": "vmd"}, "", "NVMe, VMD mode"),
        ({"storage_kind": "nvme", "storage_mode": "ahci"}, "", "NVMe"),
    ],
)  # fmt: skip
def test_memory_and_disk_in_words(unit: dict[str, Any], memory: str, disk: str) -> None:
    """240 GB on the label are 223.5 GiB."""
    row = frame([Unit(**unit)]).iloc[0]
    assert (compose._memory_words(row), compose._disk_words(row)) == (memory, disk)


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("Intel Corporation Wireless 8260", "Intel Wireless 8260"),
        ("Advanced Micro Devices, Inc. [AMD/ATI] Cedar", "AMD Cedar"), ("MEDIATEK Corp. MT7921", "MediaTek MT7921"),
        ("Realtek Semiconductor Co., Ltd. RTL8111", "Realtek RTL8111"),
        ("Qualcomm Atheros AR9485", "Qualcomm Atheros AR9485"),
    ],
)  # fmt: skip
def test_a_makers_legal_name_is_shortened(name: str, short: str) -> None:
    assert short_maker(name) == short


def test_a_fact_that_alone_is_missing_is_named_as_it_is_by_asking_for_each(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = {"cpu": "i5-6300U", "ram_gib": 8.0, "storage_kind": "sata ssd", "storage_gib": 223.5}
    whole |= {"boot_mode": "uefi 64-bit", "form_factor": "laptop", "wireless": "8086:24f3", "graphics": "intel hd 520"}
    lacks: list[dict[str, Any]] = [{}, *({name: None} for name in (*whole, "cpu")), {"cpu": "i5"}]
    lacks += [{"ram_gib": None} | also for also in ({"storage_kind": None}, {"cpu": None}, {"boot_mode": None})]
    lacks += [{"storage_kind": None, "storage_gib": None}, {"cpu": None, "decompress_mib_s": 90.0, "ram_gib": None}]
    units = frame([Unit(asset_tag=str(number), **whole | one) for number, one in enumerate(lacks)])
    found = assess(units).cases.open_facts
    monkeypatch.setattr(decide, "sole", lambda facts, lacking: np.full(len(facts), ""))
    assert assess(units).cases.open_facts == found
    # 1 GiB is the least that a desktop takes, 2 GiB are advised (Debian installation guide, section 3.4; from memory).
    assert found[2] == ("ram_gib",)
