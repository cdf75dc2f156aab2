"""Nothing that lies in the current folder is run, whatever module, settings or program it is named after."""

from __future__ import annotations

import importlib.metadata
import os
import re
import signal
import stat
import subprocess
import sys
import urllib.request

import pytest

from advisor.files import datasets

pytestmark = pytest.mark.slow

ADVISOR = "#!{python}\nimport sys\nfrom advisor.cli import main\nsys.exit(main())\n"
"""The console script, as an installer writes it."""

SETTINGS = (
    "voila", "jupyter_config", "jupyter_server_config", "jupyter_lab_config", "jupyter_notebook_config",
    "ipython_config", "ipython_kernel_config", "sitecustomize", "usercustomize", "conftest",
)  # fmt: skip
PROGRAMS = (
    "lscpu", "dmidecode", "dmesg", "sysinfo", "sysctl", "uname", "smartctl", "lspci", "lsusb", "lsblk", "udevadm",
    "modinfo", "depmod", "zstd", "node", "npm", "git", "pandoc", "python", "python3", "xdg-open", "xdg-settings",
    "ps", "which", "ldconfig", "gcc", "cc", "objdump",
)  # fmt: skip


def modules() -> set[str]:
    """Names of every module at the top, of Python itself and of what is installed."""
    installed = {name for name in importlib.metadata.packages_distributions() if name.isidentifier()}
    return installed | set(sys.stdlib_module_names) | set(SETTINGS)


@pytest.fixture
def planted(tmp_path):
    """A folder full of traps; each writes its name to a file when it is run."""
    folder, trace = tmp_path / "stick", tmp_path / "ran"
    folder.mkdir()
    note = f"open({str(trace)!r}, 'a').write(__file__ + chr(10))\n"
    for name in modules() - {"__future__"}:
        (folder / f"{name}.py").write_text(note + "raise SystemExit('run from the current folder')\n")
    for name in ("voila", "jupyter_server_config", "jupyter_config"):
        (folder / f"{name}.json").write_text('{"Voila": {"token": ""}, "IdentityProvider": {"token": ""}}')
    for name in PROGRAMS:
        (folder / name).write_text(f"#!/bin/sh\necho {name} >> '{trace}'\n")
        (folder / name).chmod(0o755)
    return folder, trace


@pytest.fixture
def start(planted, tmp_path):
    """Start one of our commands there, with the search path for programs that some people have."""
    folder, _ = planted
    script = tmp_path / "advisor"
    script.write_text(ADVISOR.format(python=sys.executable))
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    environment = os.environ | {
        "ADVISOR_HOME": str(tmp_path / "home"), "PATH": f":.:{os.environ['PATH']}", "PYTHONUNBUFFERED": "1",
    }  # fmt: skip
    environment.pop("PYTHONSAFEPATH", None)

    def run(*words: str, **options) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [script, *words],
            cwd=folder,
            env=environment,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            **options,
        )

    return run


DEMO = str(datasets() / "demo" / "intake.csv")
COMMANDS = {
    "capture": ["capture"],
    "capture with speeds": ["capture", "--speed"],
    "the script": ["capture", "--script"],
    "demo": ["demo", "--out", "../demo"],
    "score": ["score", DEMO, "--out", "../scored.csv"],
    "score columns": ["score", DEMO, "--columns"],
    "sheet": ["sheet", "OM-1003", "--csv", DEMO, "--out", "../sheet.pdf"],
    "log": ["log", "list"],
    "learn": ["learn", "--versions"],
    "tables": ["tables", "find", "8260"],
}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_runs_nothing_of_the_current_folder(start, planted, name):
    command = start(*COMMANDS[name])
    said, _ = command.communicate(timeout=600)
    assert not planted[1].exists(), planted[1].read_text()
    assert command.returncode in (0, 1), said
    assert "Traceback" not in said


@pytest.mark.parametrize("words", [["--app"], []], ids=["app", "lab"])
def test_a_server_and_its_kernels_run_nothing_of_the_current_folder(start, planted, words):
    command = start("notebook", "--no-browser", *words)
    try:
        said = ""
        for line in command.stdout:
            said += line
            if found := re.search(r"http://\S+", line):
                answer = urllib.request.urlopen(found[0], timeout=120)
                assert answer.status == 200 and answer.read()
                break
        else:
            pytest.fail(said)
    finally:
        command.send_signal(signal.SIGINT)
        command.wait(120)
    assert not planted[1].exists(), planted[1].read_text()
