"""Designs, campaigns and what they write: nothing here needs root."""

from __future__ import annotations

import dataclasses
import os
import signal
import threading
import time
from collections import Counter
from contextlib import nullcontext
from pathlib import Path

import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.files import datasets
from advisor.lab import campaign, collect, design, installers, rehearsal, results, workplace
from advisor.lab.disk import models
from advisor.shop import Edition
from advisor.unit import StorageKind


def a_plan(name: str = "one", **changes: object) -> rehearsal.Setup:
    values: dict[str, object] = {
        "name": name, "tree": "xfce13", "compression": "xz", "base_set": "small", "update_set": "few",
        "quota_pct": 50.0, "cores": 1, "memory_mib": 2048, "disk": "emmc", "storage_kind": "emmc",
        "rate_mib_s": 100.0, "access_ms": 1.0, "link_mbps": 100.0,
    }  # fmt: skip
    return rehearsal.Setup(**{**values, **changes})  # type: ignore[arg-type]


def write_design(folder: Path, plans: list[rehearsal.Setup]) -> None:
    results.write_rows(folder / "d.csv", [dataclasses.asdict(plan) for plan in plans])


SIZES = {"lxqt13": 1.25, "xfce13": 0.9, "mate12": 1.2, "gnome12": 2.1}


@pytest.fixture(scope="module")
def plans() -> list[rehearsal.Setup]:
    return design.draw(62, SIZES, repeats=7)


def test_any_beginning_of_the_design_is_spread(plans):
    first = plans[:20]
    for name, levels in (("tree", 4), ("compression", 2), ("disk", 5), ("cores", 2), ("memory_mib", 4)):
        assert len({getattr(plan, name) for plan in first}) == levels, name
    quotas = {plan.quota_pct for plan in first}
    assert min(quotas) <= 18 and max(quotas) == 170 and len(quotas) >= 6


def test_the_whole_design_keeps_disks_even_and_spans_the_quotas(plans):
    disks = Counter(plan.disk for plan in plans)
    assert min(disks.values()) >= 0.6 * max(disks.values())
    quotas = {plan.quota_pct for plan in plans}
    assert {10, 170} <= quotas
    for plan in plans:
        plan.check()
        assert plan.storage_kind in set(StorageKind)
        span = next(disk for disk in design.DISK_CLASSES if disk.name == plan.disk)
        assert span.rate[0] * 0.99 <= plan.rate_mib_s <= span.rate[1] * 1.01


def test_repeats_repeat(plans):
    by_name = {plan.name: plan for plan in plans}
    assert len(by_name) == len(plans)
    again = [plan for plan in plans if plan.repeat_of]
    assert len(again) == 7
    for plan in again:
        assert dataclasses.replace(plan, name=plan.repeat_of, repeat_of="") == by_name[plan.repeat_of]
        assert plans.index(plan) > plans.index(by_name[plan.repeat_of]) + 1


def test_slow_processors_get_little_work(plans):
    for plan in plans:
        if plan.quota_pct / plan.cores <= 18:
            assert (plan.tree, plan.compression, plan.base_set, plan.update_set) == ("xfce13", "zstd", "small", "few")


def test_a_design_is_the_same_every_time_and_survives_its_file(plans, tmp_path):
    assert design.draw(62, SIZES, repeats=7) == plans
    write_design(tmp_path, plans)
    assert results.read_design(tmp_path / "d.csv", rehearsal.Setup) == plans


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (",xz,", ",rar,", "'rar' is not known"),
        (",50.0,", ",half,", "column quota_pct: 'half' is no number"),
        (",50.0,", ",500,", "quota_pct 500 is not from"),
        ("one,", "../one,", "other signs"),
        ("compression,", "packing,", "lacks compression"),
    ],
)
def test_a_wrong_design_is_refused_by_name(tmp_path, old, new, said):
    write_design(tmp_path, [a_plan()])
    text = (tmp_path / "d.csv").read_text()
    assert old in text
    (tmp_path / "d.csv").write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=said.replace(".", r"\.")):
        results.read_design(tmp_path / "d.csv", rehearsal.Setup)


def test_a_name_given_twice_is_refused(tmp_path):
    write_design(tmp_path, [a_plan(), a_plan()])
    with pytest.raises(InputError, match="twice"):
        results.read_design(tmp_path / "d.csv", rehearsal.Setup)


@pytest.fixture(autouse=True)
def no_kernel_threads(monkeypatch):
    monkeypatch.setattr(campaign, "calm", lambda: None)


def test_a_line_cut_off_by_a_kill_is_passed_over_and_closed_off(tmp_path):
    out = tmp_path / "out.jsonl"
    results.append_line(out, {"name": "a"})
    with open(out, "ab") as file:
        file.write(b'{"name": "b", "tot')
    assert [line["name"] for line in results.read_lines(out)] == ["a"]
    results.append_line(out, {"name": "c"})
    assert [line["name"] for line in results.read_lines(out)] == ["a", "c"]


def test_a_damaged_line_in_the_middle_is_named(tmp_path):
    out = tmp_path / "out.jsonl"
    out.write_text('{"name": "a"}\nnonsense\n{"name": "b"}\n')
    with pytest.raises(InputError, match="line 2"):
        results.read_lines(out)


def test_what_is_outstanding(tmp_path):
    plans = [a_plan(name) for name in "abcde"]
    out = tmp_path / "out.jsonl"
    for line in (
        {"name": "a", "disturbed": False},
        {"name": "b", "disturbed": True},
        {"name": "c", "disturbed": True},
        {"name": "c", "disturbed": True},
        {"name": "d", "failed": "no room", "disturbed": True},
    ):
        results.append_line(out, line)
    made = campaign.rehearse(workplace.open_workplace(tmp_path / "rig"), plans, out)
    # Never made first; then disturbed or failed once; twice is left at that.
    assert [plan.name for plan in made.outstanding()] == ["e", "b", "d"]


def carry_out(tmp_path, plans, **options) -> int:
    place = workplace.open_workplace(tmp_path / "rig")
    say = options.pop("say", lambda text: None)
    return campaign.rehearse(place, plans, tmp_path / "out.jsonl", say).carry_out(say=say, **options)


def test_a_campaign_goes_on_where_it_was_and_lives_through_a_failure(tmp_path, monkeypatch):
    made: list[str] = []

    def pretend(place, plan, cpus=None, say=None):
        made.append(plan.name)
        if plan.name == "b" and made.count("b") == 1:
            raise InputError("no room")
        disturbed = plan.name == "c" and made.count("c") == 1
        return {"name": plan.name, "disturbed": disturbed, "disturbed_reason": "", "total_s": 1.0}

    monkeypatch.setattr(rehearsal, "once", pretend)
    plans = [a_plan(name) for name in "abc"]
    assert carry_out(tmp_path, plans[:1]) == 1
    assert carry_out(tmp_path, plans) == 3
    assert made == ["a", "b", "c", "b", "c"]
    assert carry_out(tmp_path, plans) == 0
    assert [line.get("failed") for line in results.read_lines(tmp_path / "out.jsonl")] == [
        None,
        "no room",
        None,
        None,
        None,
    ]


def test_on_a_core_of_its_own_only_what_needs_one_is_made(tmp_path, monkeypatch):
    made = []

    def pretend(place, plan, cpus=None, say=None):
        made.append((plan.name, cpus))
        return {"name": plan.name, "disturbed": False, "disturbed_reason": "", "total_s": 1.0}

    monkeypatch.setattr(rehearsal, "once", pretend)
    plans = [a_plan("a", cores=2), a_plan("b"), a_plan("c", cores=2), a_plan("d")]
    place, quiet = workplace.open_workplace(tmp_path / "rig"), lambda text: None
    assert campaign.rehearse(place, plans, tmp_path / "out.jsonl", quiet, core=1).carry_out(say=quiet) == 2
    assert made == [("b", (1,)), ("d", (1,))]
    # What was left out is made where the whole machine is to be had.
    assert campaign.rehearse(place, plans, tmp_path / "out.jsonl", quiet).carry_out(say=quiet) == 2
    assert made[2:] == [("a", None), ("c", None)]


def test_a_pause_file_holds_the_next_rehearsal(tmp_path, monkeypatch):
    pause, out = tmp_path / "pause", tmp_path / "out.jsonl"
    pause.touch()
    waiting = threading.Event()
    monkeypatch.setattr(campaign, "PAUSE_S", 0.01)
    # Signals are heard by the main thread alone.
    monkeypatch.setattr(campaign, "ends_tidily", nullcontext)
    line = {"name": "one", "disturbed": False, "disturbed_reason": "", "total_s": 1}
    monkeypatch.setattr(rehearsal, "once", lambda *a, **k: {**line, "paused": pause.exists()})

    def say(text: str) -> None:
        if "paused" in text:
            waiting.set()

    worker = threading.Thread(target=carry_out, args=(tmp_path, [a_plan()]), kwargs={"pause_file": pause, "say": say})
    worker.start()
    assert waiting.wait(10)
    assert results.read_lines(out) == []
    pause.unlink()
    worker.join(10)
    assert [line["paused"] for line in results.read_lines(out)] == [False]


def test_a_request_to_end_puts_the_rehearsal_away(tmp_path, monkeypatch):
    put_away = []

    def long(*_: object, **__: object) -> dict[str, object]:
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(30)
            raise AssertionError("the request to end was not heard")
        finally:
            put_away.append(True)

    monkeypatch.setattr(rehearsal, "once", long)
    with pytest.raises(SystemExit):
        carry_out(tmp_path, [a_plan()])
    assert put_away == [True]
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


# --- collecting


def a_line(name: str, after: float, **more: object) -> dict[str, object]:
    return {
        "name": name, "decompress_before_mib_s": 50.0, "decompress_after_mib_s": after, "steal_share": 0.0,
        "share_before": 1.0, "share_after": 1.0, "disk_write_mib_s": 90.0, "rate_mib_s": 100.0, **more,
    }  # fmt: skip


def test_collecting_keeps_last_good_lines_and_marks_the_rest():
    lines = [
        a_line("a", 30.0, total_s=9.0, disturbed=False),
        a_line("a", 50.0, total_s=5.0, disturbed=True),
        a_line("a", 50.0, total_s=6.0),
        {"name": "b", "failed": "no", "disturbed": True},
    ]
    kept = collect.collect(lines)
    # What the lines said of themselves is judged anew.
    assert [(line["disturbed"], line["total_s"]) for line in kept] == [(True, 9.0), (True, 5.0), (False, 6.0)]
    assert [line["disturbed_reason"] for line in kept[1:]] == ["made again", ""]
    assert "decompression" in str(kept[0]["disturbed_reason"])


def test_an_install_whose_core_ran_at_another_pace_than_usual_is_disturbed():
    """The usual one is the median of those that are undisturbed otherwise, here 40; a fifth off is 32 and 48."""

    def install(name: str, pace: float, **more: object) -> dict[str, object]:
        share = {"quota_pct": 100.0, "cores": 2, "decompress_mib_s": pace / 2, "processor": "P", "installer": "clone"}
        return a_line(name, 50.0, **(share | more))

    paces = {"a": 40.0, "b": 38.0, "c": 41.0, "d": 47.99, "e": 48.01, "f": 31.99, "g": 32.01}
    lines = [install(name, pace) for name, pace in paces.items()]
    lines += [
        install("h", 90.0, steal_share=0.5),
        install("i", 9.0, installer="unpack"),
        install("a2", 80.0, processor="Q"),
    ]
    found = {line["name"]: line["disturbed_reason"] for line in collect.collect(lines)}
    assert {name for name, reason in found.items() if reason} == {"e", "f", "h"}
    assert found["e"] == "a core decompressed 48.0 MiB/s, 40.0 is usual" and "host" in str(found["h"])


def test_the_noise_floor_is_dahlbergs():
    phases = {f"{phase}_s": 1.0 for phase in installers.PHASES}
    lines: list[dict[str, object]] = [
        {"name": "a", "total_s": 100.0, **phases},
        {"name": "a2", "repeat_of": "a", "total_s": 102.0, **phases},
        {"name": "b", "total_s": 200.0, **phases},
        {"name": "b2", "repeat_of": "b", "total_s": 196.0, **phases},
        {"name": "c2", "repeat_of": "c", "total_s": 1.0, **phases},
    ]
    pairs = collect.repeats(lines)
    assert list(pairs["difference_pct"]) == pytest.approx([200 / 101, -400 / 198])
    # Dahlberg 1940: s = sqrt(sum d^2 / 2n), worked by hand: d = 1.980 and -2.020.
    assert collect.noise_floor_pct(list(pairs["difference_pct"])) == pytest.approx(1.4143, abs=1e-3)


# --- designs of full size and of sessions


def test_the_design_that_ships_is_the_one_that_is_drawn():
    assert results.read_design(datasets() / "comfort" / "design.csv", design.Pressure) == design.draw_sessions()


def test_the_design_says_what_was_measured_of_it(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.argv", ["design", "--out", str(tmp_path / "design.csv")])
    design.main()
    assert (tmp_path / "design.csv").read_text() == (datasets() / "comfort/design.csv").read_text()


def test_every_edition_meets_each_memory_size_alike_and_every_kind_of_disk():
    plans = pd.DataFrame(design.draw_sessions())
    tight = plans["name"].str.rpartition("-")[2].isin(design.TIGHT)
    for word, (mib, quota) in design.TIGHT.items():
        some = plans[plans["name"].str.endswith(word)]
        assert sorted(some["edition"]) == sorted(map(str, Edition))
        assert some["memory_limit_mib"].eq(mib).all() and some["quota_pct"].eq(quota).all()
    plans = plans[~tight]
    per = plans.groupby(["edition", "memory_limit_mib"]).size()
    assert set(per) == {3} and len(per) == len(Edition) * len(design.SESSION_MEMORY_MIB)
    assert (plans.groupby("edition")["disk"].nunique() == len(models.known())).all()
    assert plans["name"].is_unique and plans["quota_pct"].between(16, 95).all()
    # Two of three on one core, three of four with swap on the disk.
    assert (plans.groupby("edition")["cores"].value_counts().unstack() == [12, 6]).all(axis=None)
    assert 0.7 <= plans["swap"].eq("disk").mean() <= 0.8
    assert set(plans["memory_limit_mib"]) == {1024, 1536, 2048, 3072, 4096, 8192}


def test_every_beginning_of_the_design_is_spread_over_the_editions():
    plans = pd.DataFrame(design.draw_sessions())[: -len(design.TIGHT) * len(Edition)]
    third = len(plans) // 3
    assert (plans.iloc[:third].groupby("edition").size() == 6).all()
    assert plans.iloc[:third]["memory_limit_mib"].nunique() == 6
    assert plans.iloc[:third]["disk"].nunique() == len(models.known())


def test_full_size_rehearsals_meet_every_tree_by_every_installer_and_every_disk():
    plans = design.draw_full()
    first = [plan for plan in plans if not plan.repeat_of]
    assert len(first) == 72 and len(plans) == 78
    assert set(Counter((plan.tree, plan.installer) for plan in first).values()) == {4}
    assert len({(plan.tree, plan.installer) for plan in first}) == 6 * 3
    disks = Counter(plan.model for plan in first)
    assert set(disks) == set(models.known()) and max(disks.values()) - min(disks.values()) <= 2
    # No tree and no installer is tied to a disk.
    for plan in first:
        plan.check()
        assert plan.storage_kind in set(StorageKind)
    for name in ("tree", "installer"):
        for value in {getattr(plan, name) for plan in first}:
            assert len({plan.model for plan in first if getattr(plan, name) == value}) >= 5, value


def test_the_full_design_that_ships_is_the_one_that_is_drawn():
    assert results.read_design(datasets() / "lab" / "design.csv", rehearsal.Setup) == design.draw_full()


def test_designs_written_before_there_were_installers_are_still_read(tmp_path):
    write_design(tmp_path, [a_plan()])
    old = [line.rsplit(",", 2)[0] for line in (tmp_path / "d.csv").read_text().splitlines()]
    (tmp_path / "d.csv").write_text("\n".join(old) + "\n")
    (plan,) = results.read_design(tmp_path / "d.csv", rehearsal.Setup)
    assert (plan.installer, plan.model) == ("unpack", "")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"installer": "magic"}, "installer 'magic'"),
        ({"model": "drum"}, "disk model 'drum'"),
        ({"tree": "x"}, "tree 'x'"),
    ],
)
def test_a_plan_of_what_there_is_not_is_refused(changes, said):
    with pytest.raises(InputError, match=said):
        a_plan(**changes).check()


def test_rows_are_added_under_one_head_and_a_row_cut_off_by_a_kill_is_left_out(tmp_path):
    out = tmp_path / "rows.csv"
    results.append_rows(out, ("a", "b"), [{"a": 1, "b": "x, y"}])
    with open(out, "a") as file:
        file.write("2,cut")
    assert results.read_rows(out, ("a", "b")) == [{"a": "1", "b": "x, y"}]
    results.append_rows(out, ("a", "b"), [{"a": 3, "b": ""}])
    assert [row["a"] for row in results.read_rows(out, ("a", "b"))] == ["1", "3"]
    assert results.read_rows(tmp_path / "none.csv", ("a", "b")) == []
