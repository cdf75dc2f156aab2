"""Which rehearsals and sessions are made: spread over what matters, and every beginning of the list too."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import tables
from advisor.errors import InputError
from advisor.files import write_whole
from advisor.lab.disk import models
from advisor.lab.rehearsal import Setup
from advisor.lab.sessions.swap import Swap
from advisor.shop import Edition


@dataclass(frozen=True)
class DiskClass:
    """A kind of disk, and the spans of rate [MiB/s] and access time [ms] its figures are drawn from, evenly in logs."""

    name: str
    storage_kind: str
    rate: tuple[float, float]
    access: tuple[float, float]


# Common practice, no source: the spans in which used disks of these kinds are met.
DISK_CLASSES = (
    DiskClass("slow spinning disk", "spinning disk", (35, 60), (14, 19)),
    DiskClass("spinning disk", "spinning disk", (75, 150), (8, 13)),
    DiskClass("emmc", "emmc", (60, 160), (0.4, 1.5)),
    DiskClass("sata ssd", "sata ssd", (200, 480), (0.1, 0.3)),
    DiskClass("nvme", "nvme", (1200, 5000), (0.02, 0.06)),
)

# Percent of one core in all, and the cores that share it evenly.
PROCESSORS = ((10, 1), (18, 1), (30, 1), (50, 1), (70, 1), (85, 1), (36, 2), (60, 2), (100, 2), (140, 2), (170, 2))
# How often each is drawn, against the others: a tenth of a core takes ten times as long.
WEIGHTS = (1, 2, 3, 4, 6, 8, 1, 3, 6, 6, 8)

MEMORY_MIB = (1024, 2048, 4096, 8192)
LINK_MBPS = (30.0, 940.0)
BASES = ("small", "codecs", "office")
UPDATES = ("few", "some", "many")

LONGEST_S = 140.0
"""Rehearsals of lean trees expected to take longer are given less work [s]."""

FULL_TREES = ("gnome13-full", "plasma13-full", "xfce13-full", "lxqt13-full", "gnome12-full", "xfce12-full")
FULL_INSTALLERS = ("live", "packages", "clone")
FULL_PROCESSORS = ((50, 1), (70, 1), (85, 1), (100, 2), (140, 2), (170, 2))
FULL_LONGEST_S = 2400.0
"""Full-size rehearsals expected to take longer get a faster processor [s]."""


def between(span: tuple[float, float], part: float) -> float:
    """The figure at a part of a span, on a logarithmic scale, to three digits."""
    return float(f"{span[0] * (span[1] / span[0]) ** part:.3g}")


_SETS: dict[str, tuple[float, float, float]] = {
    "small": (2, 4, 1400), "codecs": (7, 70, 2500), "office": (12, 160, 3500), "apps": (12, 160, 3500),
    "few": (12, 110, 900), "some": (16, 130, 1500), "many": (24, 170, 2500),
}  # fmt: skip
"""What a set of packages takes: processor [s], download [MB], accesses."""


def expected_s(plan: Setup, gigabytes: float) -> float:
    """Guess how long a rehearsal takes, from the first few that were made; only steers what is drawn [s]."""
    (base, fetched, written), (updates, more, again) = _SETS[plan.base_set], _SETS[plan.update_set]
    megabytes, synced = fetched + more, written + again
    copying = {"unpack": 14.0 if plan.compression == "xz" else 3.0, "live": 22.0, "packages": 75.0, "clone": 6.0}
    if plan.installer == "packages":
        megabytes += 300 * gigabytes
        synced += 9000 * gigabytes
    work = 8 + copying[plan.installer] * gigabytes + base + updates
    return (
        work / (plan.quota_pct / plan.cores / 100)
        + 1e3 * (gigabytes + 1) / min(plan.rate_mib_s, 500)
        + synced * plan.access_ms / 1000
        + 8.4 * (megabytes + 16) / plan.link_mbps
        + 17
    )


def draw(count: int, sizes: Mapping[str, float], seed: int = 20, repeats: int = 7) -> list[Setup]:
    """Draw so many rehearsals of lean trees (name to installed size [GB]); some of the quicker ones are made twice."""
    from scipy.stats import qmc

    points = qmc.Sobol(9, seed=seed).random(1 << math.ceil(math.log2(max(count, 2))))[:count]
    edges = np.cumsum(WEIGHTS) / sum(WEIGHTS)
    names = list(sizes)
    smallest = min(names, key=sizes.__getitem__)
    chosen: list[Setup] = []
    for at, point in enumerate(points, start=1):
        processor = int(np.searchsorted(edges, point[0]))
        quota, cores = PROCESSORS[processor]
        disk = DISK_CLASSES[int(point[1] * len(DISK_CLASSES))]
        plan = Setup(
            name=f"r{at:03d}", tree=names[int(point[5] * len(names))], compression=("xz", "zstd")[int(point[6] * 2)],
            base_set=BASES[int(point[7] * 3)], update_set=UPDATES[int(point[8] * 3)],
            quota_pct=quota, cores=cores, memory_mib=MEMORY_MIB[int((point[6] * 8) % 4)],
            disk=disk.name, storage_kind=disk.storage_kind,
            rate_mib_s=between(disk.rate, point[2]), access_ms=between(disk.access, point[3]),
            link_mbps=between(LINK_MBPS, point[4]),
        )  # fmt: skip
        # In turn, so that no one of them always gives way.
        cheaper = [{"base_set": "small"}, {"update_set": "few"}, {"compression": "zstd"}]
        cheaper = cheaper[at % 3 :] + cheaper[: at % 3]
        for lighter in ({}, {"link_mbps": max(plan.link_mbps, 60.0)}, *cheaper, {"tree": smallest}):
            plan = replace(plan, **lighter)  # type: ignore[arg-type]
            if expected_s(plan, sizes[plan.tree]) <= LONGEST_S:
                break
        chosen.append(plan)
    return _twice(chosen, repeats, lambda plan: expected_s(plan, sizes[plan.tree]))


def _twice(plans: list[Setup], repeats: int, takes: Callable[[Setup], float]) -> list[Setup]:
    """Put repeats of some of the quicker ones in between, each well after what it repeats."""
    count, quick = len(plans), sorted(plans, key=takes)[: max(repeats * 3, 1)]
    again = [plan for plan in plans if plan in quick][::3][:repeats]
    for number, plan in enumerate(again):
        copy = replace(plan, name=f"{plan.name}-again", repeat_of=plan.name)
        plans.insert(max(12 + number * (count // (len(again) + 1)), plans.index(plan) + 3), copy)
    return plans


def draw_full(rounds: int = 4, seed: int = 20, repeats: int = 6) -> list[Setup]:
    """Draw full-size rehearsals: every tree by every kind of installer once a round, the disks of lab/disks in turn."""
    from scipy.stats import qmc

    pairs = list(product(FULL_TREES, FULL_INSTALLERS))
    disks = list(models.known().values())
    chance = np.random.default_rng(seed)
    points = qmc.Sobol(5, seed=seed).random(1 << math.ceil(math.log2(rounds * len(pairs))))
    chosen: list[Setup] = []
    # A disk for every pair, another one each round.
    offset = {pair: at for at, pair in enumerate(pairs[int(number)] for number in chance.permutation(len(pairs)))}
    for turn in range(rounds):
        for pair in (pairs[int(number)] for number in chance.permutation(len(pairs))):
            tree, installer = pair
            point = points[len(chosen)]
            disk = disks[(offset[pair] + turn * (len(disks) // 2)) % len(disks)]
            quota, cores = FULL_PROCESSORS[int(point[0] * len(FULL_PROCESSORS))]
            rate, access = nominal(disk)
            plan = Setup(
                name=f"f{len(chosen) + 1:03d}", tree=tree, compression=("xz", "zstd")[int(point[1] * 2)],
                base_set=("small", "codecs", "apps")[int(point[2] * 3)], update_set=UPDATES[int((point[2] * 9) % 3)],
                quota_pct=quota, cores=cores, memory_mib=(2048, 4096, 8192)[int(point[3] * 3)], disk=disk.name,
                storage_kind=disk.kind, rate_mib_s=rate, access_ms=access, link_mbps=between((60.0, 940.0), point[4]),
                installer=installer, model=disk.name,
            )  # fmt: skip
            while expected_s(plan, 4.5) > FULL_LONGEST_S and (plan.quota_pct, plan.cores) != FULL_PROCESSORS[-1]:
                at = FULL_PROCESSORS.index((int(plan.quota_pct), plan.cores)) + 1
                plan = replace(plan, quota_pct=FULL_PROCESSORS[at][0], cores=FULL_PROCESSORS[at][1])
            chosen.append(plan)
    return _twice(chosen, repeats, lambda plan: expected_s(plan, 4.5))


def nominal(disk: models.DiskModel) -> tuple[float, float]:
    """Outer sequential rate [MiB/s] and mean random read of 4 KiB [ms] that a disk's figures come to."""
    f = disk.figures
    if disk.rotational:
        rate, access = f["outer_mb_s"], f["overhead_ms"] + f["seek_average_ms"] + 30_000 / f["rpm"]
    else:
        rate, access = f["read_mb_s"], 1000 / f["read_iops_1"]
    return float(f"{rate * 1e6 / 2**20:.4g}"), float(f"{access:.4g}")


# --- sessions under pressure

SESSION_MEMORY_MIB = (1024, 1536, 2048, 3072, 4096, 8192)
TIGHT = {"small": (512, 60), "tight": (768, 95), "narrow": (1024, 95)}
"""Each edition is also measured with so little memory [MiB] that programs may be killed rather than slow, on a fast
disk and with so much processor [% of one core] that the load gets that far; by the end of the plan's name."""

QUOTA_PCT = (16, 25, 40, 60, 80, 95)
"""The highest leaves the disk's server some of the core, as no real disk needs [% of each core]."""

ROUNDS = 3
"""The design goes over the editions so many times, so that every beginning of it is spread too."""

SESSION_LIMIT_S = 150.0
BROWSER_LIMIT_S = 90.0
"""A session under pressure is given up after so long [s]: 'not usable within that time' is a finding."""

SESSION_LONGEST_S = 110.0
"""Sessions expected to take longer get a faster processor [s], but for one in eight."""

STILL_DRAWING = {Edition.CINNAMON: 40}
"""Least quota of a desktop that never stops drawing where the processor draws: below, it would never rest [%]."""

# Processor seconds, reads [MiB] and read requests of the first measured sessions: these only steer what is drawn.
_EXPECTED = {
    Edition.GNOME: (13.0, 860, 20000), Edition.PLASMA: (19.7, 910, 18800), Edition.CINNAMON: (9.2, 605, 15900),
    Edition.MATE: (3.7, 370, 9100), Edition.XFCE: (5.2, 590, 13300), Edition.LXQT: (4.4, 450, 10500),
    Edition.LXDE: (5.6, 320, 7900),
}  # fmt: skip


@dataclass(frozen=True)
class Pressure:
    """One session under pressure: memory [MiB], processor [% of each core], a disk of lab/disks with its figures."""

    name: str
    edition: str
    memory_limit_mib: int
    quota_pct: int
    disk: str
    rate_mib_s: float
    access_ms: float
    cores: int = 1
    swap: str = Swap.DISK

    def check(self) -> None:
        """Refuse an edition, disk or kind of swap that there is not (InputError)."""
        if self.edition not in set(Edition):
            raise InputError(f"Session {self.name}: there is no edition {self.edition!r}.")
        if self.swap not in set(Swap):
            raise InputError(f"Session {self.name}: there is no swap {self.swap!r}.")
        models.model(self.disk)

    def expected_s(self) -> float:
        """Guess how long the desktop takes [s]."""
        work, mib, requests = _EXPECTED[Edition(self.edition)]
        return 100 * work / self.quota_pct + mib / self.rate_mib_s + requests * 0.15 * self.access_ms / 1000


SWAPS = (Swap.DISK, Swap.DISK, Swap.DISK, Swap.ZRAM)
"""One in four has its swap in compressed memory."""

CORES = (1, 1, 2)


def draw_sessions(rows: int = 18, seed: int = 31) -> list[Pressure]:
    """Draw so many sessions an edition, on the disks of lab/disks in turn, a Latin hypercube each, and the tight ones.

    The editions come in blocks, as each needs its image.
    """
    from scipy.stats import qmc

    disks = list(models.known().values())
    chosen: list[list[Pressure]] = []
    for number, edition in enumerate(Edition):
        points = qmc.LatinHypercube(4, seed=np.random.default_rng([seed, number])).random(rows)
        plans = []
        for at, point in enumerate(points, start=1):
            disk = disks[(number * 4 + at * 2) % len(disks)]
            rate, access = nominal(disk)
            plan = Pressure(
                f"{edition.name.lower()}-{at:02d}", str(edition),
                SESSION_MEMORY_MIB[int(point[0] * len(SESSION_MEMORY_MIB))],
                QUOTA_PCT[int(point[1] ** 0.8 * len(QUOTA_PCT))], disk.name, rate, access,
                CORES[int(point[2] * len(CORES))], SWAPS[int(point[3] * len(SWAPS))],
            )  # fmt: skip
            for quota in QUOTA_PCT[QUOTA_PCT.index(plan.quota_pct) :]:
                plan = replace(plan, quota_pct=quota)
                if quota >= STILL_DRAWING.get(edition, 0) and not (at % 8 and plan.expected_s() > SESSION_LONGEST_S):
                    break
            plans.append(plan)
        chosen.append(plans)
    size = math.ceil(rows / ROUNDS)
    spread = [plan for at in range(0, rows, size) for plans in chosen for plan in plans[at : at + size]]
    rate, access = nominal(models.model("nvme"))
    tight = [
        Pressure(f"{edition.name.lower()}-{word}", str(edition), mib, quota, "nvme", rate, access)
        for edition in Edition
        for word, (mib, quota) in TIGHT.items()
    ]
    return [*spread, *tight]


def measured(plans: Sequence[Pressure], sessions: pd.DataFrame) -> list[str]:
    """What the table comfort/sessions holds of each plan.

    'yes' with an undisturbed session, 'disturbed' where every session of it was, 'no' where none was made.
    """
    made = set(sessions["plan"].dropna())
    sound = set(sessions.loc[sessions["disturbed"].isna(), "plan"].dropna())
    return ["yes" if one.name in sound else "disturbed" if one.name in made else "no" for one in plans]


def main() -> None:
    """Draw the design of sessions and write it, with what was measured of it so far."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    plans = draw_sessions()
    frame = pd.DataFrame(plans)
    frame["measured"] = measured(plans, tables.load("comfort/sessions").frame)
    write_whole(given.out, frame.to_csv(index=False, lineterminator="\n"))


if __name__ == "__main__":
    main()
