"""How the notebook server is started: this machine alone, behind a token that no command line shows."""

from __future__ import annotations

import json

import pytest

from advisor.errors import InputError, ToolError
from advisor.views import server


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
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


def test_every_start_has_a_token_of_its_own():
    assert server.plan().token != server.plan().token


def test_notebooks_are_laid_out_without_outputs():
    folder = server.lay_out()
    for path in folder.glob("*.ipynb"):
        assert all(not cell["outputs"] for cell in json.loads(path.read_text())["cells"] if cell["cell_type"] == "code")
    assert {path.name for path in folder.glob("*.ipynb")} >= set(server.NOTEBOOKS.values())


def test_what_is_missing_is_said(monkeypatch):
    with pytest.raises(InputError, match="There is no notebook"):
        server.plan("../../etc")
    monkeypatch.setattr(server, "find_spec", lambda name: None)
    with pytest.raises(ToolError, match="not installed") as caught:
        server.plan()
    assert "pip install" in caught.value.hint


def test_a_server_that_ends_at_once_is_said(tmp_path):
    import sys
    from dataclasses import replace

    planned = replace(server.plan(), command=[sys.executable, "-c", "raise SystemExit('no port left')"])
    with pytest.raises(ToolError, match="no port left"):
        server.start(planned, patience_s=30)
