"""What a run has done so far, in a folder beside its output, from which a killed run goes on."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from advisor.bulk.machines import Scored
from advisor.errors import InputError
from advisor.files import ANOTHER_FOLDER, is_there, is_unfinished, read_json, told, write_whole

PIECE = 10_000
"""Rows that are written at a time."""

COUNTED = np.dtype([("advice", "i1"), ("status", "i1"), ("hands_on_min", "f8"), ("elapsed_min", "f8")])
"""What is counted of a row; see `Scored`."""

ROW = np.dtype([("tag", "u8"), ("size", "u4"), *((name, COUNTED[name]) for name in COUNTED.names or ()), ("late", "?")])
"""What is kept of each row beside its line; `late` rows wait for all others."""

_LOCK = "lock"
_HINT = "Run it again without --resume."


class RunFolder:
    """The folder of a run: `manifest.json`, the lines so far, and a record of `ROW` for each.

    A row counts once its record is written, in pieces of `PIECE`, behind its line: what a kill left half done is cut
    off. Taken away when all is written; left where something failed. `made` is a whole CSV once no row is late.
    """

    def __init__(self, out: Path, mark: str, resume: bool) -> None:
        # Beside a pipe or a device nothing is kept.
        beside = out.is_file() or not is_there(out)
        self.folder = out.with_name(f"{out.name}.unfinished") if beside else Path(tempfile.mkdtemp(prefix="advisor-"))
        self.mark, self.width, self.unread = mark, 0, frozenset[int]()
        self._head = 0  # Size of the header line, with which the lines begin [B]
        self.made, self._index = self.folder / "lines.csv", self.folder / "rows"
        manifest = self.folder / "manifest.json"
        with self._told():
            self._own(manifest)
        if resume and is_there(manifest):
            self._take_up(read_json(manifest, hint=_HINT))
        else:
            self.begin(0, frozenset())

    def _told(self) -> contextlib.AbstractContextManager[None]:
        return told(f"{self.folder} could not be written", ANOTHER_FOLDER)

    def _own(self, manifest: Path) -> None:
        """Make the folder, or take what a run left, for this run alone; another user's may hold links to anywhere."""
        self.folder.mkdir(mode=0o700, exist_ok=True)
        there = self.folder.lstat()
        own = (self.made.name, self._index.name, _LOCK)
        known = is_there(manifest) or all(name in own or is_unfinished(name) for name in os.listdir(self.folder))
        if not (known and stat.S_ISDIR(there.st_mode) and there.st_uid == os.geteuid()):
            raise InputError(f"{self.folder} is in the way.", "Take it away, or name another output.")
        self._lock = (self.folder / _LOCK).open("wb")
        try:
            fcntl.lockf(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(f"Another run writes to {self.folder}.", "Wait for it, or name another output.") from None

    def _take_up(self, kept: dict[str, Any]) -> None:
        if kept.get("mark") != self.mark:
            raise InputError(
                f"{self.folder} holds the beginning of another run: the sheet, the shop, the tables, the model or the "
                "program has changed since.",
                _HINT,
            )
        self.width, self.unread, self._head = int(kept["width"]), frozenset(kept["unread"]), int(kept["head"])
        index = self.index()
        whole = len(index) // PIECE * PIECE
        ends = self._head + np.cumsum(index["size"][:whole], dtype="int64")
        # A piece counts only when its lines are there too.
        there = int(np.searchsorted(ends, self.made.stat().st_size, side="right")) // PIECE * PIECE
        os.truncate(self._index, there * ROW.itemsize)
        os.truncate(self.made, int(ends[there - 1]) if there else self._head)

    def begin(self, width: int, unread: frozenset[int], head: bytes = b"") -> None:
        """Begin anew, with what is known of the sheet by now, and the header line once that is known."""
        self.width, self.unread, self._head = width, unread, len(head)
        with self._told():
            # The records first: without one, a run that is taken up begins anew.
            for path, content in ((self._index, b""), (self.made, head)):
                path.write_bytes(content)
        kept = {"mark": self.mark, "width": width, "unread": sorted(unread), "head": self._head}
        write_whole(self.folder / "manifest.json", json.dumps(kept))

    def index(self) -> np.ndarray:
        """The records of all rows so far."""
        return np.fromfile(self._index, dtype=ROW)

    def add(self, tags: np.ndarray, lines: list[str], counted: np.ndarray) -> None:
        """Keep a piece: its lines, '' for a late row, and what is counted of each."""
        text = "".join(lines)
        data = text.encode()
        plain = len(data) == len(text)
        rows = np.zeros(len(lines), dtype=ROW)
        rows["tag"] = tags
        rows["size"] = list(map(len, lines)) if plain else [len(line.encode()) for line in lines]
        rows[list(COUNTED.names or ())] = counted
        rows["late"] = rows["size"] == 0
        for path, content in ((self.made, data), (self._index, rows.tobytes())):
            with self._told(), path.open("ab") as file:
                file.write(content)

    def lines(self, late: dict[int, str]) -> Iterator[bytes]:
        """The header, then all lines, a piece at a time, with those of the late rows."""
        sizes = self.index()["size"]
        waiting = np.array(sorted(late), dtype="int64")
        with self.made.open("rb") as file:
            yield file.read(self._head)
            for first in range(0, len(sizes), PIECE):
                some = sizes[first : first + PIECE]
                data = file.read(int(some.sum()))
                here = waiting[(waiting >= first) & (waiting < first + len(some))]
                if len(here):
                    ends = np.cumsum(some, dtype="int64")
                    out, at = [], 0
                    for row in here.tolist():
                        end = int(ends[row - first])
                        out += [data[at : end - int(some[row - first])], late[row].encode()]
                        at = end
                    data = b"".join([*out, data[at:]])
                yield data

    def __enter__(self) -> RunFolder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        # What failed before a piece was done left nothing to go on from.
        if kind is None or not self._index.stat().st_size:
            with contextlib.suppress(OSError):
                shutil.rmtree(self.folder)
        self._lock.close()


_LATE = (-1, -1, np.nan, np.nan)


def counts_of(scored: list[Scored | None]) -> np.ndarray:
    """What is counted of rows; None for late ones."""
    return np.array([_LATE if one is None else one[1:5] for one in scored], dtype=COUNTED)
