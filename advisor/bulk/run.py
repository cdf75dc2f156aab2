"""A run over a sheet of any size: read, scored and written piece by piece, in bounded memory."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import multiprocessing
import os
import pickle
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor import __version__
from advisor.bulk.machines import ADVICE, BETWEEN, STATUS, Keyed, Layout, Restart, Scored, Template, scored_rows
from advisor.bulk.sink import write
from advisor.bulk.source import Source
from advisor.bulk.work import PIECE, RunFolder, counts_of
from advisor.errors import InputError
from advisor.files import datasets, user_data
from advisor.intake.reading import headers
from advisor.intake.records import Row
from advisor.intake.said import CellEntry, entries_of, with_entries

if TYPE_CHECKING:
    from advisor.shop import Shop
    from advisor.timing import TimingModel

_KEPT = 30_000
"""Machines remembered in a generation; the last two are kept."""

_BLOCK = 500
"""Rows taken apart at a time, a divisor of `PIECE`: so few that their cells stay in the processor's cache."""

_CHUNK = 5_000
_LARGE_CHUNK = 20_000
"""New machines scored at a time: larger chunks cost less each, and more memory. From `_KEPT` machines on a stock is
taken to hold hardly two alike, and chunks are large."""

_FEW = 500
"""New machines that are sent before a chunk is full, where nothing else is being scored."""

_WAITING = 16
"""Most pieces that wait for their machines."""

_JOBS = 4
"""Most chunks being scored or waiting for it."""

_SMALL = 4 << 20
"""Size of a file from which a second process pays [byte]."""

Progress = Callable[[int, int], object]


@dataclass(frozen=True)
class RunResult:
    """What came of a run."""

    counted: pd.DataFrame  # A row a unit: advice, status, hands_on_min, elapsed_min
    late: int  # Rows that had to wait for all others: a shared part, a tag that stands twice, a damaged cell


@dataclass
class _Piece:
    machines: list[Template | None]
    """Of each row; None for one with a damaged cell, which waits for all others."""
    own: list[tuple[str, ...]]
    tags: list[str]
    needs: int = 0
    """Chunks that must be scored before it can be written."""


def score_sheet(
    sheet: Path, out: Path, shop: Shop, *, raw_text: bool = False, resume: bool = False,
    executor: Executor | None = None, progress: Progress | None = None,
) -> RunResult:  # fmt: skip
    """Score a sheet of any size.

    Parameters
    ----------
    sheet : path
        CSV, plain or with gzip or zstd, or Parquet.
    out : path
        Written whole or not at all; its name's end says how: .parquet, .gz, .zst, else CSV.
    raw_text : bool
        Leave cells that a spreadsheet would run as they are.
    resume : bool
        Go on from what a killed run left beside `out`.
    executor : concurrent.futures.Executor, optional
        Scores new machines, such as a cluster's; two processes of this machine when left out, one for a small file.
    progress : callable, optional
        Told how many bytes of how many are read.

    Raises
    ------
    InputError
        When the sheet cannot be read, or what a killed run left belongs to another sheet, shop or program.
    """
    from advisor.timing import serving_model

    model, source = serving_model(), Source(sheet)
    mark = _mark(sheet, shop, model, raw_text)
    with RunFolder(out, mark, resume) as work:
        # The processes end, and give back their memory, before what waited is scored here.
        with contextlib.ExitStack() as stack:
            pool = executor or _pool(source.size)
            if executor is None:
                stack.callback(pool.shutdown, cancel_futures=True)
            while True:
                try:
                    going = _Run(source, work, shop, model, raw_text, pool)
                    going.score(progress)
                    break
                except Restart as known:
                    work.begin(known.width, known.unread)
        late = going.late()
        index = work.index()
        write(out, going.layout, work, {row: line for row, (line, _) in late.items()})
    for row, (_, one) in late.items():
        for name in ("advice", "status", "hands_on_min", "elapsed_min"):
            index[name][row] = getattr(one, name)
    return RunResult(_counted(index), len(late))


def _counted(index: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "advice": np.array([*ADVICE, ""], dtype=object)[index["advice"]],
            "status": np.array([*STATUS, ""], dtype=object)[index["status"]],
            **{name: index[name] for name in ("hands_on_min", "elapsed_min")},
        }
    )


class _Here(Executor):
    """Scores in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        out: Future[Any] = Future()
        out.set_result(fn(*args, **kwargs))
        return out


def _pool(size: int) -> Executor:
    if len(os.sched_getaffinity(0)) < 2 or size < _SMALL:
        return _Here()
    return ProcessPoolExecutor(2, initializer=_scorer)


def _scorer() -> None:
    """Begin a process that scores: an interrupt is for the one that reads and writes, and it ends with that one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _mark(sheet: Path, shop: Shop, model: TimingModel, raw_text: bool) -> str:
    """What a run's outcome hangs on: two runs with the same mark write the same bytes."""
    with sheet.open("rb") as file:
        parts = [hashlib.file_digest(file, "sha256").hexdigest()]
    parts += [__version__, repr(shop), str(raw_text), hashlib.sha256(pickle.dumps(model)).hexdigest()]
    for folder in (datasets(), user_data() / "tables"):
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                there = path.stat()
                parts.append(f"{path.relative_to(folder)} {there.st_size} {there.st_mtime_ns}")
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def scored_cells(
    names: list[str], rows: list[str | list[str]], shop: Shop, model: TimingModel, raw_text: bool
) -> list[Scored]:
    """Score rows, each by itself; what is handed to another process or machine.

    Parameters
    ----------
    rows : list of str or list of str
        Cells with `BETWEEN` between, which is sent in less time than a list; a list where a cell holds it.
    """
    cells = [row.split(BETWEEN) if isinstance(row, str) else row for row in rows]
    return scored_rows(pd.DataFrame(cells, columns=names, dtype="str"), shop, model, raw_text, apart=True)


class _Run:
    """One walk over the sheet."""

    def __init__(
        self, source: Source, work: RunFolder, shop: Shop, model: TimingModel, raw_text: bool, pool: Executor
    ) -> None:
        self.source, self.work, self.pool = source, work, pool
        self.how = (shop, model, raw_text)
        self.layout: Layout
        self._young: dict[str, Template] = {}
        self._old: dict[str, Template] = {}
        self._fresh: list[tuple[Template, str | list[str]]] = []
        self._jobs: deque[tuple[Future[list[Scored]], list[Template]]] = deque()
        self._held: deque[_Piece] = deque()
        self._sent = self._back = self._made = 0

    def _blocks(self, stack: contextlib.ExitStack) -> Iterator[tuple[list[list[str]], list[Row], Keyed]]:
        """Rows of the sheet, some at a time: cells, as many as there are columns, as read, and taken apart."""
        header, rows = self.source.table(stack)
        names = headers(header, max(self.work.width, len(header)))
        self.layout, width = Layout(names, self.work.unread, self.how[2]), len(names)
        if not len(self.work.index()):
            self.work.begin(self.work.width, self.work.unread, self.layout.header_line())
        while some := list(itertools.islice(rows, min(_BLOCK, PIECE))):
            cells = [row.cells for row in some]
            widths = set(map(len, cells))
            if widths != {width}:
                if max(widths) > width:
                    raise Restart(max(widths), self.work.unread)
                cells = [one + [""] * (width - len(one)) for one in cells]
            yield cells, some, self.layout.keyed(cells)

    def score(self, progress: Progress | None) -> None:
        """Score the rows that are not yet, and keep their lines."""
        done = len(self.work.index())
        with contextlib.ExitStack() as stack:
            piece, passed = _Piece([], [], []), 0
            for cells, rows, keyed in self._blocks(stack):
                # What columns hold is counted from the first row on.
                passed += len(rows)
                if passed <= done:
                    continue
                self._add(piece, cells, rows, keyed)
                if len(piece.machines) == PIECE:
                    self._hold(piece)
                    piece = _Piece([], [], [])
                    if progress is not None:
                        progress(self.source.read, self.source.size)
            if piece.machines:
                self._hold(piece)
        self._send()
        while self._jobs:
            self._take()
        self._write()

    def _add(self, piece: _Piece, cells: list[list[str]], rows: list[Row], keyed: Keyed) -> None:
        for key, one, row in zip(keyed.keys, cells, rows, strict=True):
            machine = None if row.remarks else self._young.get(key)
            if machine is None and not row.remarks:
                machine = self._old.get(key) or self._new(one)
                if len(self._young) >= _KEPT:
                    self._old, self._young = self._young, {}
                self._young[key] = machine
            piece.machines.append(machine)
        piece.own += keyed.own
        piece.tags += keyed.tags

    def _new(self, cells: list[str]) -> Template:
        machine = Template(self.layout.form(cells))
        self._made += 1
        row = self.layout.of_machine(self._made, cells)
        text = BETWEEN.join(row)
        self._fresh.append((machine, text if text.count(BETWEEN) == len(row) - 1 else row))
        if len(self._fresh) >= (_CHUNK if self._made <= _KEPT else _LARGE_CHUNK):
            self._send()
        return machine

    def _send(self) -> None:
        """Have the new machines scored."""
        if self._fresh:
            job = self.pool.submit(scored_cells, self.layout.header, [cells for _, cells in self._fresh], *self.how)
            self._jobs.append((job, [machine for machine, _ in self._fresh]))
            self._fresh = []
            self._sent += 1
        while len(self._jobs) > _JOBS:
            self._take()

    def _take(self) -> None:
        """Wait for the oldest chunk."""
        job, machines = self._jobs.popleft()
        try:
            found = job.result()
        except BrokenExecutor as problem:
            raise InputError(
                "A process that scored was killed, perhaps for want of memory.", "Run it again with --resume."
            ) from problem
        for machine, scored in zip(machines, found, strict=True):
            machine.settle(scored)
        self._back += 1
        self._write()

    def _hold(self, piece: _Piece) -> None:
        piece.needs = self._sent + bool(self._fresh)
        self._held.append(piece)
        while self._jobs and self._jobs[0][0].done():
            self._take()
        if not self._jobs and len(self._fresh) >= _FEW and not isinstance(self.pool, _Here):
            self._send()
        if len(self._held) > _WAITING:
            self._send()
            while self._jobs and len(self._held) > _WAITING // 2:
                self._take()
        self._write()

    def _write(self) -> None:
        while self._held and self._held[0].needs <= self._back:
            piece = self._held.popleft()
            scored = {machine: None if machine is None else machine.scored for machine in piece.machines}
            waits = {machine for machine, one in scored.items() if one is None or one.wishes}
            lines = [
                "" if machine is None or machine in waits else machine.form % own
                for machine, own in zip(piece.machines, piece.own, strict=True)
            ]
            places = {machine: place for place, machine in enumerate(scored)}
            counted = counts_of([None if machine in waits else one for machine, one in scored.items()])
            self.work.add(hashed(piece.tags), lines, counted[[places[machine] for machine in piece.machines]])

    def late(self) -> dict[int, tuple[str, Scored]]:
        """Lines of the rows that hang on others, scored together, as they would be in the whole batch."""
        index = self.work.index()
        _, which, counts = np.unique(index["tag"], return_inverse=True, return_counts=True)
        late = index["late"] | ((counts[which] > 1) & (index["tag"] > 0))
        if not late.any():
            return {}
        shown: list[list[str]] = []
        own: list[tuple[str, ...]] = []
        entries: list[CellEntry] = []
        with contextlib.ExitStack() as stack:
            first = 0
            for some, rows, keyed in self._blocks(stack):
                here, first = late[first : first + len(rows)], first + len(rows)
                for at in np.flatnonzero(here).tolist():
                    entries += entries_of(len(shown), rows[at])
                    shown.append(some[at])
                    own.append(keyed.own[at])
        layout = self.layout
        silent = layout.silent - {at for _, at, *_ in entries}
        read = [["" if at in silent else cell for at, cell in enumerate(cells)] for cells in shown]
        frame = with_entries(pd.DataFrame(read, columns=layout.header, dtype="str"), entries)
        out = {}
        late_rows = np.flatnonzero(late).tolist()
        for at, cells, mine, scored in zip(late_rows, shown, own, scored_rows(frame, *self.how), strict=True):
            out[at] = (Template(layout.form(cells), scored).form % mine, scored)
        return out


def hashed(tags: list[str]) -> np.ndarray:
    """A number for each tag, the same in every run; 0 for none."""
    found = pd.util.hash_array(np.array(tags, dtype=object), categorize=False)
    found[np.array([not tag for tag in tags])] = 0
    return found
