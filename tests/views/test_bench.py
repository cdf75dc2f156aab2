"""The state behind the triage view, with a made-up assessment and without any widget."""

from __future__ import annotations

import json

import pytest

from advisor.benchlog import BenchLog
from advisor.benchlog import frame as log_frame
from advisor.errors import AdvisorError, InputError
from advisor.unit import StorageKind
from advisor.views.bench import Bench
from advisor.views.entries import State, next_action, safe_name, state_of
from advisor.views.log_port import ShopLog
from advisor.views.shelf import Shelf


@pytest.fixture
def bench(assess, capture_of_laptop, tmp_path):
    return Bench(
        assess=assess,
        take_capture=capture_of_laptop,
        log=ShopLog(tmp_path / "log.sqlite"),
        shelf=Shelf(tmp_path / "q" / "queue.json"),
    )


def test_capture_brings_a_scored_unit_into_view(bench):
    assert "1 facts could not be read" in bench.capture_here()
    assert bench.found.advice == "firmware first"
    assert bench.current.kept.unread == {"ram_slots": "needs root"}
    assert next_action(bench.current) == "get firmware-iwlwifi, make the sheet"


@pytest.mark.parametrize(
    ("field", "typed", "expected"),
    [
        ("ram_gib", "16 GB", 16),
        ("ram_gib", "2x4GB", 8),
        ("storage_kind", "nvme", StorageKind.NVME),
        ("secure_boot", "yes", True),
        ("storage_gib", "240", 223.5),
        ("storage_gib", "500 GB", 465.7),
        ("ram_slots", "4", 4),
        ("asset_tag", "B-99", "B-99"),
        ("ram_gib", "", None),
        ("secure_boot", "", None),
        ("notes", "lid cracked", "lid cracked"),
    ],
)
def test_corrections_are_read_as_intake_reads_them(bench, field, typed, expected):
    bench.capture_here()
    bench.correct(field, typed)
    found = getattr(bench.current.kept.unit, field)
    assert found == (pytest.approx(expected, abs=0.1) if isinstance(expected, float) else expected)


def test_a_correction_scores_again(bench):
    bench.capture_here()
    bench.correct("ram_gib", "")
    assert bench.found.advice == "hold" and state_of(bench.current) == State.MISSING
    assert next_action(bench.current) == "fill in: memory"
    bench.correct("ram_gib", "8")
    assert bench.found.advice == "firmware first"


def test_a_typed_processor_drops_the_ids_of_the_old_one(bench):
    bench.capture_here()
    assert bench.current.kept.unit.cpu_model == 78
    words = bench.correct("cpu", "AMD Ryzen 5 3500U")
    assert bench.current.kept.unit.cpu_model is None and "model number" in words


@pytest.mark.parametrize(
    ("field", "typed"), [("ram_gib", "plenty"), ("ram_slots", "four"), ("storage_kind", "floppy"), ("cpu_cores", "-2")]
)
def test_nonsense_is_refused_kept_in_sight_and_changes_nothing(bench, field, typed):
    bench.capture_here()
    before = bench.current.kept.unit
    with pytest.raises(InputError):
        bench.correct(field, typed)
    assert bench.current.kept.unit == before
    assert bench.current.kept.problems[field][0] == typed
    bench.correct(field, "")
    assert field not in bench.current.kept.problems


CSV = b"asset_tag,cpu,ram_gib,storage_kind,maker\nC-1,Core i5-6300U,8,ssd,Acme\nC-2,Core i3-4030U,lots,hdd,Acme\n"


def test_a_sheet_is_listed_and_its_rows_join_the_queue(bench):
    bench.open_file("intake.csv", CSV)
    assert list(bench.loaded.listed["asset_tag"]) == ["C-1", "C-2"]
    bench.take_rows([1])
    assert bench.current.tag == "C-2" and "ram_gib" in bench.current.kept.problems
    bench.take_rows(range(2))
    assert [one.tag for one in bench.entries] == ["C-2", "C-1", "C-2"]
    with pytest.raises(InputError, match="rows 1 to 2"):
        bench.take_rows([2])


def test_listed_rows_are_narrowed_by_plain_words(bench):
    bench.open_file("intake.csv", CSV)
    bench.loaded.words = "c-2"
    assert list(bench.loaded.shown()["row"]) == [1]
    bench.loaded.words = "(["
    assert len(bench.loaded.shown()) == 0


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.json", b""),
        ("cut.json", b'{"format": 1, "unit": {"cpu": "x"'),
        ("list.json", b"[1, 2]"),
        ("noise.bin", bytes(range(256)) * 20),
        ("header.csv", b"asset_tag,cpu\n"),
        ("other.csv", b"fruit,colour\napple,red\n"),
        ("../../etc/passwd", b"\0\0\0"),
        ("newer.json", b'{"format": 99, "unit": {}}'),
    ],
)
def test_bad_files_are_refused_in_words_and_leave_the_queue_alone(bench, name, content):
    bench.capture_here()
    with pytest.raises(AdvisorError) as caught:
        bench.open_file(name, content)
    assert "/tmp" not in str(caught.value) and "advisor-" not in str(caught.value)
    assert len(bench.entries) == 1


def test_a_watched_folder_hands_in_each_capture_once(bench, tmp_path, laptop):
    stick = tmp_path / "stick"
    stick.mkdir()
    bench.watch(str(stick))
    assert bench.look() == ""
    content = json.dumps({"format": 1, "unit": laptop.model_dump(mode="json"), "unread": {}})
    (stick / "a.json").write_text(content)
    (stick / "note.md").write_text("no capture")
    (stick / "link.json").symlink_to(tmp_path / "elsewhere.json")
    assert "1 new capture" in bench.look()
    assert bench.look() == "" and len(bench.entries) == 1
    (stick / "bad.json").write_text("{")
    (stick / "b.json").write_text(content.replace("B-017", "B-018"))
    with pytest.raises(InputError, match=r"bad\.json"):
        bench.look()
    assert [one.tag for one in bench.entries] == ["B-017", "B-018"]
    assert bench.look() == ""


def test_a_folder_that_vanishes_is_said(bench, tmp_path):
    stick = tmp_path / "stick"
    stick.mkdir()
    bench.watch(str(stick))
    stick.rmdir()
    with pytest.raises(InputError, match="cannot be read"):
        bench.look()
    with pytest.raises(InputError, match="no folder"):
        bench.watch(str(stick))


def test_the_code_on_a_sheet_brings_its_unit_back_in_another_sitting(bench, assess):
    bench.open_file("intake.csv", CSV)
    bench.take_rows(range(2))
    again = Bench(assess=assess, shelf=bench.shelf)
    again.restore()
    assert [one.tag for one in again.entries] == ["C-1", "C-2"]
    again.find(" c-1 ")
    assert again.current.tag == "C-1"
    with pytest.raises(InputError, match="No unit"):
        again.find("Z-9")


def test_a_damaged_queue_is_left_alone(tmp_path, assess):
    path = tmp_path / "queue.json"
    path.write_text('{"format": 99}')
    bench = Bench(assess=assess, shelf=Shelf(path))
    with pytest.raises(InputError, match="cannot be read"):
        bench.restore()
    assert path.read_text() == '{"format": 99}'


def test_logged_minutes_are_kept_with_what_was_predicted(bench, tmp_path):
    bench.capture_here()
    with pytest.raises(InputError, match="no asset tag"):
        bench.log_minutes({"elapsed_min": "75"})
    bench.correct("asset_tag", "B-7")
    bench.log_minutes(
        {"elapsed_min": "1:15", "hands_on_min": "20", "edition": "Xfce", "note": "quick", "outcome": "slow"}
    )
    assert state_of(bench.current) == State.DONE
    with BenchLog(tmp_path / "log.sqlite") as log:
        row = log_frame(log).iloc[0]
    assert (row["asset_tag"], row["elapsed_min"], row["hands_on_min"], row["outcome"]) == ("B-7", 75, 20, "slow")
    assert (row["predicted_min"], row["predicted_low_min"], row["edition"]) == (41, 33, "Xfce")


@pytest.mark.parametrize("typed", ["", "soon", "-5", "1:75", "99999", "nan", "inf"])
def test_minutes_that_are_none_are_refused(bench, typed):
    bench.capture_here()
    with pytest.raises(InputError, match="Minutes in the slot"):
        bench.log_minutes({"elapsed_min": typed})


def test_hands_on_minutes_fit_into_the_slot(bench):
    bench.capture_here()
    with pytest.raises(InputError, match="more than"):
        bench.log_minutes({"elapsed_min": "10", "hands_on_min": "20"})


def test_a_unit_leaves_the_queue(bench):
    bench.capture_here()
    bench.capture_here()
    bench.remove()
    assert len(bench.entries) == 1 and bench.current is bench.entries[0]
    bench.remove()
    assert bench.current is None
    with pytest.raises(InputError, match="No unit is in view"):
        bench.correct("cpu", "x")


@pytest.mark.parametrize(("tag", "name"), [("B-017", "B-017"), ("../../x", "x"), ("ä/ö", "unit"), ("a b", "a-b")])
def test_file_names_hold_nothing_but_plain_letters(tag, name):
    assert safe_name(tag) == name
