"""The bench log on the command line: stopwatches, jobs, corrections, and what each says."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from advisor.benchlog import BenchLog
from advisor.benchlog import frame as log_frame
from advisor.cli.log import log_app
from advisor.errors import InputError


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    return tmp_path / "log.sqlite"


def run(log: Path, *words: str) -> Result:
    return CliRunner().invoke(log_app, [*words, "--log", str(log)])


def test_stopwatches_of_two_units_end_in_the_job(log: Path) -> None:
    assert "A-1, copy: running." in run(log, "start", "A-1", "copy").stdout
    assert "A-2, updates: running." in run(log, "start", "A-2", "updates").stdout
    with BenchLog(log) as book, book.writing() as db:
        db.execute("UPDATE stopwatch SET started_at = strftime('%Y-%m-%dT%H:%M:%fZ', started_at, '-90 seconds')")
    shown = run(log, "running").stdout
    assert "A-1" in shown and "updates" in shown and shown.count("1.5 min") == 2
    assert "A-1, copy: 1.5 min." in run(log, "stop", "A-1", "copy").stdout
    done = run(log, "add", "A-1", "--hands-on", "20", "--elapsed", "60", "--phase", "boot=2,5", "--outcome", "fine")
    assert done.exit_code == 0 and "copy 1.5" in done.stdout and "boot 2.5" in done.stdout
    with BenchLog(log) as book:
        row = log_frame(book).iloc[0]
        assert [one["asset_tag"] for one in book.running()] == ["A-2"]
    assert (row["copy_min"], row["boot_min"], row["outcome"]) == (pytest.approx(1.5, abs=0.01), 2.5, "fine")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("start", "A-1", "lunch"), "no phase"),
        (("stop", "A-1", "copy"), "No stopwatch"),
        (("add", "A-1"), "no minutes"),
        (("add", "A-1", "--hands-on", "70", "--elapsed", "60"), "--hands-on 70"),
        (("add", "A-1", "--elapsed", "60", "--phase", "copy=soon"), "no number of minutes"),
        (("add", "A-1", "--elapsed", "60", "--date", "4.3.2026"), "no day"),
        (("edit", "99", "--elapsed", "5"), "no job 99"),
    ],
)
def test_what_cannot_be_is_refused_in_words(log: Path, words: tuple[str, ...], said: str) -> None:
    done = run(log, *words)
    assert isinstance(done.exception, InputError) and said in done.exception.message


def test_a_clock_set_back_gives_no_negative_minutes(log: Path) -> None:
    with BenchLog(log) as book:
        book.start("A-1", "copy", at="2026-03-04T10:00:00.000Z")
        assert book.stop("A-1", "copy", at="2026-03-04T09:00:00.000Z") == 0


def test_export_edit_and_outcome(log: Path, tmp_path: Path) -> None:
    run(log, "add", "=1+1", "--elapsed", "60", "--date", "2026-03-04", "--note", "first\nsecond")
    assert "Job 1 changed" in run(log, "edit", "1", "--elapsed", "64").stdout
    assert "Job 1: returned." in run(log, "outcome", "1", "returned", "--reason", "Wi-Fi", "--later").stdout
    assert "1 jobs written" in run(log, "export", str(tmp_path / "jobs.csv")).stdout
    row = pd.read_csv(tmp_path / "jobs.csv").iloc[0]
    assert (row["asset_tag"], row["elapsed_min"], row["outcome"], row["reason"]) == ("'=1+1", 64, "returned", "Wi-Fi")
    assert "1 jobs shown" in run(log, "list").stdout
    assert "sound" in run(log, "check").stdout
