"""What the table says of one row, and what several rows have in common."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from advisor.identify.catalogue import catalogue
from advisor.identify.level import LEVELS

Z80 = 1.2815515655446004
"""Half-width of the central 80 % of a normal distribution [standard deviations]."""

WIDEST = 2.5
"""A speed is given only while the high end of its 80 % spread is at most this many times the low end."""


@dataclass(frozen=True)
class Answer:
    """What is known of one processor; None stands for unknown."""

    name: str | None = None
    vendor: str | None = None
    microarch: str | None = None
    generation: str | None = None
    year: int | None = None
    level: str | None = None
    speed: float | None = None
    speed_low: float | None = None
    speed_high: float | None = None
    cores: int | None = None
    threads: int | None = None
    graphics: str | None = None
    source: str | None = None
    problem: str | None = None
    # speed_least, speed_most: Where the name leaves several processors open: the slow end of the slowest and the fast
    # end of the fastest.
    speed_least: float | None = None
    speed_most: float | None = None
    # level_least, level_most: The lowest and the highest level among them.
    level_least: str | None = None
    level_most: str | None = None
    year_least: int | None = None  # The year of the oldest among them
    exact: bool = False  # The answer is one row of the table


@lru_cache(maxsize=20_000)
def of_row(row: int, how: str) -> Answer:
    """Give one row of the processor table; `how` is what of the text pointed to it."""
    record = catalogue().record(row)
    low, high = _ends(record)
    return Answer(
        **{name: record[name] for name in ("name", "vendor", "microarch", "generation", "year", "level")},
        **{name: record[name] for name in ("speed", "cores", "threads", "graphics")},
        speed_low=low, speed_high=high, source=f"{how}; table row {record['source']}", exact=True,
    )  # fmt: skip


def _ends(record: dict[str, Any]) -> tuple[float | None, float | None]:
    """Low and high end of a processor's 80 % spread of speed; None when unknown."""
    if record["speed"] is None:
        return None, None
    low, high = (float(np.exp(side * record["log_sd"])) for side in (-Z80, Z80))
    return record["speed"] * low, record["speed"] * high


def of_rows(rows: tuple[int, ...], problem: str) -> Answer:
    """Say what several rows of the processor table have in common; a value in which they differ is unknown."""
    common = _common(rows)
    return replace(common, problem=problem) if problem else common


@lru_cache(maxsize=5_000)
def _common(rows: tuple[int, ...]) -> Answer:
    group = [catalogue().record(row) for row in rows]

    def same(column: str) -> Any:
        values = {one[column] for one in group}
        return values.pop() if len(values) == 1 else None

    speed, low, high = spread(group)
    levels = sorted({one["level"] for one in group if one["level"]}, key=LEVELS.index)
    whole = all(one["level"] for one in group)
    ends = [(least, most) for least, most in map(_ends, group) if least is not None and most is not None]
    known = len(ends) == len(group)
    return Answer(
        speed_least=min(least for least, _ in ends) if known else None,
        speed_most=max(most for _, most in ends) if known else None,
        **{name: same(name) for name in ("vendor", "microarch", "generation", "year", "level")},
        **{name: same(name) for name in ("cores", "threads", "graphics")},
        speed=speed, speed_low=low, speed_high=high,
        year_least=min((one["year"] for one in group if one["year"]), default=None),
        level_least=levels[0] if levels and whole else None, level_most=levels[-1] if levels and whole else None,
        source="what the processors that the name leaves open have in common",
    )  # fmt: skip


def spread(group: Iterable[Mapping[str, Any]]) -> tuple[float | None, float | None, float | None]:
    """Middle, low, high (80 %) speed [1 = reference] over equally likely processors; None when unknown or too wide."""
    known = [(one["speed"], one["log_sd"]) for one in group if one["speed"] is not None]
    if not known:
        return None, None, None
    speeds, sds = np.array(known, dtype=float).T
    logs = np.log(speeds)
    steps = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5])
    weights = np.exp(-(steps**2) / 2)
    values = (logs[:, None] + sds[:, None] * steps).ravel()
    mass = np.tile(weights, len(logs))
    order = np.argsort(values)
    # Half of a step's mass lies below its value.
    share = (np.cumsum(mass[order]) - mass[order] / 2) / mass.sum()
    low, middle, high = (float(np.exp(np.interp(q, share, values[order]))) for q in (0.1, 0.5, 0.9))
    if high / low > WIDEST:
        return None, None, None
    return middle, low, high
