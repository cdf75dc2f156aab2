"""What a technician does at the bench, without a screen: the queue, corrections, two pages at once, the log."""

from __future__ import annotations

import io
import os
import re

import pandas as pd
import pytest

from advisor.advice import assess
from advisor.benchlog import BenchLog, Job
from advisor.benchlog.queue import Queued
from advisor.errors import InputError
from advisor.files import datasets
from advisor.shop_file import default_shop_file, read_shop, the_shop
from advisor.unit import Capture, Unit
from advisor.views import labels
from advisor.views.state import MOST_AT_ONCE, BenchPage

ROWS = ("tag,cpu,ram,disk", "A-1,i5-6300U,8,256 ssd", "A-2,i3-4005U,4,500 hdd", "A-3,i5-8250U,8,256 nvme")
CSV = "\n".join((*ROWS, "A-4,i7-4600U,lots,240 ssd\n")).encode()


@pytest.fixture
def queue(bench):
    bench.take_file("intake.csv", CSV)
    return bench


def test_a_sheet_joins_the_queue_and_its_first_unit_is_scored(queue):
    assert [one.tag for one in queue.units] == ["A-1", "A-2", "A-3", "A-4"]
    assert queue.entry.tag == "A-1"
    assert queue.record.headline.startswith("INSTALL")
    assert queue.units[1].origin == "intake.csv, row 2"


def test_what_was_not_understood_stands_at_its_field_and_falls_away_when_corrected(queue):
    queue.find("a-4")
    typed, why = queue.entry.wrong["ram_gib"]
    assert typed == "lots"
    assert "accepted" in why
    queue.correct("ram_gib", "8 GB")
    assert queue.entry.wrong == {}
    assert queue.entry.unit.ram_gib == 8


def test_a_correction_changes_the_advice_and_says_what_followed(queue):
    queue.find("A-3")
    before = queue.record.headline
    said = queue.correct("ram_gib", "2")
    assert said.startswith("Memory is 2 GiB.")
    assert queue.record.headline != before
    said = queue.correct("cpu", "i3-4005U")
    assert said.startswith("Processor is")


def test_a_bare_disk_size_is_meant_as_on_the_label(queue):
    queue.correct("storage_gib", "240")
    assert labels.said("storage_gib", queue.entry.unit.storage_gib) == "240 GB"


def test_a_wrong_correction_changes_nothing_and_is_kept_at_the_field(queue):
    before = queue.entry.unit
    with pytest.raises(InputError, match="Memory"):
        queue.correct("ram_gib", "plenty")
    assert queue.entry.unit == before
    assert queue.entry.wrong["ram_gib"][0] == "plenty"


def test_two_pages_change_one_unit_and_lose_nothing(queue, shop, tmp_path):
    other = BenchPage(shop, tmp_path / "log.sqlite")
    number = queue.entry.number
    other.select(number)
    queue.correct("maker", "Dell")
    assert other.changed_elsewhere()
    other.correct("ram_gib", "16")
    queue.reload()
    assert (queue.entry.unit.maker, queue.entry.unit.ram_gib) == ("Dell", 16)


def test_the_same_fact_typed_twice_says_so(queue, shop, tmp_path):
    other = BenchPage(shop, tmp_path / "log.sqlite")
    other.select(queue.entry.number)
    queue.correct("maker", "Dell")
    assert "Somebody else had typed Dell; yours stands." in other.correct("maker", "HP")


def test_a_page_sees_what_another_one_added_and_took_off(queue, shop, tmp_path):
    other = BenchPage(shop, tmp_path / "log.sqlite")
    other.type_in()
    queue.reload()
    assert len(queue.units) == 5
    other.take_off()
    queue.reload()
    assert len(queue.units) == 4
    with pytest.raises(InputError, match="no longer in the queue"):
        queue.queue.get(5)


@pytest.mark.parametrize(("how", "count", "ram"), [("update", 4, 16), ("both", 5, 16), ("leave", 4, 8)])
def test_a_tag_that_comes_twice_asks(queue, how, count, ram):
    said = queue.take_file("again.csv", b"tag,cpu,ram\nA-1,i5-6300U,16\n")
    assert "in the queue already" in said
    assert len(queue.units) == 4
    queue.answer(how)
    assert len(queue.units) == count
    assert queue.entry.unit.ram_gib == ram
    assert queue.twice == []


def test_what_is_taken_off_can_be_put_back(queue):
    queue.find("A-2")
    queue.take_off()
    assert [one.tag for one in queue.units] == ["A-1", "A-3", "A-4"]
    assert queue.entry.tag == "A-3"
    queue.undo()
    assert queue.entry.tag == "A-2"
    with pytest.raises(InputError):
        queue.undo()


def test_parts_kept_for_one_unit_are_not_offered_to_another(shop, tmp_path):
    one = next(part for part in shop.stock if part.kind == "ssd")
    small = shop.model_copy(update={"stock": (one.model_copy(update={"count": 1}),)})
    bench = BenchPage(small, tmp_path / "log.sqlite")
    bench.take_file("two.csv", b"tag,cpu,ram,disk\nB-1,i5-6300U,8,none\nB-2,i5-6300U,8,none\n")
    assert [part.source for part in bench.record.parts] == ["1 in the drawer"] or "kept" in bench.record.parts[0].source
    bench.find("B-2")
    assert "to be bought" in bench.record.parts[0].source
    bench.find("B-1")
    bench.log_it(Job("B-1", "2026-01-05", elapsed_min=50))
    bench.find("B-2")
    assert "to be bought" not in bench.record.parts[0].source


def _drawer_of(shop, count):
    ssd = next(part for part in shop.stock if part.kind == "ssd" and part.fits == "sata")
    return shop.model_copy(update={"stock": (ssd.model_copy(update={"count": count}),)})


def test_a_sheet_in_the_queue_is_given_the_drawer_as_the_batch_is(shop, tmp_path):
    """The unit that saves most by the one disk is kept it, whichever of the two is looked at first."""
    rows = "tag,cpu,ram,disk\nB-1,i5-6300U,8,500 hdd\nB-2,i5-6300U,8,none\n"
    batch = assess(pd.read_csv(io.StringIO(rows), dtype=str), _drawer_of(shop, 1))
    assert [bool(batch.kept_for(row)) for row in range(2)] == [False, True]
    bench = BenchPage(_drawer_of(shop, 1), tmp_path / "log.sqlite")
    bench.take_file("two.csv", rows.encode())
    for row in range(2):
        bench.find(f"B-{row + 1}")
        assert (bench.record.headline, bench.entry.kept) == (batch[row].headline, batch.kept_for(row))
    assert bench.left_by_others() == ""
    bench.find("B-1")
    assert "as other units leave it" in bench.left_by_others()


def test_another_shop_shares_its_own_drawer_out_over_the_queue(shop, tmp_path):
    bench = BenchPage(_drawer_of(shop, 0), tmp_path / "log.sqlite")
    bench.take_file("two.csv", b"tag,cpu,ram,disk\nB-1,i5-6300U,8,none\nB-2,i5-6300U,8,none\n")
    assert [one.kept for one in bench.units] == [{}, {}]
    bench.take_shop(str(datasets() / "demo" / "shop.toml"))
    assert all(one.kept for one in bench.units)
    assert "kept for this unit" in bench.record.parts[0].source


def test_triage_says_what_the_sheet_of_the_batch_tab_decides_otherwise(shop, tmp_path):
    from advisor.views.app_view import App

    app = App(BenchPage(_drawer_of(shop, 1), tmp_path / "log.sqlite"))
    app.bench.join([Queued(Unit(asset_tag="B-1", cpu="i5-6300U", ram_gib=8, storage_kind="none"))])
    app.refresh()
    assert "Batch tab" not in app.triage.head.value
    app.batch.batch = batch = assess(
        pd.DataFrame({"tag": ["b-1", "B-2"], "cpu": "i5-6300U", "ram": "8", "disk": "none"}), _drawer_of(shop, 0)
    )
    app.refresh()
    assert f"In the Batch tab, where the drawer is shared out over 2 units of {shop.name}" in app.triage.head.value
    assert batch[0].headline.startswith("BUY AND FIT") and batch[0].headline in app.triage.head.value


@pytest.mark.parametrize("found", ["battery swollen", "bios password"])
def test_no_install_of_a_unit_on_which_nothing_is_to_be_installed_is_offered_without_a_word(bench, found):
    """A swollen battery sets a unit aside, a password of its firmware is to be found out first."""
    from advisor.views.app_view import App

    bench.take_file("one.csv", f"tag,cpu,ram,disk,notes\nS-1,i5-6300U,8,256 ssd,{found}\n".encode())
    assert bench.record.advice in ("set aside", "hold")
    app = App(bench, tab="log")
    log = app.pages[app.tabs.selected_index]
    assert "Nothing is to be installed on this unit" in log.head.value
    assert (log.boxes["edition"].value, log.do.description) == ("", "Log it all the same")
    assert log._read().edition is None
    app.tabs.selected_index = 0
    assert [one.description for one in app.triage.actions.children[1:3]] == [
        "Start the clock all the same", "Log it all the same",
    ]  # fmt: skip
    bench.correct("notes", "fine")
    app.refresh()
    app.tabs.selected_index = 3
    assert "Nothing is to be installed" not in log.head.value
    assert (log.boxes["edition"].value, log.do.description) == (bench.record.edition, "Log it")
    assert app.triage.actions.children[2].description == "Log it"


def test_stopwatches_go_by_step_and_survive_a_new_page(queue, shop, tmp_path):
    assert queue.go_on().endswith("the clock runs.")
    again = BenchPage(shop, tmp_path / "log.sqlite")
    again.find("A-1")
    assert [lap.phase for lap in again.watches().running] == ["prepare"]
    assert re.match(r"Prepare.*, A-1: 0\.0 min\. Start from the stick: the clock runs\.", again.go_on())
    assert again.states()[again.units.index(again.entry)] == "running"


def test_a_corrected_tag_takes_its_stopwatches_along_and_never_another_units_tag(queue):
    queue.go_on()
    queue.correct("asset_tag", "A-9")
    assert [lap.tag for lap in queue.watches().running] == ["A-9"]
    with pytest.raises(InputError, match="another unit"):
        queue.correct("asset_tag", "A-2")


def test_logging_keeps_prediction_and_outcome_side_by_side_and_why(queue, shop, tmp_path):
    predicted = queue.record.elapsed_min
    done = queue.log_it(Job("A-1", "2026-01-05", elapsed_min=75, hands_on_min=20, technician="Ada"))
    assert done.predicted[0] == predicted
    assert done.actual == (75, 20)
    queue.why("slow download")
    row = queue.log.rows("SELECT * FROM job JOIN unit ON unit.id = job.unit_id")[0]
    assert (row["asset_tag"], row["note"], row["technician"]) == ("A-1", "why: slow download", "Ada")
    assert row["phases"].count('"phase"') == 14
    assert queue.next_unit() == "Next: A-2."
    again = BenchPage(shop, tmp_path / "log.sqlite")
    assert again.technician == "Ada"
    assert again.states()[0] == "logged"


def test_a_unit_without_a_tag_says_so_before_clock_or_log(bench):
    bench.type_in()
    for act in (bench.go_on, lambda: bench.log_it(Job("", "2026-01-05", elapsed_min=5))):
        with pytest.raises(InputError, match="no tag"):
            act()


def test_pasted_text_is_a_sheet_or_listings(bench):
    bench.take_text("asset tag\tcpu\tram\nP-1\ti5-6300U\t8\n")
    assert bench.entry.tag == "P-1"
    bench.take_text("00:14.3 Network controller [0280]: Intel Corporation Wireless 8260 [8086:24f3] (rev 3a)\n")
    assert "8086:24f3" in bench.entry.unit.devices or "24F3" in bench.entry.unit.devices.upper()


def test_a_watched_folder_gives_captures_and_names_what_is_broken(bench, tmp_path):
    from advisor.capture import write_capture

    stick = tmp_path / "stick"
    stick.mkdir()
    write_capture(Capture(unit=Unit(asset_tag="W-1", cpu="i5-6300U")), stick / "one.json")
    assert "1 unit joined" in bench.watch(str(stick))
    assert bench.look() == ""
    (stick / "two.json").write_text("{")
    with pytest.raises(InputError, match=r"two\.json"):
        bench.look()
    assert [one.tag for one in bench.units] == ["W-1"]
    with pytest.raises(InputError, match="no folder"):
        bench.watch(str(tmp_path / "nowhere"))


ODD_NAMES = {
    "../../etc/cap.json": "cap.json", "..\\..\\cap.json": "cap.json", "c\x1b[31map\x07.json": "c[31map.json",
    "cap\u202enosj.json": "capnosj.json", "c\nap.json": "cap.json",
    "c\udcffap.json": "cap.json", "c\x00ap.json": "cap.json",
    "<b>cap</b>.json": "b>.json", "CON": "CON", "": "the file", "x" * 5000: "x" * 120,
}  # fmt: skip


@pytest.mark.parametrize("name", ODD_NAMES, ids=range(len(ODD_NAMES)))
def test_a_files_name_is_shown_in_one_line_and_never_followed(bench, name):
    for tag in ("N-1", "N-1"):
        bench.take_file(name, b'{"unit": {"asset_tag": "%s", "cpu": "i5-6300U"}}' % tag.encode())
    [(again, there)] = bench.twice
    assert again.origin == there.origin == ODD_NAMES[name]
    with pytest.raises(InputError) as caught:
        bench.take_file(name, b"")
    assert ODD_NAMES[name] in caught.value.message and caught.value.message.isprintable()


def test_names_on_a_stick_that_are_no_text_stop_nothing(bench, tmp_path):
    capture = b'{"unit": {"asset_tag": "%d", "cpu": "i5-6300U"}}'
    for number, name in enumerate((b"cap\xff.json", b"a\x1b[31m.json", "\u202ea.json".encode(), b"<i>.json")):
        with open(os.path.join(os.fsencode(tmp_path), name), "wb") as file:
            file.write(capture % number)
    assert "4 units joined" in bench.watch(str(tmp_path))
    assert {one.origin for one in bench.units} == {"cap.json", "a[31m.json", "a.json", "<i>.json"}
    with open(os.path.join(os.fsencode(tmp_path), b"broken\xff\x1b.json"), "wb") as file:
        file.write(b"{")
    with pytest.raises(InputError, match=r"^broken\.json: ") as caught:
        bench.look()
    assert caught.value.message.isprintable()


@pytest.mark.parametrize("typed", ["x" * 5000, "~nobody-of-this-name/x", "a\x00b", "/dev/null", "a\udcffb"])
def test_what_is_no_folder_is_a_sentence_on_the_page(bench, typed):
    from advisor.views.app_view import App

    app = App(bench)
    with pytest.raises(InputError, match="is no folder") as caught:
        bench.watch(typed)
    assert len(caught.value.message) < 300
    app.act(lambda: bench.watch(typed))
    assert "is no folder" in app.message.value
    app.message.value.encode()


def test_the_name_of_a_download_is_a_name_alone(bench, monkeypatch):
    from advisor.views.app_view import App

    app, saved = App(bench), list[str]()
    monkeypatch.setattr(app.front, "save", lambda name, _: saved.append(name))
    for tag in ("../../etc/x", "a/b", "CON", "a" * 400, "\u202ex", "<b>", "=1+1"):
        bench.take_file("one.csv", f'asset_tag,cpu\n"{tag}",i5-6300U\n'.encode())
        app.save_sheet()
    assert saved == [f"{one}-sheet.pdf" for one in ("------etc-x", "a-b", "CON", "a" * 80, "-x", "-b-", "-1-1")]


def test_a_sheet_too_large_for_the_queue_is_sent_to_the_batch_tab(bench):
    rows = "".join(f"X-{number},i5-6300U\n" for number in range(MOST_AT_ONCE + 1))
    assert "Batch tab" in bench.take_file("large.csv", f"tag,cpu\n{rows}".encode())
    assert bench.units == []


def test_the_shop_file_has_one_place_for_all(home, monkeypatch, tmp_path):
    assert default_shop_file() == home / "shop.toml"
    assert the_shop().name == "this bench"
    home.mkdir(parents=True)
    (home / "shop.toml").write_text('name = "Our bench"\n')
    assert the_shop().name == "Our bench"
    monkeypatch.setenv("ADVISOR_SHOP", str(datasets() / "demo" / "shop.toml"))
    assert the_shop().name == read_shop(datasets() / "demo" / "shop.toml").name
    monkeypatch.setenv("ADVISOR_SHOP", str(tmp_path / "gone.toml"))
    with pytest.raises(InputError):
        the_shop()


def test_a_shop_that_was_chosen_holds_after_a_reload_and_the_page_says_so(tmp_path, monkeypatch):
    from advisor.views.app_view import App

    mine = tmp_path / "mine.toml"
    mine.write_text('name = "Second bench"\n')
    log = tmp_path / "log.sqlite"
    BenchPage(log=log).take_shop(str(mine))
    again = App(BenchPage(log=log))
    assert again.bench.shop == read_shop(mine)
    assert again.shop.value == str(mine) and "Second bench" in again.message.value
    again.shop.value = ""
    assert again.bench.shop.name == BenchPage(log=log).shop.name == "this bench"
    BenchPage(log=log).take_shop(str(mine))
    mine.write_text("name = 3")
    assert BenchPage(log=log).shop.name == "this bench" and "this bench" in BenchPage(log=log).told
    again.shop.value = str(tmp_path / "gone.toml")
    assert again.shop.value == "" and "gone.toml" in again.message.value


@pytest.mark.parametrize(("server", "name"), [("one", "Second bench"), ("two", "Named at the start")])
def test_a_shop_named_at_the_start_goes_before_what_was_chosen_under_another_server(
    tmp_path, monkeypatch, server, name
):
    for file, called in (("mine", "Second bench"), ("named", "Named at the start")):
        (tmp_path / f"{file}.toml").write_text(f'name = "{called}"\n')
    monkeypatch.setenv("ADVISOR_SHOP", str(tmp_path / "named.toml"))
    monkeypatch.setenv("JUPYTER_RUNTIME_DIR", "one")
    page = BenchPage(log=tmp_path / "log.sqlite")
    assert page.shop.name == "Named at the start"
    page.take_shop(str(tmp_path / "mine.toml"))
    monkeypatch.setenv("JUPYTER_RUNTIME_DIR", server)
    assert BenchPage(log=tmp_path / "log.sqlite").shop.name == name


def test_the_invented_workshop_holds_after_a_reload(tmp_path):
    BenchPage(log=tmp_path / "log.sqlite").try_demo()
    assert BenchPage(log=tmp_path / "log.sqlite").shop == read_shop(datasets() / "demo" / "shop.toml")


def test_a_log_of_the_first_layout_gets_the_queue_and_keeps_its_rows(tmp_path, monkeypatch):
    from advisor.benchlog import database, schema

    path = tmp_path / "old.sqlite"
    monkeypatch.setattr(database, "MIGRATIONS", schema.MIGRATIONS[:1])
    with BenchLog(path) as log, log.writing() as db:
        db.execute("INSERT INTO job (asset_tag, done_on, elapsed_min, logged_at) VALUES ('A-1', '2026-01-05', 60, '')")
    monkeypatch.undo()
    bench = BenchPage(log=path)
    assert bench.log.rows("SELECT count(*) AS n FROM job")[0]["n"] == 1
    bench.type_in()
    assert len(bench.units) == 1


@pytest.mark.slow
def test_a_unit_taken_from_a_batch_keeps_what_the_batch_decided(bench, demo, shop):
    import advisor
    from advisor.views.app_view import App

    app = App(bench)
    app.batch.batch = batch = advisor.assess(demo, shop)
    bought = [row for row in range(len(batch)) if any("to be bought" in part.source for part in batch[row].parts)]
    kept = [row for row in range(len(batch)) if batch.kept_for(row)]
    for row in (bought[0], kept[0]):
        app.batch.row = row
        app.batch._to_bench()
        assert bench.entry.tag == batch.tags[row]
        assert bench.record.headline == batch[row].headline
