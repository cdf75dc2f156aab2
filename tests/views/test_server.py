"""How the notebook server is started: this machine alone, behind a token that no command line shows."""

from __future__ import annotations

import json
import socket
import stat
import sys
import tempfile
import threading
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from advisor.errors import InputError, ToolError
from advisor.views import server


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path


@pytest.mark.parametrize("app", [False, True])
def test_the_server_listens_on_loopback_and_keeps_its_token_off_the_command_line(app):
    pytest.importorskip("voila")
    planned = server.plan(app=app)
    assert any(one.endswith("ip=127.0.0.1") for one in planned.command)
    assert len(planned.token) >= 32 and planned.token in planned.url
    assert not any(planned.token in one for one in planned.command)
    assert planned.environment["JUPYTER_TOKEN"] == planned.token
    assert planned.token not in repr(planned)


def test_every_start_has_a_token_and_a_folder_of_its_own():
    one, other = server.plan(), server.plan()
    assert one.token != other.token and one.place != other.place and not one.place.exists()


def test_a_runtime_folder_that_is_not_there_is_done_without(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "none"))
    assert server.plan().place.parent == Path(tempfile.gettempdir())


def test_a_folder_that_somebody_else_has_made_is_not_taken():
    planned = server.plan()
    planned.place.mkdir(mode=0o777)
    with pytest.raises(InputError, match="cannot be made: File exists"):
        server.start(planned)


def test_notebooks_are_laid_out_without_outputs(tmp_path):
    folder = tmp_path / "notebooks"
    server.lay_out(folder)
    for path in folder.glob("*.ipynb"):
        assert all(not cell["outputs"] for cell in json.loads(path.read_text())["cells"] if cell["cell_type"] == "code")
    assert {path.name for path in folder.glob("*.ipynb")} >= set(server.NOTEBOOKS.values())


@pytest.mark.parametrize("missing", ["jupyterlab", "voila", "ipykernel"])
def test_what_is_missing_is_said(monkeypatch, missing):
    with pytest.raises(InputError, match="There is no notebook"):
        server.plan("../../etc")
    monkeypatch.setattr(server, "find_spec", lambda name: None if name == missing else name)
    with pytest.raises(ToolError, match=f"{missing} is not installed") as caught:
        server.plan(app=missing == "voila")
    assert "pip install" in caught.value.hint


def test_a_port_that_is_taken_is_said():
    with socket.create_server((server.HOST, 0)) as taken, pytest.raises(InputError, match="in use"):
        server.plan(port=taken.getsockname()[1])


def failing(code: str) -> server.Launch:
    return replace(server.plan(app=True), command=[sys.executable, "-c", code])


def test_a_server_that_ends_at_once_is_said_and_its_messages_are_kept_for_this_user_alone():
    planned = failing("raise SystemExit('no port left')")
    with pytest.raises(ToolError, match="no port left") as caught:
        server.start(planned, patience_s=30)
    assert str(planned.log) in caught.value.hint and "no port left" in planned.log.read_text()
    assert stat.S_IMODE(planned.place.stat().st_mode) == 0o700
    assert stat.S_IMODE(planned.log.stat().st_mode) == 0o600


def test_a_stranger_at_the_port_is_not_shown_the_token():
    asked = []

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(f"{self.path} {self.headers}")
            self.send_response(200)
            self.end_headers()

    planned = failing("import time; time.sleep(600)")
    with ThreadingHTTPServer((server.HOST, planned.port), Answer) as stranger:
        threading.Thread(target=stranger.serve_forever, daemon=True).start()
        with pytest.raises(ToolError, match="did not answer within"):
            server.start(planned, patience_s=2)
        stranger.shutdown()
    assert asked and planned.token not in "".join(asked)
