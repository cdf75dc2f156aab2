"""Where the capture script writes: a file of its own, never through what somebody put in the way."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
from pathlib import Path

import pytest

from advisor import capture

SCRIPT = Path(capture.__file__).parent / "script.sh"
SHELLS = {"dash": ["dash"], "busybox": ["busybox", "sh"]}


@pytest.fixture(params=SHELLS)
def run(request, roots):
    """Run the script on a recorded machine, under each shell."""
    command = SHELLS[request.param]
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not here")
    environment = {**os.environ, "ADVISOR_ROOT": str(roots("2013-laptop-haswell-two-batteries"))}

    def called(goal: Path, **options: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*command, str(SCRIPT), str(goal)], env=environment, capture_output=True, text=True, check=False, **options
        )

    called.command, called.environment = command, environment
    return called


def test_a_link_in_the_way_is_not_followed(run, tmp_path):
    """Links under the names that a script might write beside its goal, and the goal itself a link to a file."""
    precious = tmp_path / "precious"
    precious.write_text("keep me")
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / "unit.txt.part").symlink_to(precious)
    assert run(folder / "unit.txt").returncode == 0
    (folder / "linked.txt").symlink_to(precious)
    done = run(folder / "linked.txt")
    assert done.returncode == 2 and "is a link" in done.stderr
    assert precious.read_text() == "keep me" and (folder / "linked.txt").is_symlink()
    assert sorted(path.name for path in folder.iterdir()) == ["linked.txt", "unit.txt", "unit.txt.part"]


def test_a_folder_or_a_pipe_is_refused_at_once(run, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "folder"):
        done = run(tmp_path / name, timeout=60)
        assert done.returncode == 2 and "Name a file" in done.stderr
    assert stat.S_ISFIFO((tmp_path / "pipe").lstat().st_mode)
    assert list((tmp_path / "folder").iterdir()) == []


def test_a_device_stays_a_device(run, tmp_path):
    try:
        os.mknod(tmp_path / "null", stat.S_IFCHR | 0o666, os.makedev(1, 3))
    except OSError:
        pytest.skip("device nodes cannot be made here")
    assert run(tmp_path / "null").returncode == 2
    assert stat.S_ISCHR((tmp_path / "null").lstat().st_mode)


def test_a_file_that_is_there_is_replaced_and_has_the_usual_mode(run, tmp_path):
    (tmp_path / "unit.txt").write_text("old")
    assert run(tmp_path / "unit.txt").returncode == 0
    assert (tmp_path / "unit.txt").read_text().startswith("bench-advisor recording 1\n")
    os.umask(umask := os.umask(0))
    assert stat.S_IMODE((tmp_path / "unit.txt").stat().st_mode) == 0o666 & ~umask


def test_a_run_that_is_stopped_leaves_nothing(run, tmp_path):
    tools = tmp_path / "bin"
    tools.mkdir()
    # A program that the script calls early waits, so that it is stopped in the middle.
    (tools / "date").write_text(f"#!/bin/sh\ntouch '{tmp_path}/begun'\nexec sleep 600\n")
    (tools / "date").chmod(0o755)
    folder = tmp_path / "stick"
    folder.mkdir()
    environment = {**run.environment, "PATH": f"{tools}:{os.environ['PATH']}"}
    process = subprocess.Popen(
        [*run.command, str(SCRIPT), str(folder / "unit.txt")], env=environment, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    for _ in range(600):
        if (tmp_path / "begun").exists():
            break
        signal.sigtimedwait([], 0.05)
    os.killpg(process.pid, signal.SIGTERM)
    assert process.wait(20) != 0
    assert list(folder.iterdir()) == []
