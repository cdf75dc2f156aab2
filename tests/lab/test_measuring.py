"""The measuring rig's parts that need neither root nor a desktop."""

from __future__ import annotations

import os
import re

import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.files import datasets
from advisor.lab.sessions import container, design, pages, rows, trees, watch
from advisor.lab.sessions.counters import Group, memory_of, wait_quiet
from advisor.lab.tables.editions import TASKS
from advisor.shop import Edition


class Clock:
    """A clock that goes on only when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


def test_rest_begins_where_the_work_ends():
    clock = Clock()
    # One core busy for ten seconds, then a hundredth of a core.
    used = lambda: min(clock.now - 100, 10) + max(clock.now - 110, 0) * 0.01  # noqa: E731
    began, seconds = wait_quiet(used, clock=clock, sleep=clock.sleep)
    assert began == pytest.approx(110, abs=0.5) and seconds == pytest.approx(10, abs=0.3)


def test_a_process_that_waits_for_the_disk_does_not_rest():
    clock = Clock()
    waiting = lambda: clock.now < 120  # noqa: E731
    began, _ = wait_quiet(lambda: 0.0, waiting, clock=clock, sleep=clock.sleep)
    assert 118 <= began <= 120


def test_what_never_rests_is_given_up():
    clock = Clock()
    assert wait_quiet(lambda: clock.now, clock=clock, sleep=clock.sleep, limit_s=30) is None
    assert clock.now <= 131


def test_memory_is_added_up_over_processes(tmp_path):
    for pid, pss, anon in ((7, 2048, 1024), (8, 1024, 0)):
        (tmp_path / str(pid)).mkdir()
        (tmp_path / str(pid) / "smaps_rollup").write_text(
            f"55-7ff rollup\nRss: 9999 kB\nPss:    {pss} kB\nPss_Anon:  {anon} kB\nPss_File:  {pss - anon} kB\n"
        )
    found = memory_of([7, 8, 9], tmp_path)
    assert (found.processes, found.pss_mib, found.anon_mib, found.file_mib) == (2, 3, 1, 2)


def test_counters_of_a_group_are_read_in_their_units(tmp_path):
    group = Group("g", tmp_path)
    for controller, name, text in (
        ("cpuacct", "cpuacct.usage", "2500000000\n"),
        (
            "blkio",
            "blkio.throttle.io_service_bytes",
            "254:0 Read 3145728\n254:0 Write 999\n7:0 Read 1048576\nTotal 4194304\n",
        ),
        ("blkio", "blkio.throttle.io_serviced", "254:0 Read 12\n254:0 Write 9\nTotal 21\n"),
        ("memory", "memory.oom_control", "oom_kill_disable 0\nunder_oom 0\noom_kill 2\n"),
        ("memory", "cgroup.procs", "12\n13\n"),
    ):
        (tmp_path / controller / "g").mkdir(parents=True, exist_ok=True)
        (tmp_path / controller / "g" / name).write_text(text)
    assert (group.processor_s(), group.read_mib(), group.reads(), group.kills(), group.pids()) == (
        2.5,
        4,
        12,
        2,
        [12, 13],
    )


def test_every_edition_has_a_session_to_start_and_a_task_to_install():
    assert set(container.STARTS) == set(TASKS) == set(map(str, Edition))


def test_the_session_files_land_in_the_tree_and_nowhere_else(tmp_path):
    for name in ("etc/systemd/system", "etc/systemd/user", "srv"):
        (tmp_path / name).mkdir(parents=True)
    container.prepare(tmp_path, container.STARTS[Edition.GNOME])
    override = tmp_path / "etc/systemd/user/org.gnome.Shell@wayland.service.d/screen.conf"
    assert "ExecStart=\nExecStart=/usr/bin/gnome-shell --headless" in override.read_text()
    assert f"User={trees.USER}" in (tmp_path / "etc/systemd/system/desktop-session.service").read_text()
    assert "Xvfb" not in (tmp_path / "srv/session.sh").read_text()


def test_the_pages_are_the_same_each_time_and_say_when_they_are_shown(tmp_path):
    names = pages.write_pages(tmp_path / "a")
    pages.write_pages(tmp_path / "b")
    assert names == ["page0.html", "page1.html", "page2.html"]
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    weight = sum(path.stat().st_size for path in (tmp_path / "a").glob("p*"))
    assert 2e6 < weight < 6e6
    for number, name in enumerate(names):
        assert f'fetch("/shown?{number}")' in (tmp_path / "a" / name).read_text()


def test_an_overlay_names_its_layers_uppermost_first(tmp_path):
    made = trees.overlay(tmp_path / "r", tmp_path / "u", tmp_path / "w", tmp_path / "top", tmp_path / "base")
    assert re.search(r"lowerdir=\S+/top:\S+/base,upperdir=\S+/u,workdir=\S+/w", made[4])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may build")
def test_building_without_root_is_refused(tmp_path):
    from advisor.errors import AccessError

    with pytest.raises(AccessError):
        trees.Tree("13", "Xfce", tmp_path).build()


def test_the_table_of_sessions_is_as_the_rig_writes_it():
    from advisor import tables

    table = tables.load("comfort/sessions")
    assert list(table.columns) == list(rows.COLUMNS)
    frame = table.frame
    assert frame["edition"].isin(list(map(str, Edition))).all() and frame["stage"].isin(["idle", "browser"]).all()
    good = frame[frame["ok"].eq("yes") & frame["plan"].isna()]
    assert good[["pss_mib", "anon_mib", "processes", "processor_s"]].notna().all(axis=None)
    numbers = good[["pss_mib", "anon_mib", "processor_s"]].apply(pd.to_numeric)
    assert (numbers["anon_mib"] < numbers["pss_mib"]).all() and (numbers["processor_s"] > 0.5).all()


def test_the_design_that_ships_is_the_one_that_is_drawn():
    assert design.read_design(datasets() / "comfort" / "design.csv") == design.draw()


def test_every_edition_meets_each_memory_size_alike_and_every_kind_of_disk():
    plans = pd.DataFrame(design.draw())
    tight = plans["name"].str.rpartition("-")[2].isin(design.TIGHT)
    for word, (mib, quota) in design.TIGHT.items():
        some = plans[plans["name"].str.endswith(word)]
        assert sorted(some["edition"]) == sorted(map(str, Edition))
        assert some["memory_limit_mib"].eq(mib).all() and some["quota_pct"].eq(quota).all()
    plans = plans[~tight]
    per = plans.groupby(["edition", "memory_limit_mib"]).size()
    assert set(per) == {2} and len(per) == len(Edition) * len(design.MEMORY_MIB)
    assert (plans.groupby("edition")["disk"].nunique() == 5).all()
    assert plans["name"].is_unique and plans["quota_pct"].between(10, 100).all()
    assert set(plans["memory_limit_mib"]) == {1024, 1536, 2048, 3072, 4096, 8192}


def test_every_beginning_of_the_design_is_spread_over_the_editions():
    plans = pd.DataFrame(design.draw())[: -len(design.TIGHT) * len(Edition)]
    third = len(plans) // 3
    assert (plans.iloc[:third].groupby("edition").size() == 4).all()
    assert plans.iloc[:third]["memory_limit_mib"].nunique() == 6 and plans.iloc[:third]["disk"].nunique() == 5


def test_a_damaged_design_is_refused(tmp_path):
    path = tmp_path / "design.csv"
    path.write_text("name,edition\nx,Nothing\n")
    with pytest.raises(InputError):
        design.read_design(path)


@pytest.mark.parametrize(
    ("quota", "beside", "got", "counts"),
    [(100, 0.0, 1.0, True), (100, 0.2, 1.0, False), (25, 0.5, 1.0, True), (25, 0.9, 1.0, False), (50, 0.0, 0.8, False)],
)
def test_real_time_work_disturbs_only_where_the_limit_leaves_it_no_room(quota, beside, got, counts):
    assert (watch.disturbance(quota, beside, got) == "") is counts


def test_how_many_threads_could_run_is_given_as_shares_of_the_moments_with_work():
    ready = watch.Ready(Group("none"))
    ready.counts = [0, 1, 1, 2, 5]
    assert ready.shares() == {"ready_2": 0.5, "ready_3": 0.25, "ready_4": 0.25}
    ready.counts = [0]
    assert ready.shares() == {}


def test_time_on_one_core_is_read_from_its_own_line(tmp_path):
    # proc(5): user nice system idle iowait irq softirq steal, in ticks.
    (tmp_path / "stat").write_text("cpu 1 1 1 1 1 1 1 1\ncpu0 9 9 9 9 9 9 9 9\ncpu1 100 20 30 400 50 6 7 8 0 0\n")
    assert watch.core_busy_s(1, tmp_path) == pytest.approx((100 + 20 + 30 + 6 + 7 + 8) / os.sysconf("SC_CLK_TCK"))


def test_a_group_beside_that_is_not_there_takes_nothing(tmp_path):
    (tmp_path / "cpuacct" / "g").mkdir(parents=True)
    (tmp_path / "cpuacct" / "g" / "cpuacct.usage_percpu").write_text("1000000000 2500000000 \n")
    assert watch.beside_s("g", 1, tmp_path) == 2.5
    assert watch.beside_s("h", 1, tmp_path) == watch.beside_s("", 1, tmp_path) == 0


def pressed_rows() -> pd.DataFrame:
    from advisor import tables

    frame = tables.load("comfort/sessions").frame
    return frame[frame["plan"].notna() & frame["disturbed"].isna()]


def test_no_session_was_quicker_than_its_processor_time_at_its_quota():
    done = pressed_rows()
    done = done[done["seconds"].notna()]
    least = pd.to_numeric(done["processor_s"]) / (pd.to_numeric(done["quota_pct"]) / 100)
    # A period of the quota and the hundredths that the table rounds to.
    assert (pd.to_numeric(done["seconds"]) > 0.98 * least - 0.05).all()


def test_every_session_under_pressure_is_one_of_the_design_and_kept_its_limits():
    plans = {plan.name: plan for plan in design.read_design(datasets() / "comfort" / "design.csv")}
    for row in pressed_rows().itertuples():
        plan = plans[row.plan]
        assert (row.edition, float(row.memory_limit_mib), row.disk) == (
            plan.edition,
            plan.memory_limit_mib,
            plan.disk,
        )
        assert float(row.quota_pct) == plan.quota_pct
        # All processes together fit the limit; what several map is counted once.
        assert pd.isna(row.pss_mib) or float(row.pss_mib) <= plan.memory_limit_mib * 1.02
        assert row.ok == "yes" or pd.isna(row.seconds) or "not there" in row.note


def test_a_slower_machine_took_longer_over_the_same_desktop():
    done = pressed_rows()
    done = done[done["stage"].eq("idle") & done["seconds"].notna()].copy()
    for name in ("seconds", "decompress_mib_s", "disk_read_mib_s", "disk_access_ms", "memory_limit_mib"):
        done[name] = pd.to_numeric(done[name])
    pairs = wrong = 0
    for _, some in done.groupby("edition"):
        for one in some.itertuples():
            for other in some.itertuples():
                slower = (
                    one.decompress_mib_s < 0.8 * other.decompress_mib_s
                    and one.disk_read_mib_s <= other.disk_read_mib_s
                    and one.disk_access_ms >= other.disk_access_ms
                    and one.memory_limit_mib <= other.memory_limit_mib
                )
                pairs += slower
                wrong += slower and one.seconds < 0.95 * other.seconds
    assert pairs >= 5 and wrong == 0
