"""A small package server on this machine: a frozen part of a mirror, handed out at the speed of the link rehearsed.

The first build of a tree fetches through it and keeps every file; from then on rehearsals are answered from the folder
alone, so that the same lists and packages are served every time.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

ARCHIVE = "/debian"
"""Folder of the archive on this server."""

BLOCK = 16 * 1024


class SharedLink:
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


class Handler(SimpleHTTPRequestHandler):
    """Files of a folder over a link; what is missing is fetched first when there is an upstream address."""

    protocol_version = "HTTP/1.1"

    def __init__(self, *given: Any, link: SharedLink, upstream: str | None, directory: str) -> None:
        self.link, self.upstream = link, upstream
        super().__init__(*given, directory=directory)

    def send_head(self) -> Any:
        """Answer with a file; folders are not listed."""
        path = Path(self.translate_path(self.path))
        if self.upstream and not path.exists() and self.path.startswith(f"{ARCHIVE}/"):
            self._fetch(self.upstream + self.path.removeprefix(ARCHIVE), path)
        if not path.is_file():
            self.send_error(404)
            return None
        return super().send_head()

    def copyfile(self, source: Any, outputfile: Any) -> None:
        """Pass a file on, at the link's speed."""
        while block := source.read(BLOCK):
            wait = self.link.book(time.monotonic(), len(block))
            # Short waits are left to add up: a sleep is never exact below a millisecond.
            if wait > 0.002:
                time.sleep(wait)
            outputfile.write(block)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""

    def _fetch(self, address: str, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{threading.get_ident()}")
        try:
            with urllib.request.urlopen(address, timeout=60) as answer, open(part, "wb") as file:
                shutil.copyfileobj(answer, file, 1 << 20)
            os.replace(part, path)
        except OSError:
            part.unlink(missing_ok=True)


@contextmanager
def served(root: Path, mbps: float = 0.0, *, record: bool = False) -> Iterator[str]:
    """Serve a mirror folder at a link's speed from threads of this process; `record` fetches what is missing.

    Yields what an apt source line begins with.
    """
    upstream = None
    if record:
        # Only here, so that serving a frozen mirror, a script of its own, loads nothing of the package.
        from advisor.lab.tables.apt import mirror_bases

        upstream = mirror_bases()["Debian"]
    handler = partial(Handler, link=SharedLink(mbps), upstream=upstream, directory=str(root))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}{ARCHIVE}"
        finally:
            server.shutdown()


def main() -> None:
    """Serve until killed; prints the address first."""
    parser = argparse.ArgumentParser()
    parser.add_argument("root", type=Path)
    parser.add_argument("--mbps", type=float, default=0.0)
    given = parser.parse_args()
    with served(given.root, given.mbps) as address:
        print(address, flush=True)
        signal.pause()


if __name__ == "__main__":
    main()
