"""Which sessions are measured under pressure: spread over editions, memory, processors and disks."""

from __future__ import annotations

import argparse
import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import tables
from advisor.errors import InputError
from advisor.files import read_text, write_whole
from advisor.lab.design import DISK_CLASSES, between, write_design
from advisor.shop import Edition

MEMORY_MIB = (1024, 1536, 2048, 3072, 4096, 8192)
TIGHT = {"small": (512, 60), "tight": (768, 95), "narrow": (1024, 95)}
"""Each edition is also measured with so little memory [MiB] that programs may be killed rather than slow, on a fast
disk and with so much processor [% of one core] that the load gets that far; by the end of the plan's name."""

QUOTA_PCT = (10, 16, 25, 40, 60, 80, 100)

MOST_PCT = 95
"""The highest quota in use: the disk's servers need some of the core, as no real disk does [% of one core]."""

ROUNDS = 3
"""The design goes over the editions so many times, so that every beginning of it is spread too."""

SESSION_LIMIT_S = 150.0
BROWSER_LIMIT_S = 90.0
"""A session under pressure is given up after so long [s]: 'not usable within that time' is a finding."""

LONGEST_S = 110.0
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
class Plan:
    """One session under pressure.

    Attributes
    ----------
    name : str
    edition : str
    memory_limit_mib : int
        [MiB]
    quota_pct : int
        [% of one core]
    disk : str
        Class of disk, a label.
    rate_mib_s : float
        Sequential rate set [MiB/s].
    access_ms : float
        Access time set [ms].
    """

    name: str
    edition: str
    memory_limit_mib: int
    quota_pct: int
    disk: str
    rate_mib_s: float
    access_ms: float

    def expected_s(self) -> float:
        """Guess how long the desktop takes [s]."""
        work, mib, requests = _EXPECTED[Edition(self.edition)]
        return 100 * work / self.quota_pct + mib / self.rate_mib_s + requests * 0.15 * self.access_ms / 1000


def draw(rows: int = 12, seed: int = 6) -> list[Plan]:
    """Draw the design: a Latin hypercube an edition, each memory size, processor and kind of disk as often as others.

    Parameters
    ----------
    rows : int
        Sessions an edition.
    seed : int

    Returns
    -------
    list of Plan
        In the order in which they are to be made.
    """
    from scipy.stats import qmc

    by_edition: dict[str, list[Plan]] = {}
    for number, edition in enumerate(Edition):
        points = qmc.LatinHypercube(5, seed=np.random.default_rng([seed, number])).random(rows)
        plans = []
        for at, point in enumerate(points, start=1):
            disk = DISK_CLASSES[int(point[2] * len(DISK_CLASSES))]
            # A little denser towards fast processors, as slow ones take ten times as long.
            quota = QUOTA_PCT[int(point[1] ** 0.8 * len(QUOTA_PCT))]
            plan = Plan(
                f"{edition.name.lower()}-{at:02d}", str(edition), MEMORY_MIB[int(point[0] * len(MEMORY_MIB))],
                max(min(quota, MOST_PCT), STILL_DRAWING.get(edition, 0)), disk.name,
                between(disk.rate, point[3]), between(disk.access, point[4]),
            )  # fmt: skip
            while at % 8 and plan.expected_s() > LONGEST_S and plan.quota_pct < MOST_PCT:
                faster = next((one for one in QUOTA_PCT if one > plan.quota_pct), MOST_PCT)
                plan = replace(plan, quota_pct=min(faster, MOST_PCT))
            plans.append(plan)
        by_edition[str(edition)] = plans
    # Light and rich editions in turn.
    names = list(by_edition)
    turn = [name for pair in zip(names, reversed(names), strict=True) for name in pair]
    order = list(dict.fromkeys(turn))
    size = math.ceil(rows / ROUNDS)
    spread = [plan for at in range(0, rows, size) for name in order for plan in by_edition[name][at : at + size]]
    tight = [
        Plan(f"{Edition(name).name.lower()}-{word}", name, mib, quota, "nvme", 2000.0, 0.04)
        for word, (mib, quota) in TIGHT.items()
        for name in order
    ]
    return [*spread, *tight]


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
        When it cannot be read, or a value is no number.
    """
    text = read_text(path)
    try:
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        return [
            Plan(
                row["name"], str(Edition(row["edition"])), int(row["memory_limit_mib"]), int(row["quota_pct"]),
                row["disk"], float(row["rate_mib_s"]), float(row["access_ms"]),
            )
            for row in rows
        ]  # fmt: skip
    except (csv.Error, KeyError, ValueError, TypeError) as error:
        raise InputError(
            f"The design {path} cannot be read: {error}.",
            f"Its columns are: {', '.join(f.name for f in fields(Plan))}.",
        ) from error


def measured(plans: Sequence[Plan], sessions: pd.DataFrame) -> list[str]:
    """Say of each plan what became of it.

    Parameters
    ----------
    plans : sequence of Plan
    sessions : pandas.DataFrame
        The table comfort/sessions.

    Returns
    -------
    list of str
        'yes' with an undisturbed session, 'disturbed' where every session of it was, 'no' where none was made.
    """
    made = set(sessions["plan"].dropna())
    sound = set(sessions.loc[sessions["disturbed"].isna(), "plan"].dropna())
    return ["yes" if one.name in sound else "disturbed" if one.name in made else "no" for one in plans]


def main() -> None:
    """Draw the design and write it, with what was measured of it so far."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=12, help="sessions an edition")
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    plans = draw(given.rows, given.seed)
    write_design(given.out, plans, Plan)
    table = pd.read_csv(given.out, dtype="string")
    table["measured"] = measured(plans, tables.load("comfort/sessions").frame)
    write_whole(given.out, table.to_csv(index=False, lineterminator="\n"))


if __name__ == "__main__":
    main()
