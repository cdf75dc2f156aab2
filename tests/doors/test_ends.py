"""A server and its kernels end with what they are for: the command that began them, the server, the page."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import psutil
import pytest

pytestmark = pytest.mark.slow

COMMAND = "import sys; from advisor.cli import main; main()"


def gone(pids) -> bool:
    return not any(psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE for pid in pids)


@pytest.fixture(params=["app", "lab"])
def running(request, home, tmp_path, until):
    """`advisor notebook`, up, with a kernel; the command, the server's process id, the kernels' and the folder."""
    words = ["notebook", "--no-browser", *(["--app"] if request.param == "app" else [])]
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    said = tmp_path / "said"
    with said.open("wb") as output:
        command = subprocess.Popen(
            [sys.executable, "-c", COMMAND, *words],
            env=os.environ | {"ADVISOR_HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(folder), "PYTHONUNBUFFERED": "1"},
            stdout=output,
            stderr=output,
        )
    try:
        until(lambda: b"token=" in said.read_bytes() or command.poll() is not None, "the address is printed")
        port, token = re.search(r"127\.0\.0\.1:(\d+)/\S*token=(\S+)", said.read_text()).groups()
        (server,) = psutil.Process(command.pid).children()
        if request.param == "app":
            urllib.request.urlopen(f"http://127.0.0.1:{port}/?token={token}", timeout=120).read()
        kernels = [one.pid for one in server.children(recursive=True)]
        assert kernels
        yield command, server.pid, kernels, folder
    finally:
        command.kill()
        command.wait()


def test_a_command_killed_outright_leaves_nothing(running, until):
    command, server, kernels, folder = running
    command.kill()
    until(lambda: gone([server, *kernels]), "server and kernels have ended")
    until(lambda: not list(folder.iterdir()), "the folder is gone")


@pytest.mark.parametrize("running", ["app"], indirect=True)
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_command_told_to_end_leaves_nothing(running, until, sign):
    command, server, kernels, folder = running
    command.send_signal(sign)
    until(lambda: command.poll() is not None and gone([server, *kernels]), "all have ended")
    until(lambda: not list(folder.iterdir()), "the folder is gone")


def test_kernels_end_with_a_server_killed_outright_and_the_command_says_so(running, until, tmp_path):
    command, server, kernels, _ = running
    os.kill(server, signal.SIGKILL)
    until(lambda: command.poll() is not None and gone(kernels), "the kernels have ended")
    assert command.returncode == 2
    said = (tmp_path / "said").read_text()
    assert "advisor: The notebook server has ended by itself." in said and "Traceback" not in said
    assert Path(re.search(r"Its messages are in (\S+)\.", said)[1]).is_file()
