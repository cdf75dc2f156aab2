"""A reuse centre's whole stock by the command line, beside the same work as plain pandas with one boosted model.

    python tests/benchmarks/bench_million.py [ROWS ...]
    python tests/benchmarks/bench_million.py --kill ROWS

Each line is a process of its own, one after the other: seconds by the clock, of all its processors, and the most memory
that it and its children held at a time (proportional share, asked ten times a second, after five seconds once: for an
answer the kernel walks through all pages, on a core that a run which uses both must share). The peer reads the same
file, predicts with one boosted model of 100 trees, and writes the same number of columns, its texts as long as ours
were in the mean of 3,000 such rows. Below the table: how far the times between lie from the straight line through the
first and the last size. With `--kill` a run is killed half-way, taken up again, and its bytes are compared with those
of one that was left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parent))
from stock import write_stock

from advisor.bulk.work import ROW

PEER = """
import sys
import numpy as np, pandas as pd
from sklearn.ensemble import HistGradientBoostingRegressor
columns = ["ram_slots_free", "storage_gib", "battery_health_pct", "disk_read_mib_s"]
rng = np.random.default_rng(1)
model = HistGradientBoostingRegressor(max_iter=100, early_stopping=False).fit(
    rng.uniform(0, 2000, (5000, 4)), rng.uniform(0, 100, 5000))
frame = pd.read_csv(sys.argv[1])
asked = frame[columns].apply(pd.to_numeric, errors="coerce")
minutes = model.predict(asked.to_numpy()).round(1)
for number in range(5):
    frame[f"number {number}"] = minutes
for number, length in enumerate((6, 11, 8, 13, 2, 13, 32, 4, 9, 238, 5, 4, 29, 245, 45, 71)):
    frame[f"text {number}"] = "x" * length
frame.to_csv(sys.argv[2], index=False)
"""
POLARS = """
import sys
import polars
polars.read_csv(sys.argv[1], infer_schema=False).write_csv(sys.argv[2])
"""
OURS = """
import sys
from advisor.cli import main
sys.argv = ["advisor", "score", sys.argv[1], "--out", *sys.argv[2:]]
main()
"""


def measured(code: str, sheet: Path, out: Path) -> tuple[float, float, float]:
    """Seconds by the clock, processor seconds, and the most memory [MB] of a script."""
    before, start = os.times(), time.perf_counter()
    running = subprocess.Popen([sys.executable, "-c", code, str(sheet), str(out)], stdout=subprocess.DEVNULL)
    most = 0.0
    while running.poll() is None:
        most = max(most, _held(running.pid))
        with contextlib.suppress(subprocess.TimeoutExpired):
            running.wait(0.1 if time.perf_counter() - start < 5 else 1)
    took, after = time.perf_counter() - start, os.times()
    if running.returncode not in (0, 1):
        raise SystemExit(f"ended with {running.returncode}")
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return took, used, most / 1e6


def _held(number: int) -> float:
    held = 0.0
    try:
        parent = psutil.Process(number)
        for one in (parent, *parent.children(recursive=True)):
            held += one.memory_full_info().pss
    except psutil.Error:
        pass
    return held


def main(sizes: list[int]) -> None:
    """Print the table."""
    print("| rows | distinct | what | s | processor s | MB | rows/s | clock / peer | processor / peer |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    ours: dict[bool, list[tuple[int, float]]] = {False: [], True: []}
    with tempfile.TemporaryDirectory() as folder:
        sheet, out = Path(folder) / "stock.csv", Path(folder) / "out.csv"
        write_stock(sheet, 1_000, 200)
        for code in (PEER, OURS):
            # Once unmeasured: the first to come reads its modules from the disk.
            measured(code, sheet, out)
        for rows in sizes:
            for distinct in (min(rows, max(rows // 50, 200)), rows):
                write_stock(sheet, rows, distinct)
                whats = {"pandas and one model": PEER, "advisor score": OURS}
                if importlib.util.find_spec("polars"):
                    whats["polars, read and write alone"] = POLARS
                peer = (0.0, 0.0)
                for what, code in whats.items():
                    took, used, most = measured(code, sheet, out)
                    peer = peer if any(peer) else (took, used)
                    if code is OURS:
                        ours[distinct == rows].append((rows, took))
                    print(
                        f"| {rows} | {distinct} | {what} | {took:.1f} | {used:.1f} | {most:.0f} | {rows / took:.0f} | "
                        f"{took / peer[0]:.2f} | {used / peer[1]:.2f} |",
                        flush=True,
                    )
    for alone, found in ours.items():
        (least, first), *between, (most, last) = found
        for rows, took in between:
            line = first + (last - first) * (rows - least) / (most - least)
            what = "all distinct" if alone else "repeats"
            print(f"{what}: {rows} rows lie {100 * (took / line - 1):+.0f} % off the straight line")


def killed(rows: int) -> None:
    """Kill a run half-way, take it up again, and compare."""
    with tempfile.TemporaryDirectory() as folder:
        sheet, whole, out = (Path(folder) / name for name in ("stock.csv", "whole.csv", "out.csv"))
        write_stock(sheet, rows, max(rows // 50, 200))
        print(f"left alone: {measured(OURS, sheet, whole)[0]:.1f} s")
        start = time.perf_counter()
        # With the processes that score for it.
        running = subprocess.Popen(
            [sys.executable, "-c", OURS, str(sheet), str(out)], stdout=subprocess.DEVNULL, start_new_session=True
        )
        kept = out.with_name(f"{out.name}.unfinished") / "rows"
        while running.poll() is None and not (kept.exists() and kept.stat().st_size >= rows // 2 * ROW.itemsize):
            time.sleep(0.05)
        os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        print(f"killed after {time.perf_counter() - start:.1f} s with {kept.stat().st_size // ROW.itemsize} rows kept")
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", OURS, str(sheet), str(out), "--resume"], stdout=subprocess.DEVNULL)
        print(f"taken up again: {time.perf_counter() - start:.1f} s")
        first, second = (hashlib.file_digest(path.open("rb"), "sha256").hexdigest() for path in (whole, out))
        print(f"{first}\n{second}\n{'the same bytes' if first == second else 'OTHER BYTES'}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--kill"]:
        killed(int(sys.argv[2]))
    else:
        main([int(one) for one in sys.argv[1:]] or [1_000, 10_000, 100_000, 1_000_000])
