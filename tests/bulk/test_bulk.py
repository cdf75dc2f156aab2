"""A sheet scored piece by piece gives the bytes that scoring it in memory gives, whatever it holds and what fails."""

from __future__ import annotations

import csv
import gzip
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zstandard

from advisor import bulk
from advisor.bulk import machines, source, work
from advisor.bulk import run as running
from advisor.bulk.cluster import executor_of
from advisor.bulk.machines import Layout, lines_of
from advisor.bulk.work import ROW
from advisor.cli import score as scoring
from advisor.errors import InputError
from advisor.intake import elsewhere
from advisor.shop import Shop, default_shop

from .conftest import DEMO, Whole

LINES = DEMO.read_bytes().splitlines(keepends=True)
ODD = [
    b'OM-9,Le\xff"novo,"x,T4\x00,,,i5-6300U\n',  # a damaged letter, a quote left open
    b",,,,\n", b"\n", b",,,\n",  # empty rows between units, a blank line
    LINES[5].rstrip(b"\n") + b",more,,and\n",  # cells under no header
    b'=1+1,"a\nb",ThinkPad i5-6300U 8GB 240GB SSD,,,,,,,,,,,,,,,,,,,,,,,,=cmd\n',  # formulas, a cell of two lines
    b"n/a,,,,i5-6300U\n", b"none,,,,i5-6300U\n",  # tags that say that there is none
    b"X 1,,,,i5-6300U\n", b"X  1,,,,i5-6300U\n",  # the same tag, spaced otherwise
    b"x" * 600 + b",,,,i5\n",  # too long for a fact
    b"OM-1001,,,,\n",  # a tag that stands further up
    b'OM-8,,,laptop,i5-6300U,8,,,SSD,240,,,,,,,,,,,,,,,swollen battery,"charger, missing",a\x1fb\n',
]  # fmt: skip


def sheet(folder: Path, lines: list[bytes], name: str = "in.csv") -> Path:
    path = folder / name
    path.write_bytes(b"".join(lines))
    return path


@pytest.mark.slow
@pytest.mark.usefixtures("small")
def test_the_same_bytes_whatever_the_sheet_holds(tmp_path: Path, shop: Shop, whole: Whole) -> None:
    path = sheet(tmp_path, LINES[:4] + ODD + LINES[4:] + LINES[30:40])
    bulk.score_sheet(path, tmp_path / "out.csv", shop)
    assert (tmp_path / "out.csv").read_bytes() == whole(path, shop)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in.csv", "out.csv"]


@pytest.mark.slow
@pytest.mark.usefixtures("small")
def test_a_column_of_very_many_texts_is_read_no_further_than_in_memory(
    tmp_path: Path, whole: Whole, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (machines, elsewhere):
        monkeypatch.setattr(module, "MOST", 20)
    head, *rows = (line.rstrip(b"\n") for line in LINES[:40])
    told = [b"swollen battery" if at == 3 else b"seen %d" % (at % 30) for at in range(len(rows))]
    lines = [head + b",remark of the giver,serial\n"]
    lines += [row + b",%s,S%d\n" % (said, at) for at, (row, said) in enumerate(zip(rows, told, strict=True))]
    path = sheet(tmp_path, lines)
    bulk.score_sheet(path, tmp_path / "out.csv", default_shop())
    assert (tmp_path / "out.csv").read_bytes() == whole(path, default_shop())


def test_alike_machines_are_scored_once(tmp_path: Path) -> None:
    rows = [b"T-%d,i5-6300U,8,SSD,240,S%d\n" % (at, at) for at in range(500)]
    path = sheet(tmp_path, [b"asset_tag,cpu,ram_gib,storage_kind,storage_gib,serial\n", *rows])
    counted = Counting()
    outcome = bulk.score_sheet(path, tmp_path / "out.csv", default_shop(), executor=counted)
    assert counted.rows == 1
    assert len(outcome.counted) == 500
    assert outcome.counted["advice"].nunique() == 1
    written = (tmp_path / "out.csv").read_text().splitlines()
    assert [line.split(",")[0] for line in written[1:]] == [f"T-{at}" for at in range(500)]
    assert [line.split(",")[5] for line in written[1:]] == [f"S{at}" for at in range(500)]


def test_which_cells_are_a_rows_own() -> None:
    layout = Layout(["asset_tag", "cpu", "giver", "remarks", "(no header) 5"], frozenset(), False)
    keyed = layout.keyed([
        ["T-1", "i5-6300U", "a school, far", "dented", ""],
        ["T-2", "i5-6300U", "an office", "dented", ""],
    ])  # fmt: skip
    key = keyed.keys[0]
    assert keyed.keys == [key, key]
    assert keyed.own == [("T-1", '"a school, far"'), ("T-2", "an office")]
    assert keyed.tags == ["T-1", "T-2"]
    others = [
        ["T-1", "i5-6200U", "a school", "dented", ""],
        ["T-1", "i5-6300U", "swollen battery", "dented", ""],
        ["T-1", "i5-6300U", "a school", "no disk", ""],
        ["T-1", "i5-6300U", "a school", "dented", "x"],
        ["unknown", "i5-6300U", "a school", "dented", ""],
        ["", "i5-6300U", "a school", "dented", ""],
        ["T-1", "i5-6300U\x1f", "a school", "dented", ""],
    ]
    for other in others:
        assert layout.keyed([other]).keys[0] != key, other
    assert layout.keyed([["T-1", "i5-6300U", "a school", "dented", ""], *others]).keys.count(key) <= 1


def test_how_cells_of_a_rows_own_are_written_does_not_hang_on_the_rows_beside() -> None:
    cells = ["plain", "a, b", "two\nlines", "=1+1", "", 'an "inch"', "Ü", "-5"]
    for names in (["cpu", "asset_tag"], ["cpu", "serial"]):
        layout = Layout(names, frozenset({1}) if names[1] == "serial" else frozenset(), False)
        rows = [["i5-6300U", cell] for cell in cells]
        together = layout.keyed(rows)
        apart = [layout.keyed([row]) for row in rows]
        assert together.own == [one.own[0] for one in apart]
        assert together.tags == [one.tags[0] for one in apart]
        assert together.keys == [one.keys[0] for one in apart]
        assert [own[0] for own in together.own[:5]] == ["plain", '"a, b"', '"two\nlines"', "'=1+1", ""]


class Counting(Executor):
    """Scores at once, counts the rows, and fails at a chunk when told."""

    def __init__(self, fails_at: int = 10**9) -> None:
        self.rows = self.chunks = 0
        self.fails_at = fails_at

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.chunks += 1
        if self.chunks > self.fails_at:
            raise KeyboardInterrupt
        self.rows += len(args[1])
        done: Future[Any] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


KILLED = """
import os, signal, sys
from pathlib import Path
from advisor import bulk
from advisor.bulk import run, work
from advisor.shop_file import read_shop
run.PIECE = work.PIECE = 7
run._CHUNK, run._WAITING, chunks = 25, 3, []
class Pool(run._Here):
    def submit(self, *args):
        chunks.append(1)
        if len(chunks) == 3:
            os.kill(os.getpid(), signal.SIGKILL)
        return super().submit(*args)
sheet, out, shop = sys.argv[1:]
bulk.score_sheet(Path(sheet), Path(out), read_shop(shop), executor=Pool())
"""


@pytest.mark.slow
@pytest.mark.usefixtures("small")
def test_a_killed_run_goes_on_and_ends_with_the_same_bytes(tmp_path: Path, shop: Shop, demo_bytes: bytes) -> None:
    out, left = tmp_path / "out.csv", tmp_path / "out.csv.unfinished"
    words = [str(DEMO), str(out), str(DEMO.with_name("shop.toml"))]
    environment = {**os.environ, "ADVISOR_HOME": os.environ.get("ADVISOR_HOME", str(tmp_path / "home"))}
    killed = subprocess.run([sys.executable, "-c", KILLED, *words], check=False, env=environment)
    assert killed.returncode == -signal.SIGKILL
    assert not out.exists()
    assert (left / "rows").stat().st_size, "some pieces were done"
    # A kill in the midst of a piece: half a line, and half a record of one that is not there.
    with (left / "lines.csv").open("ab") as file:
        file.write(b'OM-1099,"half')
    with (left / "rows").open("ab") as file:
        file.write(b"\0" * 40)
    on = Counting()
    bulk.score_sheet(DEMO, out, shop, executor=on, resume=True)
    assert out.read_bytes() == demo_bytes
    assert on.rows < 60, "what was scored before the kill is not scored again"
    assert not left.exists()


@pytest.mark.usefixtures("small")
def test_chunks_are_large_once_machines_are_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "_WAITING", 100)
    sizes: list[int] = []

    class Sizes(Counting):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            sizes.append(len(args[1]))
            return super().submit(fn, *args, **kwargs)

    rows = [b"T-%d,i5-6300U,8,SSD,%d\n" % (at, 200 + at) for at in range(70)]
    path = sheet(tmp_path, [b"asset_tag,cpu,ram_gib,storage_kind,storage_gib\n", *rows])
    bulk.score_sheet(path, tmp_path / "out.csv", default_shop(), executor=Sizes())
    # Of 9 at first; the 13th machine is beyond the 12 that are remembered.
    assert sizes == [9, 25, 25, 11]


@pytest.mark.usefixtures("small")
def test_a_process_that_has_nothing_to_do_is_sent_what_is_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "_CHUNK", 100)
    monkeypatch.setattr(running, "_KEPT", 1000)
    monkeypatch.setattr(running, "_WAITING", 100)
    rows = [b"T-%d,i5-6300U,8,SSD,%d\n" % (at, 200 + at // 2) for at in range(64)]
    path = sheet(tmp_path, [b"asset_tag,cpu,ram_gib,storage_kind,storage_gib\n", *rows])
    for few, chunks in ((6, 4), (500, 1)):
        monkeypatch.setattr(running, "_FEW", few)
        counted = Counting()
        bulk.score_sheet(path, tmp_path / f"{few}.csv", default_shop(), executor=counted)
        # Four machines in a piece of eight rows: each second piece has six or more that wait.
        assert counted.chunks == chunks
    assert (tmp_path / "6.csv").read_bytes() == (tmp_path / "500.csv").read_bytes()


@pytest.mark.usefixtures("small")
def test_repeats_of_known_machines_are_written_as_they_are_read(tmp_path: Path) -> None:
    # They waited in memory until the end where no new machine came after them.
    rows = [b"OM-%d,,,%s" % (number, LINES[3].split(b",", 3)[3]) for number in range(200)]
    left, kept = tmp_path / "out.csv.unfinished" / "rows", list[int]()
    path = sheet(tmp_path, [LINES[0], *rows])
    bulk.score_sheet(path, tmp_path / "out.csv", default_shop(),
                     progress=lambda *_: kept.append(left.stat().st_size // ROW.itemsize))  # fmt: skip
    assert kept[-1] >= 200 - (3 + 1) * 8, "at most the pieces that may wait"


@pytest.mark.usefixtures("small")
def test_what_a_killed_run_left_is_refused_when_sheet_or_shop_have_changed(tmp_path: Path, shop: Shop) -> None:
    path = sheet(tmp_path, LINES)
    with pytest.raises(KeyboardInterrupt):
        bulk.score_sheet(path, tmp_path / "out.csv", shop, executor=Counting(1))
    with pytest.raises(InputError, match="another run: the sheet, the shop"):
        bulk.score_sheet(path, tmp_path / "out.csv", shop.model_copy(update={"link_mbps": 41}), resume=True)
    sheet(tmp_path, LINES[:-1])
    with pytest.raises(InputError, match="another run: the sheet, the shop"):
        bulk.score_sheet(path, tmp_path / "out.csv", shop, resume=True)
    assert (tmp_path / "out.csv.unfinished" / "rows").stat().st_size


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    mine = tmp_path / "out.csv.unfinished"
    mine.mkdir()
    (mine / "letter.txt").write_text("dear")
    with pytest.raises(InputError, match="in the way"):
        bulk.score_sheet(DEMO, tmp_path / "out.csv", default_shop())
    assert (mine / "letter.txt").read_text() == "dear"


@pytest.mark.parametrize("how", ["a link", "of another user"])
def test_a_planted_folder_is_not_written_through(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    left, theirs, victim = tmp_path / "out.csv.unfinished", tmp_path / "theirs", tmp_path / "victim"
    victim.write_text("mine")
    theirs.mkdir()
    (theirs / "manifest.json").write_text("{}")
    for name in ("lines.csv", "rows", "lock"):
        (theirs / name).symlink_to(victim)
    if how == "a link":
        left.symlink_to(theirs)
    else:
        theirs.rename(left)
        monkeypatch.setattr(work.os, "geteuid", lambda: 1234)
    with pytest.raises(InputError, match="in the way"):
        bulk.score_sheet(DEMO, tmp_path / "out.csv", default_shop())
    assert victim.read_text() == "mine"


def test_a_run_that_was_killed_before_it_began_is_not_in_the_way(tmp_path: Path) -> None:
    left = tmp_path / "out.csv.unfinished"
    left.mkdir()
    for name in ("lines.csv", "rows", "lock", ".advisor-0123456789abcdef"):
        (left / name).write_bytes(b"")
    with work.RunFolder(tmp_path / "out.csv", "mark", False):
        pass
    assert not left.exists()


def test_two_runs_do_not_write_to_one_folder(tmp_path: Path) -> None:
    with work.RunFolder(tmp_path / "out.csv", "mark", False) as mine:
        mine.add(np.zeros(1), ["a line\n"], np.zeros(1, dtype=work.COUNTED))
        script = "import sys; from pathlib import Path; from advisor.bulk.work import RunFolder; "
        script += "RunFolder(Path(sys.argv[1]), 'mark', False)"
        words = [sys.executable, "-c", script, str(tmp_path / "out.csv")]
        other = subprocess.run(words, check=False, capture_output=True, text=True)
        assert "Another run writes to" in other.stderr
        assert len(mine.index()) == 1 and mine.made.read_text() == "a line\n"


ORPHANS = """
import os, signal, sys
from advisor.bulk import run
os.sched_getaffinity = lambda _: {0, 1}
pool = run._pool(run._SMALL)
print(*{pool.submit(os.getpid).result() for _ in range(20)}, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_the_processes_that_score_end_with_the_one_that_was_killed() -> None:
    killed = subprocess.run([sys.executable, "-c", ORPHANS], check=False, stdout=subprocess.PIPE, text=True)
    assert killed.returncode == -signal.SIGKILL and killed.stdout.split()
    until = time.monotonic() + 60
    while any(Path(f"/proc/{number}/cmdline").exists() for number in killed.stdout.split()):
        assert time.monotonic() < until, "they are still there"
        time.sleep(0.1)


def unpacked(data: bytes) -> bytes:
    return zstandard.ZstdDecompressor().decompressobj().decompress(data)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "pack", "unpack"), [
    ("out.csv.gz", gzip.compress, gzip.decompress),
    ("out.csv.zst", zstandard.compress, unpacked),
])  # fmt: skip
def test_compressed_in_and_out(
    tmp_path: Path, shop: Shop, demo_bytes: bytes, name: str, pack: Any, unpack: Any
) -> None:
    packed = pack(DEMO.read_bytes())
    path = sheet(tmp_path, [packed], f"in.{name}")
    bulk.score_sheet(path, tmp_path / name, shop)
    assert unpack((tmp_path / name).read_bytes()) == demo_bytes
    with pytest.raises(InputError, match="damaged, or was cut off"):
        bulk.score_sheet(sheet(tmp_path, [packed[:-40]]), tmp_path / "none.csv", shop)
    assert not list(tmp_path.glob("none*"))


def test_a_compressed_sheet_of_several_frames_is_read_to_its_end(tmp_path: Path) -> None:
    pack = zstandard.compress
    path = sheet(tmp_path, [pack(LINES[0]), pack(b"".join(LINES[1:4])), pack(LINES[4])])
    assert bulk.score_sheet(path, tmp_path / "out.csv", default_shop()).counted.shape[0] == 4


def test_parquet_without_its_library_names_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Where the library is there pandas itself needs the rest of it.
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(InputError, match="the extra 'many'"):
        source.Source(sheet(tmp_path, [b"PAR1", b"\0" * 20, b"PAR1"])).table(None)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="the extra 'many'"):
        bulk.score_sheet(sheet(tmp_path, LINES[:3]), tmp_path / "out.parquet", default_shop())


def test_a_part_of_a_batch_has_no_drawer(shop: Shop) -> None:
    from advisor import intake

    frame = intake.read(DEMO).head(3)
    with pytest.raises(InputError, match="shared over a whole batch"):
        bulk.score_partition(frame, shop)
    moved = frame.set_axis([7, 8, 9], axis=0)
    assert bulk.score_partition(moved).index.tolist() == [7, 8, 9]


def test_an_excel_file_is_not_read_in_pieces(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is an Excel file"):
        bulk.score_sheet(sheet(tmp_path, [b"PK\x03\x04rest"]), tmp_path / "out.csv", default_shop())
    assert not (tmp_path / "out.csv.unfinished").exists()


def test_a_scorer_that_was_killed_is_said(tmp_path: Path) -> None:
    class Dead(Executor):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
            done: Future[Any] = Future()
            done.set_exception(BrokenExecutor())
            return done

    with pytest.raises(InputError, match="was killed, perhaps for want of memory"):
        bulk.score_sheet(sheet(tmp_path, LINES[:3]), tmp_path / "out.csv", default_shop(), executor=Dead())


def test_a_cluster_without_its_library_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="the extra 'many'"), executor_of("tcp://127.0.0.1:1", None):
        pass


@pytest.mark.slow
def test_the_command_reads_compressed_sheets_and_writes_through_a_pipe(tmp_path: Path) -> None:
    packed = sheet(tmp_path, [gzip.compress(b"".join(LINES[:4]))], "in.csv.gz")
    words = [sys.executable, "-m", "advisor.cli", "score", str(packed)]
    environment = {**os.environ, "ADVISOR_HOME": str(tmp_path / "home"), "COLUMNS": "200"}

    def run(*more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([*words, *more], check=False, capture_output=True, text=True, env=environment)

    piped = run("--out", "/dev/stdout", "--resume")
    assert piped.returncode == 0
    assert [line[:7] for line in piped.stdout.splitlines()[:4]] == ["asset t", "OM-1001", "OM-1002", "OM-1003"]
    assert "3 rows written" in piped.stdout
    for more in (("--columns", "--out", str(tmp_path / "out.csv")), ()):
        refused = run(*more)
        assert refused.returncode == 2
        assert "needs --out" in refused.stderr
    assert sorted(one.name for one in tmp_path.iterdir() if one.name != "home") == ["in.csv.gz"]


@pytest.mark.parametrize("cell", ["", "a", " a ", 'x"y', '"', "a,b", ",", "a\nb", "a\rb", "a\r\nb", "'a", "é", "1.5"])
def test_a_line_is_read_back_as_rfc_4180_says(cell: str) -> None:
    # RFC 4180, section 2: fields with line breaks, quotes and commas are quoted, quotes doubled; read by the standard
    # library's reader.
    (line,) = lines_of([[cell], ["next"], [0.5]])
    assert list(csv.reader([line], lineterminator="\n")) == [[cell, "next", "0.5"]]
    assert line.endswith(",next,0.5\n")


@pytest.mark.parametrize(
    ("size", "given", "way"),
    [
        ((1 << 20) - 1, {}, "whole"),
        (1 << 20, {}, "pieces"),
        (1 << 20, {"out": None}, "whole"),
        (1 << 20, {"columns": True}, "whole"),
        (1 << 20, {"parts": Path("parts.csv")}, "whole"),
        ((4 << 20) - 1, {"columns": True}, "whole"),
        (4 << 20, {"columns": True}, "refused"),
        (4 << 20, {"parts": Path("parts.csv")}, "refused"),
        (4 << 20, {"out": None}, "whole"),
    ],
)
def test_how_large_sheets_are_scored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, given: dict[str, Any], way: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ways: list[str] = []
    monkeypatch.setattr(scoring, "_at_once", lambda *_: ways.append("whole"))
    monkeypatch.setattr(scoring, "_in_pieces", lambda *_: ways.append("pieces"))
    path = tmp_path / "in.csv"
    path.write_bytes(b"asset_tag,cpu\n".ljust(size, b"x"))
    try:
        scoring.score(path, **{"out": tmp_path / "out.csv", **given})
    except InputError:
        ways.append("refused")
    assert ways == [way]
