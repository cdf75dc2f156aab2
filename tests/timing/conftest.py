"""A simulator of rehearsals whose truth is known. Its rows exist in tests only."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

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
    """Rehearsals of a made-up rig: the copy overlaps processor and disk, installs add them."""
    draw = np.random.default_rng(seed)
    names = draw.choice(list(DISKS), n)
    disks = np.array([DISKS[name][1:] for name in names]) * np.exp(draw.normal(0, 0.02, (n, 2)))
    levels = draw.choice([0.1, 0.25, 0.5, 1.0], n)
    editions = draw.choice(list(EDITIONS), n)
    sizes = np.array([EDITIONS[edition] for edition in editions])
    share = draw.choice([0.30, 0.37], n)
    conditions = pd.DataFrame(
        {
            "decompress_mib_s": 60 * levels * np.exp(draw.normal(0, 0.02, n)),
            "cores": draw.choice([1.0, 2.0], n),
            "disk_read_mib_s": disks[:, 0],
            "disk_access_ms": disks[:, 1],
            "link_mbps": draw.choice([10.0, 50.0, 200.0], n),
            "image_bytes": sizes[:, 0] * share * MIB,
            "installed_bytes": sizes[:, 0] * MIB,
            "installed_files": sizes[:, 1],
            "extra_packages": draw.choice([20.0, 60.0], n),
            "extra_bytes": draw.choice([60.0, 180.0], n) * MIB,
            "update_packages": draw.choice([30.0, 80.0], n),
            "update_bytes": draw.choice([150.0, 300.0], n) * MIB,
        }
    )
    conditions["xz"] = (share < 0.35).astype(float)
    conditions["plain_modules"] = 0.0
    conditions["memory_mib"] = draw.choice([2048.0, 8192.0], n)
    cpu = 1 / conditions["decompress_mib_s"]
    cores = conditions["cores"]
    read = 1 / conditions["disk_read_mib_s"]
    access = conditions["disk_access_ms"] / 1000
    link = 8 * MIB / (conditions["link_mbps"] * 1e6)
    installed = conditions["installed_bytes"] / MIB
    files = conditions["installed_files"] / 1000

    def install(count: pd.Series, size: pd.Series) -> pd.Series:
        return size / MIB * link + count * cpu * 20 + size / MIB * cpu * 4 + count * access * 12 + size / MIB * read

    truth = pd.DataFrame(
        {
            "format": 30 * cpu + 60 * access + 0.3,
            "copy": np.hypot(
                installed * cpu / cores * np.where(share < 0.35, 1.2, 0.4), installed * read + files * access * 15
            ),
            "boot": 900 * cpu + 150 * access,
            "refresh": 9 * link + 200 * cpu + 1,
            "base": install(conditions["extra_packages"], conditions["extra_bytes"]),
            "updates": install(conditions["update_packages"], conditions["update_bytes"]) + 1000 * cpu,
            "sync": conditions["update_bytes"] / MIB * read + 20 * access + 0.1,
        }
    )
    seconds = truth * np.exp(draw.normal(0, noise, truth.shape)) * np.exp(draw.normal(0, noise, (n, 1)))
    labels = pd.DataFrame(
        {
            "name": [f"simulated {i}" for i in range(n)],
            "disk": names,
            "storage_kind": [DISKS[name][0] for name in names],
            "edition": editions,
            "processor": levels.astype(str),
            "compression": np.where(share < 0.35, "xz", "zstd"),
            "repeat_of": "",
        }
    )
    return Rehearsals(conditions, seconds, labels)


@pytest.fixture(scope="session")
def simulate():
    """The simulator."""
    return _simulate
