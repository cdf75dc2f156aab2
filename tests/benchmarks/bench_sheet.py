"""How long sheets take beside scoring the same units: `python tests/benchmarks/bench_sheet.py`; asserts nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import pandas as pd

from advisor import intake, sheet
from advisor.advice import assess
from advisor.files import datasets
from advisor.shop_file import read_shop

COPIES = 17
"""Of the demo's 60 units: a little over 1,000 sheets."""

T = TypeVar("T")


def timed(act: Callable[[], T]) -> tuple[T, float, float]:
    """Do something once; give back its answer, its elapsed and its processor seconds."""
    wall, processor = time.perf_counter(), time.process_time()
    answer = act()
    return answer, time.perf_counter() - wall, time.process_time() - processor


def main() -> None:
    """Print the figures."""
    demo = datasets() / "demo"
    raw = pd.concat([intake.read(demo / "intake.csv")] * COPIES, ignore_index=True)
    shop = read_shop(demo / "shop.toml")
    result, wall, processor = timed(lambda: assess(raw, shop))
    print(f"{len(raw)} units assessed: {wall:.1f} s elapsed, {processor:.1f} s of processor")
    sheets, wall, composing = timed(lambda: list(result))
    print(f"composed: {wall:.1f} s elapsed, {composing / processor:.2f} of assessing")
    document, wall, printing = timed(lambda: sheet.render_pdf(sheets))
    print(
        f"printed as one PDF of {len(document) / 1e6:.1f} MB: {wall:.1f} s elapsed, "
        f"{printing / processor:.2f} of assessing"
    )


if __name__ == "__main__":
    main()
