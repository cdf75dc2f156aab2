"""Old log sheets: what they say is taken over once, what is ambiguous is refused, and an export comes back the same."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from advisor import benchlog, intake
from advisor.benchlog import BenchLog, Job, importing, sheet_cells
from advisor.benchlog.frames import as_csv
from advisor.benchlog.headers import read_sheet, vocabulary
from advisor.benchlog.jobs import _UNKEPT
from advisor.benchlog.laps import watches
from advisor.benchlog.sheet_cells import Order
from advisor.benchlog.sheets import understand
from advisor.cli.log import log_app
from advisor.errors import InputError
from advisor.files import datasets

TODAY = dt.date(2026, 11, 25)
FUZZ = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        # Expected minutes by hand.
        ("80", 80), ("80 min", 80), ("80m", 80), ("80 mins.", 80), ("1h20", 80), ("1 h 20 min", 80), ("1hr 20", 80),
        ("1:20", 80), ("01:20:00", 80), ("1.5 h", 90), ("1,5 hours", 90), ("2 hours", 120), ("0:45", 45),
        ("1 day, 2:00:00", 1560), ("45'", 45), ("12,5", 12.5), ("ca. 80 min", 80), ("0", 0), ("-", None), ("n/a", None),
    ],
)  # fmt: skip
def test_times_as_people_write_them(typed, expected):
    found = sheet_cells.minutes(typed, "min")
    assert found.value == expected and not found.problem


@pytest.mark.parametrize(
    "typed",
    ["75-90", "1:75", "80:00", "soon", "1,234", "-5", "1.5h20", "1h75", "999999999", "inf", "8 0", "½ h"],
)
def test_times_that_are_none_or_may_be_two_are_refused(typed):
    found = sheet_cells.minutes(typed, "min")
    assert found.value is None and found.problem and found.accepted


def test_a_number_without_a_unit_is_asked_about():
    assert "minutes or hours" in sheet_cells.minutes("2").problem
    assert sheet_cells.minutes("2", "h").value == 120


@pytest.mark.parametrize(
    ("typed", "order", "expected"),
    [
        ("2026-03-04", None, "2026-03-04"), ("2026/3/4", None, "2026-03-04"), ("20260304", None, "2026-03-04"),
        ("2026-03-04 10:15:00", None, "2026-03-04"), ("2026-03-04T10:15:00Z", None, "2026-03-04"),
        ("4 Mar 2026", None, "2026-03-04"), ("March 4, 2026", None, "2026-03-04"),
        ("Wed 4th March 2026", None, "2026-03-04"),
        ("4-Mar-26", None, "2026-03-04"), ("25/04/2026", None, "2026-04-25"), ("04/25/2026", None, "2026-04-25"),
        ("3.3.2026", None, "2026-03-03"), ("03/04/2026", "dmy", "2026-04-03"), ("03/04/2026", "mdy", "2026-03-04"),
        ("26-03-04", "ymd", "2026-03-04"), ("03/04/26", "dmy", "2026-04-03"), ("2026-03-04", "dmy", "2026-03-04"),
    ],
)  # fmt: skip
def test_days_as_people_write_them(typed, order, expected):
    found = sheet_cells.day(typed, Order(order) if order else None, TODAY)
    assert (found.value, found.problem) == (expected, "")


@pytest.mark.parametrize(
    ("typed", "order", "words"),
    [
        ("03/04/2026", None, "may be 2026-03-04 or 2026-04-03"), ("03.04.2026", None, "may be"),
        ("25/12/24", None, "may be"), ("25/04/2026", "mdy", "no day"), ("31/02/2026", None, "no day"),
        ("yesterday", None, "no day"), ("March 2026", None, "no day"), ("46085", None, "day number"),
        ("2027-03-05", None, "lies ahead"), ("2026-13-01", None, "no day"), ("04 Marble 2026", None, "no day"),
    ],
)  # fmt: skip
def test_days_that_are_ambiguous_or_none_are_refused(typed, order, words):
    found = sheet_cells.day(typed, Order(order) if order else None, TODAY)
    assert found.value is None and words in found.problem and found.accepted


def raw_of(text: str) -> pd.DataFrame:
    return intake.read_bytes(text.encode(), "old.csv", vocabulary())


SHEET = """Riverside repair club
Tag,Date done,By,Time taken,Hands on (min),Desktop,Result,Machine,Upgrades,Notes
R-1,4 Mar 2026,KL,1h20,25,XFCE,OK,Dell OptiPlex 7010 i5-3470 8GB 500GB HDD,SSD 240,
R-2,2026-03-05,KL,1:35,31,Debian 12 Cinnamon,slow,Lenovo T460 i5-6300U 8GB 240 SSD,none,=cmd()
R-3,03/04/2026,MB,80 min,20,KDE,returned,HP 250 G5,,
R-4,2026-03-06,MB,75 min,20-30,KDE,meh,,,
,2026-03-06,MB,75 min,20,,,,,
R-6,2026-03-06,MB,75 min,95,,,,,
R-7,2026-03-06,MB,,,,,,,
"""


def test_good_rows_become_jobs_and_bad_ones_are_named():
    found = understand(raw_of(SHEET), "old.csv", today=TODAY)
    assert [row.number for row in found.rows] == [1, 2]
    first, second = (row.job for row in found.rows)
    assert (first.asset_tag, first.done_on, first.elapsed_min, first.hands_on_min) == ("R-1", "2026-03-04", 80, 25)
    assert (first.edition, first.outcome, first.parts, first.technician) == ("Xfce", "fine", "SSD 240", "KL")
    assert (second.edition, second.parts, second.note, second.source) == ("Cinnamon", None, "=cmd()", "old.csv")
    assert found.rows[0].facts["cpu"] == "i5-3470" and found.rows[0].facts["ram_gib"] == 8
    said = {(row.row, row.column): row.problem for row in found.problems.itertuples()}
    assert set(said) == {
        (3, "Date done"), (4, "Hands on (min)"), (4, "Result"), (5, "Tag"), (6, "Hands on (min)"), (7, "Time taken"),
    }  # fmt: skip
    report = found.report()
    assert "synonym of elapsed_min" in report and "--dates dmy" in report and "'20-30'" in report


def test_one_can_say_how_the_sheet_is_meant():
    found = understand(
        raw_of("Tag,Day,Total\nA,03/04/2026,1.5\n"), "s", dates=Order.DMY, unit="h", columns={"total": "hands_on_min"}
    )
    assert (found.rows[0].job.done_on, found.rows[0].job.hands_on_min) == ("2026-04-03", 90)
    with pytest.raises(InputError, match="No column is headed"):
        understand(raw_of(SHEET), "s", columns={"Fruit": "date"})
    with pytest.raises(InputError, match="no field"):
        understand(raw_of(SHEET), "s", columns={"Tag": "colour"})


@pytest.mark.parametrize(
    ("text", "words"),
    [("Tag,Minutes\nA,5\n", "the day"), ("Day,Minutes\n2026-01-01,5\n", "asset tag"),
     ("Tag,Day\nA,2026-01-01\n", "minutes")],
)  # fmt: skip
def test_a_sheet_without_a_needed_column_is_refused(text, words):
    with pytest.raises(InputError, match=words):
        understand(raw_of(text), "s")


def test_small_numbers_under_a_header_without_unit_are_asked_about_as_a_column():
    found = understand(raw_of("Tag,Day,Time\nA,2026-03-04,20\nB,2026-03-04,1.5\nC,2026-03-04,45 min\n"), "s")
    assert [row.job.asset_tag for row in found.rows] == ["C"]
    assert "--unit min" in found.report()


def test_minutes_between_start_and_finish():
    text = (
        "Tag,Started,Finished\nA,2026-03-04 22:50,2026-03-05 00:10\nB,2026-03-04 09:00,2026-03-04 09:45\n"
        "C,2026-03-04 9:00 am,2026-03-04 1:30 pm\nD,2026-03-04 10:00,2026-03-04 09:00\nE,noon,2026-03-04 13:00\n"
    )
    found = understand(raw_of(text), "s", today=TODAY)
    assert [(row.job.asset_tag, row.job.done_on, row.job.elapsed_min) for row in found.rows] == [
        ("A", "2026-03-05", 80), ("B", "2026-03-04", 45), ("C", "2026-03-04", 270),
    ]  # fmt: skip
    assert list(found.problems["row"]) == [4, 5]
    assert "no time of day" in found.problems["problem"].iloc[1]
    [row] = understand(raw_of("Tag,Day,Time in,Time out\nA,2026-03-04,9.30,10:45\n"), "s").rows
    assert row.job.elapsed_min == 75


def test_times_and_days_as_excel_keeps_them(tmp_path: Path):
    book = openpyxl.Workbook()
    book.active.append(["Asset tag", "Completed", "Elapsed", "Labour"])
    book.active.append([1003, dt.datetime(2026, 3, 4), dt.timedelta(hours=1, minutes=20), dt.time(0, 25)])
    path = tmp_path / "jobs.xlsx"
    book.save(path)
    [row] = understand(read_sheet(path), path.name).rows
    assert (row.job.asset_tag, row.job.done_on, row.job.elapsed_min, row.job.hands_on_min) == (
        "1003", "2026-03-04", 80, 25,
    )  # fmt: skip


def run(*words: str):
    return CliRunner().invoke(log_app, list(words))


@pytest.fixture
def sheet(tmp_path: Path) -> str:
    path = tmp_path / "old.csv"
    path.write_text(SHEET)
    return str(path)


def test_the_same_sheet_twice_adds_nothing_even_after_an_edit(tmp_path: Path, sheet: str):
    log = str(tmp_path / "log.sqlite")
    first = run("import", sheet, "--log", log)
    assert first.exit_code == 1 and "2 jobs written." in first.stdout
    with BenchLog(log) as book:
        book.edit_job(1, elapsed_min=84.0)
    again = run("import", sheet, "--log", log)
    assert "Nothing was added." in again.stdout and "2 rows in the log already." in again.stdout
    more = run("import", sheet, "--log", log, "--dates", "dmy")
    assert "1 job written." in more.stdout


def test_a_dry_run_writes_nothing_and_makes_no_file(tmp_path: Path, sheet: str):
    log = tmp_path / "log.sqlite"
    done = run("import", sheet, "--log", str(log), "--dry-run")
    assert "2 jobs would be written." in done.stdout and not log.exists()


@pytest.mark.parametrize(("option", "value"), [("--dates", "dym"), ("--unit", "days"), ("--column", "Tag")])
def test_a_wrong_option_is_a_wrong_call(tmp_path: Path, sheet: str, option: str, value: str):
    done = run("import", sheet, "--log", str(tmp_path / "log.sqlite"), option, value)
    assert isinstance(done.exception, InputError) and value in done.exception.message


def test_an_outcome_that_came_later_joins_its_job():
    raw = raw_of("Tag,Day,Minutes,Outcome\nA,2026-03-04,80,\n")
    later = raw_of("Tag,Day,Minutes,Outcome\nA,2026-03-04,80,returned\n")
    other = raw_of("Tag,Day,Minutes,Outcome\nA,2026-03-04,80,fine\n")
    with BenchLog(":memory:") as log:
        importing.import_rows(log, understand(raw, "s").rows)
        result = importing.import_rows(log, understand(later, "s").rows)
        assert (result.added, result.known, result.outcomes) == (0, 1, 1)
        assert importing.import_rows(log, understand(other, "s").rows).differing == [(1, "returned", "fine")]
        assert list(benchlog.frame(log)["outcome"]) == ["returned"]


def test_an_import_neither_hides_what_was_scored_nor_a_stopwatch():
    with BenchLog(":memory:") as log:
        log.add_unit("A", {"cpu": "i5-6300U"}, {"elapsed_min": 61.0}, None, "m1")
        log.start("A", "copy", at="2026-11-25T10:00:00.000Z")
        log.stop("A", "copy", at="2026-11-25T10:07:00.000Z")
        importing.import_rows(log, understand(raw_of("Tag,Day,Minutes,CPU\nA,2025-03-04,80,i3-2100\n"), "s").rows)
        log.add_jobs([Job("B", "2026-11-25", 5.0)])
        assert watches(log, "A").timed() == pytest.approx({"copy": 7.0})
        log.add_jobs([Job("A", "2026-11-25", 20.0, 60.0)])
        rows = benchlog.frame(log).query("asset_tag == 'A'")
    assert list(rows["cpu"]) == ["i3-2100", "i5-6300U"]
    assert pd.isna(rows["predicted_min"].iloc[0]) and rows["predicted_min"].iloc[1] == 61


def frames_agree(first: pd.DataFrame, second: pd.DataFrame) -> None:
    """The job's number is the file's own; all else must come back, by pandas' own comparison."""
    pd.testing.assert_frame_equal(first.drop(columns="job"), second.drop(columns="job"), check_dtype=False)


def exported(log: BenchLog) -> bytes:
    return as_csv(benchlog.frame(log)).encode()


def test_the_demo_log_comes_through_export_and_import_unchanged(tmp_path: Path):
    first, second, out = (str(tmp_path / name) for name in ("a.sqlite", "b.sqlite", "jobs.csv"))
    done = run("import", str(datasets() / "demo" / "bench_log.csv"), "--log", first)
    assert done.exit_code == 0, done.output
    assert run("export", out, "--log", first).exit_code == 0
    assert run("import", out, "--log", second).exit_code == 0
    with BenchLog(first) as one, BenchLog(second) as two:
        frames_agree(benchlog.frame(one), benchlog.frame(two))
        shipped = pd.read_csv(datasets() / "demo" / "bench_log.csv")
        read = benchlog.frame(one)
        assert len(read) == len(shipped)
        assert read["source"].str.contains("invented").all()
        ours = read.sort_values("asset_tag")["elapsed_min"].to_numpy()
        assert (ours == shipped.sort_values("asset_tag")["elapsed_min"].to_numpy()).all()
    again = run("import", out, "--log", first)
    assert "Nothing was added." in again.stdout


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12).filter(
    lambda text: not text.startswith("'")
)
LINES = st.lists(WORDS, min_size=1, max_size=4).map(" ".join)


def telling(texts: st.SearchStrategy[str], first: str = "") -> st.SearchStrategy[str]:
    """Texts that begin so and do not say, as 'TBA' does, that nothing is known: the log keeps those empty."""
    return texts.map(lambda text: f"{first}{text}").filter(lambda text: text.lower() not in sheet_cells.MISSING_WORDS)


MIN = st.one_of(st.none(), st.floats(0.01, 5000).map(lambda value: round(value, 3)))
JOBS = st.builds(
    Job,
    asset_tag=telling(WORDS, "T"),
    done_on=st.dates(dt.date(1995, 1, 1), TODAY).map(dt.date.isoformat),
    elapsed_min=st.floats(5001, 9000),
    hands_on_min=MIN,
    edition=st.sampled_from([None, "GNOME", "KDE Plasma", "Xfce"]),
    technician=st.one_of(st.none(), telling(WORDS, "x")),
    note=st.one_of(st.none(), telling(LINES)),
    parts=st.one_of(st.none(), telling(LINES, "p")),
    phases=st.dictionaries(st.sampled_from(["copy", "boot", "seal"]), st.floats(0, 500), max_size=3),
    outcome=st.sampled_from([None, "fine", "slow", "returned"]),
)


@pytest.mark.slow
@FUZZ
@given(st.lists(JOBS, max_size=6))
def test_any_jobs_come_through_export_and_import_unchanged(jobs):
    with BenchLog(":memory:") as one, BenchLog(":memory:") as two:
        one.add_jobs(jobs)
        raw = intake.read_bytes(exported(one), "jobs.csv", vocabulary())
        found = understand(raw, "jobs.csv", today=TODAY)
        assert found.problems.empty, found.report()
        assert importing.import_rows(two, found.rows).added == len(jobs)
        frames_agree(benchlog.frame(one), benchlog.frame(two))
        again = importing.import_rows(two, found.rows)
        assert (again.added, again.known) == (0, len(jobs))


SIGNS = st.sampled_from(
    [
        "=1+1",
        "'=1+1",
        "''@x",
        "-5",
        "'-5",
        "+cmd|'x'!A0",
        "'",
        '"',
        '24" screen',
        '"a',
        "a,b;c|e",
        "NA",
        "None",
        "nan",
        "null",
        "1e5",
        "0,5",
        "007",
        "true",
        "\ufeffx",
        "Größe",
        "👍",
        "e\u0301",
    ]
)
TEXTS = st.one_of(st.text(max_size=30), SIGNS, st.lists(SIGNS, max_size=4).map(" ".join))
NOTES = st.one_of(TEXTS, st.lists(TEXTS, max_size=5).map("\n".join))
FINE = st.one_of(st.floats(1e-300, 5000), st.sampled_from([0.053053841098105195, 0.1 + 0.2, 5e-324, 1 / 3]))
ANY_JOBS = st.builds(
    Job,
    asset_tag=TEXTS.map(lambda text: f"T{text}"),
    done_on=st.dates(dt.date(1990, 1, 1), TODAY).map(dt.date.isoformat),
    elapsed_min=st.one_of(st.none(), st.floats(5000, 99_999)), hands_on_min=FINE,
    edition=st.one_of(st.none(), st.sampled_from(["GNOME", "xfce 4", "kde"]), TEXTS), image=TEXTS, parts=TEXTS,
    technician=TEXTS, note=NOTES, reason=TEXTS,
    phases=st.dictionaries(st.sampled_from(["copy", "boot", "seal"]), FINE, max_size=3),
    outcome=st.sampled_from([None, "fine", "slow", "returned"]),
)  # fmt: skip
KNOWN = TEXTS.filter(lambda text: text and not _UNKEPT.search(text))
FACTS = st.fixed_dictionaries(
    {},
    optional={"maker": KNOWN, "cpu": KNOWN, "ram_gib": FINE, "storage_gib": FINE,
              "link_mbps": st.integers(1, 1000), "storage_kind": st.sampled_from(["nvme", "spinning disk"])},
)  # fmt: skip


@pytest.mark.slow
@FUZZ
@given(st.lists(st.tuples(ANY_JOBS, st.one_of(st.none(), st.tuples(FACTS, FINE, st.floats(-50, 99)))), max_size=5))
def test_what_an_export_writes_an_import_reads_exactly(rows):
    with BenchLog(":memory:") as one, BenchLog(":memory:") as two:
        kept = 0
        for job, unit in rows:
            tag = job.asset_tag
            try:
                if unit is not None:
                    facts, minutes, low = unit
                    scored = {"elapsed_min": minutes, "elapsed_low_min": low, "edition": "LXDE", "image_used": "stick"}
                    one.add_unit(tag, facts, scored, None, "m 1")
                one.add_jobs([job])
                kept += 1
            except InputError as error:
                assert "which is no character of a text" in error.message
        first = benchlog.frame(one)
        raw = intake.read_bytes(as_csv(first).encode(), "jobs.csv", vocabulary())
        found = understand(raw, "jobs.csv")
        assert found.problems.empty, found.report()
        assert importing.import_rows(two, found.rows).added == kept
        second = benchlog.frame(two)
        assert as_csv(second.drop(columns="job")) == as_csv(first.drop(columns="job"))
        assert importing.import_rows(one, found.rows).added == 0


def test_a_hand_corrected_export_is_still_read():
    with BenchLog(":memory:") as log:
        log.add_jobs([Job("A", "2026-03-04", 20.0, 80.5, edition="Xfce", note="x")])
        text = as_csv(benchlog.frame(log)).replace("2026-03-04", "4 Mar 2026").replace("80.5", "1h30")
    [row] = understand(raw_of(text), "jobs.csv").rows
    assert (row.job.done_on, row.job.elapsed_min, row.job.hands_on_min) == ("2026-03-04", 90, 20)


def test_a_row_that_is_torn_is_no_job():
    raw = raw_of('Tag,Day,Minutes,Note\nA,2026-03-04,80,x\nB,2026-03-04,80,"open\nC,2026-03-05,70,y\n')
    found = understand(raw, "s")
    assert [row.job.asset_tag for row in found.rows] == ["A", "C"]
    assert "quote is not closed" in found.problems["problem"].iloc[0]


def test_an_imported_job_keeps_the_rules_of_a_typed_one():
    raw = raw_of("Tag,Day,Minutes,Note\nA,2026-03-04,80," + "x" * 10_001 + "\nB,2026-03-04,80,fine\n")
    found = understand(raw, "s")
    assert [row.job.asset_tag for row in found.rows] == ["B"]
    assert "10001 characters" in found.problems["problem"].iloc[0]


NASTY = st.sampled_from(
    ["", " ", "=1+1", "@SUM(A1)", "-1", "1e309", "NaN", "inf", "9" * 400, "1:20", "1h", "1:2:3:4", "31/02/2026", "../x",
     "٣/٤/٢٠٢٦", "８0", "½", "\x00", "\ufeff", "4 Mar", "'=x",
     "returned", "0", "00:00", "24:00", "2026-03-04", "T", "h",
     "8 days, 1:00:00", "ca.", "~", "1 h 99", "<script>", "\n", "fine\n"]
)  # fmt: skip
CELL = st.one_of(NASTY, st.text(max_size=20), st.text(alphabet="0123456789:/-.hmin ", max_size=16))
HEADER = st.one_of(st.sampled_from(sorted(vocabulary().known)), st.text(max_size=12))


@pytest.mark.slow
@FUZZ
@given(st.data())
def test_any_cells_are_jobs_that_the_log_takes_or_are_named(data):
    width = data.draw(st.integers(1, 7))
    headers = ["tag", "date", "minutes", *data.draw(st.lists(HEADER, min_size=width, max_size=width))]
    rows = data.draw(st.lists(st.lists(CELL, min_size=width + 3, max_size=width + 3), max_size=6))
    try:
        raw = intake.read_bytes(pd.DataFrame(rows, columns=headers).to_csv(index=False).encode(), "x.csv", vocabulary())
        found = understand(raw, "x.csv", unit=data.draw(st.sampled_from(["", "min", "h"])), today=TODAY)
    except InputError as error:
        assert error.message.endswith(".")
        return
    taken = {row.number for row in found.rows}
    named = set(found.problems["row"])
    assert taken | named == set(range(1, len(raw) + 1)) and not taken & named
    assert isinstance(found.report(), str)
    with BenchLog(":memory:") as log:
        assert importing.import_rows(log, found.rows).added == len(found.rows)
        assert len(benchlog.frame(log)) == len(found.rows)
        assert importing.import_rows(log, found.rows).added == 0


def test_fuzz_of_bytes_is_a_table_or_refused():
    for junk in (b"", b"\x00\xff", b"%PDF-1.4", io.BytesIO(b"PK\x03\x04junk").getvalue(), b"one,two\n1,2\n"):
        with pytest.raises(InputError):
            understand(intake.read_bytes(junk, "x", vocabulary()), "x")
