"""The rig's parts that need neither root nor Debian: pacing, the link, what it may touch, designs, campaigns."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections import Counter
from pathlib import Path

import pytest

from advisor.errors import AccessError, AdvisorError, InputError, ToolError
from advisor.lab import campaign, collect, depot, design, limits, paced_disk, rehearsal, trees, workplace
from advisor.unit import StorageKind

MIB = 1 << 20


def a_plan(name: str = "one", **changes: object) -> rehearsal.Plan:
    values: dict[str, object] = {
        "name": name, "tree": "xfce13", "compression": "xz", "base_set": "small", "update_set": "few",
        "quota_pct": 50.0, "cores": 1, "memory_mib": 2048, "disk": "emmc", "storage_kind": "emmc",
        "rate_mib_s": 100.0, "access_ms": 1.0, "link_mbps": 100.0,
    }  # fmt: skip
    return rehearsal.Plan(**{**values, **changes})  # type: ignore[arg-type]


# --- the disk


def test_the_disk_script_runs_without_the_package():
    code = f"import runpy; runpy.run_path({str(Path(paced_disk.__file__))!r})"
    subprocess.run([sys.executable, "-I", "-S", "-c", code], check=True)


def test_a_sequential_run_costs_its_length_over_the_rate_and_one_access():
    # 100 blocks of 1 MiB at 100 MiB/s after one access of 10 ms: 1.010 s, whatever the clock does in between.
    pace = paced_disk.Pace(rate=100 * MIB, access=0.010)
    now = 1000.0
    for block in range(100):
        now += pace.transfer(now, block * MIB, MIB, write=False)
    # Each request may start as early as the latency that is made up for.
    slack = 100 * paced_disk.LATENCY_S
    assert 1000 + 1.010 - slack <= now + 1e-9 <= 1000 + 1.010 + 1e-6


def test_each_far_request_costs_an_access():
    pace = paced_disk.Pace(rate=1000 * MIB, access=0.010)
    now, far = 0.0, 100 * MIB
    for turn in range(50):
        now += pace.transfer(now, (turn % 2) * far, 4096, write=False)
    assert now == pytest.approx(50 * (0.010 + 4096 / (1000 * MIB)), abs=51 * paced_disk.LATENCY_S)


def test_there_is_no_burst_after_a_rest():
    pace = paced_disk.Pace(rate=10 * MIB, access=0.0)
    pace.transfer(0.0, 0, MIB, write=True)
    # A minute of rest saves up nothing: the next 10 MiB still take a second.
    assert pace.transfer(60.0, MIB, 10 * MIB, write=True) == pytest.approx(1.0, abs=2 * paced_disk.LATENCY_S)


def test_a_flush_costs_an_access_only_after_a_write():
    pace = paced_disk.Pace(rate=100 * MIB, access=0.010)
    assert pace.flush(1.0) == pytest.approx(0.0, abs=1e-3)
    pace.transfer(2.0, 0, 4096, write=True)
    assert pace.flush(3.0) == pytest.approx(0.010, abs=1.01 * paced_disk.LATENCY_S)
    assert pace.flush(4.0) == pytest.approx(0.0, abs=1e-3)


def test_requests_that_arrive_together_wait_for_each_other():
    pace = paced_disk.Pace(rate=1000 * MIB, access=0.010)
    waits = [pace.transfer(5.0, at * 100 * MIB, 4096, write=False) for at in range(4)]
    assert waits == pytest.approx([0.010, 0.020, 0.030, 0.040], rel=0.05)


def test_the_disk_refuses_a_setting_it_does_not_know():
    with pytest.raises(ValueError, match="rate"):
        paced_disk.config("speed", "3")


# --- the link


def test_the_link_passes_what_its_speed_allows():
    # 80 Mbit/s is 10 MB/s: 1000 blocks of 10 kB take one second, shared by however many transfers.
    link = depot.Link(80)
    last = 0.0
    for _ in range(1000):
        last = link.book(0.0, 10_000)
    assert last == pytest.approx(1.0)
    assert depot.Link(0).book(0.0, 10**9) == 0


@pytest.mark.parametrize(
    "asked",
    [
        "/../etc/passwd",
        "/debian/%2e%2e/%2e%2e/etc/passwd",
        "/a/..%2f..%2fetc/passwd",
        "/",
        "/a/%00",
        "/a/.",
        "/%2E%2E/x",
    ],
)
def test_the_package_server_never_leaves_its_folder(tmp_path, asked):
    assert depot.inside(tmp_path, asked) is None


def test_the_package_server_serves_names_with_escapes(tmp_path):
    (tmp_path / "pool").mkdir()
    (tmp_path / "pool" / "g++_1+2~3.deb").write_bytes(b"x" * 100_000)
    with depot.Depot(tmp_path) as server:
        base = server.address.removesuffix("/debian")
        assert urllib.request.urlopen(f"{base}/pool/g%2b%2b_1%2b2%7e3.deb").read() == b"x" * 100_000
        with pytest.raises(urllib.error.HTTPError, match="404"):
            urllib.request.urlopen(f"{base}/pool/none.deb")
        # A raw request, as the client library tidies paths.
        host, port = server.server.server_address[:2]
        with socket.create_connection((str(host), int(port))) as plain:
            plain.sendall(b"GET /../../etc/passwd HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            assert b" 404 " in plain.recv(200)


# --- what the rig may touch

MOUNTINFO = r"""22 1 254:0 / / rw - ext4 /dev/vda rw
90 22 0:52 / /srv/rig/runs/a-1/fuse rw - fuse /dev/fuse rw
91 22 7:0 / /srv/rig/runs/a-1/target rw - ext4 /dev/loop0 rw
92 91 0:5 / /srv/rig/runs/a-1/target/dev rw - devtmpfs devtmpfs rw
93 22 0:60 / /srv/rig/runs/with\040space\134x rw - tmpfs tmpfs rw
94 22 0:61 / /srv/rig-other rw - tmpfs tmpfs rw
95 22 0:62 / /srv/rig/runs/../../../home rw - tmpfs tmpfs rw
"""


def test_mounts_come_in_the_order_in_which_they_can_go():
    assert workplace.mounts_below(MOUNTINFO, "/srv/rig/runs") == [
        "/srv/rig/runs/with space\\x",
        "/srv/rig/runs/a-1/target/dev",
        "/srv/rig/runs/a-1/target",
        "/srv/rig/runs/a-1/fuse",
    ]


def test_loops_of_others_are_left_alone():
    listing = json.dumps(
        {
            "loopdevices": [
                {"name": "/dev/loop0", "back-file": "/srv/rig/runs/a/fuse/disk"},
                {"name": "/dev/loop1", "back-file": "/srv/rig-other/disk"},
                {"name": "/dev/loop2", "back-file": "/srv/rig/runs/b/fuse/disk (deleted)"},
                {"name": "/dev/loop3", "back-file": "/srv/rig/runs/../../disk"},
                {"name": "/dev/loop4", "back-file": None},
            ]
        }
    )
    assert workplace.loops_below(listing, "/srv/rig/runs") == ["/dev/loop0", "/dev/loop2"]
    assert workplace.loops_below("", "/srv/rig/runs") == []


@pytest.mark.parametrize(
    ("device", "backing"),
    [
        ("/dev/sda", None),
        ("/dev/nvme0n1", None),
        ("/dev/loop0", None),
        ("/dev/loop0", "/home/someone/disk.img"),
        ("/dev/loop0", "/srv/rig/runs/a/../../../disk"),
        ("/dev/loop0p1", "/srv/rig/runs/a/disk"),
        ("/dev/../dev/sda", None),
        ("/dev/loop/../sda", None),
    ],
)
def test_no_device_but_the_rigs_own_loops_is_written(tmp_path, device, backing):
    if backing:
        folder = tmp_path / "block" / device.removeprefix("/dev/") / "loop"
        folder.mkdir(parents=True)
        (folder / "backing_file").write_text(backing + "\n")
    with pytest.raises(AccessError, match="not touched"):
        workplace.guard_device(device, "/srv/rig/runs", tmp_path)


def test_the_rigs_own_loop_passes(tmp_path):
    (tmp_path / "block/loop7/loop").mkdir(parents=True)
    (tmp_path / "block/loop7/loop/backing_file").write_text("/srv/rig/runs/a/fuse/disk\n")
    workplace.guard_device("/dev/loop7", "/srv/rig/runs", tmp_path)


def test_a_folder_with_other_things_is_not_taken(tmp_path):
    (tmp_path / "letter.txt").write_text("keep me")
    with pytest.raises(InputError, match="other things"):
        workplace.open_workplace(tmp_path)
    for near in ("/", "/var"):
        with pytest.raises(InputError):
            workplace.open_workplace(near)
    assert (tmp_path / "letter.txt").read_text() == "keep me"


def test_only_the_folders_of_the_dead_are_stale(tmp_path):
    place = workplace.open_workplace(tmp_path / "rig")
    mine = workplace.open_run(place, "mine")
    assert not workplace.is_stale(mine)
    # Same number, other start time: the number was given to a later process.
    (mine / "owner").write_text(f"advisor-rehearsal {os.getpid()} 1\n")
    assert workplace.is_stale(mine)
    child = subprocess.Popen(["true"])
    child.wait()
    (mine / "owner").write_text(f"advisor-rehearsal {child.pid} 12345\n")
    assert workplace.is_stale(mine)


def test_a_pid_file_ends_no_stranger(tmp_path):
    note = tmp_path / "nbdkit.pid"
    note.write_text(f"{os.getpid()}\n")
    assert workplace._owned_pid(note) == 0


def test_the_start_time_is_read_past_a_name_with_brackets(tmp_path):
    (tmp_path / "7").mkdir()
    fields = " ".join(str(number) for number in range(3, 53))
    (tmp_path / "7" / "stat").write_text(f"7 (odd) name) {fields}\n")
    # Field 22 of proc(5) is the start time.
    assert workplace.started(7, tmp_path) == "22"
    assert workplace.started(8, tmp_path) == ""
    (tmp_path / "7" / "stat").write_text(f"7 (odd) name) Z {fields}\n")
    assert workplace.started(7, tmp_path) == "", "it has ended, though nobody has asked for its code yet"


def test_without_root_it_says_so(monkeypatch):
    monkeypatch.setattr(workplace.os, "geteuid", lambda: 1000)
    with pytest.raises(AccessError, match="root"):
        workplace.require()


def test_a_missing_tool_is_named_with_its_package(monkeypatch):
    monkeypatch.setattr(workplace.os, "geteuid", lambda: 0)
    monkeypatch.setattr(workplace.shutil, "which", lambda tool: None if tool == "nbdfuse" else f"/usr/bin/{tool}")
    with pytest.raises(AdvisorError, match="nbdfuse") as caught:
        workplace.require()
    assert caught.value.hint == "apt install nbdfuse"


# --- trees

SIMULATED = """NOTE: This is only a simulation!
The following NEW packages will be installed:
  htop mc
Inst libssh2-1 (1.11.1-1 Debian:13.1/stable [amd64])
Inst mc (3:4.8.33-1+deb13u1 Debian:13.1/stable [amd64])
Inst htop (3.4.1-5 Debian:13.1/stable [amd64])
Conf libssh2-1 (1.11.1-1 Debian:13.1/stable [amd64])
"""
URIS = """Reading package lists...
Need to get 4,017 kB of archives.
After this operation, 14.9 MB of additional disk space will be used.
'http://127.0.0.1:1/debian/pool/main/m/mc/mc_4.8.33-1_amd64.deb' mc_3%3a4.8.33-1_amd64.deb 3900000 SHA256:ab
'http://127.0.0.1:1/debian/pool/main/h/htop/htop_3.4.1-5_amd64.deb' htop_3.4.1-5_amd64.deb 117000 SHA256:cd
"""


def test_apt_is_read():
    found = trees.parse_set(("install", "mc", "htop"), SIMULATED, URIS)
    assert (found.count, found.download_bytes) == (3, 4_017_000)
    # apt writes powers of ten: 14.9 MB.
    assert found.installed_kib == pytest.approx(14_900_000 / 1024, rel=0.01)


def test_updates_hold_the_kernel_and_the_same_draw_every_time():
    names = [f"package{number}" for number in range(300)] + ["linux-image-amd64", "dpkg", "apt"]
    few, many = (trees.update_names(names, "6.12.1-amd64", count) for count in (5, 100))
    assert few[0] == many[0] == "linux-image-6.12.1-amd64"
    assert few == many[:6]
    assert not {"dpkg", "apt", "linux-image-amd64"} & set(many)
    assert trees.update_names(names[::-1], "6.12.1-amd64", 5) == few


def test_a_tree_is_counted_as_find_counts_it(tmp_path):
    (tmp_path / "a/b").mkdir(parents=True)
    (tmp_path / "a/one").write_bytes(b"x" * 1000)
    os.link(tmp_path / "a/one", tmp_path / "a/b/same")
    (tmp_path / "a/link").symlink_to("one")
    (tmp_path / "a/b/two").write_bytes(b"y" * 234)
    entries = subprocess.run(["find", str(tmp_path), "-mindepth", "1"], capture_output=True, text=True).stdout
    assert trees.measure(tmp_path) == (1234, len(entries.splitlines()))


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--target=device", "/"), "/dev/sda1"),
        (("-t", "fs", "/boot"), "ext2"),
        (("--target", "partmap", "--device", "/dev/sda1"), "msdos"),
        (("--device", "/dev/sda1", "--target=fs_label"), ""),
    ],
)
def test_the_stand_in_for_grub_probe_answers_what_grub_mkconfig_asks(words, answer):
    script = Path(trees.__file__).with_name("grub-probe.sh")
    done = subprocess.run(["sh", str(script), *words], capture_output=True, text=True)
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, answer, "")


# --- designs

SIZES = {"lxqt13": 1.25, "xfce13": 0.9, "mate12": 1.2, "gnome12": 2.1}


@pytest.fixture(scope="module")
def plans() -> list[rehearsal.Plan]:
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
    design.write_design(tmp_path / "d.csv", plans)
    assert design.read_design(tmp_path / "d.csv") == plans


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
    design.write_design(tmp_path / "d.csv", [a_plan()])
    text = (tmp_path / "d.csv").read_text()
    assert old in text
    (tmp_path / "d.csv").write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=said.replace(".", r"\.")):
        design.read_design(tmp_path / "d.csv")


def test_a_name_given_twice_is_refused(tmp_path):
    design.write_design(tmp_path / "d.csv", [a_plan(), a_plan()])
    with pytest.raises(InputError, match="twice"):
        design.read_design(tmp_path / "d.csv")


# --- disturbance

STAT = "cpu  100 0 50 800 20 0 5 {steal} 0 0\ncpu0 1 1 1 1 1 1 1 1 0 0\n"


def test_ticks_stolen_by_the_host_are_read():
    # proc(5): the eighth figure is steal; guest time is part of user time and not counted again.
    assert rehearsal.cpu_ticks(STAT.format(steal=25)) == (1000, 25)


@pytest.mark.parametrize(
    ("figures", "word"),
    [
        ((50.0, 50.0, 0.0), ""),
        ((50.0, 47.0, 0.01), ""),
        ((50.0, 40.0, 0.0), ""),
        ((50.0, 37.0, 0.0), "decompression"),
        ((37.0, 50.0, 0.0), "decompression"),
        ((50.0, 50.0, 0.05), "host"),
        ((50.0, 50.0, 0.0, (0.99, 1.02)), ""),
        ((50.0, 50.0, 0.0, (0.99, 0.9)), "90 %"),
        ((50.0, 50.0, 0.0, (1.2, 1.0)), ""),
        ((50.0, 50.0, 0.0, (), 300.0, 100.0), "disk"),
        ((50.0, 50.0, 0.0, (), 90.0, 100.0), ""),
    ],
)
def test_a_disturbed_rehearsal_says_why(figures, word):
    reason = rehearsal.disturbance(*figures)
    assert (word in reason) if word else reason == ""


# --- limits


def test_only_the_kernels_own_writers_are_hurried():
    yes = ("jbd2/loop3-8", "kworker/u8:3-loop3", "kworker/u4:0")
    no = ("jbd2/loop30-8", "jbd2/vda1-8", "kworker/0:1-events", "kworkers", "dpkg", "jbd2/loop1-8")
    assert all(limits.is_writer(name, "/dev/loop3") for name in yes)
    assert not any(limits.is_writer(name, "/dev/loop3") for name in no)


def picture(base: Path, *, real_time: bool) -> Path:
    """A picture of version 1 control groups, as files."""
    for name in workplace.CONTROLLERS:
        (base / name).mkdir()
        (base / name / "cgroup.procs").touch()
    (base / "cpuset/cpuset.cpus").write_text("0-3\n")
    (base / "cpuset/cpuset.mems").write_text("0\n")
    for folder in ("", "run"):
        made = base / "cpu" / workplace.GROUP / folder
        made.mkdir()
        if real_time:
            (made / "cpu.rt_runtime_us").write_text("0\n")
    return base


def test_limits_are_written_as_the_kernel_reads_them(tmp_path):
    groups = limits.Groups("run", picture(tmp_path, real_time=True))
    groups.make(limits.Limits(core_pct=25, cpus=(1, 2), memory_mib=1024))
    work = {name: path / "work" for name, path in groups.paths.items()}
    # Documentation/scheduler/sched-rt-group.rst: the share of each core is runtime over period.
    period = int((work["cpu"] / "cpu.rt_period_us").read_text())
    assert int((work["cpu"] / "cpu.rt_runtime_us").read_text()) / period == 0.25
    assert int((work["memory"] / "memory.limit_in_bytes").read_text()) == 1 << 30
    assert (work["cpuset"] / "cpuset.cpus").read_text() == "1,2"
    assert (groups.paths["cpuset"] / "rig/cpuset.cpus").read_text().strip() == "0-3"
    parent = int((groups.paths["cpu"] / "cpu.rt_runtime_us").read_text()) / 1_000_000
    assert 0.25 <= parent <= 0.27
    assert groups.throttle == "each core"


def test_without_real_time_groups_a_quota_holds_the_cores_together(tmp_path):
    groups = limits.Groups("run", picture(tmp_path, real_time=False))
    groups.make(limits.Limits(core_pct=25, cpus=(1, 2), memory_mib=1024))
    work = groups.paths["cpu"] / "work"
    # Documentation/scheduler/sched-bwc.rst: quota over period is the number of processors' worth.
    quota, period = (int((work / f"cpu.cfs_{name}_us").read_text()) for name in ("quota", "period"))
    assert quota / period == 0.5
    assert groups.throttle == "in all"


def test_version_2_groups_are_written_as_the_kernel_reads_them(tmp_path):
    (tmp_path / "cgroup.controllers").write_text("cpuset cpu io memory pids\n")
    groups = limits.Groups("run", tmp_path)
    groups.make(limits.Limits(core_pct=25, cpus=(0, 1), memory_mib=512))
    work = tmp_path / workplace.GROUP / "run/work"
    # Documentation/admin-guide/cgroup-v2.rst: cpu.max is "$MAX $PERIOD", in microseconds.
    most, period = map(int, (work / "cpu.max").read_text().split())
    assert most / period == 0.5
    assert (work / "memory.max").read_text() == str(512 << 20)
    assert (work / "cpuset.cpus").read_text() == "0,1"
    assert 1 <= int((work / "cpu.weight").read_text()) <= 10_000
    for folder in (tmp_path, work.parent.parent, work.parent):
        assert (folder / "cgroup.subtree_control").read_text() == "+cpu +cpuset +memory"
    (work / "cpu.stat").write_text("usage_usec 2500000\nuser_usec 2000000\nsystem_usec 500000\n")
    assert groups.cpu_s() == 2.5


def test_without_control_groups_it_says_so(tmp_path):
    with pytest.raises(ToolError, match="not mounted"):
        limits.Groups("run", tmp_path)


# --- campaigns


@pytest.fixture(autouse=True)
def no_kernel_threads(monkeypatch):
    monkeypatch.setattr(campaign, "calm", lambda: None)


def test_a_line_cut_off_by_a_kill_is_passed_over_and_closed_off(tmp_path):
    out = tmp_path / "out.jsonl"
    campaign.append_line(out, {"name": "a"})
    with open(out, "ab") as file:
        file.write(b'{"name": "b", "tot')
    assert [line["name"] for line in campaign.read_lines(out)] == ["a"]
    campaign.append_line(out, {"name": "c"})
    assert [line["name"] for line in campaign.read_lines(out)] == ["a", "c"]


def test_a_damaged_line_in_the_middle_is_named(tmp_path):
    out = tmp_path / "out.jsonl"
    out.write_text('{"name": "a"}\nnonsense\n{"name": "b"}\n')
    with pytest.raises(InputError, match="line 2"):
        campaign.read_lines(out)


def test_what_is_outstanding():
    plans = [a_plan(name) for name in "abcde"]
    lines = [
        {"name": "a", "disturbed": False},
        {"name": "b", "disturbed": True},
        {"name": "c", "disturbed": True},
        {"name": "c", "disturbed": True},
        {"name": "d", "failed": "no room", "disturbed": True},
    ]
    # Never made first; then disturbed or failed once; twice is left at that.
    assert [plan.name for plan in campaign.outstanding(plans, lines)] == ["e", "b", "d"]


def test_a_campaign_goes_on_where_it_was_and_lives_through_a_failure(tmp_path, monkeypatch):
    place = workplace.open_workplace(tmp_path / "rig")
    out = tmp_path / "out.jsonl"
    made: list[str] = []

    def pretend(place, plan, cpus=None, say=None):
        made.append(plan.name)
        if plan.name == "b" and made.count("b") == 1:
            raise InputError("no room")
        return {"name": plan.name, "disturbed": plan.name == "c" and made.count("c") == 1, "total_s": 1.0}

    monkeypatch.setattr(campaign, "once", pretend)
    plans = [a_plan(name) for name in "abc"]
    assert campaign.carry_out(place, plans[:1], out, say=lambda text: None) == 1
    assert campaign.carry_out(place, plans, out, say=lambda text: None) == 4
    assert made == ["a", "b", "c", "b", "c"]
    assert campaign.carry_out(place, plans, out, say=lambda text: None) == 0


def test_a_pause_file_holds_the_next_rehearsal(tmp_path, monkeypatch):
    place = workplace.open_workplace(tmp_path / "rig")
    pause, out = tmp_path / "pause", tmp_path / "out.jsonl"
    pause.touch()
    waiting = threading.Event()
    monkeypatch.setattr(campaign, "PAUSE_S", 0.01)
    monkeypatch.setattr(campaign, "once", lambda *a, **k: {"name": "one", "disturbed": False, "paused": pause.exists()})

    def say(text: str) -> None:
        if "paused" in text:
            waiting.set()

    worker = threading.Thread(target=campaign.carry_out, args=(place, [a_plan()], out, pause, None, say))
    worker.start()
    assert waiting.wait(10)
    assert campaign.read_lines(out) == []
    pause.unlink()
    worker.join(10)
    assert [line["paused"] for line in campaign.read_lines(out)] == [False]


def test_a_request_to_end_puts_the_rehearsal_away(tmp_path, monkeypatch):
    place = workplace.open_workplace(tmp_path / "rig")
    put_away = []

    def long(*_: object, **__: object) -> dict[str, object]:
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(30)
            raise AssertionError("the request to end was not heard")
        finally:
            put_away.append(True)

    monkeypatch.setattr(campaign, "once", long)
    monkeypatch.setattr(campaign, "calm", lambda: None)
    with pytest.raises(SystemExit):
        campaign.carry_out(place, [a_plan()], tmp_path / "out", say=lambda text: None)
    assert put_away == [True]
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_two_at_a_time_are_refused(tmp_path):
    place = workplace.open_workplace(tmp_path / "rig")
    with campaign.alone(place), pytest.raises(InputError, match="Another rehearsal"), campaign.alone(place):
        pass


# --- collecting


def a_line(name: str, after: float, **more: object) -> dict[str, object]:
    return {
        "name": name, "decompress_before_mib_s": 50.0, "decompress_after_mib_s": after, "steal_share": 0.0,
        "share_before": 1.0, "share_after": 1.0, "disk_write_mib_s": 90.0, "rate_mib_s": 100.0, **more,
    }  # fmt: skip


def test_collecting_keeps_first_good_lines_and_marks_the_rest():
    lines = [
        a_line("a", 30.0, total_s=9.0, disturbed=False),
        a_line("a", 50.0, total_s=5.0, disturbed=True),
        a_line("a", 50.0, total_s=6.0),
        {"name": "b", "failed": "no", "disturbed": True},
    ]
    kept = collect.collect(lines)
    # What the lines said of themselves is judged anew.
    assert [(line["disturbed"], line["total_s"]) for line in kept] == [(True, 9.0), (False, 5.0)]
    assert "decompression" in str(kept[0]["disturbed_reason"]) and kept[1]["disturbed_reason"] == ""


def test_the_noise_floor_is_dahlbergs():
    phases = {f"{phase}_s": 1.0 for phase in rehearsal.PHASES}
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
