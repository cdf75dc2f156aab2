"""The bench log on the command line: stopwatches, jobs, corrections, and what each says."""

from __future__ import annotations

import re
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
    assert "A-1" in shown and "updates" in shown and shown.count(" min") == 2
    # A minute and a half, and what these calls themselves take.
    copied = float(re.search(r"A-1, copy: ([0-9.]+) min\.", run(log, "stop", "A-1", "copy").stdout)[1])
    assert 1.5 <= copied < 30
    done = run(log, "add", "A-1", "--hands-on", "20", "--elapsed", "60", "--phase", "boot=2,5", "--outcome", "fine")
    assert done.exit_code == 0 and f"copy {copied:g}" in done.stdout and "boot 2.5" in done.stdout
    with BenchLog(log) as book:
        row = log_frame(book).iloc[0]
        assert [one["asset_tag"] for one in book.running()] == ["A-2"]
    assert (row["copy_min"], row["boot_min"], row["outcome"]) == (pytest.approx(copied, abs=0.06), 2.5, "fine")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("start", "A-1", "lunch"), "no phase"),
        (("stop", "A-1", "copy"), "No stopwatch"),
        (("add", "A-1"), "no minutes"),
        (("add", "A-1", "--hands-on", "70", "--elapsed", "60"), "70 hands-on minutes"),
        (("add", "A-1", "--elapsed", "60", "--phase", "copy=soon"), "no number of minutes"),
        (("add", "A-1", "--elapsed", "60", "--date", "4.3.2026"), "no day"),
        (("edit", "99", "--elapsed", "5"), "no job 99"),
        (("outcome", "99", "fine"), "no job 99"),
    ],
)
def test_what_cannot_be_is_refused_in_words(log: Path, words: tuple[str, ...], said: str) -> None:
    BenchLog(log).close()
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
    assert "1 job written" in run(log, "export", str(tmp_path / "jobs.csv")).stdout
    row = pd.read_csv(tmp_path / "jobs.csv").iloc[0]
    assert (row["asset_tag"], row["elapsed_min"], row["outcome"], row["reason"]) == ("'=1+1", 64, "returned", "Wi-Fi")
    assert "1 job shown" in run(log, "list").stdout
    assert "sound" in run(log, "check").stdout


BAD = [
    (("--elapsed", "nan"), "not believable"), (("--elapsed", "inf"), "not believable"),
    (("--elapsed", "-5"), "not believable"), (("--hands-on", "nan"), "not believable"),
    (("--elapsed", "0"), "no time"), (("--elapsed", "100000"), "not believable"),
    (("--hands-on", "70", "--elapsed", "60"), "70 hands-on minutes are more than the 60"),
    (("--elapsed", "60", "--date", "yesterday"), "no day"), (("--elapsed", "60", "--date", "2999-01-01"), "lies ahead"),
    (("--elapsed", "60", "--date", "2026-3-4"), "no day"), (("--elapsed", "60", "--date", "20260304"), "no day"),
    (("--elapsed", "60", "--date", "1066-10-14"), "lies before 1990"),
    (("--elapsed", "60", "--note", "x" * 10_001), "10001 characters"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), BAD)
def test_a_new_and_an_edited_job_keep_the_same_rules(log: Path, words: tuple[str, ...], said: str) -> None:
    new = run(log, "add", "A-1", *words)
    assert isinstance(new.exception, InputError) and said in new.exception.message
    assert not log.exists(), "a job that is refused makes no log"
    assert run(log, "add", "A-1", "--hands-on", "20", "--elapsed", "60").exit_code == 0
    edited = run(log, "edit", "1", *words)
    assert isinstance(edited.exception, InputError) and said in edited.exception.message
    with BenchLog(log) as book:
        row = log_frame(book).iloc[0]
    assert (row["hands_on_min"], row["elapsed_min"]) == (20, 60)


def test_an_edit_is_checked_with_what_the_job_has_already(log: Path) -> None:
    run(log, "add", "A-1", "--hands-on", "20", "--elapsed", "60")
    done = run(log, "edit", "1", "--elapsed", "15")
    assert "20 hands-on minutes are more than the 15" in str(done.exception)
    assert run(log, "edit", "1", "--elapsed", "15", "--hands-on", "10", "--edition", "xfce").exit_code == 0
    with BenchLog(log) as book:
        assert log_frame(book).iloc[0]["edition"] == "Xfce"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fine", "--date", "yesterday"), "no day"), (("fine", "--date", "2999-01-01"), "lies ahead"),
        (("fine", "--date", "2026-03-03"), "lies before 2026-03-04"), (("splendid",), "no outcome"),
    ],
)  # fmt: skip
def test_an_outcome_keeps_the_rules_of_days(log: Path, words: tuple[str, ...], said: str) -> None:
    run(log, "add", "A-1", "--elapsed", "60", "--date", "2026-03-04")
    done = run(log, "outcome", "1", *words)
    assert isinstance(done.exception, InputError) and said in done.exception.message
    assert run(log, "outcome", "1", "fine", "--date", "2026-03-04").exit_code == 0


@pytest.mark.parametrize(
    "words",
    [("list",), ("running",), ("export", "jobs.csv"), ("check",), ("edit", "1", "--note", "x"),
     ("outcome", "1", "fine"), ("stop", "A", "copy"), ("add", "A"),
     ("add", "A", "--elapsed", "nan"), ("start", "A", "lunch")],
)  # fmt: skip
def test_looking_makes_no_file_and_no_folder(tmp_path: Path, monkeypatch, words: tuple[str, ...]) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    done = CliRunner().invoke(log_app, [*words, "--log", str(tmp_path / "logs" / "log.sqlite")])
    assert "no bench log" in f"{done.output}{done.exception}" or words[0] in ("add", "start")
    CliRunner().invoke(log_app, list(words))
    assert list(tmp_path.iterdir()) == []


def test_looking_leaves_a_log_as_it_was(log: Path, tmp_path: Path) -> None:
    run(log, "add", "A-1", "--elapsed", "60")
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir() if one.is_file()}
    assert run(log, "list").exit_code == run(log, "running").exit_code == 0
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir() if one.is_file()} == before
