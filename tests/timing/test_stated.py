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

from advisor.shop import Image, Installer, Practice, default_shop
from advisor.timing.hands import hands_on, phase_table
from advisor.timing.operations import steps as table_of_steps
from advisor.timing.predict import scaled_minutes
from advisor.timing.rates import assumed, decompress_of, log_sd, storage_rates
from advisor.timing.work import work_of
from advisor.unit import Unit, frame

STEPS = table_of_steps()

Z = 1.2815515655446004
"""Ninth decile of the standard normal distribution: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1."""

PHASES = {
    "prepare": "none", "boot": "medium", "installer": "none", "copy": "copy", "first_boot": "start",
    "refresh": "refresh", "base": "base", "updates": "updates", "restart": "start", "second_refresh": "refresh",
    "customise": "none", "skeleton": "none", "seal": "seal", "check": "start",
}  # fmt: skip
"""The machine's work in each phase."""

TITLES = (
    "Prepare, and decide on the wipe", "Start from the stick", "Answer the installer", "Copy the system to disk",
    "First boot and set-up", "Connect, and refresh the package lists", "Usual programs and codecs", "Updates",
    "Restart",     "Refresh again until nothing is left", "Customise", "Make the settings those of every new account",
    "Clear out the bench account, ready for the new owner", "First-boot check",
)  # fmt: skip


def test_phases_are_the_bench_s_own() -> None:
    table = phase_table()
    assert dict(zip(table.names, table.machine, strict=True)) == PHASES
    assert table.names == tuple(PHASES) and table.titles == TITLES


K, M, WORD, INDEX = 0.28, 1.35, 60 / 238, 0.36
"""Seconds of a key and of preparing in mind (Card, Moran and Newell 1980), of a word (Brysbaert 2019), and of an index
of BasicMOST (Zandin 2002)."""

KNOWN: dict[str, Any] = {"cpu": "i5", "ram_gib": 8, "storage_kind": "nvme", "storage_gib": 238,
                         "boot_mode": "uefi 64-bit", "form_factor": "all-in-one"}  # fmt: skip
OPEN_FACT = 5 * INDEX + 3 * M + 6 * K + 15 * WORD
DAMAGE = 7 * M + 26 * WORD + 12 * 3 + 17 * INDEX + M + 5 * WORD
BATTERY = 2 * 5 * INDEX + 3 * M + 14 * WORD
BOX = (24 - 17) * INDEX + 5 * 9 * INDEX - 2 * 6 * INDEX + 4 * WORD
RAID = 3 * INDEX + 20 * K + 7 * M + 49 * WORD
UEFI_32 = 3 * INDEX + 12 * K + 5 * M + 35 * WORD
MORE: list[tuple[dict[str, Any], str, float]] = [
    ({"form_factor": "desktop"}, "prepare", BOX),
    ({"form_factor": "small desktop"}, "prepare", BOX),
    ({"form_factor": "server"}, "prepare", BOX),
    ({"form_factor": "laptop"}, "prepare", BATTERY),
    ({"form_factor": "convertible"}, "prepare", BATTERY),
    ({"form_factor": "tablet"}, "prepare", BATTERY),
    ({"form_factor": "thin client"}, "prepare", 0),
    ({"ram_gib": None}, "prepare", OPEN_FACT),
    ({"ram_gib": None, "storage_gib": None}, "prepare", 2 * OPEN_FACT),
    ({"cpu": None, "boot_mode": None, "storage_kind": None}, "prepare", 3 * OPEN_FACT),
    ({"notes": "a hinge is CRACKED"}, "prepare", DAMAGE),
    ({"notes": "keyboard sticky"}, "prepare", DAMAGE),
    ({"notes": "as new"}, "prepare", 0),
    ({"storage_mode": "raid"}, "installer", RAID),
    ({"storage_mode": "vmd"}, "installer", RAID),
    ({"storage_mode": "ahci"}, "installer", 0),
    ({"boot_mode": "uefi 32-bit"}, "installer", UEFI_32),
]
"""What of a unit asks for more hands, in which phase, and seconds more, without the
allowance of 11 %: its operators, and of each step the words of its title and a look at the end."""


@pytest.mark.parametrize(("change", "phase", "more"), MORE)
def test_hands(change: dict[str, Any], phase: str, more: float) -> None:
    found, plain = (hands_on(frame([Unit(**{**KNOWN, **facts})])).minutes[0] for facts in (change, {}))
    at = phase_table().names.index(phase)
    assert 60 * (found - plain)[at] == pytest.approx(1.11 * more, abs=0.05)


@pytest.mark.parametrize("word", ["crack", "broken", "damaged", "missing", "swollen", "dirty", "smells", "locked",
                                  "password", "dead", "fault", "noisy", "loose", "stain"])  # fmt: skip
def test_words_that_mean_a_closer_look(word: str) -> None:
    plain, noted = (hands_on(frame([Unit(notes=notes)])).minutes.sum() for notes in ("lid", f"lid {word}"))
    assert noted > plain


def test_a_part_takes_the_shops_minutes_while_preparing() -> None:
    found = hands_on(frame([Unit(**KNOWN)] * 2), part_min=pd.Series([10, pd.NA], dtype="Float64"))
    assert (found.minutes[0] - found.minutes[1]).tolist() == [10.0] + [0.0] * 13
    # A fitting takes 40 % more in a tenth of the units.
    assert found.spread[0] == pytest.approx(math.hypot(found.spread[1], 4 / Z), rel=1e-4)


# kind: MiB/s read typical, low, high; ms typical, low, high; share among disks of unknown kind. From memory.
RATES: dict[str, tuple[float, ...]] = {
    "nvme": (1500, 600, 2900, 0.09, 0.05, 0.16, 0.15), "sata ssd": (430, 230, 520, 0.14, 0.08, 0.30, 0.35),
    "hybrid disk": (95, 65, 130, 13, 7, 18, 0.05), "spinning disk": (90, 55, 140, 15, 11, 20, 0.39),
    "emmc": (150, 80, 280, 0.40, 0.20, 1.00, 0.06), "usb": (60, 20, 200, 1.50, 0.50, 8.00, 0.00),
}  # fmt: skip


WRITE_SHARE = {"emmc": 0.35, "usb": 0.5}
"""How fast a kind writes as a share of how fast it reads, 1 for the others: eMMC 76 of 217 MB/s (Gateworks wiki, MMC),
SD cards from memory."""


CACHES = {"sata ssd": (3, 300), "nvme": (13, 300), "emmc": (2, 40), "usb": (1, 10)}
"""GB that a kind writes quickly, and MB/s after that: AnandTech on the 850 EVO (3 GB), SD specification 5.1 (A1: 10
MB/s sustained); the rest from memory. Disks that turn write all alike."""


def test_flash_slows_once_its_cache_is_full() -> None:
    rates = storage_rates()
    for kind, cache, slow in zip(rates.kinds, rates.cache_mib, rates.slow_write, strict=True):
        if kind in CACHES:
            assert (cache, slow) == pytest.approx(tuple(one * 1e6 / 2**20 * unit for one, unit in
                                                        zip(CACHES[kind], (1000, 1), strict=True)))  # fmt: skip
        else:
            assert np.isnan(cache) and np.isnan(slow)


def test_rates_of_each_kind_of_disk() -> None:
    rates = storage_rates()
    assert rates.kinds == tuple(RATES)
    assert rates.write_share.tolist() == [WRITE_SHARE.get(kind, 1.0) for kind in rates.kinds]
    for at, row in enumerate(RATES.values()):
        assert (rates.read[at], rates.access[at], round(rates.share[at], 9)) == (row[0], row[3], row[6])
        assert rates.read_sd[at] == pytest.approx(math.log(row[2] / row[1]) / (2 * Z), rel=1e-4)
        assert rates.access_sd[at] == pytest.approx(math.log(row[5] / row[4]) / (2 * Z), rel=1e-4)


# name: typical, low, high; from memory, or as the table's source says
ASSUMED: dict[str, tuple[float, float, float]] = {
    "cpu_speed": (0.5, 0.25, 1.0), "cpu_cores": (2, 2, 4), "speed_spread": (1.0, 0.77, 1.3),
    "medium_mib_s": (35, 20, 90), "link_factor": (1.0, 0.7, 1.15), "restart_wait": (12, 8.2, 20.3),
    "restart_cpu": (237, 150, 356), "restart_read": (425, 283, 638), "restart_access": (3522, 1640, 6100),
    "medium_read": (900, 600, 1400),
    "image_share": (0.35, 0.28, 0.42), "clone_share": (0.376, 0.35, 0.389), "xz_work": (1.0, 0.85, 1.25),
    "installed_files": (137000, 99000, 187000), "extra_packages": (2, 1, 4), "extra_mib": (2.0, 1.8, 2.1),
    "update_packages": (48, 20, 90), "update_mib": (224, 90, 420),
    "seal_work": (20, 8, 45), "decompress_at_one": (36.7, 27, 50),
}  # fmt: skip


def test_what_is_assumed_where_nothing_was_measured() -> None:
    """What is assumed of a session is counted anew from the sessions in tests/test_claims.py."""
    stated = {name: (one.value, one.low, one.high) for name, one in assumed().items()}
    assert {name: value for name, value in stated.items() if name not in ("session_read", "session_cpu")} == ASSUMED


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


SECONDS = pd.DataFrame({"format": [3.0], "copy": [100.0], "grow": [60.0], "tasks": [40.0], "boot": [30.0],
                        "sync": [7.0], "refresh": [12.0], "base": [90.0], "updates": [300.0]})  # fmt: skip


@pytest.mark.parametrize(
    ("medium", "wait", "given", "boot", "start"),
    [
        # 12 s wait, the stick's 900 MiB at 35 MiB/s beside 587 MiB of work at 50 MiB/s;
        # 12 s wait, that work beside 675 MiB at 100 MiB/s and 3522 reads of 10 ms.
        (1.0, 1.0, 28.5714, 12 + math.hypot(25.7143, 11.74), 12 + math.hypot(11.74, 41.97)),
        (2.0, 0.5, 14.2857, 6 + math.hypot(12.8571, 11.74), 6 + math.hypot(11.74, 41.97)),
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
    "release": ["13", "13", "12", "12"], "architecture": ["amd64", "amd64", "i386", "i386"],
    "edition": ["Xfce", "GNOME", "Xfce", "LXDE"], "installed_mib": [3000.0, 4000.0, 2500.0, np.nan],
    "installed_files": [100e3, 200e3, np.nan, np.nan], "desktop_read_mib": [200.0, 400.0, np.nan, np.nan],
    "desktop_cpu_s": [4.0, 8.0, np.nan, np.nan],
})  # fmt: skip
REST = {"extra_packages": 2, "extra_bytes": 2.0 * 2**20, "update_packages": 48, "update_bytes": 224 * 2**20, "xz": 1}


@pytest.mark.parametrize(
    ("image", "edition", "installed", "files", "cpu", "read", "lacking"),
    [
        ("debian-13", "Xfce", 3000, 100e3, 4 * 36.7, 200, []),
        ("debian-13", "MATE", 3500, 150e3, 6 * 36.7, 300, ["edition not in the catalogue"]),
        ("debian-12-i386", "Xfce", 2500, 137e3, None, None, ["installed files"]),
        ("debian-12-i386", "LXDE", 4000, 137e3, None, None, ["installed files", "installed size"]),
    ],
)
def test_work_of_an_edition(
    image: str, edition: str, installed: float, files: float, cpu: float | None, read: float | None, lacking: list[str]
) -> None:
    """An edition that nobody measured takes what is assumed."""
    cpu, read = cpu or assumed()["session_cpu"].value, read or assumed()["session_read"].value
    found, absent = work_of(pd.DataFrame({"image": [image], "edition": [edition]}), default_shop(), ROWS)
    wanted = {"image_bytes": 0.35 * installed * 2**20, "installed_bytes": installed * 2**20, "installed_files": files,
              "session_cpu": cpu, "session_mib": read, **REST}  # fmt: skip
    assert found[list(wanted)].iloc[0].to_dict() == pytest.approx(wanted)
    assert absent == {(image, edition): lacking}


@pytest.mark.parametrize(
    ("kind", "share", "xz"), [("live", 0.35, 1), ("text", 0, 0), ("packages", 0, 0), ("clone", 0.376, 0)]
)
def test_work_of_an_image_by_how_it_installs(kind: str, share: float, xz: float) -> None:
    """Packages come over the link; a clone is packed with zstd, Debian's live images with xz (from memory)."""
    shop = default_shop()
    image = Image.model_validate({"name": "own", "release": "13", "kernel": "debian-13", "installer": kind})
    shop = shop.model_copy(update={"images": (image,)})
    found = work_of(pd.DataFrame({"image": ["own"], "edition": ["Xfce"]}), shop, ROWS)[0].iloc[0]
    assert (found["image_bytes"], found["xz"]) == (pytest.approx(share * 3000 * 2**20), xz)
    assert {name: found[name] for name in ("live", "packages", "clone")} == {
        name: float(name == {"text": "packages"}.get(kind, kind)) for name in ("live", "packages", "clone")
    }


@pytest.mark.parametrize(("kind", "steps"), [("live", 2), ("packages", 1), ("clone", 1)])
def test_steps_of_the_installers(kind: str, steps: int) -> None:
    """A live installer is started and answered, the text installer answered, a clone written and grown."""
    image = default_shop().images[0].model_copy(update={"installer": Installer(kind)})
    shop = default_shop().model_copy(update={"images": (image,)})
    asked = {"editions": pd.Series(["Xfce"]), "images": pd.Series([image.name]), "shop": shop}
    done = hands_on(frame([Unit(**KNOWN)]), **asked).done[0]
    named = [(phase, title) for phase, title, times in zip(STEPS.phase, STEPS.title, done, strict=True) if times]
    assert sum(phase == "installer" for phase, _ in named) == steps
    assert any("grow it" in title for _, title in named) == (kind == "clone")
    ready = shop.model_copy(update={"practices": (Practice.PRESEEDED,)})
    done = hands_on(frame([Unit(**KNOWN)]), **asked | {"shop": ready}).done[0]
    named = [title for title, times in zip(STEPS.title, done, strict=True) if times]
    assert any("prepared answers" in title for title in named) == (kind != "clone")
