"""`advisor rehearse`: wrong calls are told, and its doors lead to the right rooms."""

from __future__ import annotations

import json
import os
import signal
import time
from dataclasses import asdict

import pytest
import typer
from typer.testing import CliRunner

from advisor.cli import open_door, rehearse
from advisor.errors import AccessError, AdvisorError, InputError
from advisor.files import datasets
from advisor.lab import campaign, design, groups, rehearsal, results, trees, workplace
from advisor.lab.sessions import series


@pytest.fixture
def call():
    app = typer.Typer()
    open_door(app, "rehearse")

    @app.callback()
    def root() -> None:
        pass

    def run(*words: object) -> str:
        result = CliRunner().invoke(app, ["rehearse", *map(str, words)], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        return result.output

    return run


@pytest.fixture
def user(monkeypatch):
    monkeypatch.setattr(workplace.os, "geteuid", lambda: 1000)


@pytest.fixture
def root(monkeypatch):
    """Root on a machine with every tool; nothing that needs them is called. Gives when memory was touched."""
    touched: list[bool] = []
    monkeypatch.setattr(groups, "touch_memory", lambda: touched.append(True))
    monkeypatch.setattr(workplace.os, "geteuid", lambda: 0)
    monkeypatch.setattr(workplace.shutil, "which", lambda tool: f"/usr/bin/{tool}")
    return touched


def test_every_sub_command_shows_an_example(call):
    for name in ("build", "run", "design", "campaign", "sessions", "collect", "compare"):
        assert f"Example:  advisor rehearse {name} " in call(name, "--help")


@pytest.mark.parametrize(
    "words",
    [
        ("build", "xfce13"), ("run", "--out", "x.jsonl"), ("--clean",), ("--session", "Xfce"),
        ("sessions", "--out", "x.csv"),
    ],
)  # fmt: skip
def test_what_needs_root_says_so(call, user, words, tmp_path):
    with pytest.raises(AccessError, match="only root"):
        call(*words, "--work", tmp_path / "rig")
    assert not (tmp_path / "rig").exists()


def test_two_things_at_once_are_refused(call):
    with pytest.raises(InputError, match="Give one of"):
        call("--image", "a", "--predict", "b")


def test_cleaning_leaves_other_folders_alone(call, root, tmp_path):
    (tmp_path / "letter").write_text("x")
    with pytest.raises(InputError, match="no work folder"):
        call("--clean", "--work", tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letter"]


def test_an_unknown_recipe_or_kind_is_named(call, root, tmp_path):
    with pytest.raises(InputError, match="'kde99'") as caught:
        call("build", "kde99", "--work", tmp_path / "rig")
    assert "xfce13" in caught.value.hint
    with pytest.raises(InputError, match="'floppy'"):
        call("run", "--out", tmp_path / "x", "--storage-kind", "floppy", "--work", tmp_path / "rig")
    with pytest.raises(AdvisorError, match="quota_pct 100 is not from 5 to 85"):
        call("run", "--out", tmp_path / "x", "--quota", "100", "--work", tmp_path / "rig")


@pytest.mark.parametrize(("words", "level"), [((), None), (("--level", 3), 3)])
def test_a_tree_is_packed_at_the_level_given(call, root, tmp_path, monkeypatch, words, level):
    facts = trees.TreeFacts("xfce13", "Xfce", "13", "trixie", 1, 900_000_000, 10, "k", 1)
    image, packed = tmp_path / "image", []
    image.touch()

    def pack(place, recipe, compression, at):
        packed.append((recipe.name, compression, at))
        return image

    monkeypatch.setattr(trees, "build", lambda place, recipe: facts)
    monkeypatch.setattr(trees, "pack", pack)
    call("build", "xfce13", *words, "--work", tmp_path / "rig")
    assert packed == [("xfce13", "xz", level), ("xfce13", "zstd", level)]


def test_a_request_to_end_unwinds_a_build(root, tmp_path, monkeypatch):
    ended = []

    def packing(place, recipe):
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(30)
            raise AssertionError("the request to end was not heard")
        finally:
            ended.append(recipe.name)

    monkeypatch.setattr(trees, "build", packing)
    with pytest.raises(SystemExit):
        rehearse.build(["xfce13"], work=tmp_path / "rig")
    assert ended == ["xfce13"] and signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_a_design_needs_trees_and_then_uses_them(call, tmp_path):
    work, out = tmp_path / "rig", tmp_path / "design.csv"
    with pytest.raises(InputError, match="No tree is built"):
        call("design", "--out", out, "--work", work)
    facts = trees.TreeFacts(
        name="xfce13", edition="Xfce", release="13", codename="trixie", packages=1, installed_bytes=900_000_000,
        installed_files=10, kernel="k", index_bytes=1,
    )  # fmt: skip
    (work / "trees/xfce13.json").write_text(json.dumps(asdict(facts)))
    said = call("design", "--out", out, "--count", 8, "--repeats", 2, "--work", work)
    plans = results.read_design(out, rehearsal.Setup)
    assert "10 rehearsals" in said and len(plans) == 10
    assert {plan.tree for plan in plans} == {"xfce13"}


def test_a_campaign_passes_its_options_on(call, root, tmp_path, monkeypatch):
    results.write_rows(tmp_path / "d.csv", [asdict(plan) for plan in design.draw(4, {"xfce13": 0.9}, repeats=0)])
    seen = {}

    def pretend(self, pause_file, until, say):
        assert root, "the host gives memory while it is measured"
        seen.update(root=self.place.root, plans=len(self.plans), pause=pause_file, until=until)
        return 3

    monkeypatch.setattr(campaign.Campaign, "carry_out", pretend)
    words = ("campaign", "--design", tmp_path / "d.csv", "--out", tmp_path / "o", "--work", tmp_path / "rig")
    assert "3 rehearsals made" in call(*words, "--pause-file", tmp_path / "p", "--until", "23:59")
    assert seen["plans"] == 4 and seen["pause"] == tmp_path / "p" and seen["until"] > 0
    with pytest.raises(InputError, match="is no time"):
        call(*words, "--until", "soon")


@pytest.mark.parametrize(
    ("until", "hours"), [("23:41", 1 / 60), ("23:40", 24), ("02:05", 2 + 25 / 60), ("00:00", 1 / 3)]
)
def test_a_time_that_is_past_today_is_tomorrows(monkeypatch, until, hours):
    now = time.mktime((2026, 11, 30, 23, 40, 0, 0, 0, -1))
    local = time.localtime
    monkeypatch.setattr(rehearse.time, "localtime", lambda: local(now))
    assert rehearse._clock(until) == now + hours * 3600


def test_a_session_is_asked_for_by_its_desktop(call, root, tmp_path, monkeypatch):
    seen = []

    class Pretend:
        def __init__(self, rig, release, editions, runs, note=""):
            seen.append((rig.place.root, release, list(editions), runs, rig.out))

        def carry_out(self, until=None, say=print):
            say("measured")
            return seen[-1][3]

    monkeypatch.setattr(series, "repeat", Pretend)
    said = call("--session", "lxqt", "--work", tmp_path / "rig")
    assert "measured" in said and seen[-1][:4] == (tmp_path / "rig", "13", ["LXQt"], 1)
    call("--session", "Xfce", "--out", tmp_path / "s.csv", "--work", tmp_path / "rig")
    assert seen[-1][4] == tmp_path / "s.csv"
    with pytest.raises(InputError, match="no edition 'Fluff'"):
        call("--session", "Fluff", "--work", tmp_path / "rig")
    words = ("sessions", "--out", tmp_path / "s.csv", "--work", tmp_path / "rig")
    assert "2 sessions measured" in call(*words, "--release", "12", "--edition", "gnome", "--runs", 2)
    assert seen[-1][1:4] == ("12", ["GNOME"], 2)
    with pytest.raises(InputError, match="no release '9'"):
        call(*words, "--release", "9")


def test_sessions_under_pressure_need_a_table_of_their_own(call, root, tmp_path, monkeypatch):
    seen = []

    def pretend(self, until, say):
        assert root, "the host gives memory while it is measured"
        seen.append((self.plans, until))
        return 5

    monkeypatch.setattr(campaign.Campaign, "carry_out", pretend)
    path = datasets() / "comfort/design.csv"
    words = ("sessions", "--design", path, "--work", tmp_path / "rig", "--edition", "MATE")
    assert "5 sessions measured" in call(*words, "--out", tmp_path / "s.csv", "--core", 1, "--until", "23:59")
    plans, until = seen[-1]
    assert until > 0 and {plan.edition for plan in plans} == {"MATE"} and len(plans) > 10
    assert {plan.cores for plan in plans} == {1}
    call(*words, "--out", tmp_path / "s.csv")
    assert {plan.cores for plan in seen[-1][0]} == {1, 2}
    (tmp_path / "letter.csv").write_text("Dear all\n")
    with pytest.raises(InputError, match="another table"):
        call(*words, "--out", tmp_path / "letter.csv", "--core", 1)


def test_collecting_tells_the_noise_floor(call, tmp_path):
    phases = {f"{name}_s": 10.0 for name in ("format", "copy", "boot", "refresh", "base", "updates", "sync")}
    common = {
        "decompress_before_mib_s": 50.0, "decompress_after_mib_s": 50.0, "steal_share": 0.0, "share_before": 1.0,
        "share_after": 1.0, "disk_write_mib_s": 90.0, "rate_mib_s": 100.0, **phases,
    }  # fmt: skip
    lines = [
        {"name": "a", "total_s": 100.0, "repeat_of": "", **common},
        {"name": "a-again", "total_s": 104.0, "repeat_of": "a", **common},
    ]
    (tmp_path / "in.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    said = call("collect", tmp_path / "in.jsonl", "--out", tmp_path / "out.jsonl")
    # 4 of 102 is 3.92 %; over the root of two, 2.8 %.
    assert "2.8 % from 1 repeats" in said
    assert len(results.read_lines(tmp_path / "out.jsonl")) == 2
    with pytest.raises(InputError, match="does not exist"):
        call("collect", tmp_path / "none", "--out", tmp_path / "out.jsonl")
