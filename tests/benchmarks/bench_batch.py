"""Time of a callback of the batch view with ten thousand rows: sort, narrow, turn the page, choose an advice.

    python tests/benchmarks/bench_batch.py

Prints the median and the largest of each in milliseconds, by the clock and by processor time, beside a peer in the
same run: pandas' own stable sort of one text column of that many rows.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from advisor.views.batch import Batch
from advisor.views.batch_view import BatchView
from bench_rescore import Nowhere, timed

from advisor.files import datasets

ROWS = 10_000
ACTS = {
    "sort by a number": {"do": "sort", "column": "elapsed_min"},
    "sort by text": {"do": "sort", "column": "reasons"},
    "narrow to a word": {"do": "words", "value": "thinkpad"},
    "widen again": {"do": "words", "value": ""},
    "one advice": {"do": "only", "field": "advice", "value": "standard image"},
    "all advices": {"do": "only", "field": "advice", "value": ""},
    "turn the page": {"do": "page", "page": 7},
    "show a row": {"do": "row", "row": 4321},
}


def main() -> None:
    """Score once, then measure."""
    demo = pd.read_csv(datasets() / "demo" / "intake.csv", dtype=str, keep_default_na=False)
    many = pd.concat([demo] * (ROWS // len(demo) + 1), ignore_index=True).head(ROWS)
    many["asset_tag"] = [f"M-{number:05d}" for number in range(ROWS)]
    batch = Batch()
    clock, processor = timed(lambda: batch.score_frame("many.csv", many, lambda done, count: None))
    print(f"{ROWS} rows scored in {clock / 1e3:.1f} s by the clock, {processor / 1e3:.1f} s of processor time")
    view = BatchView(batch, Nowhere())  # type: ignore[arg-type]
    text = batch.scored.view["reasons"].astype("string")
    beside = np.array([timed(lambda: text.sort_values(kind="stable")) for _ in range(5)])
    print(f"peer: {np.median(beside[:, 1]):.0f} ms of processor time")
    for name, message in ACTS.items():
        took = np.array([timed(lambda message=message: view.handle(message, [])) for _ in range(7)])
        middle, most = np.median(took, axis=0), took.max(axis=0)
        print(
            f"  {name:<18} clock {middle[0]:6.0f} (largest {most[0]:6.0f})   processor {middle[1]:5.0f}"
            f" (largest {most[1]:5.0f})   / peer {middle[1] / np.median(beside[:, 1]):5.2f}"
        )


if __name__ == "__main__":
    main()
