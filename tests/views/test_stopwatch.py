"""Stopwatches in the triage view: several units at once, kept in the log, prefilled where the minutes are logged."""

from __future__ import annotations

import pytest

from advisor.benchlog import BenchLog
from advisor.benchlog import frame as log_frame
from advisor.errors import InputError
from advisor.unit import Unit
from advisor.views.bench import Bench
from advisor.views.laps import covered
from advisor.views.log_port import ShopLog
from advisor.views.shelf import Kept
from advisor.views.triage_view import Triage, regions


class Shown(dict):
    def __init__(self):
        super().__init__()
        self.focused: list[str] = []

    def show(self, **html):
        self.update(html)

    def focus(self, element, after=""):
        self.focused.append(element)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture
def bench(assess, path):
    bench = Bench(assess=assess, log=ShopLog(path))
    for tag in ("A-1", "A-2"):
        bench._join([Kept(unit=Unit(asset_tag=tag, cpu="i5-6300U", ram_gib=8))], show=0)
    return bench


def backdate(path, seconds: int) -> None:
    """Let time pass: all that was timed so far lies that much further back."""
    with BenchLog(path) as log, log.writing() as db:
        for name in ("started_at", "stopped_at"):
            db.execute(
                f"UPDATE stopwatch SET {name} = strftime('%Y-%m-%dT%H:%M:%fZ', {name}, ?)", (f"-{seconds} seconds",)
            )


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        # Expected minutes by hand.
        ([], 0),
        ([("10:00", "10:07")], 7),
        ([("10:00", "10:07"), ("10:05", "10:09")], 9),
        ([("10:00", "10:30"), ("10:05", "10:09"), ("11:00", "11:01")], 31),
        ([("10:05", "10:09"), ("10:00", "10:05")], 9),
    ],
)
def test_spans_side_by_side_count_once(spans, expected):
    moments = [tuple(f"2026-03-04T{one}:00.000Z" for one in span) for span in spans]
    assert covered(moments) == pytest.approx(expected)


def test_looking_makes_no_log(bench, path):
    assert bench.watches().running == () and "Start: Prepare" in regions(bench)["watch"]
    assert not path.exists()


def test_one_press_a_phase_and_the_minutes_stand_in_the_form(bench, path):
    view = Triage(bench, surface := Shown())
    for _ in range(3):
        view.handle({"do": "go-on"}, [])
        backdate(path, 240)
    assert "Answer the installer" in surface["watch"] and "Stop, and start: Copy the system" in surface["watch"]
    view.handle({"do": "done"}, [])
    assert surface.focused[-1] == "ba-log-elapsed_min"
    assert 'id="ba-log-elapsed_min" name="elapsed_min"' in surface["close"] and 'value="12"' in surface["close"]
    assert "3 counted by stopwatch" in surface["close"] and not bench.watches().running
    view.handle({"do": "log", "values": {"elapsed_min": "12", "phase_boot": "4", "phase_prepare": "4"}}, [])
    with BenchLog(path) as log:
        row = log_frame(log).iloc[0]
    assert (row["asset_tag"], row["elapsed_min"], row["boot_min"], row["prepare_min"]) == ("A-2", 12, 4, 4)
    assert bench.watches().laps == (), "what is logged is not counted again"


def test_several_units_at_once_and_a_new_kernel_still_sees_them(bench, path, assess):
    bench.start("copy")
    bench.select(bench.entries[0].key)
    bench.start("updates")
    backdate(path, 90)
    again = Bench(assess=assess, log=ShopLog(path))
    assert [(one.tag, one.phase) for one in again.watches().running] == [("A-2", "copy"), ("A-1", "updates")]
    again._join([Kept(unit=Unit(asset_tag="A-1", cpu="x", ram_gib=4))], show=0)
    html = regions(again)
    assert "A-2" in html["running"] and "A-1" not in html["running"]
    assert "Stop, and start: Restart" in html["watch"]
    assert "1.5 min on the stopwatch of A-2" in again.stop("A-2", "copy")


def test_a_corrected_tag_takes_its_stopwatches_along(bench, path):
    bench.start("copy")
    assert "stopwatches go with it (1)" in bench.correct("asset_tag", "A-9")
    assert [(one.tag, one.phase) for one in bench.watches().running] == [("A-9", "copy")]
    # While another unit of the queue has the tag too, nobody knows whose they are.
    bench._join([Kept(unit=Unit(asset_tag="A-9", cpu="x", ram_gib=4))], show=0)
    assert "stopwatches" not in bench.correct("asset_tag", "A-7")
    assert [one.tag for one in bench.watches().running] == ["A-9"]


def test_a_tag_can_be_corrected_beside_a_log_that_cannot_be_read(bench, path):
    path.write_bytes(b"rubbish" * 2000)
    bench.correct("asset_tag", "A-9")
    assert bench.current.tag == "A-9"


def test_what_cannot_be_timed_is_said(bench, path):
    with pytest.raises(InputError, match="no phase"):
        bench.start("lunch")
    bench.start("copy")
    with pytest.raises(InputError, match="running already"):
        bench.start("copy")
    bench.correct("asset_tag", "")
    with pytest.raises(InputError, match="no asset tag"):
        bench.start("boot")
    assert "Type the asset tag first" in regions(bench)["watch"]


def test_a_log_that_cannot_be_read_spoils_the_stopwatch_alone(bench, path):
    path.write_bytes(b"rubbish" * 2000)
    html = regions(bench)
    assert "Stopwatches cannot be read" in html["watch"] and "check --repair" in html["watch"]
    assert "firmware first" in html["head"]


def test_a_phase_longer_than_the_slot_is_refused(bench):
    with pytest.raises(InputError, match="Boot the medium: 30 is more than the 20 minutes"):
        bench.log_minutes({"elapsed_min": "20", "phase_boot": "30"})


def test_every_stop_button_says_which_stopwatch_it_stops(bench):
    bench.start("copy")
    bench.select(bench.entries[0].key)
    html = regions(bench)
    assert "Stop</button>" not in html["running"] and "Copy the system to disk of A-2" in html["running"]
