"""A small package server on this machine: a frozen part of a mirror, handed out at the speed of the link rehearsed.

The first build of a tree fetches through it and keeps every file; from then on rehearsals are answered from the folder
alone, so that the same lists and packages are served every time.
"""

from __future__ import annotations

import argparse
import os
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

ARCHIVE = "/debian"
"""Folder of the archive on this server."""

BLOCK = 16 * 1024


class Link:
    """One link shared by all transfers, of so many Mbit/s; 0 for no limit."""

    def __init__(self, mbps: float) -> None:
        self.rate = mbps * 1e6 / 8
        self._free_at = 0.0
        self._lock = threading.Lock()

    def book(self, now: float, length: int) -> float:
        """Book a block and say how long from now until it has passed [s]."""
        if not self.rate:
            return 0.0
        with self._lock:
            self._free_at = max(now, self._free_at) + length / self.rate
            return self._free_at - now


def inside(root: Path, url_path: str) -> Path | None:
    """File below the mirror folder that a request means; None when the request leads elsewhere."""
    words = [urllib.parse.unquote(word) for word in urllib.parse.urlsplit(url_path).path.split("/") if word]
    if not words or any(word in (".", "..") or "/" in word or "\0" in word for word in words):
        return None
    return root.joinpath(*words)


def _handler(root: Path, link: Link, upstream: str | None) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, format: str, *args: object) -> None:
            pass

        def do_GET(self) -> None:
            path = inside(root, self.path)
            if path is None:
                self.send_error(404)
                return
            if not path.is_file() and upstream is not None:
                self._fetch(upstream + self.path.removeprefix(ARCHIVE), path)
            try:
                length = path.stat().st_size if path.is_file() else -1
            except OSError:
                length = -1
            if length < 0:
                self.send_response(404)
                self.send_header("Content-Length", "0")
                self.end_headers()
                return
            self.send_response(200)
            self.send_header("Content-Type", "application/octet-stream")
            self.send_header("Content-Length", str(length))
            self.end_headers()
            with open(path, "rb") as file:
                while block := file.read(BLOCK):
                    wait = link.book(time.monotonic(), len(block))
                    # Short waits are left to add up: a sleep is never exact below a millisecond.
                    if wait > 0.002:
                        time.sleep(wait)
                    self.wfile.write(block)

        def _fetch(self, address: str, path: Path) -> None:
            path.parent.mkdir(parents=True, exist_ok=True)
            partial = path.with_name(f".{path.name}.{threading.get_ident()}")
            try:
                with urllib.request.urlopen(address, timeout=60) as answer, open(partial, "wb") as file:
                    while block := answer.read(1 << 20):
                        file.write(block)
                os.replace(partial, path)
            except (urllib.error.URLError, OSError):
                partial.unlink(missing_ok=True)

    return Handler


class Depot:
    """The server of a mirror folder at a link's speed, in threads of this process; `record` fetches what is missing."""

    def __init__(self, root: Path, mbps: float = 0.0, *, record: bool = False) -> None:
        upstream = None
        if record:
            # Only here, so that serving a frozen mirror, a script of its own, loads nothing of the package.
            from advisor.lab.tables.apt import mirror_bases

            upstream = mirror_bases()["Debian"]
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(root, Link(mbps), upstream))
        self.server.daemon_threads = True
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)

    @property
    def address(self) -> str:
        """What an apt source line begins with."""
        return f"http://127.0.0.1:{self.server.server_address[1]}{ARCHIVE}"

    def __enter__(self) -> Depot:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()
        self.server.server_close()


def main() -> None:
    """Serve until killed; prints the address first."""
    parser = argparse.ArgumentParser()
    parser.add_argument("root", type=Path)
    parser.add_argument("--mbps", type=float, default=0.0)
    given = parser.parse_args()
    with Depot(given.root, given.mbps) as depot:
        print(depot.address, flush=True)
        depot.thread.join()


if __name__ == "__main__":
    main()
