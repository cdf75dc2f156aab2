"""`advisor notebook` that cannot do its work says so in a sentence and leaves nothing behind."""

from __future__ import annotations

import os
import socket
import subprocess
import sys

import pytest

from advisor.views import server

COMMAND = "from advisor.cli import main; main()"
WITHOUT = "import sys; sys.modules[{missing!r}] = None; "
"""A module that is None in `sys.modules` is found by nobody, as one that is not installed."""


@pytest.fixture
def say(tmp_path):
    def run(*words: str, code: str = COMMAND, **environment: str) -> tuple[int, str]:
        place = tmp_path / "run"
        place.mkdir()
        names = ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER")
        kept = {name: value for name, value in os.environ.items() if name not in names}
        done = subprocess.run(
            [sys.executable, "-c", code, "notebook", *words],
            env=kept | {"ADVISOR_HOME": str(tmp_path / "home"), "XDG_RUNTIME_DIR": str(place)} | environment,
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert not list(place.iterdir())
        assert "Traceback" not in done.stderr
        return done.returncode, done.stderr

    return run


@pytest.mark.parametrize("words", [["--app"], []], ids=["app", "lab"])
def test_a_port_in_use(say, words):
    with socket.create_server((server.HOST, 0)) as taken:
        port = taken.getsockname()[1]
        code, said = say("--no-browser", "--port", str(port), *words)
    assert code == 2
    assert said.splitlines()[0] == f"advisor: Port {port} on this machine cannot be used: Address already in use."


@pytest.mark.parametrize(("missing", "words"), [("voila", ["--app"]), ("jupyterlab", []), ("ipykernel", [])])
def test_the_extra_not_installed(say, missing, words):
    code, said = say("--no-browser", *words, code=WITHOUT.format(missing=missing) + COMMAND)
    assert code == 2
    assert said.splitlines() == [
        f"advisor: {missing} is not installed.",
        "  Install it: pip install 'bench-advisor[notebook]'",
    ]


def test_no_browser(say):
    code, said = say("--app")
    assert code == 2
    assert said.startswith("advisor: No browser can be opened from here.\n  Use --no-browser")


def test_an_unknown_notebook(say):
    code, said = say("--no-browser", "../../etc/passwd")
    assert code == 2
    assert said.startswith("advisor: There is no notebook '../../etc/passwd'.")


def test_a_folder_that_cannot_be_made(say, tmp_path):
    (tmp_path / "file").write_text("")
    code, said = say("--no-browser", "--app", ADVISOR_HOME=str(tmp_path / "file"))
    assert code == 2
    assert (
        said.splitlines()[0]
        == f"advisor: The folder {tmp_path / 'file' / 'notebooks'} cannot be made: Not a directory."
    )
