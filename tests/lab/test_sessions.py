"""The measuring rig's parts that need neither root nor a desktop."""

from __future__ import annotations

import os
import time
from dataclasses import replace

import pandas as pd
import pytest

from advisor.errors import InputError, ToolError
from advisor.files import datasets
from advisor.lab import campaign, design, results, watch, workplace
from advisor.lab.groups import Groups
from advisor.lab.sessions import container, measure, pages, series
from advisor.lab.tables.editions import TASKS
from advisor.lab.watch import memory_of, wait_quiet
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
    assert found == {"processes": 2, "pss_mib": 3, "anon_mib": 1}


def test_every_edition_has_a_session_to_start_and_a_task_to_install():
    assert set(container.STARTS) == set(TASKS) == set(map(str, Edition))


def test_the_session_files_land_in_the_tree_and_nowhere_else(tmp_path):
    for name in ("etc/systemd/system", "etc/systemd/user", "srv"):
        (tmp_path / name).mkdir(parents=True)
    container.write_session(tmp_path, container.STARTS[Edition.GNOME], container.USER, "")
    override = tmp_path / "etc/systemd/user/org.gnome.Shell@wayland.service.d/screen.conf"
    assert "ExecStart=\nExecStart=/usr/bin/gnome-shell --headless" in override.read_text()
    assert f"User={container.USER}" in (tmp_path / "etc/systemd/system/desktop-session.service").read_text()
    assert "Xvfb" not in (tmp_path / "srv/session.sh").read_text()


def test_the_pages_are_the_same_each_time_and_say_when_they_are_shown(tmp_path):
    for name in "ab":
        pages.write_pages(tmp_path / name)
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    weight = sum(path.stat().st_size for path in (tmp_path / "a").glob("p*"))
    assert 2e6 < weight < 6e6
    for number in range(3):
        assert f'fetch("/shown?{number}")' in (tmp_path / "a" / f"page{number}.html").read_text()


def test_the_table_of_sessions_is_as_the_rig_writes_it():
    from advisor import tables

    frame = tables.load("comfort/sessions").frame
    assert frame["edition"].isin(list(map(str, Edition))).all() and frame["stage"].isin(["idle", "browser"]).all()
    good = frame[frame["ok"].eq("yes") & frame["plan"].isna()]
    assert good[["pss_mib", "anon_mib", "processes", "processor_s"]].notna().all(axis=None)
    numbers = good[["pss_mib", "anon_mib", "processor_s"]].apply(pd.to_numeric)
    assert (numbers["anon_mib"] < numbers["pss_mib"]).all() and (numbers["processor_s"] > 0.5).all()


@pytest.mark.parametrize(
    ("quota", "beside", "got", "counts"),
    [(100, 0.0, 1.0, True), (100, 0.2, 1.0, False), (25, 0.5, 1.0, True), (25, 0.9, 1.0, False), (50, 0.0, 0.8, False)],
)
def test_real_time_work_disturbs_only_where_the_limit_leaves_it_no_room(quota, beside, got, counts):
    said = watch.disturbance(beside=(beside, quota), shares=(got,), tolerance=watch.DISTURBED_BESIDE)
    assert (said == "") is counts


def test_how_many_threads_could_run_is_given_as_shares_of_the_moments_with_work():
    ready = watch.Ready(Groups("none"))
    ready.counts = [0, 1, 1, 2, 5]
    assert ready.shares() == {"ready_2": 0.5, "ready_3": 0.25, "ready_4": 0.25}
    ready.counts = [0]
    assert ready.shares() == {}


def test_time_on_one_core_is_read_from_its_own_line(tmp_path):
    # proc(5): user nice system idle iowait irq softirq steal, in ticks.
    (tmp_path / "stat").write_text("cpu 1 1 1 1 1 1 1 1\ncpu0 9 9 9 9 9 9 9 9\ncpu1 100 20 30 400 50 6 7 8 0 0\n")
    assert watch.busy_s([1], tmp_path) == pytest.approx((100 + 20 + 30 + 6 + 7 + 8) / os.sysconf("SC_CLK_TCK"))


def test_a_group_beside_that_is_not_there_takes_nothing(tmp_path):
    (tmp_path / "cpuacct" / "g").mkdir(parents=True)
    (tmp_path / "cpuacct" / "g" / "cpuacct.usage_percpu").write_text("1000000000 2500000000 \n")
    assert watch.beside_s("g", 1, tmp_path) == 2.5
    assert watch.beside_s("h", 1, tmp_path) == watch.beside_s("", 1, tmp_path) == 0


def pressed_rows() -> pd.DataFrame:
    from advisor import tables

    frame = tables.load("comfort/sessions").frame
    return frame[frame["plan"].notna() & frame["disturbed"].isna() & frame["begins"].eq("greeter")]


def test_no_session_was_quicker_than_its_processor_time_at_its_quota():
    done = pressed_rows()
    done = done[done["seconds"].notna()]
    share = pd.to_numeric(done["quota_pct"]) / 100 * pd.to_numeric(done["cores"])
    least = pd.to_numeric(done["processor_s"]) / share
    # A period of the quota and the hundredths that the table rounds to.
    assert (pd.to_numeric(done["seconds"]) > 0.98 * least - 0.05).all()


def test_every_session_under_pressure_is_one_of_the_design_and_kept_its_limits():
    plans = {plan.name: plan for plan in results.read_design(datasets() / "comfort" / "design.csv", design.Pressure)}
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


# --- series


def rows(*given: dict[str, str]) -> list[dict[str, str]]:
    return [{**dict.fromkeys(measure.COLUMNS, ""), **row} for row in given]


@pytest.fixture
def rig(tmp_path) -> series.Rig:
    return series.Rig(workplace.open_workplace(tmp_path / "rig"), tmp_path / "s.csv", core=1)


def test_a_disturbed_session_is_made_once_more_and_an_undisturbed_one_counts_as_made(rig):
    plans = [plan for plan in design.draw_sessions() if plan.cores == 1][:4]
    idle = {"stage": "idle", "disturbed": ""}
    made = [
        {**idle, "plan": plans[0].name},
        {**idle, "plan": plans[1].name, "disturbed": "a speed test got 70 %"},
        {**idle, "plan": plans[2].name, "disturbed": "a speed test got 70 %"},
        {**idle, "plan": plans[2].name, "disturbed": "a speed test got 80 %"},
        {**idle, "edition": plans[3].edition},
    ]
    assert series.under_pressure(rig, plans).outstanding() == plans
    results.append_rows(rig.out, measure.COLUMNS, rows(*made))
    assert series.under_pressure(rig, plans).outstanding() == [plans[3], plans[1]]


def test_repeats_are_numbered_by_plan_and_free_sessions_by_edition():
    free = {"release": "13", "edition": "Xfce", "stage": "idle"}
    frame = rows(free, {**free, "stage": "browser"}, {**free, "plan": "xfce-01"}, free)
    assert series._number(frame, "13", "Xfce", None) == 3
    assert series._number(frame, "12", "Xfce", None) == 1
    assert series._number(frame, "13", "Xfce", "xfce-01") == 2
    assert series._number([], "13", "Xfce", "xfce-01") == 1


def test_a_session_that_is_to_show_kills_gets_time_for_its_whole_load():
    plans = {plan.name: plan for plan in design.draw_sessions()}
    waits = {name: measure.Conditions(plan).limits_s[2] for name, plan in plans.items()}
    assert all(waits[name] == measure.AFTER_TIGHT_S for name in plans if name.endswith(("small", "tight", "narrow")))
    roomy = design.Pressure("gnome-02", "GNOME", 8192, 95, "nvme", 2000.0, 0.04)
    for plan, wait in (
        (roomy, measure.AFTER_ROOMY_S), (replace(roomy, memory_limit_mib=3072), measure.AFTER_LIMIT_S),
        (replace(roomy, memory_limit_mib=3072, quota_pct=25), measure.AFTER_ROOMY_S),
    ):  # fmt: skip
        assert measure.Conditions(plan).limits_s[2] == wait


def test_another_table_is_not_added_to(rig):
    rig.out.write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="another table"):
        rig.rows()
    assert rig.out.read_text() == "a,b\n1,2\n"


def test_a_login_screen_is_that_of_the_display_manager_which_the_task_brings(tmp_path):
    # Debian 13's tasks: task-gnome-desktop depends on gnome-core (gdm3), task-kde-desktop and task-lxqt-desktop on
    # sddm, the others on lightdm (packages' Depends and Recommends).
    asked = {edition: start.greeter for edition, start in container.STARTS.items()}
    assert {edition for edition, one in asked.items() if one == "gdm3"} == {Edition.GNOME}
    assert {edition for edition, one in asked.items() if one == "sddm"} == {Edition.PLASMA, Edition.LXQT}
    for name in ("etc/systemd/system", "srv", "usr/bin"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "usr/bin/sddm-greeter-qt6").touch()
    service, script = tmp_path / "etc/systemd/system" / container.GREETER_SERVICE, tmp_path / "srv/greeter.sh"
    container.write_greeter(tmp_path, container.Greeter.GDM)
    assert "User=Debian-gdm" in service.read_text() and not script.exists()
    container.write_greeter(tmp_path, container.Greeter.SDDM)
    assert "sddm-greeter-qt6 --test-mode" in script.read_text() and os.access(script, os.X_OK)
    container.write_greeter(tmp_path, container.Greeter.LIGHTDM)
    assert "lightdm --config" in service.read_text() and "Xvfb" in script.read_text()


def test_the_login_screen_goes_as_the_session_comes(tmp_path):
    for name in ("etc/systemd/system", "etc/systemd/user", "srv"):
        (tmp_path / name).mkdir(parents=True)
    container.write_session(tmp_path, container.STARTS[Edition.XFCE], container.USER, "", container.LOCALE)
    service = (tmp_path / "etc/systemd/system" / container.SESSION_SERVICE).read_text()
    assert f"Conflicts={container.GREETER_SERVICE}" in service and f"LANG={container.LOCALE}" in service


def test_a_system_that_says_it_is_offline_has_not_come_up(monkeypatch):
    # systemctl(1): is-system-running answers 'offline' where the manager is not there yet.
    answers = iter(["offline\n", "starting\n", "degraded\n"])
    monkeypatch.setattr(container, "inside", lambda *_, **__: next(answers))
    container.await_up(1)
    assert next(answers, None) is None


def threads(proc, pid: int, name: str, **used_ns: int) -> None:
    (proc / str(pid) / "task").mkdir(parents=True, exist_ok=True)
    (proc / str(pid) / "comm").write_text(f"{name}\n")
    for number, (thread, ns) in enumerate(used_ns.items()):
        folder = proc / str(pid) / "task" / str(pid + number)
        folder.mkdir(exist_ok=True)
        (folder / "comm").write_text(thread.replace("_", "-") + "\n")
        (folder / "schedstat").write_text(f"{ns} 5 7\n")


def test_drawing_is_the_time_of_the_threads_that_draw_since_the_first_look(tmp_path):
    class Three:
        def pids(self) -> list[int]:
            return [100, 200, 300, 400]

    threads(tmp_path, 100, "gnome-shell", gnome=9_000_000_000, llvmpipe_0=1_000_000_000)
    threads(tmp_path, 200, "Xvfb", Xvfb=2_000_000_000)
    drawing = watch.DrawTime(Three(), tmp_path)
    threads(tmp_path, 100, "gnome-shell", gnome=19_000_000_000, llvmpipe_0=3_500_000_000)
    threads(tmp_path, 200, "Xvfb", Xvfb=2_250_000_000)
    threads(tmp_path, 300, "firefox-esr", MainThread=4_000_000_000, Renderer=500_000_000)
    # proc(5): the first figure of schedstat is the time on the processor [ns].
    assert drawing.seconds() == pytest.approx(2.5 + 0.25 + 0.5)


def test_swap_that_there_is_not_is_refused():
    with pytest.raises(InputError, match="no swap 'tape'"):
        replace(design.draw_sessions()[0], swap="tape").check()


def test_with_one_core_the_sessions_of_two_are_left_for_later(rig, monkeypatch):
    plans = design.draw_sessions()
    assert {plan.cores for plan in series.under_pressure(rig, plans).plans} == {1}
    both = replace(rig, core=None)
    assert {plan.cores for plan in series.under_pressure(both, plans).plans} == {1, 2}
    two, asked = next(plan for plan in plans if plan.cores == 2), []
    monkeypatch.setattr(series.Rig, "once", lambda self, release, edition, conditions: asked.append(conditions.cpus))
    monkeypatch.setattr(series.os, "setpriority", lambda *_: None)
    monkeypatch.setattr(series.Rig, "make", lambda self, release, edition: self.image(release, edition))
    series.under_pressure(both, [two]).once([two])
    assert asked == [(0, 1)]


def test_the_next_editions_image_is_made_beside_the_sessions_and_others_go(rig, monkeypatch):
    plans = [plan for plan in design.draw_sessions() if plan.cores == 1 and plan.edition in ("MATE", "Xfce", "LXQt")]
    plans.sort(key=lambda plan: ("MATE", "Xfce", "LXQt").index(plan.edition))
    made: list[str] = []
    monkeypatch.setattr(series.Rig, "once", lambda self, release, edition, conditions: "")
    monkeypatch.setattr(series.os, "setpriority", lambda *_: None)
    monkeypatch.setattr(series.Rig, "make", lambda self, release, edition: made.append(edition))
    for edition in ("GNOME", "MATE", "Xfce"):
        rig.image("13", edition).touch()
    series.under_pressure(rig, plans).once(plans)
    limit = time.monotonic() + 10
    while len(made) < 2 and time.monotonic() < limit:
        time.sleep(0.01)
    assert made == ["MATE", "Xfce"]
    assert [rig.image("13", edition).exists() for edition in ("GNOME", "MATE", "Xfce")] == [False, True, True]


def test_what_a_run_has_as_swap_is_taken_away_and_nothing_else(tmp_path, monkeypatch):
    done: list[list[str]] = []
    monkeypatch.setattr(workplace, "_quiet", lambda words: bool(done.append(list(words))) or True)
    note = tmp_path / workplace.SWAP_NOTE
    assert workplace.swap_off(tmp_path) == []
    for strange in ("", "/dev/sda2", "/etc/passwd", str(tmp_path / ".." / "other")):
        note.write_text(strange)
        assert workplace.swap_off(tmp_path) == [] and not done
    note.write_text(str(tmp_path / "root/swapfile"))
    assert workplace.swap_off(tmp_path) == [str(tmp_path / "root/swapfile")] and not note.exists()
    setting = tmp_path / "swappiness"
    setting.write_text("0")
    monkeypatch.setattr(workplace, "SWAPPINESS", setting)
    note.write_text("/dev/zram3\n60\n")
    workplace.swap_off(tmp_path)
    assert done[-1] == ["zramctl", "--reset", "/dev/zram3"] and setting.read_text() == "60"
    note.write_text("/dev/zram3\nmuch\n")
    workplace.swap_off(tmp_path)
    assert setting.read_text() == "60"


def test_a_series_adds_rows_as_they_come_and_lives_through_a_failure(rig, monkeypatch):
    tries: list[str] = []

    def pretend(release, edition, conditions, image, folder, beside, number, note):
        tries.append(edition)
        if edition == "MATE" and tries.count("MATE") == 1:
            raise ToolError("no container")
        return [{"release": release, "edition": edition, "stage": "idle", "run": number, "seconds": 1.23456}]

    monkeypatch.setattr(series, "measure", pretend)
    monkeypatch.setattr(series.Rig, "make", lambda self, release, edition: self.image(release, edition))
    monkeypatch.setattr(campaign, "calm", lambda: None)
    said: list[str] = []
    assert series.repeat(rig, "13", ["MATE", "Xfce"], 2).carry_out(say=said.append) == 4
    assert tries == ["MATE", "MATE", "Xfce", "Xfce", "MATE"]
    found = [(row["edition"], row["run"], row["seconds"]) for row in rig.rows()]
    assert found == [("MATE", "1", "1.23"), ("Xfce", "1", "1.23"), ("Xfce", "2", "1.23"), ("MATE", "2", "1.23")]
    assert any("no container" in line for line in said)
    assert not list(rig.place.runs.iterdir())


def test_two_series_do_not_share_a_work_folder(rig):
    with workplace.alone(rig.place):
        for made in (series.repeat(rig, "13", ["LXDE"], 1), series.under_pressure(rig, design.draw_sessions()[:1])):
            with pytest.raises(InputError, match="Another rehearsal runs"):
                made.carry_out(say=lambda text: None)
    assert not rig.out.exists()
