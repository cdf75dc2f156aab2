"""Speed of understanding a sheet and of naming its processors.

    python -m pytest tests/benchmarks/bench_intake.py --benchmark-only -q -s

Prints seconds of processor time beside a peer in the same run: pandas.factorize over the same columns, the least that
any reader must do that looks at each distinct text once. Held against: 100,000 distinct messy rows in 10 s, 1,000,000
rows with 5,000 distinct ones in 5 s, both on one core.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from messy import messy

from advisor.identify import processors
from advisor.intake import read_bytes, understand


def _seconds(work, *arguments):
    start = time.process_time()
    result = work(*arguments)
    return time.process_time() - start, result


def _factorize(raw):
    return [pd.factorize(raw[name]) for name in raw]


@pytest.mark.parametrize(("rows", "distinct", "budget"), [(100_000, 100_000, 10), (1_000_000, 5_000, 5)])
def test_understand(benchmark, rows, distinct, budget):
    raw = messy(rows, distinct, seed=11)
    peer, _ = _seconds(_factorize, raw)
    took, sheet = _seconds(understand, raw)
    named, _ = _seconds(processors, sheet.units)
    print(
        f"\n{rows} rows, {distinct} distinct: understood in {took:.2f} s (of {budget} s), {took / peer:.1f} times"
        f" factorize ({peer:.2f} s); processors named in {named:.2f} s"
    )
    small = messy(5_000, 5_000, seed=12)
    benchmark(understand, small)


def test_read(benchmark):
    raw = messy(100_000, 100_000, seed=13)
    data = raw.to_csv(index=False).encode("utf-16")
    peer, _ = _seconds(lambda: pd.read_csv(__import__("io").StringIO(data.decode("utf-16")), dtype=str))
    took, frame = _seconds(read_bytes, data)
    assert len(frame) == len(raw)
    print(f"\n100000 rows of UTF-16 CSV read in {took:.2f} s, {took / peer:.1f} times pandas.read_csv ({peer:.2f} s)")
    benchmark(read_bytes, raw.head(2_000).to_csv(index=False).encode())
