"""Replay simulated years and print what learning, the gate and the adaptive intervals did: every seed, not the best.

    python tests/benchmarks/simulated_year.py [FIRST LAST]

The years are invented: `datasets/demo/simulated_year.py` says how, and how their truth differs from the model's form.
Constants of the gate and of the adaptive level were chosen on seeds 0 to 11; seeds from 100 on are fresh.
A seed takes about a quarter of a minute of one core.
"""

from __future__ import annotations

import importlib.util
import sys
import time

import numpy as np

from advisor.benchlog.replay import BATCH_DAYS, Replay, error_pct, replay, windows
from advisor.files import datasets
from advisor.shop import default_shop
from advisor.timing import serving_model
from advisor.timing.logged import lay
from advisor.timing.logpart import LogPart
from advisor.timing.model import with_log


def year(seed: int):
    """One simulated year."""
    spec = importlib.util.spec_from_file_location("simulated_year", datasets() / "demo" / "simulated_year.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.year(seed)


def figures(done: Replay) -> dict[str, float]:
    """What is asked of a year, of units from the 200th on and of every run of 100."""
    rows = done.rows.iloc[200:]
    actual = rows["actual_min"].to_numpy()
    plain, served = (np.median(error_pct(actual, rows[name].to_numpy())) for name in ("plain_min", "predicted_min"))
    first = done.rows.iloc[200:250]
    early = [
        np.median(error_pct(first["actual_min"].to_numpy(), first[name].to_numpy()))
        for name in ("plain_min", "predicted_min")
    ]
    seen = windows(done.rows)
    accepted = [one for one in done.updates if one.verdict.accepted]
    return {
        "plain_pct": plain, "served_pct": served, "fall_pct": 100 * (1 - served / plain),
        "early_fall_pct": 100 * (1 - early[1] / early[0]),
        "least_covered": seen["covered_pct"].min(), "most_covered": seen["covered_pct"].max(),
        "plain_least": seen["plain_covered_pct"].min(), "plain_most": seen["plain_covered_pct"].max(),
        "tried": len(done.updates), "accepted": len(accepted), "worse": sum(one.worse_after for one in accepted),
        "harm": sum(one.worse_beyond_chance for one in accepted),
    }  # fmt: skip


def main(first: int, last: int) -> None:
    """Print a line a seed, and what the worst of them was."""
    model = with_log(serving_model(), LogPart())
    print(f"Unlearnt: times {model.basis}. Units scored in batches of {BATCH_DAYS:g} days, learning every 28.")
    print("Median error of units from the 200th on, unlearnt and as served; fall on units 200 to 249; coverage of")
    print("every run of 100 units, as served and unlearnt; updates tried, accepted, of a larger median error than what")
    print("they replaced on the month after, and farther from its units than chance explains (sign test at 5 %).")
    print(f"{'seed':>5}{'unlearnt':>10}{'served':>8}{'fall':>6}{'200-249':>9}{'covered':>10}{'unlearnt':>10}"
          f"{'tried':>7}{'accepted':>10}{'worse':>7}{'harm':>6}{'cpu s':>7}")  # fmt: skip
    every = []
    for seed in range(first, last):
        start = time.process_time()
        found = figures(replay(model, lay(model, year(seed), default_shop())))
        every.append(found)
        print(
            f"{seed:>5}{found['plain_pct']:>9.1f}%{found['served_pct']:>7.1f}%{found['fall_pct']:>5.0f}%"
            f"{found['early_fall_pct']:>8.0f}%{found['least_covered']:>6.0f}-{found['most_covered']:.0f}%"
            f"{found['plain_least']:>6.0f}-{found['plain_most']:.0f}%{found['tried']:>7}{found['accepted']:>10}"
            f"{found['worse']:>7}{found['harm']:>6}{time.process_time() - start:>7.0f}",
            flush=True,
        )
    print(
        f"{len(every)} years: fall at least {min(one['fall_pct'] for one in every):.0f} % "
        f"({min(one['early_fall_pct'] for one in every):.0f} % on units 200 to 249), coverage of any 100 units "
        f"{min(one['least_covered'] for one in every):.0f} to {max(one['most_covered'] for one in every):.0f} %, "
        f"{sum(one['accepted'] for one in every)} updates accepted, {sum(one['worse'] for one in every)} of them "
        f"of a larger median error on the month after, {sum(one['harm'] for one in every)} beyond chance."
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (100, 124))
