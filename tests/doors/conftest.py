"""Both doors, really started on loopback, and a way to say anything to them."""

from __future__ import annotations

import re
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http.client import HTTPException, HTTPResponse

import pytest

from advisor.views import server

psutil = pytest.importorskip("psutil")
pytest.importorskip("voila")

PATIENCE_S = 120
"""How long anything may take on a machine with other work to do [s]."""


@pytest.fixture(scope="session")
def until() -> Callable[..., None]:
    """Wait for what will hold."""

    def wait(holds: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + patience_s
        while not holds():
            assert time.monotonic() < end, f"not within {patience_s} s: {what}"
            time.sleep(0.1)

    return wait


@dataclass
class Answer:
    status: int
    """0 when the server hung up without a word."""
    headers: dict[str, str]
    body: str


@dataclass
class Door:
    """A running server and what is needed to talk to it."""

    planned: server.Launch
    process: subprocess.Popen[bytes]
    kernel_id: str = ""

    def say(self, text: str) -> Answer:
        """Send raw text and read one answer."""
        with socket.create_connection((server.HOST, self.planned.port), timeout=PATIENCE_S) as line:
            answer = HTTPResponse(line)
            try:
                line.sendall(text.encode("latin-1"))
                answer.begin()
            except (ConnectionError, HTTPException):
                return Answer(0, {}, "")
            headers: dict[str, str] = {}
            for name, value in answer.getheaders():
                headers[name.lower()] = "\n".join(filter(None, [headers.get(name.lower()), value]))
            body = b"" if answer.status == 101 else answer.read()
            return Answer(answer.status, headers, body.decode("utf-8", "replace"))

    def ask(self, what: str, headers: dict[str, str] | None = None, body: str = "") -> Answer:
        """Send a request; `Host`, and that the line is closed afterwards, are added where not given."""
        given = {"Host": f"{server.HOST}:{self.planned.port}", "Connection": "close"} | (headers or {})
        if body:
            given |= {"Content-Length": str(len(body))}
        return self.say(f"{what} HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in given.items()) + "\r\n" + body)

    def kernels(self) -> list[int]:
        """Process ids of the kernels."""
        found = []
        for one in psutil.Process(self.process.pid).children(recursive=True):
            try:
                if any("ipykernel_launcher" in word for word in one.cmdline()):
                    found.append(one.pid)
            except psutil.Error:
                continue
        return found

    def kernel(self) -> str:
        """Id of a kernel that runs; where a page starts it, that page is loaded if need be."""
        token = {"Authorization": f"token {self.planned.token}"}
        if self.kernel_id and self.ask(f"GET /api/kernels/{self.kernel_id}", token).status == 200:
            return self.kernel_id
        if self.planned.app:
            page = self.ask("GET /", token).body
            self.kernel_id = re.search(r'"kernelId": ?"([-0-9a-f]{36})"', page)[1]
        else:
            self.kernel_id = re.search(r'"id": ?"([-0-9a-f]{36})", "name"', self.ask("GET /api/kernels", token).body)[1]
        return self.kernel_id

    def log_in(self) -> str:
        """Cookies of a browser that was let in; no page is loaded for it."""
        right = self.ask(f"GET /login?token={self.planned.token}").headers["set-cookie"].partition(";")[0]
        xsrf = self.ask("GET /login").headers["set-cookie"].partition(";")[0]
        return f"{right}; {xsrf}"


@pytest.fixture(scope="session")
def open_door(home) -> Iterator[Callable[..., Door]]:
    """Start a door, `app` or `lab`, with more options of its server; it is ended at the end if nobody did before."""
    opened = []

    def start(which: str, *options: str) -> Door:
        planned = server.plan(app=which == "app", folder=home / f"{which}-{len(opened)}")
        planned.command.extend(options)
        opened.append(Door(planned, server.start(planned, patience_s=PATIENCE_S)))
        return opened[-1]

    yield start
    for door in opened:
        server.stop(door.process)


@pytest.fixture(scope="session")
def home(tmp_path_factory) -> Iterator:
    """A user's data folder of its own, so that no real queue or log is touched."""
    folder = tmp_path_factory.mktemp("advisor-home")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ADVISOR_HOME", str(folder))
        yield folder


@pytest.fixture(scope="session", params=["app", "lab"])
def door(request, open_door) -> Iterator[Door]:
    opened = open_door(request.param)
    yield opened
    server.stop(opened.process)
