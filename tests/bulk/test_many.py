"""What the extra `many` brings: Parquet, and workers of a cluster."""

from __future__ import annotations

import threading
from pathlib import Path

import pandas as pd
import pyarrow.parquet
import pytest
from distributed import Client, LocalCluster

from advisor import bulk, intake
from advisor.advice import SCORED_COLUMNS
from advisor.shop import Shop

from .conftest import DEMO


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
