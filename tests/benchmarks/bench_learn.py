"""How long a log of 100,000 units takes: adding one, reading all, learning, and laying it beside the model.

    python tests/benchmarks/bench_learn.py [ROWS]

Processor seconds stand beside wall seconds, since other work on the machine disturbs the latter. Peers: a bare INSERT
into a plain SQLite file with the same safety (write-ahead log, full synchronisation); scikit-learn's gradient boosting
on the same rows and features with its usual settings, which is what learning without physics would cost at least.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd


def timed(act: Callable[[], Any]) -> tuple[Any, float, float]:
    """What comes of it, wall and processor seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    out = act()
    return out, time.perf_counter() - wall, time.process_time() - cpu


def each(act: Callable[[int], Any], count: int) -> tuple[float, float]:
    """Median wall and mean processor milliseconds of one."""
    walls, start = [], time.process_time()
    for number in range(count):
        began = time.perf_counter()
        act(number)
        walls.append(time.perf_counter() - began)
    return 1000 * float(np.median(walls)), 1000 * (time.process_time() - start) / count


def demo_rows(count: int) -> pd.DataFrame:
    """The demo's invented rows, drawn again and scattered, with more models of PC than a shop meets."""
    from advisor.files import datasets

    draw = np.random.default_rng(0)
    log = pd.read_csv(datasets() / "demo" / "bench_log.csv")
    out = log.iloc[np.sort(draw.integers(0, len(log), count))].reset_index(drop=True)
    out["elapsed_min"] = (out["elapsed_min"] * np.exp(draw.normal(0, 0.1, count))).round(1)
    out["asset_tag"] = [f"B-{number}" for number in range(count)]
    out["model"] = out["model"] + " " + pd.Series(draw.integers(0, 60, count)).astype(str)
    return out


def fill(book: Any, rows: pd.DataFrame) -> None:
    """Put rows into a log as the program would have: the unit as scored, and the job."""
    import json

    facts = rows[["maker", "model", "cpu", "ram_gib", "storage_kind", "storage_gib", "link_mbps"]].to_dict("records")
    units, jobs = [], []
    for number, (fact, row) in enumerate(zip(facts, rows.to_dict("records"), strict=True), start=1):
        minutes = float(row["elapsed_min"])
        units.append((number, row["asset_tag"], f"{row['date']}T08:00:00.000Z", json.dumps(fact), row["edition"],
                      row["image"], minutes * 0.9, minutes * 0.75, minutes * 1.1, "version 1"))  # fmt: skip
        jobs.append((number, number, row["asset_tag"], row["date"], minutes, "logged here", row["date"]))
    with book.writing() as db:
        db.executemany(
            "INSERT INTO unit (id, asset_tag, scored_at, facts, edition, image, elapsed_min, elapsed_low_min,"
            " elapsed_high_min, model) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", units,
        )  # fmt: skip
        db.executemany(
            "INSERT INTO job (id, unit_id, asset_tag, done_on, elapsed_min, source, logged_at)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)", jobs,
        )  # fmt: skip


def main(count: int) -> None:
    """Print the figures."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    from advisor.benchlog import BenchLog, Job
    from advisor.benchlog.gate import MOST_NEWEST, rolling
    from advisor.benchlog.learning import logged, rows_of
    from advisor.files import datasets
    from advisor.shop_file import read_shop
    from advisor.timing.log import learn
    from advisor.timing.logged import lay
    from advisor.timing.model import speed_features
    from advisor.timing.versions import read_version

    shop = read_shop(datasets() / "demo" / "shop.toml")
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        book = BenchLog(home / "bench_log.sqlite")
        fill(book, demo_rows(count))
        plain = sqlite3.connect(home / "plain.sqlite", isolation_level=None)
        plain.execute("PRAGMA journal_mode = WAL")
        plain.execute("PRAGMA synchronous = FULL")
        plain.execute("CREATE TABLE job (id INTEGER PRIMARY KEY, tag TEXT, day TEXT, minutes REAL)")
        bare = each(lambda n: plain.execute("INSERT INTO job (tag, day, minutes) VALUES (?, ?, ?)",
                                            (f"P-{n}", "2026-09-05", 60.0)), 200)  # fmt: skip
        add = each(lambda n: book.add_jobs([Job(f"B-{n}", "2026-09-05", elapsed_min=60.0)]), 200)
        said = each(lambda n: logged(book, [n + 1]), 20)
        print(f"A log of {count} units")
        print(f"  {'':<34}{'wall':>10}{'processor':>11}")
        print(f"  {'add a row':<34}{add[0]:>7.1f} ms{add[1]:>8.1f} ms   {add[1] / bare[1]:.1f} times a bare INSERT")
        print(f"  {'a bare INSERT':<34}{bare[0]:>7.1f} ms{bare[1]:>8.1f} ms")
        print(f"  {'its line, drift and levels':<34}{said[0]:>7.1f} ms{said[1]:>8.1f} ms")
        model = read_version("shipped", home)
        every = []

        def step(name: str, act: Callable[[], Any]) -> Any:
            out, wall, cpu = timed(act)
            every.append((wall, cpu))
            print(f"  {name:<34}{wall:>8.1f} s{cpu:>9.1f} s", flush=True)
            return out

        rows = step("read the log", lambda: rows_of(book))
        laid = step("lay it beside the model", lambda: lay(model, rows, shop))
        step("learn", lambda: learn(model, laid))
        step("judge the newest", lambda: rolling(model, laid, min(MOST_NEWEST, len(laid))))
        features, target = speed_features(laid.given.conditions), np.log(laid.elapsed)
        _, *boosting = timed(lambda: HistGradientBoostingRegressor(random_state=0).fit(features, target))
        whole = np.sum(every, axis=0)
        print(f"  {'advisor learn in all':<34}{whole[0]:>8.1f} s{whole[1]:>9.1f} s   "
              f"{whole[1] / boosting[1]:.1f} times one plain boosting ({boosting[1]:.1f} s)")  # fmt: skip
        book.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
