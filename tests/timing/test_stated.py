"""What tables and formulas of the timing state, worked out by hand: hands-on, rates, work, machine minutes.

Minutes and rates are 'from memory' or common practice with no source, as their tables say; they stand here once more,
so that a slip of the pen in a table is seen.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.shop import default_shop
from advisor.timing.hands import hands_on, phase_table
from advisor.timing.predict import scaled_minutes
from advisor.timing.rates import assumed, decompress_of, log_sd, storage_rates
from advisor.timing.work import work_of
from advisor.unit import Unit, frame

Z = 1.2815515655446004
"""Ninth decile of the standard normal distribution: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1."""

# phase: minutes low, typical, high; share that runs under the machine's work; the machine's work
PHASES: dict[str, tuple[float, float, float, float, str]] = {
    "prepare": (3, 5, 9, 0, "none"), "boot": (1, 2, 4, 0.5, "medium"), "installer": (2, 4, 7, 0, "none"),
    "copy": (0.3, 0.5, 1, 1, "copy"), "first_boot": (1, 2, 4, 0.2, "start"), "refresh": (0.7, 1.5, 3, 0, "refresh"),
    "base": (0.5, 1, 2, 0.5, "base"), "updates": (0.3, 0.7, 1.5, 0.5, "updates"),
    "restart": (0.2, 0.5, 1, 0.5, "start"),
    "second_refresh": (0.3, 0.7, 1.5, 0, "refresh"), "customise": (2, 4, 8, 0, "none"),
    "skeleton": (0.5, 1, 2, 0, "none"), "seal": (1, 2, 4, 0.3, "seal"), "check": (2, 4, 7, 0.2, "start"),
}  # fmt: skip

TITLES = (
    "Prepare, and decide on the wipe", "Start from the stick", "Answer the installer", "Copy the system to disk",
    "First boot and set-up", "Connect, and refresh the package lists", "Usual programs and codecs", "Updates",
    "Restart",     "Refresh again until nothing is left", "Customise", "Make the settings those of every new account",
    "Clear out the bench account, ready for the new owner", "First-boot check",
)  # fmt: skip


def test_phases_are_the_bench_s_own() -> None:
    table = phase_table()
    found = zip(table.low, table.typical, table.high, table.overlap_share, table.machine, strict=True)
    assert dict(zip(table.names, found, strict=True)) == PHASES
    assert table.names == tuple(PHASES) and table.titles == TITLES


KNOWN: dict[str, Any] = {"cpu": "i5", "ram_gib": 8, "storage_kind": "nvme", "storage_gib": 238,
                         "boot_mode": "uefi 64-bit", "form_factor": "all-in-one"}  # fmt: skip
MORE: list[tuple[dict[str, Any], bool, str, tuple[float, float, float]]] = [
    ({"form_factor": "desktop"}, False, "prepare", (1, 2, 4)),
    ({"form_factor": "small desktop"}, False, "prepare", (1, 2, 4)),
    ({"form_factor": "server"}, False, "prepare", (1, 2, 4)),
    ({"form_factor": "laptop"}, False, "prepare", (0.5, 1, 2)),
    ({"form_factor": "convertible"}, False, "prepare", (0.5, 1, 2)),
    ({"form_factor": "tablet"}, False, "prepare", (0.5, 1, 2)),
    ({"form_factor": "thin client"}, False, "prepare", (0, 0, 0)),
    ({"ram_gib": None}, False, "prepare", (0, 0, 0)),
    ({"ram_gib": None, "storage_gib": None}, False, "prepare", (1, 3, 6)),
    ({"cpu": None, "boot_mode": None}, False, "prepare", (1, 3, 6)),
    ({"storage_kind": None, "storage_gib": None}, False, "prepare", (1, 3, 6)),
    ({"notes": "a hinge is CRACKED"}, False, "prepare", (1, 3, 8)),
    ({"notes": "keyboard sticky"}, False, "prepare", (1, 3, 8)),
    ({"notes": "as new"}, False, "prepare", (0, 0, 0)),
    ({"storage_mode": "raid"}, False, "installer", (1, 2, 5)),
    ({"storage_mode": "vmd"}, False, "installer", (1, 2, 5)),
    ({"storage_mode": "ahci"}, False, "installer", (0, 0, 0)),
    ({"boot_mode": "uefi 32-bit"}, False, "installer", (1, 2, 5)),
    ({}, True, "refresh", (2, 4, 8)),
]
"""What of a unit asks for more hands, a firmware package to fetch, in which phase, and minutes more."""


@pytest.mark.parametrize(("change", "firmware", "phase", "more"), MORE)
def test_hands_and_their_spread(change: dict[str, Any], firmware: bool, phase: str, more: tuple[float, ...]) -> None:
    found = hands_on(frame([Unit(**{**KNOWN, **change})]), pd.Series([firmware], dtype="boolean"))
    wanted = {name: row[1] for name, row in PHASES.items()}
    wanted[phase] += more[1]
    assert found.minutes[0].tolist() == pytest.approx(list(wanted.values()))
    # Phases scatter by themselves; people differ by 15 % in all of them.
    alone = sum(((row[2] - row[0]) / (2 * Z)) ** 2 for row in (*PHASES.values(), more))
    assert found.spread[0] == pytest.approx(math.sqrt(alone + (0.15 * sum(wanted.values())) ** 2), rel=1e-4)


@pytest.mark.parametrize("word", ["crack", "broken", "damaged", "missing", "swollen", "dirty", "smells", "locked",
                                  "password", "dead", "fault", "noisy", "loose", "stain"])  # fmt: skip
def test_words_that_mean_a_closer_look(word: str) -> None:
    assert hands_on(frame([Unit(notes=f"lid {word}")])).why["damage noted"][0]


def test_a_part_takes_the_shops_minutes_while_preparing() -> None:
    found = hands_on(frame([Unit(**KNOWN)] * 2), part_min=pd.Series([10, pd.NA], dtype="Float64"))
    assert (found.minutes[0] - found.minutes[1]).tolist() == [10.0] + [0.0] * 13
    plain = sum(row[1] for row in PHASES.values())
    alone = sum(((row[2] - row[0]) / (2 * Z)) ** 2 for row in PHASES.values())
    assert found.spread[0] == pytest.approx(math.sqrt(alone + (4 / Z) ** 2 + (0.15 * (plain + 10)) ** 2), rel=1e-4)
    assert found.why["part to fit"].tolist() == [True, False]


# kind: MiB/s read typical, low, high; ms typical, low, high; share among disks of unknown kind. From memory.
RATES: dict[str, tuple[float, ...]] = {
    "nvme": (1500, 600, 2900, 0.09, 0.05, 0.16, 0.15), "sata ssd": (430, 230, 520, 0.14, 0.08, 0.30, 0.35),
    "hybrid disk": (95, 65, 130, 13, 7, 18, 0.05), "spinning disk": (90, 55, 140, 15, 11, 20, 0.39),
    "emmc": (150, 80, 280, 0.40, 0.20, 1.00, 0.06), "usb": (60, 20, 200, 1.50, 0.50, 8.00, 0.00),
}  # fmt: skip


def test_rates_of_each_kind_of_disk() -> None:
    rates = storage_rates()
    assert rates.kinds == tuple(RATES)
    for at, row in enumerate(RATES.values()):
        assert (rates.read[at], rates.access[at], round(rates.share[at], 9)) == (row[0], row[3], row[6])
        assert rates.read_sd[at] == pytest.approx(math.log(row[2] / row[1]) / (2 * Z), rel=1e-4)
        assert rates.access_sd[at] == pytest.approx(math.log(row[5] / row[4]) / (2 * Z), rel=1e-4)


# name: typical, low, high; from memory, or as the table's source says
ASSUMED: dict[str, tuple[float, float, float]] = {
    "cpu_speed": (0.5, 0.25, 1.0), "cpu_cores": (2, 2, 2), "speed_spread": (1.0, 0.77, 1.3),
    "medium_mib_s": (35, 20, 90), "link_factor": (1.0, 0.7, 1.15), "restart_wait": (25, 12, 45),
    "restart_cpu": (400, 250, 600), "restart_read": (300, 200, 450), "restart_access": (1500, 700, 2600),
    "medium_read": (900, 600, 1400), "session_read": (250, 150, 400), "session_cpu": (350, 200, 550),
    "image_share": (0.33, 0.28, 0.40), "installed_files": (150000, 100000, 220000), "extra_packages": (60, 40, 90),
    "extra_mib": (180, 110, 280), "update_packages": (70, 40, 115), "update_mib": (300, 180, 480),
    "seal_work": (20, 8, 45), "decompress_at_one": (36.7, 27, 50),
}  # fmt: skip


def test_what_is_assumed_where_nothing_was_measured() -> None:
    assert {name: (one.value, one.low, one.high) for name, one in assumed().items()} == ASSUMED


def test_a_processors_speed_in_decompression() -> None:
    def sd(low: float, high: float) -> float:
        return math.log(high / low) / (2 * Z)

    own = math.hypot(sd(0.77, 1.3), sd(27, 50))
    speed, spread = decompress_of(np.array([1.0, 2.0, np.nan]), np.array([0.9, np.nan, np.nan]),
                                  np.array([1.1, np.nan, np.nan]))  # fmt: skip
    assert speed.tolist() == pytest.approx([36.7, 73.4, 18.35])
    wanted = [math.hypot(sd(0.9, 1.1), own), math.hypot(0.15, own), math.hypot(sd(0.25, 1.0), own)]
    assert spread.tolist() == pytest.approx(wanted, rel=1e-4)
    assert log_sd(1, math.e) == pytest.approx(1 / (2 * Z), rel=1e-4)


SECONDS = pd.DataFrame({"format": [3.0], "copy": [200.0], "boot": [30.0], "sync": [7.0], "refresh": [12.0],
                        "base": [90.0], "updates": [300.0]})  # fmt: skip


@pytest.mark.parametrize(
    ("medium", "wait", "given", "boot", "start"),
    [
        # 25 s wait, the stick's 900 MiB at 35 MiB/s beside 750 MiB of work at 50 MiB/s;
        # 25 s wait, that work beside 550 MiB at 100 MiB/s and 1500 reads of 10 ms.
        (1.0, 1.0, 28.5714, 25 + math.hypot(25.7143, 15), 25 + math.hypot(15, 20.5)),
        (2.0, 0.5, 14.2857, 12.5 + math.hypot(12.8571, 15), 12.5 + math.hypot(15, 20.5)),
    ],
)
def test_machine_minutes_by_phase(medium: float, wait: float, given: float, boot: float, start: float) -> None:
    conditions = pd.DataFrame({
        "decompress_mib_s": [50.0], "disk_read_mib_s": [100.0], "disk_access_ms": [10.0],
        "image_bytes": [1000.0 * 2**20], "session_cpu": [350.0], "session_mib": [250.0],
    })  # fmt: skip
    asked: list[float] = []

    def seconds(_: pd.DataFrame, reading: Any) -> pd.DataFrame:
        asked.append(float(reading[0]))
        return SECONDS

    model: Any = SimpleNamespace(seconds=seconds, log=SimpleNamespace(work=SimpleNamespace(belief=0.0)))
    found = dict(zip(phase_table().names, 60 * scaled_minutes(model, conditions, medium, wait)[0], strict=True))
    assert asked == pytest.approx([given], rel=1e-4)
    assert found == pytest.approx({
        "prepare": 0, "boot": boot, "installer": 0, "copy": 240, "first_boot": start, "refresh": 12, "base": 90,
        "updates": 300, "restart": start, "second_refresh": 12, "customise": 0, "skeleton": 0, "seal": 20,
        "check": start,
    }, rel=1e-4)  # fmt: skip


ROWS = pd.DataFrame({
    "release": ["13", "13", "12"], "architecture": ["amd64", "amd64", "i386"], "edition": ["Xfce", "GNOME", "Xfce"],
    "installed_mib": [3000.0, 4000.0, 2500.0], "installed_files": [100e3, 200e3, np.nan],
    "desktop_read_mib": [200.0, 400.0, np.nan], "desktop_cpu_s": [4.0, 8.0, np.nan],
})  # fmt: skip
REST = {"extra_packages": 60, "extra_bytes": 180 * 2**20, "update_packages": 70, "update_bytes": 300 * 2**20, "xz": 1}


@pytest.mark.parametrize(
    ("image", "edition", "installed", "files", "cpu", "read", "lacking"),
    [
        ("debian-13", "Xfce", 3000, 100e3, 4 * 36.7, 200, []),
        ("debian-13", "MATE", 3500, 150e3, 6 * 36.7, 300, ["edition not in the catalogue"]),
        ("debian-12-i386", "Xfce", 2500, 150e3, 350, 250, ["installed files"]),
    ],
)
def test_work_of_an_edition(
    image: str, edition: str, installed: float, files: float, cpu: float, read: float, lacking: list[str]
) -> None:
    found = work_of(pd.DataFrame({"image": [image], "edition": [edition]}), default_shop(), ROWS)
    wanted = {"image_bytes": 0.33 * installed * 2**20, "installed_bytes": installed * 2**20, "installed_files": files,
              "session_cpu": cpu, "session_mib": read, **REST}  # fmt: skip
    assert found.frame[list(wanted)].iloc[0].to_dict() == pytest.approx(wanted)
    assert found.assumed == {(image, edition): lacking}
