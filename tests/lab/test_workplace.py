"""What the laboratory may touch, how it clears up, and the link: nothing here needs root but where it says so."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import urllib.request

import pytest

from advisor.errors import AccessError, AdvisorError, InputError
from advisor.lab import depot, workplace


def test_the_link_passes_what_its_speed_allows():
    # 80 Mbit/s is 10 MB/s: 1000 blocks of 10 kB take one second, shared by however many transfers.
    link = depot.SharedLink(80)
    last = 0.0
    for _ in range(1000):
        last = link.book(0.0, 10_000)
    assert last == pytest.approx(1.0)
    assert depot.SharedLink(0).book(0.0, 10**9) == 0


def test_the_package_server_serves_names_with_escapes_and_never_leaves_its_folder(tmp_path):
    root = tmp_path / "mirror"
    (root / "pool").mkdir(parents=True)
    (root / "pool" / "g++_1+2~3.deb").write_bytes(b"x" * 100_000)
    (tmp_path / "secret").write_text("keep me")
    (root / "secret.link").mkdir()
    with depot.served(root) as address:
        base = address.removesuffix("/debian")
        assert urllib.request.urlopen(f"{base}/pool/g%2b%2b_1%2b2%7e3.deb").read() == b"x" * 100_000
        host, _, port = base.removeprefix("http://").partition(":")
        for asked in (
            "/../secret", "/pool/%2e%2e/%2e%2e/secret", "/a/..%2f..%2fsecret", "/", "/pool", "/pool/", "/a/%00",
            "/none", "//etc/passwd", "/%2E%2E/secret", "/pool/../../secret",
        ):  # fmt: skip
            # A raw request, as the client library tidies paths.
            with socket.create_connection((host, int(port))) as plain:
                plain.sendall(f"GET {asked} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode())
                answer = b"".join(iter(lambda plain=plain: plain.recv(4096), b""))
            assert b" 404 " in answer.split(b"\r\n")[0] and b"keep me" not in answer, asked


def test_a_recording_server_fetches_what_is_missing_once_and_keeps_it(tmp_path, monkeypatch):
    upstream, mirror = tmp_path / "upstream", tmp_path / "mirror"
    (upstream / "debian/dists").mkdir(parents=True)
    (upstream / "debian/dists/Release").write_text("first")
    mirror.mkdir()
    with depot.served(upstream) as far:
        monkeypatch.setattr("advisor.lab.tables.apt.mirror_bases", lambda: {"Debian": far})
        with depot.served(mirror, record=True) as near:
            assert urllib.request.urlopen(f"{near}/dists/Release").read() == b"first"
            (upstream / "debian/dists/Release").write_text("second")
            assert urllib.request.urlopen(f"{near}/dists/Release").read() == b"first"
            with pytest.raises(urllib.error.HTTPError, match="404"):
                urllib.request.urlopen(f"{near}/dists/none")
    assert [path.name for path in (mirror / "debian/dists").iterdir()] == ["Release"]


MOUNTINFO = r"""22 1 254:0 / / rw - ext4 /dev/vda rw
90 22 0:52 / /srv/rig/runs/a-1/fuse rw - fuse /dev/fuse rw
91 22 7:0 / /srv/rig/runs/a-1/target rw - ext4 /dev/loop0 rw
92 91 0:5 / /srv/rig/runs/a-1/target/dev rw - devtmpfs devtmpfs rw
93 22 0:60 / /srv/rig/runs/with\040space\134x rw - tmpfs tmpfs rw
94 22 0:61 / /srv/rig-other rw - tmpfs tmpfs rw
95 22 0:62 / /srv/rig/runs/../../../home rw - tmpfs tmpfs rw
"""


def test_mounts_come_in_the_order_in_which_they_can_go():
    assert workplace.mounts_below("/srv/rig/runs", MOUNTINFO) == [
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
    assert workplace.loops_below("/srv/rig/runs", listing) == ["/dev/loop0", "/dev/loop2"]
    assert workplace.loops_below("/srv/rig/runs", "") == []


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
    with workplace.run_folder(place, "mine") as mine:
        assert not workplace.is_stale(mine)
    assert not mine.exists()
    mine.mkdir()
    # Same number, other start time: the number was given to a later process.
    (mine / "owner").write_text(f"advisor-rehearsal {os.getpid()} 1\n")
    assert workplace.is_stale(mine)
    child = subprocess.Popen(["true"])
    child.wait()
    (mine / "owner").write_text(f"advisor-rehearsal {child.pid} 12345\n")
    assert workplace.is_stale(mine)


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
    monkeypatch.setattr(workplace.shutil, "which", lambda tool: None if tool == "debootstrap" else f"/usr/bin/{tool}")
    with pytest.raises(AdvisorError, match="debootstrap") as caught:
        workplace.require()
    assert caught.value.hint == "apt install debootstrap"


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
    assert not workplace.mounts_below(tmp_path)


def test_two_at_a_time_are_refused(tmp_path):
    place = workplace.open_workplace(tmp_path / "rig")
    with workplace.alone(place), pytest.raises(InputError, match="Another rehearsal"), workplace.alone(place):
        pass
