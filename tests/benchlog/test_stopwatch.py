"""Stopwatch lists: times as people write them, what they are laid beside, and how little a few of them tell."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from typer.testing import CliRunner

from advisor import advice
from advisor.benchlog import sheet_cells, stopwatch
from advisor.cli.rehearse import rehearse_app
from advisor.errors import InputError
from advisor.shop import default_shop

UNITS = "asset_tag,cpu,ram,disk,model,wireless\nA-1,i5-6300U,8 GB,240 SSD,ThinkPad T460,8086:24f3\n"
FACTS = {"asset_tag": "A-1", "cpu": "i5-6300U", "ram": "8 GB", "disk": "240 SSD"}
PLODDER = {"asset_tag": "B-1", "cpu": "i5-3320M", "ram": "4 GB", "disk": "500 HDD"}


def times(*rows: dict[str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows).fillna("").astype(object)


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [
        # Expected seconds by hand.
        ("94", 94), ("94 s", 94), ("94s", 94), ("94 sec.", 94), ("94,5 seconds", 94.5), ("1:34", 94), ("01:34.5", 94.5),
        ("1 min 34 s", 94), ("1 min, 34", 94), ("1m34s", 94), ("1'34\"", 94), ("1:01:34", 3694), ("1.5 min", 90),
        ("90:00", 5400), ("about 20 s", 20), ("1 h", 3600), ("20 Sek", 20),
    ],
)  # fmt: skip
def test_times_as_a_stopwatch_shows_them(typed, seconds):
    found = sheet_cells.minutes(typed, "s")
    assert found.value == pytest.approx(seconds / 60) and not found.problem


@pytest.mark.parametrize("typed", ["15-20", "1:75", "soon", "1 min 75 s", "-5", "1,234", "5 s 6", "1:2"])
def test_times_that_no_stopwatch_shows_are_refused_with_what_would_be_accepted(typed):
    found = sheet_cells.minutes(typed, "s")
    assert found.value is None and found.problem and "1:34 (minutes and seconds)" in found.accepted


def test_a_log_sheet_takes_seconds_that_are_named_and_reads_colons_as_hours_still():
    assert sheet_cells.minutes("90 s", "min").value == 1.5
    assert sheet_cells.minutes("1:20", "min").value == 80
    assert sheet_cells.minutes("1:20.5", "min").problem and sheet_cells.minutes("1 min 34", "min").problem


def test_times_are_laid_beside_what_the_sheet_of_the_unit_says():
    """A phase beside its minutes in the slot, desktop and browser beside seconds and bound of the ladder."""
    shop = default_shop()
    record = advice.assess(pd.DataFrame([FACTS]), shop)["A-1"]
    raw = times(
        *({**FACTS, "timed": name, "seconds": "60"} for name in ("copy", "Restart", "desktop", "browser", "installer"))
    )
    found = stopwatch.compare_timings(raw, shop)
    assert not len(found.problems) and found.certainty == 0.8
    rows = found.rows.set_index("timed")
    assert rows["edition"].unique().tolist() == [record.edition] and rows["disk"].unique().tolist() == ["sata ssd"]
    slot = {phase.title: 60 * phase.slot_min for phase in record.phases}
    assert rows.loc["copy", "predicted_s"] == pytest.approx(slot["Copy the system to disk"])
    assert rows.loc["restart", "predicted_s"] == pytest.approx(slot["Restart"])
    rung = next(rung for rung in record.rungs if rung.edition == record.edition)
    for stage, told in (("desktop", rung.desktop_s), ("browser", rung.browser_s)):
        usual, bound = map(float, told.split("–"))
        assert round(rows.loc[stage, "predicted_s"]) == usual and math.ceil(rows.loc[stage, "high_s"]) == bound
        assert rows.loc[stage, "low_s"] == 0
    assert rows["actual_s"].tolist() == [60.0] * 5


def test_a_phases_interval_is_that_of_the_hands_for_the_hands_and_that_of_the_slot_for_the_rest():
    batch = advice.assess(pd.DataFrame([FACTS]), default_shop())
    timing = batch.timing
    raw = times(*({**FACTS, "timed": name, "seconds": "60"} for name in ("customise", "copy", "updates")))
    rows = stopwatch.compare_timings(raw).rows.set_index("timed")
    assert (rows["low_s"] * rows["high_s"]).tolist() == pytest.approx((rows["predicted_s"] ** 2).tolist())
    wide = math.log(rows.at["customise", "high_s"] / rows.at["customise", "predicted_s"])
    assert wide == pytest.approx(math.log(timing.hands_high_min.iat[0] / timing.hands_on_min.iat[0]))
    phases = timing.phases.set_index("phase")
    for name in ("copy", "updates"):
        hands, slot = phases.at[name, "hands_on_min"], phases.at[name, "machine_min"]
        whole = math.log(timing.elapsed_high_min.iat[0] / timing.elapsed_min.iat[0])
        expected = math.hypot(hands * wide, (slot - hands) * whole) / slot
        assert math.log(rows.at[name, "high_s"] / rows.at[name, "predicted_s"]) == pytest.approx(expected)


def test_without_an_edition_the_advised_part_counts_as_fitted_with_one_the_unit_is_as_it_stands():
    raw = times(*({**PLODDER, "timed": "desktop", "seconds": "94", "edition": name} for name in ("", "xfce")))
    found = stopwatch.compare_timings(raw)
    assert found.rows["disk"].tolist() == ["sata ssd", "spinning disk"]
    assert found.rows["edition"].iat[1] == "Xfce"
    assert "SSD" in found.rows["parts"].iat[0] and found.rows["parts"].iat[1] == ""
    assert "Predicted with the parts fitted that are advised: B-1." in stopwatch.lines(found)
    # An edition that is over every limit there is timed all the same.
    slow = stopwatch.compare_timings(times({**PLODDER, "timed": "desktop", "seconds": "400", "edition": "GNOME"}))
    assert slow.rows["edition"].tolist() == ["GNOME"]


def made(*rows: tuple[str, str, float, float, float, float]) -> stopwatch.Timings:
    names = ["timed", "disk", "actual_s", "predicted_s", "low_s", "high_s"]
    frame = pd.DataFrame(rows, columns=names).assign(row=range(1, len(rows) + 1), edition="Xfce", image="i", parts="")
    frame["asset_tag"] = [f"T{at}" for at in range(1, len(rows) + 1)]
    return stopwatch.Timings(frame[list(stopwatch.TIMED_COLUMNS)], pd.DataFrame(), 0.8)


def test_the_table_counts_by_what_was_timed_and_by_class_of_disk():
    """Medians and counts by hand; 3 of 4 inside: Wilson's interval (JASA 22, 1927) 30.06 to 95.44 of 100, by hand."""
    found = made(
        ("browser", "emmc", 30, 20, 0, 25), ("copy", "nvme", 50, 100, 60, 140), ("copy", "nvme", 80, 100, 60, 140),
        ("copy", "nvme", 120, 100, 60, 140), ("copy", "nvme", 140, 100, 60, 140), ("copy", "emmc", 300, 100, 60, 140),
    )  # fmt: skip
    table = found.by_kind()
    assert table[["timed", "disk", "n", "inside"]].to_numpy().tolist() == [
        ["copy", "nvme", 4, 3], ["copy", "emmc", 1, 0], ["browser", "emmc", 1, 0],
    ]  # fmt: skip
    first = table.iloc[0]
    assert (first["predicted_s"], first["actual_s"], first["ratio"]) == (100, 100, 1)
    assert first["inside_low_pct"] == pytest.approx(30.06, abs=0.01)
    assert first["inside_high_pct"] == pytest.approx(95.44, abs=0.01)
    # Furthest by ratio: 3, 2, 1.5, 1.4, 0.8 times.
    assert found.misses()["asset_tag"].tolist() == ["T6", "T2", "T1", "T5", "T3"]
    told = "\n".join(stopwatch.lines(found))
    assert "T6, copy: took 300 s, predicted 100 s" in told and "3 of 4  30 to 95" in told


def test_below_twenty_times_it_says_that_few_tell_little():
    """Of 16 in 20 Wilson's interval is 58.4 to 91.9 of 100: half of it is 16.8 points; by hand, z = 1.95996."""
    twenty = made(*[("copy", "nvme", 100, 100, 60, 140)] * 16, *[("copy", "nvme", 200, 100, 60, 140)] * 4)
    [row] = twenty.by_kind().to_dict("records")
    assert row["inside_low_pct"] == pytest.approx(58.40, abs=0.01)
    assert row["inside_high_pct"] == pytest.approx(91.93, abs=0.01)
    assert not any(line.startswith("Few") for line in stopwatch.lines(twenty))
    fewer = made(*[("copy", "nvme", 100, 100, 60, 140)] * 19)
    assert any(line.startswith("Few times tell little: with fewer than 20") for line in stopwatch.lines(fewer))


BAD = """asset_tag,timed,seconds,edition,who
A-1,copy,15-20,,AB
A-1,desktp,40,,AB
A-9,desktop,40,,AB
,desktop,40,,AB
A-1,desktop,0,,AB
A-1,desktop,,,AB
A-1,desktop,40,Fancy,AB
A-1,browser,4.2,,swollen battery
"""


@pytest.fixture
def call(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)

    def run(sheet: str, *words: str) -> tuple[int, str, str]:
        (tmp_path / "times.csv").write_text(sheet)
        (tmp_path / "units.csv").write_text(UNITS)
        done = CliRunner().invoke(rehearse_app, ["compare", "times.csv", *words], catch_exceptions=False)
        return done.exit_code, done.stdout, done.stderr

    return run


def test_a_row_that_cannot_be_read_is_named_and_the_rest_goes_on(call):
    code, told, wrong = call(BAD, "--units", "units.csv")
    assert code == 1
    assert "1 of 1" in told and "browser" in told
    assert [line.partition(";")[0] for line in wrong.splitlines()] == [
        "Row 1, seconds '15-20': is a range, not one figure", "Row 2, timed 'desktp': is not known",
        "Row 3, asset_tag 'A-9': is on no row of the units", "Row 4, asset_tag '': no asset tag",
        "Row 5, seconds '0': says no time", "Row 6, seconds '': says no time",
        "Row 7, edition 'Fancy': is no edition of the shop's images",
    ]  # fmt: skip
    assert all("; accepted: " in line for line in wrong.splitlines())
    assert "the nearest is 'desktop'" in wrong and "copy, first_boot" in wrong


def test_a_good_list_ends_with_0_and_is_written_out_harmless(call, tmp_path):
    """A note is no note of the unit: a swollen battery told there would hold it."""
    sheet = (
        "tag;cpu;ram;disk;phase;time (min);notes\n=A;i5-6300U;8;240 SSD;copy;6;battery swollen\n=A;;;;desktop;0:22;\n"
    )
    code, _, wrong = call(sheet, "--out", "o.csv")
    assert (code, wrong) == (0, "")
    out = pd.read_csv(tmp_path / "o.csv")
    assert list(out.columns) == list(stopwatch.TIMED_COLUMNS)
    # A bare figure counts as the header says, colons as a stopwatch shows them.
    assert out["actual_s"].tolist() == [360, 22] and out["asset_tag"].tolist() == ["'=A"] * 2


def test_rows_of_a_unit_that_say_two_things_of_it_are_told_apart(call):
    sheet = "tag,cpu,ram,disk,timed,seconds\nA,i5-6300U,8,240 SSD,copy,60\na,i5-6300U,4,240 SSD,desktop,20\n"
    code, told, wrong = call(sheet)
    assert code == 1 and "copy" in told
    assert wrong.startswith("Row 2, tag 'a': its ram is '4', on row 1 of the same unit '8'")


def test_a_unit_that_is_held_or_stands_twice_has_no_prediction(call, tmp_path):
    code, told, wrong = call("asset_tag,timed,seconds\nA-1,desktop,20\n")
    assert code == 1 and "No time could be compared." in told and "is not predicted: " in wrong
    (tmp_path / "two.csv").write_text(UNITS + UNITS.splitlines()[1])
    code, _, wrong = call("asset_tag,timed,seconds\nA-1,desktop,20\n", "--units", "two.csv")
    assert code == 1 and "stands on 2 rows of the units" in wrong


@pytest.mark.parametrize(
    ("timed", "took", "tag"),
    [
        ("timed", "took", "asset_tag"), ("Phase", "Seconds", "Asset tag"), ("what", "sec", "tag"),
        ("what was timed", "time", "Tag"), ("step", "measured", "asset tag"), ("timed", "stopwatch (s)", "asset tag"),
        ("timed", "duration", "asset tag"), ("timed", "time in s", "asset tag"),
    ],
)  # fmt: skip
def test_headers_as_people_write_them(timed, took, tag):
    row = {tag: "A-1", "cpu": "i5-6300U", "ram": "8", "disk": "240 SSD", timed: "copy", took: "94"}
    assert stopwatch.compare_timings(times(row)).rows["actual_s"].tolist() == [94]


@pytest.mark.parametrize("header", ["note", "notes", "who", "how", "by", "technician", "remark"])
def test_a_note_of_the_stopwatch_is_none_of_the_unit(header):
    found = stopwatch.compare_timings(times({**FACTS, "timed": "copy", "took": "94", header: "battery swollen"}))
    assert len(found.rows) == 1


def test_many_times_are_laid_beside_their_units_soon():
    """Two thousand times of a thousand units, each named twice: what is looked up is looked up once."""
    units = pd.DataFrame([{**FACTS, "asset_tag": f"U{at}"} for at in range(1000)])
    raw = times(*({"asset_tag": f"u{at % 1000}", "timed": "copy", "took": "94"} for at in range(2000)))
    found = stopwatch.compare_timings(raw, units=units)
    assert len(found.rows) == 2000 and found.by_kind()["n"].tolist() == [2000]


def test_a_sheet_that_is_no_list_is_refused(call):
    with pytest.raises(InputError, match="understood as what was timed, or as how long it took"):
        call(UNITS)
