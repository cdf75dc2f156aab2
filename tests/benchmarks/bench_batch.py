"""Time of the batch tab with ten thousand rows, in the kernel: score, hand the table over, show a row.

    python tests/benchmarks/bench_batch.py

Sorting, searching and paging happen in the browser (tests/ui/test_batch.py). Prints milliseconds by the clock and by
processor time, beside a peer in the same run: pandas' own stable sort of one text column of that many rows.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from bench_rescore import timed

from advisor.files import datasets
from advisor.intake.handed_in import Sheet
from advisor.views.app_view import App
from advisor.views.batch_view import table_of
from advisor.views.state import BenchPage

ROWS = 10_000


def many_rows(count: int = ROWS) -> pd.DataFrame:
    """The demo's intake again and again, each row with a tag of its own."""
    demo = pd.read_csv(datasets() / "demo" / "intake.csv", dtype=str, keep_default_na=False)
    many = pd.concat([demo] * (count // len(demo) + 1), ignore_index=True).head(count)
    return many.assign(asset_tag=[f"M-{number:05d}" for number in range(count)])


def main() -> None:
    """Score once, then measure."""
    many = many_rows()
    with tempfile.TemporaryDirectory() as folder:
        app = App(BenchPage(log=Path(folder) / "log.sqlite"))
        clock, processor = timed(lambda: app.batch._score([Sheet("many.csv", many)]))
        print(f"{ROWS} rows scored in {clock / 1e3:.1f} s by the clock, {processor / 1e3:.1f} s of processor time")
        batch = app.batch.batch
        text = batch.scored["reasons"].astype("string")
        beside = np.median([timed(lambda: text.sort_values(kind="stable"))[1] for _ in range(5)])
        print(f"peer: {beside:.0f} ms of processor time")
        acts = {"make the table": lambda: table_of(batch, print), "show a row": lambda: app.batch._choose(4321)}
        for name, act in acts.items():
            took = np.median([timed(act) for _ in range(5)], axis=0)
            print(f"  {name:<16} clock {took[0]:6.0f}   processor {took[1]:6.0f}   / peer {took[1] / beside:5.2f}")


if __name__ == "__main__":
    main()
