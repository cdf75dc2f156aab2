"""The exported log: what other programs find in it. All expected figures were worked out by hand."""

from __future__ import annotations

import subprocess
import sys

import pandas as pd
import pytest

import advisor
from advisor.advice import SCORED_COLUMNS
from advisor.benchlog import BenchLog, Job, exported, frame
from advisor.cli import main
from advisor.errors import InputError, ToolError

JOB = pd.DataFrame(
    {
        "job": [1, 2, 3, 4],
        "asset_tag": ["A", "B", "C", "D"],
        "maker": ["Hand", "Hand", "Hand", "Other"],
        "model": ["10", "10", "20", "=1+1"],
        "edition": ["MATE", "MATE", "Xfce", None],
        "parts": [None, "4 GiB DDR3 SODIMM", "", None],
        "hands_on_min": [30, None, 15, 6],
        "elapsed_min": [60.0, 120.0, 90.0, 30.0],
        "predicted_min": [50.0, 100.0, 100.0, None],
        "predicted_low_min": [40, 80, 95, None],
        "predicted_high_min": [70, 110, 130, None],
        "outcome": ["slow", "fine", "returned", None],
        "copy_min": [10.5, None, None, None],
    }
)
FITS = {
    "A": "fit SATA SSD 240 GB (none left in the drawer, to be bought): not usable becomes MATE, slow",
    "B": "fit 4 GiB DDR3 SODIMM (1 of 6, kept for this unit): LXDE becomes MATE; check that the board takes DDR3",
    "C": "SATA SSD 240 GB (not in the drawer) would give GNOME",
    "D": "no part helps",
    "E": "fit USB Wi-Fi adapter (AR9271) (2 in the drawer) and SATA SSD 240 GB (1 of 2, kept for this unit): Xfce "
    "as before; check that there is a SATA bay",
}
SCORED = pd.DataFrame({"Asset Tag": FITS, "best_fix": FITS, "lot": "north", "cpu_year": "2015"}).assign(
    **{"Asset Tag": list(FITS)}
)


@pytest.fixture(params=["sqlite", "duckdb"])
def base(request, tmp_path):
    if request.param == "duckdb":
        pytest.importorskip("duckdb")
    return exported.write(tmp_path / f"year.{request.param}", JOB, SCORED)


def rows(base, sql):
    found = exported.ask(base, sql).astype(object)
    return [tuple(row) for row in found.where(found.notna(), None).itertuples(index=False)]


def test_the_year_s_questions(base):
    """Hand 10: 60 + 120 min are 3 h, 30 of hands 0.5 h, one of two not fine; C: 90 of 100 is 10 % under, below 95."""
    cost = rows(base, "SELECT * FROM cost_by_model ORDER BY elapsed_h DESC, model")
    assert cost == [("Hand", "10", 2, 3, 0.5, 90, 50), ("Hand", "20", 1, 1.5, 0.25, 90, 100),
                    ("Other", "=1+1", 1, 0.5, 0.1, 30, None)]  # fmt: skip
    paid = rows(base, "SELECT * FROM part_that_would_have_paid")
    assert paid == [("SATA SSD 240 GB", 2, 1, 1, 2.5)]
    misses = rows(base, "SELECT * FROM misses ORDER BY model")
    assert [row[:4] for row in misses] == [("Hand", "10", "MATE", 2), ("Hand", "20", "Xfce", 1)]
    assert [figure for row in misses for figure in row[4:]] == pytest.approx([20, 20, 50, -10, 10, 0])


def test_parts_stand_without_where_they_come_from(base):
    found = dict(rows(base, "SELECT asset_tag, part_wanted FROM scored"))
    assert found == {
        "A": "SATA SSD 240 GB", "B": "4 GiB DDR3 SODIMM", "C": "SATA SSD 240 GB", "D": None,
        "E": "USB Wi-Fi adapter (AR9271) and SATA SSD 240 GB",
    }  # fmt: skip


def test_cells_keep_value_and_type(base):
    """Whole numbers are read from text; nothing stands in for what is missing; a formula is text in a database."""
    sql = "SELECT job, hands_on_min, copy_min, model, technician FROM job"
    assert rows(base, sql)[1:] == [(2, None, None, "10", None), (3, 15, None, "20", None), (4, 6, None, "=1+1", None)]
    assert set(rows(base, "SELECT cpu_year, lower(advice) FROM scored")) == {(2015, None)}


def test_every_column_says_what_it_holds(base, tmp_path):
    with BenchLog(tmp_path / "log.sqlite") as log:
        log.add_jobs([Job(asset_tag="A", done_on="2026-11-02", elapsed_min=50)])
        logged = frame(log)
    said = set(rows(base, "SELECT table_name, column_name FROM column_meaning WHERE length(meaning) > 5"))
    there = {
        (table, name) for table in ("job", "scored") for name in exported.ask(base, f"SELECT * FROM {table}").columns
    }
    assert said == there
    assert {name for table, name in there if table == "job"} == set(logged.columns)
    assert {name for table, name in there if table == "scored"} >= {*SCORED_COLUMNS, "asset_tag"}


def test_an_exported_file_is_only_read(base):
    with pytest.raises(InputError, match="cannot be asked"):
        exported.ask(base, "DELETE FROM job")
    assert rows(base, "SELECT count(*) FROM job") == [(4,)]


def test_parquet_holds_the_log(tmp_path):
    duckdb = pytest.importorskip("duckdb")
    path = exported.write(tmp_path / "jobs.parquet", JOB)
    assert duckdb.sql(f"SELECT sum(elapsed_min), count(*) FROM '{path}'").fetchall() == [(300, 4)]
    with pytest.raises(InputError, match="one table"):
        exported.write(path, JOB, SCORED)


def test_without_duckdb_a_sentence_names_the_extra(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "duckdb", None)
    with pytest.raises(ToolError) as told:
        exported.write(tmp_path / "year.duckdb", JOB)
    assert "bench-advisor[many]" in str(told.value.hint) and not list(tmp_path.iterdir())


@pytest.mark.slow
def test_the_command_puts_log_and_scored_batch_into_one_file(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    scored = advisor.score(pd.DataFrame({"tag": ["U-1"], "cpu": ["i5-6300U"], "ram": ["8 GB"], "disk": ["240 ssd"]}))
    scored.to_csv("scored.csv", index=False)
    for words in (
        ["add", "U-1", "--hands-on", "30", "--elapsed", "95"],
        ["export", "year.sqlite", "--scored", "scored.csv"],
        ["export", "jobs.csv"],
    ):
        monkeypatch.setattr(sys, "argv", ["advisor", "log", *words])
        with pytest.raises(SystemExit) as end:
            main()
        assert not end.value.code, capsys.readouterr().err
    found = rows("year.sqlite", "SELECT asset_tag, elapsed_min, advice FROM unit_year")
    assert found == [("U-1", 95, scored["advice"][0])]
    assert rows("year.sqlite", "SELECT cpu, ram_gib FROM scored") == [("i5-6300U", "8 GB")]
    assert "U-1" in (tmp_path / "jobs.csv").read_text()
    done = subprocess.run(
        [sys.executable, "-m", "advisor.cli", "log", "export", "jobs.csv", "--scored", "scored.csv"],
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 2 and ".sqlite" in done.stderr
