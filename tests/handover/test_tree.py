"""Odd trees: nothing outside is followed, nothing hangs, nothing is written, nothing is passed over in silence."""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from base import put, special
from leftovers import KEY

from advisor.errors import AccessError, InputError
from advisor.handover import check
from advisor.handover.tree import Tree

root_only = pytest.mark.skipif(os.geteuid() != 0, reason="needs root")


def named(report) -> set[str]:
    return {path for one in report.findings for path in one.paths}


def test_links_are_not_followed_out_of_the_root(tmp_path):
    outside = tmp_path / "outside"
    put(outside, ".ssh/id_rsa", KEY)
    put(outside, ".bash_history", "ls\n")
    unit = tmp_path / "unit"
    (unit / "etc").mkdir(parents=True)
    (unit / "home").symlink_to(outside)
    (unit / "root").symlink_to("../outside")
    (unit / "etc/passwd").symlink_to(outside / ".bash_history")
    (unit / "srv").mkdir()
    (unit / "srv/a").symlink_to("..")
    (unit / "srv/loop").symlink_to("loop")
    found = named(check(unit))
    assert not any("ssh" in one or "history" in one for one in found)


def test_a_link_with_dots_stays_inside(tmp_path):
    put(tmp_path, "outside.txt", "out")
    put(tmp_path, "unit/etc/os-release", "in")
    (tmp_path / "unit/up").symlink_to("../../outside.txt")
    (tmp_path / "unit/abs").symlink_to("/etc/os-release")
    tree = Tree(tmp_path / "unit")
    assert tree.text("up") == "" and tree.text("abs") == "in"
    assert tree.read("abs") == b"" and tree.real("../../../etc/os-release") == "etc/os-release"


@root_only
def test_pipes_and_devices_are_never_opened(tmp_path):
    for name in ("root/.bash_history", "etc/passwd", "home/x/.ssh/id_rsa"):
        special(tmp_path / name, stat.S_IFIFO)
    special(tmp_path / "swapfile", stat.S_IFCHR)
    trace = tmp_path / "trace.txt"
    code = f"from advisor.handover import check; check({str(tmp_path)!r})"
    subprocess.run(
        ["strace", "-f", "-y", "-e", "trace=openat,open", "-o", str(trace), sys.executable, "-c", code],
        check=True,
        timeout=120,
    )
    opened = [
        line
        for line in trace.read_text().splitlines()
        if '".bash_history"' in line or '"id_rsa"' in line or '"swapfile"' in line
    ]
    assert not [line for line in opened if "ENOENT" not in line]


@root_only
def test_nothing_is_opened_for_writing_and_no_file_is_made(tmp_path):
    put(tmp_path, "unit/etc/skel/.mozilla/firefox/x/places.sqlite", b"SQLite format 3\0" + b"\0" * 4000)
    put(tmp_path, "unit/etc/passwd", "root:x:0:0::/root:/bin/sh\n")
    trace = tmp_path / "trace.txt"
    calls = (
        "trace=openat,open,creat,unlink,unlinkat,rename,renameat,renameat2,mkdir,mkdirat,chmod,fchmodat,fchownat,"
        "utimensat,link,linkat,symlinkat,truncate,ftruncate,mknodat"
    )
    code = f"from advisor.handover import check; print(check({str(tmp_path / 'unit')!r}).must)"
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    subprocess.run(
        ["strace", "-f", "-e", calls, "-o", str(trace), sys.executable, "-c", code],
        check=True,
        env=environment,
        timeout=120,
    )
    lines = [
        line
        for line in trace.read_text().splitlines()
        if "(" in line and "ENOENT" not in line and "/dev/null" not in line
    ]
    assert lines
    assert not [
        line
        for line in lines
        if "open" not in line.split("(")[0] or "O_WRONLY" in line or "O_RDWR" in line or "O_CREAT" in line
    ]


@root_only
def test_a_read_only_mount_is_as_good(tmp_path):
    put(tmp_path, "unit/etc/hostname", "bench-07\n")
    code = 'from advisor.handover import check; print(*[f.rule for f in check("{0}").findings])'
    command = "mount --bind {0} {0} && mount -o remount,bind,ro {0} && {1} -c '" + code + "'"
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", command.format(tmp_path / "unit", sys.executable)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    if "mount" in done.stderr:
        pytest.skip("this machine lets nobody mount")
    assert "hostname" in done.stdout.split()


@root_only
def test_times_of_reading_stay(tmp_path):
    path = put(tmp_path, "etc/hostname", "bench-07\n")
    os.utime(path, (1e9, 2e9))
    check(tmp_path)
    assert path.stat().st_atime == 1e9


def test_names_that_are_no_utf8(tmp_path):
    put(tmp_path, b"etc/skel/caf\xe9.txt", "x")
    report = check(tmp_path)
    assert any("caf" in one for one in named(report))
    [paths] = [one["paths"] for one in json.loads(report.json()) if one["rule"] == "skel-name"]
    assert os.fsencode(paths[0]) == b"etc/skel/caf\xe9.txt"


def test_what_may_not_be_read_is_named(tmp_path):
    put(tmp_path, "etc/hostname", "debian\n")
    locked = put(tmp_path, "etc/sudoers.d/x", "a ALL=(ALL) ALL\n")
    (tmp_path / "home/a").mkdir(parents=True)
    (tmp_path / "empty").mkdir()
    locked.chmod(0)
    (tmp_path / "home/a").chmod(0)
    code = f"""
import os
from advisor.handover import check
check({str(tmp_path / "empty")!r})
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
report = check({str(tmp_path)!r})
print(sorted(report.unseen), report.exit_code)
"""
    for folder in (tmp_path, *tmp_path.parents):
        if str(folder).startswith("/tmp/pytest"):
            folder.chmod(0o755)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    (tmp_path / "home/a").chmod(0o755)
    assert "etc/sudoers.d/x" in done.stdout and "home/a" in done.stdout, done.stderr


def test_a_folder_in_a_folder_in_a_folder(tmp_path):
    (tmp_path / "etc").mkdir()
    here = os.open(tmp_path, os.O_RDONLY)
    try:
        for _ in range(400):
            os.mkdir("d", dir_fd=here)
            inner = os.open("d", os.O_RDONLY, dir_fd=here)
            os.close(here)
            here = inner
    finally:
        os.close(here)
    assert any("deeper" in why for why in check(tmp_path).unseen.values())
    subprocess.run(["rm", "-r", str(tmp_path / "d")], check=True)


def test_a_tree_that_changes_meanwhile(tmp_path):
    for number in range(300):
        put(tmp_path, f"home/a/{number}/.bash_history", "ls\n")
    (tmp_path / "etc").mkdir()
    stop = threading.Event()

    def change() -> None:
        number = 0
        while not stop.is_set():
            shutil.rmtree(tmp_path / f"home/a/{number % 300}", ignore_errors=True)
            put(tmp_path, f"home/a/{(number + 150) % 300}/.bash_history", "ls\n")
            number += 1

    worker = threading.Thread(target=change)
    worker.start()
    try:
        assert all(check(tmp_path).findings for _ in range(3))
    finally:
        stop.set()
        worker.join()


def test_damaged_content_is_no_fault(tmp_path):
    put(tmp_path, "boot/initrd.img-6.1.0-1-amd64", b"\x28\xb5\x2f\xfd" + b"\x01" * 70000)
    put(tmp_path, "boot/initrd.img-6.1.0-2-amd64", b"07070" + b"1ZZZZZZZZ" * 40)
    put(tmp_path, "var/log/apt/history.log.1.gz", b"\x1f\x8b\x08\x00trash")
    put(tmp_path, "etc/skel/.config/chromium/Default/Cookies", b"SQLite format 3\0trash")
    put(tmp_path, "etc/skel/a.jpg", b"\xff\xd8\xff\xe1\xff\xffExif\0\0II*\0\xff\xff\xff\xff")
    put(tmp_path, "srv/x.zip", b"PK\x03\x04trash")
    put(tmp_path, "srv/x.tar.gz", b"\x1f\x8btrash")
    put(tmp_path, "etc/passwd", b"\xff\xfe\0:::::\n::\n")
    put(tmp_path, "etc/apt/apt.conf", '"Acquire { { } } ; "')
    check(tmp_path)


def test_a_root_that_cannot_be_looked_into(tmp_path):
    with pytest.raises(InputError, match="cannot be looked into"):
        check(tmp_path / "none")
    put(tmp_path, "file", "x")
    with pytest.raises((InputError, AccessError)):
        check(tmp_path / "file")


@pytest.mark.slow
def test_memory_does_not_grow_with_the_number_of_files():
    """Ten thousand files more may cost 3 MB (300 MB are asked of 200,000 files, which the benchmark takes)."""
    bench = Path(__file__).parents[1] / "benchmarks/bench_handover.py"

    def peak_mb(files: int) -> int:
        done = subprocess.run(
            [sys.executable, str(bench), str(files)], capture_output=True, text=True, timeout=900, check=True
        )
        return int(re.search(r"VmHWM (\d+) MB", done.stdout)[1])

    assert peak_mb(12_000) <= peak_mb(2_000) + 3
