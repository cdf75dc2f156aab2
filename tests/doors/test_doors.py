"""Who has the token is let in; what other users of the machine can see shows neither it nor what a kernel says."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path

import psutil
import pytest

from advisor.views import server

pytestmark = pytest.mark.slow

websocket = pytest.importorskip("websocket")


def channels(door, **options):
    """A websocket to the kernel of the page."""
    return websocket.create_connection(
        f"ws://{server.HOST}:{door.planned.port}/api/kernels/{door.kernel()}/channels", timeout=120, **options
    )


def kernel_answers(line) -> bool:
    header = {"msg_id": "1", "msg_type": "kernel_info_request", "username": "", "session": "1", "version": "5.3"}
    line.send(json.dumps({"channel": "shell", "header": header, "parent_header": {}, "metadata": {}, "content": {}}))
    while True:
        message = json.loads(line.recv())
        if message["msg_type"] == "kernel_info_reply":
            return message["content"]["status"] == "ok"


def test_the_right_token_opens_the_page(door):
    answer = door.ask(f"GET {door.planned.url.partition(str(door.planned.port))[2]}")
    assert answer.status == 200
    assert ("jupyter-widget" if door.planned.app else "JupyterLab") in answer.body
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie


def test_the_cookie_then_suffices_for_the_page_its_files_and_its_kernel(door):
    cookie = door.log_in()
    page, file = ("/", "/voila/static/voila.js") if door.planned.app else ("/lab", "/api/contents/intake_triage.ipynb")
    for place in (page, file):
        assert door.ask(f"GET {place}", {"Cookie": cookie, "Sec-Fetch-Site": "same-origin"}).status == 200
    own = f"http://{server.HOST}:{door.planned.port}"
    line = channels(door, cookie=cookie, origin=own)
    assert kernel_answers(line)
    line.close()


def test_the_token_suffices_for_a_script(door):
    line = channels(door, header=[f"Authorization: token {door.planned.token}"], suppress_origin=True)
    assert kernel_answers(line)
    line.close()


def processes(door) -> list[psutil.Process]:
    door.kernel()
    parent = psutil.Process(door.process.pid)
    return [parent, *parent.children(recursive=True)]


def test_no_command_line_shows_the_token(door):
    lines = [" ".join(one.cmdline()) for one in processes(door)]
    assert len(lines) >= 2 and not any(door.planned.token in line for line in lines)


def test_what_a_kernel_says_is_not_to_be_had_at_a_port(door):
    """Its channels are files in the private folder; at a TCP port anyone could listen to what it prints."""
    parent, *kernels = processes(door)
    for kernel in kernels:
        connection = json.loads(Path(kernel.cmdline()[-1]).read_text())
        assert connection["transport"] == "ipc" and Path(connection["ip"]).is_relative_to(door.planned.place)
    doors = [line.laddr for line in parent.net_connections(kind="inet") if line.status == psutil.CONN_LISTEN]
    assert doors == [(server.HOST, door.planned.port)]


def others_can_read(path: Path) -> bool:
    """Whether a user that is neither the owner nor of the group gets to a file."""
    return bool(path.stat().st_mode & stat.S_IROTH) and all(
        above.stat().st_mode & stat.S_IXOTH for above in path.resolve().parents
    )


def test_no_file_that_others_can_read_shows_the_token(door, home):
    door.kernel()
    assert stat.S_IMODE(door.planned.place.stat().st_mode) & 0o077 == 0
    assert stat.S_IMODE(door.planned.log.stat().st_mode) == 0o600
    read = 0
    for folder in (home, door.planned.place, door.planned.folder):
        for file in folder.rglob("*"):
            if file.is_file() and door.planned.token.encode() in file.read_bytes():
                read += 1
                assert not others_can_read(file), file
    assert read or door.planned.app


BROWSER = """#!/bin/sh
echo "$@" > {seen}.new && mv {seen}.new {seen}
"""


def test_the_browser_is_sent_to_a_page_for_this_user_alone(door, tmp_path, monkeypatch):
    import webbrowser

    seen, browser = tmp_path / "seen", tmp_path / "browser"
    browser.write_text(BROWSER.format(seen=seen))
    browser.chmod(0o755)
    monkeypatch.setattr(webbrowser, "_tryorder", [])
    monkeypatch.setattr(webbrowser, "_browsers", {})
    webbrowser.register("it", None, webbrowser.GenericBrowser(str(browser)))
    assert server.show(door.planned)
    words = seen.read_text()
    assert words.startswith("file://") and door.planned.token not in words
    page = Path(words.strip().removeprefix("file://"))
    assert stat.S_IMODE(page.stat().st_mode) == 0o600 and door.planned.url in page.read_text()
    assert page.stat().st_uid == os.geteuid()


def test_each_server_has_messages_of_its_own_and_takes_them_away(door, open_door):
    said = door.planned.log.read_bytes()
    other = open_door("app")
    assert other.planned.log != door.planned.log
    assert door.planned.log.read_bytes().startswith(said) and other.planned.log.stat().st_size > 0
    server.stop(other.process)
    assert not other.planned.place.exists() and door.planned.log.exists()
