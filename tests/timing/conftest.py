"""A simulator of rehearsals whose truth is known. Its rows exist in tests only."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from advisor.timing.conditions import check_conditions
from advisor.timing.rehearsals import Rehearsals

DISKS = {
    "old disk": ("spinning disk", 60.0, 18.0),
    "disk": ("spinning disk", 110.0, 11.0),
    "emmc": ("emmc", 120.0, 0.5),
    "ssd": ("sata ssd", 350.0, 0.15),
    "nvme": ("nvme", 700.0, 0.08),
}
EDITIONS = {"LXQt": (2600.0, 120_000), "Xfce": (3200.0, 140_000), "GNOME": (4300.0, 185_000)}
MIB = 1 << 20


def _simulate(n: int = 90, seed: int = 0, noise: float = 0.03) -> Rehearsals:
    """Rehearsals of a made-up rig: a copy overlaps processor and disk, installs add them."""
    draw = np.random.default_rng(seed)
    names = draw.choice(list(DISKS), n)
    disks = np.array([DISKS[name][1:] for name in names]) * np.exp(draw.normal(0, 0.02, (n, 2)))
    levels = draw.choice([0.1, 0.25, 0.5, 1.0], n)
    editions = draw.choice(list(EDITIONS), n)
    sizes = np.array([EDITIONS[edition] for edition in editions])
    share = draw.choice([0.30, 0.37], n)
    kinds = draw.permutation(np.resize(["live", "packages", "clone"], n))
    frame = pd.DataFrame(
        {
            "decompress_mib_s": 60 * levels * np.exp(draw.normal(0, 0.02, n)),
            "cores": draw.choice([1.0, 2.0], n),
            "disk_read_mib_s": disks[:, 0],
            "disk_access_ms": disks[:, 1],
            "link_mbps": draw.choice([10.0, 50.0, 200.0], n),
            "image_bytes": sizes[:, 0] * share * MIB * (kinds != "packages"),
            "installed_bytes": sizes[:, 0] * MIB,
            "installed_files": sizes[:, 1],
            "extra_packages": draw.choice([20.0, 60.0], n),
            "extra_bytes": draw.choice([60.0, 180.0], n) * MIB,
            "update_packages": draw.choice([30.0, 80.0], n),
            "update_bytes": draw.choice([150.0, 300.0], n) * MIB,
            "compression": np.where(share < 0.35, "xz", "zstd"),
            "release": "13",
            "edition": editions,
            "installer": kinds,
        }
    )
    truth = _truth(frame)
    seconds = truth * np.exp(draw.normal(0, noise, truth.shape)) * np.exp(draw.normal(0, noise, (n, 1)))
    labels = pd.DataFrame(
        {
            "name": [f"simulated {i}" for i in range(n)],
            "disk": names,
            "storage_kind": [DISKS[name][0] for name in names],
            "edition": editions,
            "processor": levels.astype(str),
            "compression": frame["compression"],
            "repeat_of": "",
            "installer": kinds,
        }
    )
    return Rehearsals(check_conditions(frame), seconds, labels)


def _truth(frame: pd.DataFrame) -> pd.DataFrame:
    """Seconds of each phase on the made-up rig; a phase that a kind has not takes none."""
    live, packages, clone = (frame["installer"].eq(kind) for kind in ("live", "packages", "clone"))
    cpu, read = 1 / frame["decompress_mib_s"], 1 / frame["disk_read_mib_s"]
    access = frame["disk_access_ms"] / 1000
    near = np.minimum(access, 0.0005)
    way = access - near
    link = 8 * MIB / (frame["link_mbps"] * 1e6)
    installed, files = frame["installed_bytes"] / MIB, frame["installed_files"] / 1000
    xz = frame["compression"].eq("xz")

    def install(frame: pd.DataFrame, what: str) -> pd.Series:
        count, size = frame[f"{what}_packages"], frame[f"{what}_bytes"] / MIB
        return (
            size * link + (33 + 50 + 4 * count + 2 * size) * cpu + 8 * size * read + (8000 + 500 * count) * near
            + (300 + 40 * count) * way
        )  # fmt: skip

    def beside(one: pd.Series, other: pd.Series) -> pd.Series:
        return (one**4 + other**4) ** 0.25

    copied = {
        "live": beside(
            installed * cpu * np.where(xz, 1.2, 0.4) + 9 * files * cpu, installed * read + 0.5 * installed * access
        ),
        "packages": 90 * link + 3000 * cpu + 1200 * read + 9000 * near,
        "clone": beside(0.1 * installed * cpu, 1.25 * installed * read),
    }
    tasks = frame.assign(task_packages=installed / 2.58, task_bytes=0.275 * frame["installed_bytes"])
    return pd.DataFrame(
        {
            "format": (0.8 * 1024 * read + 300 * access).where(~clone, 0.0),
            "copy": sum(copied[kind].where(frame["installer"].eq(kind), 0.0) for kind in copied),
            "grow": (14 * cpu + 2.5 * installed * near + 0.1 * installed * way).where(clone, 0.0),
            "tasks": install(tasks, "task").where(packages, 0.0),
            "boot": (900 * cpu + 150 * access).where(live, 7 * cpu + 600 * near),
            "refresh": 9 * link + 200 * cpu + 1 + 150 * cpu * frame["edition"].eq("GNOME"),
            "base": install(frame, "extra") + 0.2 * installed * access,
            "updates": install(frame, "update") + 700 * cpu + 250 * access,
            "sync": 0.5 + 900 * near,
        }
    )


@pytest.fixture(scope="session")
def simulate():
    """The simulator."""
    return _simulate
