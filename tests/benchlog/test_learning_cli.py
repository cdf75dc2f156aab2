"""`advisor learn` and the line of `advisor log add`, as typed."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from advisor.benchlog import BenchLog, Job
from advisor.cli import open_door
from advisor.errors import AdvisorError
from advisor.files import datasets
from advisor.timing import serving_model

DEMO = datasets() / "demo"


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    app = typer.Typer(pretty_exceptions_enable=False)
    open_door(app, "learn")
    open_door(app, "log")

    def call(*words: str) -> str:
        result = CliRunner().invoke(app, list(words))
        if isinstance(result.exception, AdvisorError):
            raise result.exception
        assert result.exit_code == 0, result.output
        return result.output

    return call


@pytest.fixture
def sheet(tmp_path) -> Path:
    path = tmp_path / "old.csv"
    pd.read_csv(DEMO / "bench_log.csv").head(60).to_csv(path, index=False)
    return path


@pytest.mark.slow
def test_learning_keeps_lists_and_goes_back(run, sheet, tmp_path):
    said = run("learn", "--log", str(sheet), "--shop", str(DEMO / "shop.toml"))
    assert "Version 0001 learnt from 60 units" in said and "Accepted" in said
    assert "newly learnt" in said and "serving (shipped)" in said
    assert serving_model().version == "0001"
    listed = run("learn", "--versions")
    assert "> 0001" in listed and "accepted" in listed and "  shipped" in listed
    assert "Version shipped serves" in run("learn", "--use", "shipped")
    assert serving_model().version == "shipped"


def test_nothing_to_learn_from(run, tmp_path):
    with pytest.raises(AdvisorError, match="no bench log"):
        run("learn")
    with pytest.raises(AdvisorError, match="no version"):
        run("learn", "--use", "12")
    with pytest.raises(AdvisorError, match="--apply"):
        run("learn", "--apply")


@pytest.mark.parametrize("text", ["asset_tag,date\n", "", "\x00\x01", "cpu,image,edition,elapsed_min\n",
                                  "cpu,image,edition,elapsed_min\nx,debian-13,Xfce,abc\n",
                                  "cpu,image,edition,elapsed_min\ni5-6300U,debian-13,Xfce,60\n"])  # fmt: skip
def test_odd_logs_give_a_sentence(run, tmp_path, text):
    path = tmp_path / "odd.csv"
    path.write_text(text)
    try:
        said = run("learn", "--log", str(path))
    except AdvisorError as error:
        said = str(error)
    assert "odd.csv" in said or "Nothing was learnt" in said or "too few to judge" in said or "lacks" in said
    assert serving_model().version == "shipped"


def test_adding_a_unit_says_how_it_fell(run, tmp_path):
    with BenchLog() as book:
        book.add_unit("OM-1", {"cpu": "i5-6300U"}, {"elapsed_min": 60.0, "elapsed_low_min": 50.0,
                                                   "elapsed_high_min": 72.0}, None, "version 1")  # fmt: skip
    assert "61 min: within the 50 to 72 predicted." in run("log", "add", "OM-1", "--elapsed", "61")
    assert (tmp_path / "models" / "levels.json").is_file()
    assert "Units fall as the intervals promise" in run("learn", "--drift")
    assert "predicted" not in run("log", "add", "NEW-7", "--elapsed", "61")


def test_drift_without_predictions_says_so(run, sheet):
    with BenchLog() as book:
        book.add_jobs([Job("A", "2026-03-01", elapsed_min=60.0)])
    assert "cannot be seen" in run("learn", "--drift")
    assert "cannot be seen" in run("learn", "--drift", "--log", str(sheet))


def test_thresholds_are_only_written_when_asked(run, tmp_path):
    shop = tmp_path / "shop.toml"
    shop.write_text((DEMO / "shop.toml").read_text())
    before = shop.read_text()
    log_file = str(DEMO / "bench_log.csv")
    said = run("learn", "--log", log_file, "--thresholds", "--shop", str(shop))
    assert "units with an outcome" in said and shop.read_text() == before
    run("learn", "--log", log_file, "--thresholds", "--shop", str(shop), "--apply")
    from advisor.shop_file import read_shop

    read_shop(shop)


def test_applied_thresholds_serve_and_the_former_file_is_kept(run, tmp_path, monkeypatch):
    from advisor.benchlog import outcomes
    from advisor.shop_file import read_shop

    found = outcomes.Proposal("browser_s", "click to usable browser", 12, 9.5, 8.0, 11.0, 40, 12, True)
    monkeypatch.setattr(outcomes, "proposals", lambda rows, shop: [found])
    shop = tmp_path / "shop.toml"
    shop.write_text('thresholds.browser_s = 12\nname = "x"\n')
    said = run("learn", "--log", str(DEMO / "bench_log.csv"), "--thresholds", "--shop", str(shop), "--apply")
    assert read_shop(shop).thresholds.browser_s == 9.5
    [kept] = tmp_path.glob("shop.toml.before-*")
    assert str(kept) in said
    assert read_shop(kept).thresholds.browser_s == 12
