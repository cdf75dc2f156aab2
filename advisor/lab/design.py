"""Which rehearsals are made: spread over processors, disks, links and editions, and every beginning of the list too."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from advisor.errors import InputError
from advisor.files import read_text, write_whole
from advisor.lab.rehearsal import Plan


@dataclass(frozen=True)
class DiskClass:
    """A kind of disk and the span its figures are drawn from, evenly on a logarithmic scale.

    Attributes
    ----------
    name : str
    storage_kind : str
        A word of `advisor.unit.StorageKind`.
    rate : tuple of float
        Lowest and highest sequential rate [MiB/s].
    access : tuple of float
        Lowest and highest access time [ms].
    """

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
"""Rehearsals expected to take longer are given less work [s]."""


def expected_s(plan: Plan, gigabytes: float) -> float:
    """Guess how long a rehearsal takes, from the first few that were made; only steers what is drawn [s]."""
    base = {"small": 2.0, "codecs": 7.0, "office": 12.0}[plan.base_set]
    updates = {"few": 12.0, "some": 16.0, "many": 24.0}[plan.update_set]
    megabytes = {"small": 4, "codecs": 70, "office": 160}[plan.base_set] + {"few": 110, "some": 130, "many": 170}[
        plan.update_set
    ]
    synced = {"small": 1400, "codecs": 2500, "office": 3500}[plan.base_set] + {"few": 900, "some": 1500, "many": 2500}[
        plan.update_set
    ]
    work = 8 + (14 if plan.compression == "xz" else 3) * gigabytes + base + updates
    return (
        work / (plan.quota_pct / plan.cores / 100)
        + 1e3 * (gigabytes + 1) / min(plan.rate_mib_s, 500)
        + synced * plan.access_ms / 1000
        + 8.4 * (megabytes + 16) / plan.link_mbps
        + 17
    )


def draw(count: int, sizes: dict[str, float], seed: int = 20, repeats: int = 7) -> list[Plan]:
    """Draw a design.

    Parameters
    ----------
    count : int
        How many different rehearsals.
    sizes : dict of str to float
        Trees to use, and their installed size [GB].
    seed : int
    repeats : int
        How many of the quicker ones are made a second time.

    Returns
    -------
    list of Plan
        In the order in which they are to be made.
    """
    from scipy.stats import qmc

    points = qmc.Sobol(9, seed=seed).random(1 << math.ceil(math.log2(max(count, 2))))[:count]
    edges = np.cumsum(WEIGHTS) / sum(WEIGHTS)
    names = list(sizes)
    smallest = min(names, key=sizes.__getitem__)
    chosen: list[Plan] = []
    for at, point in enumerate(points, start=1):
        processor = int(np.searchsorted(edges, point[0]))
        disk = DISK_CLASSES[int(point[1] * len(DISK_CLASSES))]
        quota, cores = PROCESSORS[processor]
        plan = Plan(
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
    quick = sorted(chosen, key=lambda plan: expected_s(plan, sizes[plan.tree]))[: max(repeats * 3, 1)]
    again = [plan for plan in chosen if plan in quick][::3][:repeats]
    for number, plan in enumerate(again):
        copy = replace(plan, name=f"{plan.name}-again", repeat_of=plan.name)
        chosen.insert(max(12 + number * (count // (repeats + 1)), chosen.index(plan) + 3), copy)
    return chosen


def between(span: tuple[float, float], part: float) -> float:
    """The figure at a part of a span, on a logarithmic scale, to three digits."""
    return float(f"{span[0] * (span[1] / span[0]) ** part:.3g}")


def write_design(path: str | Path, plans: Sequence[Any], kind: type = Plan) -> None:
    """Write a design as CSV.

    Parameters
    ----------
    path : path-like
    plans : sequence of dataclass
    kind : type
        Their dataclass, whose fields are the columns.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, [field.name for field in fields(kind)], lineterminator="\n")
    writer.writeheader()
    writer.writerows(asdict(plan) for plan in plans)
    write_whole(path, text.getvalue())


def read_design(path: str | Path) -> list[Plan]:
    """Read a design.

    Parameters
    ----------
    path : path-like
        A CSV with the columns of `Plan`.

    Returns
    -------
    list of Plan

    Raises
    ------
    InputError
        When it cannot be read, a column is missing, a value is no number, or a name comes twice.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(read_text(path), newline="")))
    except csv.Error as error:
        raise InputError(f"The design {path} cannot be read: {error}.") from error
    wanted = [field.name for field in fields(Plan)]
    missing = [name for name in wanted if rows and name not in rows[0] and name != "repeat_of"]
    if not rows or missing:
        raise InputError(
            f"The design {path} lacks {', '.join(missing) or 'rows'}.", f"Its columns are: {', '.join(wanted)}."
        )
    plans = []
    for number, row in enumerate(rows, start=1):
        values: dict[str, object] = {}
        for field in fields(Plan):
            text = (row.get(field.name) or "").strip()
            kind = {"int": int, "float": float}.get(str(field.type), str)
            try:
                values[field.name] = kind(text)
            except ValueError as error:
                raise InputError(
                    f"The design {path}, row {number}, column {field.name}: {text!r} is no number."
                ) from error
        plan = Plan(**values)  # type: ignore[arg-type]
        plan.check()
        plans.append(plan)
    names = [plan.name for plan in plans]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"The design {path} has {twice[0]!r} twice.", "Each rehearsal needs a name of its own.")
    return plans
