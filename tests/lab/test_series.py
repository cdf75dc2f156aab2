"""Series of measured sessions: what is still to be made, and that cleaning up never reaches through a mount."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.lab import campaign, workplace
from advisor.lab.sessions import design, series
from advisor.lab.sessions.rows import COLUMNS


def rows(**columns: list[object]) -> pd.DataFrame:
    frame = pd.DataFrame(columns, dtype="string")
    return frame.reindex(columns=list(COLUMNS)).astype("string")


def test_only_undisturbed_sessions_count_as_made():
    plans = design.draw()[:3]
    frame = rows(plan=[plans[0].name, plans[1].name, None], disturbed=[None, "a speed test got 70 %", None])
    assert series.outstanding(plans, frame) == plans[1:]
    assert series.outstanding(plans, rows(plan=[])) == plans


def test_repeats_are_numbered_by_plan_and_free_sessions_by_edition():
    frame = rows(
        release=["13"] * 4, edition=["Xfce"] * 4, stage=["idle", "browser", "idle", "idle"],
        plan=[None, None, "xfce-01", None],
    )  # fmt: skip
    assert series._number(frame, "13", "Xfce", None) == 3
    assert series._number(frame, "12", "Xfce", None) == 1
    assert series._number(frame, "13", "Xfce", "xfce-01") == 2
    assert series._number(rows(plan=[]), "13", "Xfce", "xfce-01") == 1


def test_a_session_that_is_to_show_kills_gets_time_for_its_whole_load():
    plans = {plan.name: plan for plan in design.draw()}
    waits = {name: series.conditions_of(plan, 1).after_s for name, plan in plans.items()}
    assert all(waits[name] == series.AFTER_TIGHT_S for name in plans if name.endswith(("small", "tight", "narrow")))
    assert waits["gnome-02"] == series.AFTER_ROOMY_S and waits["xfce-01"] == series.AFTER_LIMIT_S
    held = series.conditions_of(plans["gnome-02"], 1)
    assert (held.memory_limit_mib, held.quota_pct, held.plan, held.core) == (8192, 95, "gnome-02", 1)


def test_another_table_is_not_added_to(tmp_path):
    path = tmp_path / "letter.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="no table of sessions"):
        series.so_far(path)
    assert path.read_text() == "a,b\n1,2\n"
    assert series.so_far(tmp_path / "new.csv").empty


def test_two_series_do_not_share_a_work_folder(tmp_path, monkeypatch):
    monkeypatch.setattr(series, "check", lambda release: None)
    rig = series.Rig(workplace.open_workplace(tmp_path / "rig"), core=1)
    with campaign.alone(rig.place):
        for start in (lambda: series.repeat(rig, "13", ["LXDE"], 1, tmp_path / "s.csv"),
                      lambda: series.carry_out(rig, design.draw()[:1], tmp_path / "s.csv")):  # fmt: skip
            with pytest.raises(InputError, match="Another rehearsal runs"):
                start()
    assert not (tmp_path / "s.csv").exists()


def test_removing_a_folder_takes_what_is_below_it(tmp_path):
    (tmp_path / "a/b").mkdir(parents=True)
    (tmp_path / "a/b/file").write_text("x")
    (tmp_path / "kept").write_text("x")
    (tmp_path / "a/link").symlink_to(tmp_path / "kept")
    workplace.remove(tmp_path / "a")
    workplace.remove(tmp_path / "never was")
    assert [path.name for path in tmp_path.iterdir()] == ["kept"]


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="not root")
def test_removing_a_folder_never_reaches_through_a_mount(tmp_path):
    precious, root = tmp_path / "precious", tmp_path / "rig/root"
    precious.mkdir()
    (precious / "file").write_text("x")
    (root / "dev").mkdir(parents=True)
    for target in (root / "dev", root / "dev", root):
        if subprocess.run(["mount", "--bind", str(precious), str(target)], capture_output=True).returncode:
            pytest.skip("mounts are not allowed here")
    workplace.remove(root)
    assert (precious / "file").read_text() == "x" and not root.exists()
    assert not workplace.mounts_below(Path("/proc/self/mountinfo").read_text(), tmp_path)
