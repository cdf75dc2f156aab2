"""How good plans are, beside longest-first rules, and how near the bound: `python tests/benchmarks/bench_plan.py`.

Units are those of the demo's advice, drawn with a seed; nights and the day's end are left out, so that all units count.
"""

from __future__ import annotations

import random
import time
from dataclasses import replace
from datetime import date

from advisor import intake
from advisor.advice import assess
from advisor.files import datasets
from advisor.plan.hours import bench_of
from advisor.plan.problem import Bench, Technician, UnitJob, finish
from advisor.plan.rules import dispatch, longest_first
from advisor.plan.solver import solve
from advisor.plan.work import work_of
from advisor.shop_file import read_shop

DAY = date(2026, 11, 30)


def endless(bench: Bench) -> Bench:
    """The bench without the day's end."""
    people = tuple(
        Technician(one.name, tuple(span for span in one.away if span[1] < 10**5)) for one in bench.technicians
    )
    return replace(bench, technicians=people, close=None)


def main() -> None:
    """Print the table."""
    shop = read_shop(datasets() / "demo" / "shop.toml")
    batch = assess(intake.read(datasets() / "demo" / "intake.csv"), shop)
    bench, opens, _ = bench_of(shop)
    jobs = work_of(batch, endless(bench), DAY, 0.7, opens)[0]
    draw = random.Random(1)
    cases = [("the demo's day", jobs, endless(bench), 20)]
    for many, seconds in ((40, 20), (200, 60)):
        some = tuple(replace(draw.choice(jobs), tag=f"U-{n}") for n in range(many))
        cases.append((f"{many} units", some, replace(endless(bench), slots=6, sticks={"debian-13": 3}), seconds))
    print("minutes; longest first is the plan's length over it: one unit at a time, and several side by side")
    print(f"{'case':<16}{'units':>6}{'plan':>8}{'bound':>8}{'gap':>8}{'one at a time':>15}{'side by side':>14}{'s':>6}")
    for name, some, floor, seconds in cases:
        show(name, some, floor, seconds)


def show(name: str, jobs: tuple[UnitJob, ...], bench: Bench, seconds: float) -> None:
    """Plan one case and print its row."""
    began = time.perf_counter()
    found = solve(jobs, bench, seconds)
    took = time.perf_counter() - began
    peers = [finish(jobs, dispatch(jobs, bench, longest_first(jobs), stay)) for stay in (True, False)]
    print(
        f"{name:<16}{len(jobs):>6}{found.finish / 10:>8.1f}{found.bound / 10:>8.1f}{100 * found.gap:>7.2f}%"
        f"{found.finish / peers[0]:>15.3f}{found.finish / peers[1]:>14.3f}{took:>6.0f}"
    )


if __name__ == "__main__":
    main()
