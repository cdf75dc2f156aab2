"""The bench log loses nothing it said it wrote, refuses what breaks its rules, and says clearly what is wrong."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from advisor.benchlog import ready
from advisor.benchlog.database import APPLICATION_ID, BenchLog, Job, LogError, minutes_between
from advisor.benchlog.frames import frame
from advisor.benchlog.laps import watches
from advisor.benchlog.queue import Queue, Queued
from advisor.benchlog.rescue import examine, repair
from advisor.benchlog.schema import MIGRATIONS
from advisor.errors import InputError
from advisor.unit import Unit

WRITER = """
import sys
from advisor.benchlog import ready
from advisor.benchlog.database import APPLICATION_ID, BenchLog, Job
log = BenchLog(sys.argv[1])
for number in range(int(sys.argv[3])):
    tag = f"{sys.argv[2]}-{number:04d}"
    log.add_jobs([Job(tag, "2026-03-04", 20.0, 60.0, phases={"copy": 5.0})])
    print(tag, flush=True)
"""


def writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), name, str(count)], stdout=subprocess.PIPE, text=True
    )


def tags(path: Path) -> list[str]:
    with BenchLog(path) as log:
        return [row["asset_tag"] for row in log.rows("SELECT asset_tag FROM job ORDER BY id")]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


@pytest.mark.slow
def test_a_killed_writer_loses_no_row_it_reported(path: Path) -> None:
    chance = random.Random(20260304)
    reported: set[str] = set()
    for round_number in range(8):
        process = writer(path, f"K{round_number}", 200)
        assert process.stdout is not None
        stop_after = chance.randrange(1, 60)
        for _ in range(stop_after):
            reported.add(process.stdout.readline().strip())
        time.sleep(chance.random() * 0.01)
        process.send_signal(signal.SIGKILL)
        reported.update(line.strip() for line in process.stdout if line.endswith("\n"))
        process.wait()
        assert reported <= set(tags(path))
    assert examine(path).sound
    with BenchLog(path) as log:
        half = log.rows("SELECT id FROM job WHERE id NOT IN (SELECT job_id FROM job_phase)")
    assert not half, "a job was kept without its phases"


@pytest.mark.slow
def test_two_writers_at_once_lose_nothing(path: Path) -> None:
    BenchLog(path).close()
    both = [writer(path, name, 100) for name in ("A", "B")]
    for process in both:
        assert process.wait(timeout=60) == 0
        assert process.stdout is not None
        process.stdout.close()
    found = tags(path)
    assert len(found) == 200
    assert len(set(found)) == 200


def test_a_waiting_writer_says_so_and_gives_up_with_a_clear_sentence(path: Path) -> None:
    said: list[str] = []
    with BenchLog(path) as first, BenchLog(path, wait_s=1.2, on_wait=said.append) as second:
        with first.writing(), pytest.raises(LogError, match="being written by another program"):
            second.add_jobs([Job("W-1", "2026-03-04", 1.0)])
        second.add_jobs([Job("W-2", "2026-03-04", 1.0)])
    assert said == ["Another program is writing to the bench log; waiting for it."]
    assert tags(path) == ["W-2"]


@pytest.mark.parametrize(
    ("job", "words"),
    [
        (Job("", "2026-03-04", 1.0), "no asset tag"),
        (Job("T", "4.3.2026", 1.0), "is no day"),
        (Job("T", "2026-03-04"), "no minutes"),
        (Job("T", "2026-03-04", -1.0), "not believable"),
        (Job("T", "2026-03-04", 1.0, outcome="splendid"), "no outcome"),
    ],
)
def test_a_job_that_breaks_a_rule_is_refused_and_its_batch_with_it(path: Path, job: Job, words: str) -> None:
    with BenchLog(path) as log:
        with pytest.raises(InputError, match=words):
            log.add_jobs([Job("GOOD", "2026-03-04", 10.0), job])
        assert log.rows("SELECT * FROM job") == []


def test_an_edit_keeps_what_stood_before(path: Path) -> None:
    with BenchLog(path) as log:
        [number] = log.add_jobs([Job("E-1", "2026-03-04", 10.0, 50.0)])
        log.edit_job(number, elapsed_min=55.0)
        log.edit_job(number, elapsed_min=57.0, note="clock was wrong")
        before = [
            row["before"] for row in log.rows("SELECT json_extract(before, '$.elapsed_min') AS before FROM history")
        ]
        assert before == [50.0, 55.0]
        with pytest.raises(InputError, match="no field"):
            log.edit_job(number, logged_at="never")
        with pytest.raises(InputError, match="no job 99"):
            log.edit_job(99, note="x")


def test_stopwatches_run_side_by_side_and_survive_a_restart(path: Path) -> None:
    with BenchLog(path) as log:
        log.start("S-1", "copy", at="2026-03-04T10:00:00.000Z")
        log.start("S-2", "copy", at="2026-03-04T10:01:00.000Z")
        with pytest.raises(InputError, match="running already"):
            log.start("S-1", "copy")
    with BenchLog(path) as log:
        assert [row["asset_tag"] for row in log.running()] == ["S-1", "S-2"]
        assert log.stop("S-1", "copy", at="2026-03-04T10:07:30.000Z") == pytest.approx(7.5)
        log.start("S-1", "copy", at="2026-03-04T10:08:00.000Z")
        log.stop("S-1", "copy", at="2026-03-04T10:09:00.000Z")
        assert watches(log, "S-1").timed() == pytest.approx({"copy": 8.5})
        with pytest.raises(InputError, match="No stopwatch"):
            log.stop("S-3", "copy")


def test_a_corrected_tag_takes_its_stopwatches_along_but_not_what_is_logged(path: Path) -> None:
    with BenchLog(path) as log:
        log.start("S-1", "boot", at="2020-03-04T09:00:00.000Z")
        log.stop("S-1", "boot", at="2020-03-04T09:05:00.000Z")
        log.add_jobs([Job(asset_tag="S-1", done_on="2020-03-04", elapsed_min=5)])
        log.start("S-1", "copy", at="2999-03-04T09:00:00.000Z")
        log.start("S-2", "copy", at="2999-03-04T09:01:00.000Z")
        with pytest.raises(InputError, match="runs for S-1 and for S-2"):
            log.retag("S-1", "S-2")
        log.stop("S-1", "copy")
        assert log.retag("S-1", "S-2") == 1 and log.retag("S-9", "S-2") == 0
        assert [row["asset_tag"] for row in log.rows("SELECT asset_tag FROM stopwatch ORDER BY id")] == [
            "S-1", "S-2", "S-2",
        ]  # fmt: skip


def test_minutes_are_counted_across_midnight() -> None:
    assert minutes_between("2026-03-04T23:59:30.000Z", "2026-03-05T00:01:00.000Z") == pytest.approx(1.5)


def test_another_database_is_not_taken_for_a_bench_log(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE songs (title)")
    other.commit()
    other.close()
    with pytest.raises(LogError, match="not a bench log"):
        BenchLog(path)


def test_a_log_of_a_newer_version_is_refused(path: Path) -> None:
    with BenchLog(path) as log:
        log.rows("PRAGMA user_version = 99")
    with pytest.raises(LogError, match=r"newer|version 99"):
        BenchLog(path)


def test_a_read_only_folder_gives_a_clear_error(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        # Root may write anywhere; a file in the folder's place refuses root too.
        blocked = tmp_path / "file"
        blocked.write_text("x")
    else:
        blocked = tmp_path / "closed"
        blocked.mkdir(mode=0o500)
    with pytest.raises(LogError, match=r"cannot be opened|could not be opened"):
        BenchLog(blocked / "sub" / "log.sqlite")


def test_a_full_disk_leaves_the_log_as_it_was(path: Path) -> None:
    with BenchLog(path) as log:
        log.add_jobs([Job("F-1", "2026-03-04", 10.0)])
        pages = log.rows("PRAGMA page_count")[0][0]
        # SQLite's own page limit raises the same 'database or disk is full' as a full disk does.
        log.rows(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(LogError, match="full"):
            log.add_jobs([Job(f"F-{number}", "2026-03-04", 10.0, note="x" * 5000) for number in range(2, 50)])
    assert tags(path) == ["F-1"]
    assert examine(path).sound


def test_a_damaged_file_is_detected_and_what_is_readable_is_saved(path: Path) -> None:
    with BenchLog(path) as log:
        log.add_jobs(
            [
                Job(f"D-{number}", "2026-03-04", 10.0, 40.0, note="n" * 300, phases={"copy": 3.0})
                for number in range(1200)
            ]
        )
        page = log.rows("SELECT pgno FROM (SELECT rootpage AS pgno FROM sqlite_schema WHERE name = 'job')")[0][0]
        log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        size = log.rows("PRAGMA page_size")[0][0]
    data = bytearray(path.read_bytes())
    used = [at for at in range(page, len(data) // size) if b"D-600" in data[at * size : (at + 1) * size]]
    assert used
    data[used[0] * size : used[0] * size + size] = os.urandom(size)
    path.write_bytes(bytes(data))

    assert not examine(path).sound
    kept, saved, lost = repair(path)
    assert kept.exists()
    assert 1100 <= saved["job"] < 1200, "only the rows of the damaged page may be lost"
    assert saved["job"] + lost["job"] >= 1200
    assert examine(path).sound
    assert saved["job_phase"] == saved["job"]
    assert "D-0" in tags(path)


def test_a_repaired_log_still_knows_who_waits_and_who_may_not_leave(path: Path) -> None:
    with BenchLog(path) as log:
        [job] = log.add_jobs([Job("Q-1", "2026-03-04", 10.0)])
        [number] = Queue(log).add([Queued(Unit(asset_tag="Q-2"))])
        Queue(log).mark(number, job=job)
        Queue(log).choose_shop("/shops/mine.toml", "")
        ready.keep(log, "Q-2", 1, ["must mend: a list"])
    _, saved, lost = repair(path)
    assert (saved["queue"], saved["handover"], sum(lost.values())) == (1, 1, 0) and examine(path).sound
    with BenchLog(path) as log:
        assert [(one.tag, one.job) for one in Queue(log).units()] == [("Q-2", job)]
        assert (Queue(log).chosen_shop(""), Queue(log).chosen_shop("other")) == ("/shops/mine.toml", "")
        with pytest.raises(InputError, match="not ready"):
            log.add_jobs([Job("Q-2", "2026-03-04", 10.0)])


@pytest.fixture
def link(tmp_path: Path) -> Path:
    """A link to a damaged log that only its owner may read, and whose newest row is still in its write-ahead log."""
    place = tmp_path / "server"
    place.mkdir()
    real = place / "log.sqlite"
    with BenchLog(real) as log:
        log.add_jobs([Job("L-1", "2026-03-04", 10.0)])
    real.chmod(0o600)
    script = "import os, sys; from advisor.benchlog.database import BenchLog, Job; log = BenchLog(sys.argv[1]); "
    script += "log.add_jobs([Job('L-2', '2026-03-04', 10.0)]); os._exit(0)"
    subprocess.run([sys.executable, "-c", script, str(real)], check=True)
    assert real.with_name("log.sqlite-wal").stat().st_size
    with real.open("r+b") as file:
        file.seek(68)
        file.write(b"none")  # its mark (SQLite's file format, 1.3: bytes 68 to 71)
    link = tmp_path / "log.sqlite"
    link.symlink_to(real)
    return link


def test_a_repaired_log_stays_where_it_was_and_as_private_and_each_damaged_one_is_kept(link: Path) -> None:
    real = link.resolve()
    kept, saved, _ = repair(link)
    assert saved["job"] == 2 and tags(link) == ["L-1", "L-2"]
    assert link.is_symlink() and {stat.S_IMODE(one.stat().st_mode) for one in (real, kept)} == {0o600}
    assert kept.with_name(f"{kept.name}-wal").stat().st_size
    assert repair(link)[0] != kept


@pytest.mark.parametrize("call", ["link", "unlink", "replace"])
def test_a_repair_that_is_stopped_leaves_a_log_and_loses_no_row(
    link: Path, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(os, call, stop)
        with pytest.raises(KeyboardInterrupt):
            repair(link)
    assert link.exists()
    kept = [*link.resolve().parent.glob("*.damaged-*-wal")]
    assert repair(link)[1]["job"] == 2 or kept


def test_a_log_on_a_disk_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    path.symlink_to(tmp_path / "not mounted" / "log.sqlite")
    with pytest.raises(LogError, match=r"could not be opened: unable to open") as caught:
        BenchLog(path)
    assert caught.value.hint
    with pytest.raises(LogError, match="cannot be opened"):
        examine(path)


def test_a_log_of_the_first_version_is_repaired_without_the_tables_that_came_later(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as old:
        old.executescript(f"{MIGRATIONS[0]} PRAGMA user_version = 1; PRAGMA application_id = {APPLICATION_ID};")
        old.execute("INSERT INTO job (asset_tag, done_on, logged_at) VALUES ('V-1', '2026-03-04', '2026-03-04')")
        old.commit()
    _, saved, lost = repair(path)
    assert saved["job"] == 1 and not any(lost.values()) and tags(path) == ["V-1"]


def test_rubbish_is_no_bench_log(path: Path) -> None:
    path.write_bytes(os.urandom(8192))
    with pytest.raises(LogError, match="check --repair"):
        BenchLog(path)
    with pytest.raises(LogError, match=r"cannot be repaired|Nothing of"):
        repair(path)
    assert path.exists()


@pytest.mark.parametrize("damage", ["a name that is no UTF-8", "facts that are no JSON"])
def test_a_damaged_log_is_refused_in_a_sentence(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "log.sqlite"
    with BenchLog(path) as log:
        unit = log.add_unit("A1", {"cpu": "i5-6300U"}, {}, None, "")
        log.add_jobs([Job("A1", "2026-03-04", 20.0, 60.0)])
        if damage == "facts that are no JSON":
            log.rows("PRAGMA ignore_check_constraints = ON")
            with log.writing() as rows:
                rows.execute("UPDATE unit SET facts = '{'")
                rows.execute("UPDATE job SET unit_id = ?", (unit,))
    if damage == "a name that is no UTF-8":
        path.write_bytes(path.read_bytes().replace(b"TABLE outcome", b"TABL\xff outcome"))
    with pytest.raises(LogError, match="check --repair"), BenchLog(path) as log:
        frame(log)
