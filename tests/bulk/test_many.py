"""What the extra `many` brings: Parquet, and workers of a cluster."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path
from textwrap import dedent

import dask
import fsspec
import pandas as pd
import pyarrow.parquet
import pytest
from distributed import Client, LocalCluster

from advisor import bulk, intake
from advisor.advice import SCORED_COLUMNS
from advisor.files import datasets
from advisor.shop import Shop, default_shop

from .conftest import DEMO, Whole

SHOP = datasets() / "demo" / "shop.toml"
IN_SMALL_PIECES = """
from advisor.bulk import run, work
run.PIECE = work.PIECE = 7
run._CHUNK = 25
from advisor.cli import main
main()
"""
DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def command(code: str, *words: str) -> subprocess.Popen[str]:
    """The command line, in a process of its own."""
    return subprocess.Popen([sys.executable, "-c", code, "score", *words], stderr=subprocess.PIPE, text=True)


@pytest.mark.slow
def test_parquet_in_and_out(tmp_path: Path, shop: Shop, demo_bytes: bytes) -> None:
    path = tmp_path / "in.parquet"
    intake.read(DEMO).to_parquet(path, index=False)
    bulk.score_sheet(path, tmp_path / "out.csv", shop)
    assert (tmp_path / "out.csv").read_bytes() == demo_bytes
    bulk.score_sheet(DEMO, tmp_path / "out.parquet", shop)
    table = pyarrow.parquet.read_table(tmp_path / "out.parquet")
    numbers = {field.name: str(field.type) for field in table.schema if str(field.type) != "string"}
    assert numbers == {
        "cpu_year": "int64", "hands_on_min": "double", "elapsed_min": "double", "elapsed_low_min": "double",
        "elapsed_high_min": "double",
    }  # fmt: skip
    (tmp_path / "want.csv").write_bytes(demo_bytes)
    want = pd.read_csv(tmp_path / "want.csv", dtype=str, keep_default_na=False)
    for name in want.columns:
        have = table[name].to_pylist()
        if name in numbers and name in SCORED_COLUMNS:
            assert have == [float(cell) if cell else None for cell in want[name]], name
        else:
            assert have == want[name].tolist(), name


@pytest.mark.slow
@pytest.mark.usefixtures("small")
def test_a_cluster_of_which_a_worker_is_killed_gives_the_same_bytes(
    tmp_path: Path, shop: Shop, demo_bytes: bytes
) -> None:
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        pool = client.get_executor(pure=False)
        victim = next(iter(cluster.workers.values()))
        killed = threading.Event()

        def told(done: int, every: int) -> None:
            if not killed.is_set():
                victim.process.process.kill()
                killed.set()

        bulk.score_sheet(DEMO, tmp_path / "out.csv", shop, executor=pool, progress=told)
        assert killed.is_set()
    assert (tmp_path / "out.csv").read_bytes() == demo_bytes


@pytest.mark.slow
def test_workers_on_this_machine_by_the_command_line(tmp_path: Path, demo_bytes: bytes) -> None:
    out = tmp_path / "out.csv"
    done = command(IN_SMALL_PIECES, str(DEMO), "--shop", str(SHOP), "--out", str(out), "--local-cluster", "2")
    _, said = done.communicate(timeout=200)
    assert out.read_bytes() == demo_bytes, said


@pytest.mark.slow
def test_a_cluster_by_its_address_of_which_a_worker_is_killed_half_way(
    tmp_path: Path, shop: Shop, whole: Whole
) -> None:
    stock, out = tmp_path / "stock.csv", tmp_path / "out.csv"
    demo = intake.read(DEMO)
    many = pd.concat([demo.assign(**{"asset tag": f"{turn}-" + demo["asset tag"]}) for turn in range(4)])
    many.assign(storage_gib=[str(60 + row) for row in range(len(many))]).to_csv(stock, index=False)
    with LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster:
        victim = next(iter(cluster.workers.values()))
        words = (str(stock), "--shop", str(SHOP), "--out", str(out), "--cluster", cluster.scheduler_address)
        running = command(IN_SMALL_PIECES, *words)
        # A chunk's work passes some three states: some chunks are done, most are not.
        while running.poll() is None and len(cluster.scheduler.transition_log) < 9:
            time.sleep(0.02)
        assert running.poll() is None, running.stderr.read() if running.stderr else ""
        victim.process.process.kill()
        _, said = running.communicate(timeout=200)
    assert out.read_bytes() == whole(stock, shop), said


@pytest.mark.slow
def test_a_stock_in_parts_is_scored_as_the_page_for_contributors_says(
    tmp_path: Path, whole: Whole, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The recipe's own text, on parts in memory in place of a bucket; the built-in shop, which has no drawer."""
    text = DEVELOPERS.read_text(encoding="utf-8")
    [recipe] = [part.split("```")[0] for part in text.split("```python") if "map_partitions" in part]
    store = fsspec.filesystem("memory")
    demo = intake.read(DEMO)
    for at, rows in enumerate((slice(0, 30), slice(30, None))):
        with store.open(f"/bucket/stock-{at}.csv", "w") as file:
            demo[rows].to_csv(file, index=False)
    monkeypatch.chdir(tmp_path)
    with dask.config.set(scheduler="synchronous"):
        exec(dedent(recipe).replace("s3://bucket", "memory://bucket"), {"shop": default_shop()})
    found = pd.concat([pd.read_parquet(store.open(path)) for path in sorted(store.glob("/bucket/scored/*.parquet"))])
    (tmp_path / "want.csv").write_bytes(whole(DEMO, default_shop()))
    want = pd.read_csv(tmp_path / "want.csv", dtype=str, keep_default_na=False)
    assert list(found.columns) == list(want.columns)
    assert found["advice"].tolist() == want["advice"].tolist()
    assert found["do_first"].fillna("").tolist() == want["do_first"].tolist()
