"""What a unit is taken as before its waits are worked out, by hand from what the table of physics states."""

from __future__ import annotations

import math
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.comfort.machines import machines
from advisor.comfort.model import Kill, Stage
from advisor.comfort.physics import physics
from advisor.unit import Unit, frame

rungs = import_module("advisor.comfort.ladder")

Z80 = 0.8416212335729143
"""Eighth decile of the standard normal distribution; Z90 is the ninth: NIST/SEMATECH e-Handbook, 1.3.6.7.1."""
Z90 = 1.2815515655446004

# kind: MiB/s read, of the slow tenth; ms of a random read, of the slow tenth. From memory, as timing/storage_rates.
DISKS = {
    "nvme": (1500, 600, 0.09, 0.16), "sata ssd": (430, 230, 0.14, 0.30), "hybrid disk": (95, 65, 13, 18),
    "spinning disk": (90, 55, 15, 20), "emmc": (150, 80, 0.40, 1.00), "usb": (60, 20, 1.50, 8.00),
}  # fmt: skip


MEANINGS = {
    "kernel_mib": "the kernel's own memory beside its page table of pages [MiB]",
    "page_share": "share of memory that the kernel's record of pages takes [share of 1]",
    "firmware_mib": "memory kept back by firmware and graphics [MiB]",
    "memory_spread": "spread of the memory in use about the catalogue's figure (standard deviation of its logarithm)",
    "measured_spread": "spread of a speed that was measured on the unit (standard deviation of its logarithm)",
    "decompress_at_one": "decompression of one core of a processor of speed 1 [MiB/s]",
    "decompress_spread":
        "spread of decompression about what a processor's speed says (standard deviation of its logarithm)",
}  # fmt: skip


def test_what_each_constant_means() -> None:
    assert {row["name"]: row["meaning"] for row in tables.dicts("comfort/physics")} == MEANINGS


def read(certainty: float = 0.8, cores: float | None = 2, **unit: Any) -> tuple[dict[str, float], dict[str, float]]:
    processors = pd.DataFrame({"cpu_speed": [0.8], "cpu_speed_low": [0.7], "cpu_cores": pd.array([cores], "Int64")})
    pair = machines(frame([Unit(**unit)]), processors, certainty, physics())
    names = ("usable_mib", "decompress_mib_s", "cores", "read_mib_s", "access_ms")
    one, other = ({name: float(getattr(machine, name)[0, 0]) for name in names} for machine in pair)
    return one, other


@pytest.mark.parametrize("kind", DISKS)
def test_a_disk_is_typical_and_cautiously_slow(kind: str) -> None:
    typical, cautious = read(storage_kind=kind)
    rate, slow, access, long = DISKS[kind]
    assert (typical["read_mib_s"], typical["access_ms"]) == (rate, access)
    assert cautious["read_mib_s"] == pytest.approx(rate * (slow / rate) ** (Z80 / Z90))
    assert cautious["access_ms"] == pytest.approx(access * (long / access) ** (Z80 / Z90))


def test_what_was_measured_goes_before_what_the_kind_says() -> None:
    typical, cautious = read(storage_kind="nvme", disk_read_mib_s=100, disk_access_ms=10, decompress_mib_s=30)
    assert (typical["read_mib_s"], typical["access_ms"], typical["decompress_mib_s"]) == (100, 10, 30)
    factor = math.exp(Z80 * 0.09)
    assert cautious["read_mib_s"] == pytest.approx(100 / factor)
    assert cautious["access_ms"] == pytest.approx(10 * factor)
    assert cautious["decompress_mib_s"] == pytest.approx(30 / factor)


def test_what_was_measured_counts_however_little_it_is() -> None:
    typical, _ = read(storage_kind="nvme", disk_read_mib_s=0.5, disk_access_ms=0.01, decompress_mib_s=0.5)
    assert (typical["read_mib_s"], typical["access_ms"], typical["decompress_mib_s"]) == (0.5, 0.01, 0.5)


def test_a_processors_speed_is_turned_into_decompression() -> None:
    typical, cautious = read()
    assert typical["decompress_mib_s"] == pytest.approx(0.8 * 36.7)
    spread = math.hypot(math.log(0.8 / 0.7) / Z90, 0.24)
    assert cautious["decompress_mib_s"] == pytest.approx(0.8 * 36.7 * math.exp(-Z80 * spread))


@pytest.mark.parametrize("low", [None, 0.9])
def test_a_processor_is_no_quicker_at_its_slowest_than_it_is_typically(low: float | None) -> None:
    processors = pd.DataFrame({"cpu_speed": [0.8], "cpu_speed_low": pd.array([low], "Float64"),
                               "cpu_cores": pd.array([2], "Int64")})  # fmt: skip
    _, cautious = machines(frame([Unit()]), processors, 0.8, physics())
    assert cautious.decompress_mib_s[0, 0] == pytest.approx(0.8 * 36.7 * math.exp(-Z80 * 0.24))


def test_cores_are_the_captures_else_the_tables_else_one() -> None:
    assert [read(**given)[0]["cores"] for given in ({"cpu_cores": 4}, {}, {"cores": None})] == [4, 2, 1]


def test_memory_is_what_kernel_and_firmware_leave() -> None:
    """64 bytes of struct page for each 4 KiB; 180 MiB of the kernel and 96 MiB of firmware are from memory."""
    assert read(ram_gib=4)[0]["usable_mib"] == pytest.approx(4096 * (1 - 0.0156) - 180 - 96)
    assert read(ram_gib=0.25)[0]["usable_mib"] == 1
    assert physics().fuller(0.8) == pytest.approx(math.exp(0.15 * Z80))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"decompress_mib_s": 36, "disk_read_mib_s": 45, "disk_access_ms": 11, "ram_gib": 0.9, "cpu_cores": 1}, ""),
        ({"decompress_mib_s": 35.9}, "a slower processor"), ({"decompress_mib_s": 88.1}, "a faster processor"),
        ({"disk_read_mib_s": 44.9}, "a slower disk"), ({"disk_read_mib_s": 550.1}, "a faster disk"),
        ({"disk_access_ms": 11.1}, "a disk of slower access"), ({"disk_access_ms": 0.01}, ""),
        ({"ram_gib": 0.89}, "less memory"), ({"ram_gib": 64}, ""), ({"cpu_cores": 4}, "4 cores"),
        ({"decompress_mib_s": 88.1, "cpu_cores": 3}, "a faster processor, 3 cores"),
    ],
)  # fmt: skip
def test_beyond_is_more_than_a_tenth_past_what_was_measured(
    given: dict[str, float], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured = {"decompress_mib_s": (40.0, 80.0), "read_mib_s": (50.0, 500.0), "access_ms": (0.1, 10.0),
                "memory_mib": (1024.0, 8192.0), "cores": (1, 2)}  # fmt: skip
    monkeypatch.setattr(rungs, "model", lambda: SimpleNamespace(measured=measured))
    inside = {"decompress_mib_s": 60, "disk_read_mib_s": 100, "disk_access_ms": 1, "ram_gib": 4, "cpu_cores": 2}
    processors = pd.DataFrame({"cpu_speed": [0.8], "cpu_speed_low": [0.7], "cpu_cores": pd.array([2], "Int64")})
    assert rungs.beyond(frame([Unit(**{**inside, **given})]), processors)[0] == words


def test_what_the_graphics_chip_draws_is_no_work_of_the_processor(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two alike but for who draws; 6 s of work on a processor of speed 1, 2 s of which draw, and nothing is read."""
    stage = Stage(wait_s=1, work=1, transfer=1, near_ms=0, refault=0, start=0)
    fitted = SimpleNamespace(stages={"desktop": stage, "browser": stage}, kill=Kill(0.5, 4.0))
    monkeypatch.setattr(rungs, "model", lambda: fitted)
    zero = dict.fromkeys(("desktop_read_mib", "browser_read_mib", "desktop_reads", "browser_reads"), 0.0)
    own = {"desktop_cpu_s": 6.0, "desktop_draw_s": 2.0, "browser_cpu_s": 5.0, "browser_draw_s": float("nan")}
    rows = pd.DataFrame([{"edition": "Xfce", "session_mib": 300.0, "browser_mib": 1200.0, **zero, **own}])
    alike = frame([Unit(ram_gib=8, storage_kind="sata ssd", cpu_cores=1)] * 2)
    processors = pd.DataFrame({"cpu_speed": [0.5] * 2, "cpu_speed_low": [0.5] * 2, "cpu_cores": [1] * 2})
    found = rungs.ladder(alike, processors, rows, 0.5, np.array([False, True]))
    # Half the speed, twice the seconds.
    assert found.desktop_s[:, 0] == pytest.approx([1 + 12, 1 + 8])
    assert found.browser_s[:, 0] == pytest.approx([1 + 10, 1 + 10])
