"""How long scoring takes: a batch of 100,000 rows, and one unit by the command line beside a bare import.

Run with `python tests/benchmarks/bench_score.py`; it prints figures and asserts nothing.
"""

from __future__ import annotations

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


def best_of(command: list[str], times: int = 5) -> float:
    """Shortest of several runs of a command [s]."""
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def main() -> None:
    """Print the figures."""
    shop = read_shop(datasets() / "demo" / "shop.toml")
    raw = batch(ROWS, np.random.default_rng(20261125))
    start = time.perf_counter()
    scored = assess(raw, shop).frame
    print(f"{ROWS} rows scored in {time.perf_counter() - start:.1f} s; {len(raw.drop_duplicates())} distinct rows")
    print(scored["advice"].value_counts().to_string())
    with tempfile.TemporaryDirectory() as folder:
        sheet = Path(folder) / "one.csv"
        raw.head(1).to_csv(sheet, index=False)
        one = best_of([sys.executable, "-m", "advisor.cli", "score", str(sheet)])
        bare = best_of([sys.executable, "-c", BARE])
    print(f"one unit by the command line: {one / bare:.2f} times `python -c '{BARE}'`")


if __name__ == "__main__":
    main()
