"""Control groups as pictures of both versions, and when something counts as disturbed."""

from __future__ import annotations

import resource
import subprocess
from pathlib import Path

import pytest

from advisor.errors import ToolError
from advisor.lab import groups, watch, workplace

STAT = "cpu  100 0 50 800 20 0 5 {steal} 0 0\ncpu0 1 1 1 1 1 1 1 1 0 0\n"


def test_ticks_stolen_by_the_host_are_read(tmp_path):
    # proc(5): the eighth figure is steal; guest time is part of user time and not counted again.
    (tmp_path / "stat").write_text(STAT.format(steal=25))
    assert watch.cpu_ticks(tmp_path) == (1000, 25)


@pytest.mark.parametrize(
    ("figures", "word"),
    [
        ({"drift": (50.0, 50.0)}, ""),
        ({"drift": (50.0, 47.0), "steal": 0.01}, ""),
        ({"drift": (50.0, 40.0)}, ""),
        ({"drift": (50.0, 37.0)}, "decompression"),
        ({"drift": (37.0, 50.0)}, "decompression"),
        ({"steal": 0.05}, "host"),
        ({"shares": (0.99, 1.02)}, ""),
        ({"shares": (0.99, 0.9)}, "90 %"),
        ({"shares": (1.2, 1.0)}, ""),
        ({"write": (300.0, 100.0)}, "disk"),
        ({"write": (90.0, 100.0)}, ""),
        ({"read": (40.0, 100.0)}, "disk"),
        ({"read": (60.0, 100.0)}, ""),
        ({"read": (150.0, 2000.0)}, ""),
    ],
)
def test_what_was_disturbed_says_why(figures, word):
    reason = watch.disturbance(**figures)
    assert (word in reason) if word else reason == ""


def test_only_the_kernels_own_writers_are_hurried():
    yes = ("jbd2/loop3-8", "kworker/u8:3-loop3", "kworker/u4:0")
    no = ("jbd2/loop30-8", "jbd2/vda1-8", "kworker/0:1-events", "kworkers", "dpkg", "jbd2/loop1-8")
    assert all(groups.is_writer(name, "/dev/loop3") for name in yes)
    assert not any(groups.is_writer(name, "/dev/loop3") for name in no)


def picture(base: Path, *, real_time: bool) -> Path:
    """A picture of version 1 control groups, as files."""
    for name in groups.CONTROLLERS:
        (base / name).mkdir()
        (base / name / "cgroup.procs").touch()
    (base / "cpuset/cpuset.cpus").write_text("0-3\n")
    (base / "cpuset/cpuset.mems").write_text("0\n")
    for folder in ("", "run"):
        made = base / "cpu" / groups.GROUP / folder
        made.mkdir()
        if real_time:
            (made / "cpu.rt_runtime_us").write_text("0\n")
    return base


def test_limits_are_written_as_the_kernel_reads_them(tmp_path):
    made = groups.Groups("run", picture(tmp_path, real_time=True))
    made.make(groups.Limits(core_pct=25, cpus=(1, 2), memory_mib=1024))
    work = {name: path / "work" for name, path in made.paths.items()}
    # Documentation/scheduler/sched-rt-group.rst: the share of each core is runtime over period.
    period = int((work["cpu"] / "cpu.rt_period_us").read_text())
    assert int((work["cpu"] / "cpu.rt_runtime_us").read_text()) / period == 0.25
    assert int((work["memory"] / "memory.limit_in_bytes").read_text()) == 1 << 30
    assert (work["cpuset"] / "cpuset.cpus").read_text() == "1,2"
    assert (made.paths["cpuset"] / "rig/cpuset.cpus").read_text().strip() == "0-3"
    parent = int((made.paths["cpu"] / "cpu.rt_runtime_us").read_text()) / 1_000_000
    assert 0.25 <= parent <= 0.27
    assert made.throttle == "each core"


def test_without_real_time_groups_a_quota_holds_the_cores_together(tmp_path):
    made = groups.Groups("run", picture(tmp_path, real_time=False))
    made.make(groups.Limits(core_pct=25, cpus=(1, 2), memory_mib=1024))
    work = made.paths["cpu"] / "work"
    # Documentation/scheduler/sched-bwc.rst: quota over period is the number of processors' worth.
    quota, period = (int((work / f"cpu.cfs_{name}_us").read_text()) for name in ("quota", "period"))
    assert quota / period == 0.5
    assert made.throttle == "in all"


def test_version_2_groups_are_written_as_the_kernel_reads_them(tmp_path):
    (tmp_path / "cgroup.controllers").write_text("cpuset cpu io memory pids\n")
    (tmp_path / "cpuset.cpus.effective").write_text("0-3\n")
    made = groups.Groups("run", tmp_path)
    made.make(groups.Limits(core_pct=25, cpus=(0, 1), memory_mib=512))
    work = tmp_path / groups.GROUP / "run/work"
    # Documentation/admin-guide/cgroup-v2.rst: cpu.max is "$MAX $PERIOD", in microseconds.
    most, period = map(int, (work / "cpu.max").read_text().split())
    assert most / period == 0.5
    assert (work / "memory.max").read_text() == str(512 << 20)
    assert (work / "cpuset.cpus").read_text() == "0,1"
    assert 1 <= int((work / "cpu.weight").read_text()) <= 10_000
    for folder in (tmp_path, work.parent.parent, work.parent):
        assert (folder / "cgroup.subtree_control").read_text() == "+cpu +cpuset +memory +io"
    (work / "cpu.stat").write_text("usage_usec 2500000\nuser_usec 2000000\nsystem_usec 500000\n")
    assert made.cpu_s() == 2.5


def test_without_control_groups_it_says_so(tmp_path):
    with pytest.raises(ToolError, match="not mounted"):
        groups.Groups("run", tmp_path).make(groups.Limits())


def test_counters_of_version_1_are_read_in_their_units(tmp_path):
    made = groups.Groups("run", picture(tmp_path, real_time=False))
    made.make(groups.Limits())
    texts = {
        ("cpuacct", "cpuacct.usage"): "2500000000\n",
        ("cpu", "cpu.stat"): "nr_periods 9\nnr_throttled 3\nthrottled_time 1500000000\n",
        ("blkio", "blkio.throttle.io_service_bytes"): "254:0 Read 3145728\n254:0 Write 9\n7:0 Read 1048576\nTotal 9\n",
        ("blkio", "blkio.throttle.io_serviced"): "254:0 Read 12\n254:0 Write 9\nTotal 21\n",
        ("memory", "memory.oom_control"): "oom_kill_disable 0\nunder_oom 0\noom_kill 2\n",
        ("memory", "memory.max_usage_in_bytes"): str(3 << 20),
        ("memory", "cgroup.procs"): "12\n13\n",
    }
    for (controller, name), text in texts.items():
        (made.paths[controller] / "work" / name).write_text(text)
    assert (made.cpu_s(), made.throttled_s(), made.reads(), made.kills()) == (2.5, 1.5, (12, 4.0), 2)
    assert (made.peak_memory_mib(), made.pids()) == (3, [12, 13])


def test_counters_of_version_2_are_read_in_their_units(tmp_path):
    (tmp_path / "cgroup.controllers").write_text("cpuset cpu io memory\n")
    (tmp_path / "cpuset.cpus.effective").write_text("0-3\n")
    made = groups.Groups("run", tmp_path)
    made.make(groups.Limits())
    work = tmp_path / groups.GROUP / "run/work"
    assert (work / "cpu.max").read_text() == f"max {groups.PERIOD_US}" and (work / "memory.max").read_text() == "max"
    # Documentation/admin-guide/cgroup-v2.rst: names and units of each file.
    (work / "cpu.stat").write_text("usage_usec 2500000\nnr_throttled 3\nthrottled_usec 1500000\n")
    (work / "io.stat").write_text(
        "254:0 rbytes=3145728 wbytes=9 rios=10 wios=1 dbytes=0 dios=0\n7:0 rbytes=1048576 wbytes=0 rios=2 wios=0\n"
    )
    (work / "memory.events").write_text("low 0\nhigh 0\nmax 7\noom 3\noom_kill 2\noom_group_kill 0\n")
    (work / "memory.peak").write_text(str(3 << 20))
    (work / "payload").mkdir()
    (work / "cgroup.procs").write_text("12\n")
    (work / "payload/cgroup.procs").write_text("13\n")
    assert (made.cpu_s(), made.throttled_s(), made.reads(), made.kills()) == (2.5, 1.5, (12, 4.0), 2)
    assert (made.peak_memory_mib(), made.pids()) == (3, [12, 13])


def test_a_quota_is_set_and_lifted_while_it_runs(tmp_path):
    made = groups.Groups("run", picture(tmp_path, real_time=True))
    made.make(groups.Limits(None, (1,), 512, real_time=False))
    quota = made.paths["cpu"] / "work/cpu.cfs_quota_us"
    assert quota.read_text() == "-1" and made.throttle == "in all"
    made.allow(25)
    assert int(quota.read_text()) == 0.25 * groups.PERIOD_US
    made.allow(None)
    assert quota.read_text() == "-1"


def test_what_is_stopped_goes_on_afterwards_whatever_happens_meanwhile(monkeypatch):
    with subprocess.Popen(["sleep", "60"]) as held:
        group = groups.Groups("none")
        monkeypatch.setattr(group, "pids", lambda: [held.pid, 2**22 - 1])
        state = lambda: Path(f"/proc/{held.pid}/stat").read_text().rsplit(")", 1)[1].split()[0]  # noqa: E731
        with pytest.raises(ZeroDivisionError), group.stopped():
            # proc(5): T is stopped by a signal.
            workplace.wait_until(lambda: state() == "T", "the stop")
            raise ZeroDivisionError
        workplace.wait_until(lambda: state() == "S", "the going on")
        held.kill()


def test_memory_is_written_to_page_by_page(monkeypatch):
    """Of 10 MiB free all but a tenth; each page is a fault of its own (getrusage(2)), or of a huge page."""
    monkeypatch.setattr(groups.os, "sysconf", {"SC_AVPHYS_PAGES": 2560, "SC_PAGE_SIZE": 4096}.__getitem__)
    before = resource.getrusage(resource.RUSAGE_SELF)
    assert groups.touch_memory() == 9
    assert resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before.ru_minflt >= 9 // 2
    assert groups.touch_memory(3) == 3
