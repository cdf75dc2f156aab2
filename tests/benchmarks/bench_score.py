"""How long scoring takes: a batch of 100,000 rows, and one unit by the command line beside a bare import.

Run with `python tests/benchmarks/bench_score.py [--one]`; it prints figures and asserts nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import intake
from advisor.advice import assess
from advisor.files import datasets
from advisor.shop_file import read_shop

ROWS = 100_000
BARE = "import pandas, sklearn.ensemble"


def batch(rows: int, generator: np.random.Generator) -> pd.DataFrame:
    """Rows of many distinct units: the demo's cells, drawn column group by column group, with numbers of their own."""
    demo = intake.read(datasets() / "demo" / "intake.csv")
    groups = [["maker", "model", "form_factor", "CPU", "wireless", "graphics", "ethernet", "devices", "boot_mode"]]
    groups += [[name] for name in demo.columns if name not in groups[0]]
    drawn = [demo[group].iloc[generator.integers(0, len(demo), rows)].reset_index(drop=True) for group in groups]
    out = pd.concat(drawn, axis=1)[list(demo.columns)]
    out["asset tag"] = [f"B-{number:06d}" for number in range(rows)]
    out["storage_gib"] = generator.integers(60, 2000, rows).astype(str)
    out["battery_health_pct"] = generator.integers(5, 100, rows).astype(str)
    return out


def best_of(commands: dict[str, list[str]], times: int = 7) -> dict[str, float]:
    """Shortest processor time of several runs of each command [s], in turns, modules compiled as when installed."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    seconds: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(times):
        for name, command in commands.items():
            before = os.times()
            subprocess.run(command, check=True, capture_output=True, env=environment)
            after = os.times()
            seconds[name].append(
                after.children_user + after.children_system - before.children_user - before.children_system
            )
    return {name: min(runs) for name, runs in seconds.items()}


def one_unit() -> None:
    """What one unit costs by the command line, a process a command, beside a bare import."""
    with tempfile.TemporaryDirectory() as folder:
        unit, page = str(Path(folder) / "unit.json"), str(Path(folder) / "sheet.pdf")
        advisor = [sys.executable, "-m", "advisor.cli"]
        took = best_of(
            {
                "bare": [sys.executable, "-c", BARE],
                "capture, decision and sheet as PDF in one": [*advisor, "sheet", "--here", "--out", page],
                "capture": [*advisor, "capture", "--out", unit],
                "sheet, as text": [*advisor, "sheet", unit],
                "sheet, as PDF": [*advisor, "sheet", unit, "--out", page],
            }
        )
    bare = took.pop("bare")
    for name, seconds in took.items():
        print(f"one unit, {name}: {seconds / bare:.2f} times `python -c '{BARE}'` ({seconds:.2f} s of a processor)")


def main() -> None:
    """Print the figures; of one unit alone with `--one`."""
    if "--one" in sys.argv[1:]:
        one_unit()
        return
    shop = read_shop(datasets() / "demo" / "shop.toml")
    raw = batch(ROWS, np.random.default_rng(20261125))
    start = time.perf_counter()
    scored = assess(raw, shop).frame
    print(f"{ROWS} rows scored in {time.perf_counter() - start:.1f} s; {len(raw.drop_duplicates())} distinct rows")
    print(scored["advice"].value_counts().to_string())
    one_unit()


if __name__ == "__main__":
    main()
