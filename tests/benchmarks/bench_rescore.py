"""Time from a correction typed at the bench to the whole page written anew, in the kernel.

    python tests/benchmarks/bench_rescore.py            # 60 demo units, a correction each
    python tests/benchmarks/bench_rescore.py --profile  # and where the time goes

Prints the median and the 95th percentile in milliseconds, by the clock and by processor time (the second says what
the program costs on a machine that does something else too), beside a peer in the same run: the time that the
interpreter needs for a fixed piece of arithmetic. Held against: under 300 ms for one correction.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from advisor.views.app_view import App
from advisor.views.state import BenchPage

CORRECTIONS = (
    ("ram_gib", "8"), ("ram_gib", "4 GB"), ("storage_kind", "sata ssd"), ("storage_gib", "240 GB"), ("cpu", "i5-6300U"),
    ("wireless", "Intel Wireless 8260"), ("boot_mode", "uefi 64-bit"), ("ram_gib", ""), ("cpu", "AMD A6-9225"),
    ("graphics", "GeForce GT 710"),
)  # fmt: skip


def timed(act: Callable[[], object]) -> tuple[float, float]:
    """Milliseconds of an act, by the clock and by processor time [ms]."""
    clock, processor = time.perf_counter(), time.process_time()
    act()
    return (time.perf_counter() - clock) * 1e3, (time.process_time() - processor) * 1e3


def peer() -> None:
    """A fixed piece of the interpreter's own work: about a million additions."""
    total = 0
    for number in range(1_000_000):
        total += number


def measure(app: App) -> np.ndarray:
    """Correct one fact of each unit; clock and processor time of each [ms]."""
    out = []
    for place, one in enumerate(list(app.bench.units)):
        app.act(lambda one=one: app.bench.select(one.number))
        name, value = CORRECTIONS[place % len(CORRECTIONS)]
        out.append(timed(lambda name=name, value=value: app.act(lambda: app.bench.correct(name, value))))
    return np.array(out)


def main() -> None:
    """Measure, and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--profile", action="store_true", help="print where the time goes")
    profile = options.parse_args().profile
    with tempfile.TemporaryDirectory() as folder:
        app = App(BenchPage(log=Path(folder) / "log.sqlite"))
        app.act(app.bench.try_demo)
        app.act(lambda: app.bench.correct("notes", "first call loads the tables"))
        profiler = cProfile.Profile()
        if profile:
            profiler.enable()
        took = measure(app)
        profiler.disable()
    beside = np.array([timed(peer) for _ in range(9)])
    print(f"{len(took)} corrections, each with the whole page written anew [ms]")
    for column, name in enumerate(("by the clock", "processor time")):
        middle, high = np.percentile(took[:, column], [50, 95])
        print(
            f"  {name:<15} median {middle:6.0f}   95th {high:6.0f}   largest {took[:, column].max():6.0f}"
            f"   peer {np.median(beside[:, column]):5.0f}   median / peer {middle / np.median(beside[:, column]):5.2f}"
        )
    if profile:
        pstats.Stats(profiler).sort_stats("cumulative").print_stats("advisor", 60)


if __name__ == "__main__":
    main()
