"""A reuse centre's stock of any size, made from a seed and written row by row; invented, for measuring alone."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from bench_score import batch


def write_stock(path: Path, rows: int, distinct: int, seed: int = 20261126) -> None:
    """Write a sheet of `rows` units of `distinct` kinds, each with a tag, a serial and a day of its own."""
    rng = np.random.default_rng(seed)
    drawn = min(distinct, 20_000)
    kinds = batch(drawn, rng)
    names = [name for name in kinds.columns if name != "asset tag"]
    cells = kinds[names].to_numpy(dtype=object).tolist()
    disk, battery = names.index("storage_gib"), names.index("battery_health_pct")
    with path.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["asset tag", "serial", "received", *names])
        for number in range(rows):
            kind = number if distinct >= rows else int(rng.integers(distinct))
            row = cells[kind % drawn].copy()
            if distinct > drawn:
                # Beyond the cells that were drawn, kinds differ in the disk's size and the battery's health.
                row[disk], row[battery] = str(60 + kind // 97 % 1940), str(5 + kind % 95)
            serial, day = rng.integers(10**9), rng.integers(1, 29)
            writer.writerow([f"Q-{number:07d}", f"SN{serial:09d}", f"2026-11-{day:02d}", *row])
