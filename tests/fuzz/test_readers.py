"""Every reader of users' data under attack: read, or refused in our own words, soon, and no row is lost."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import strategies as st

from advisor import tables
from advisor.benchlog import BenchLog, importing, sheets, stopwatch
from advisor.benchlog.frames import frame
from advisor.benchlog.headers import vocabulary
from advisor.capture import read_capture, read_listings
from advisor.comfort.model import read_model
from advisor.files import datasets
from advisor.intake import read_bytes, understand
from advisor.intake.handed_in import read_pasted
from advisor.shop_file import read_shop
from advisor.timing import predict_conditions, read_conditions, read_rehearsals
from advisor.timing.model import load_model

FOUND = Path(__file__).parent / "found"
DEMO = datasets() / "demo"
SHEET_WORDS = [
    b'"',
    b'""',
    b'"\n',
    b",",
    b",,,",
    b";",
    b"\t",
    b"|",
    b"\r",
    b"\n",
    b"\r\n",
    b"\n\n",
    b"\x00",
    b"\xff",
    b"\xe9",
    b"\xc3\xa9",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"=1+1",
    b"'=1",
    b"8 GB",
    b"2x4",
    b"9" * 30,
    b"240 SSD + 1TB",
    b"i5-6300U",
    b"n/a",
    b"1e309",
    b"cpu",
    b"asset_tag",
    b"status",
    b"own_status",
    b"pci:8086:24f3;",
    b"usb:",
    b"%",
    b"1:20",
    b"2026-03-04",
    b"03/04/2026",
]


def lines_of(path: Path, count: int) -> bytes:
    return b"".join(path.read_bytes().splitlines(keepends=True)[:count])


@cache
def books() -> list[bytes]:
    """Small workbooks: texts, numbers, days, booleans, errors, and a second worksheet."""
    out = []
    for rows in (
        [["asset_tag", "cpu", "ram"], ["A1", "i5-6300U", 8], ["A2", None, 4.5]],
        [["x"], ["Tag", "Day", "Minutes"], ["A1", pd.Timestamp("2026-03-04").to_pydatetime(), True]],
    ):
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.create_sheet("more").append(["Inventory no", "Processor"])
        file = io.BytesIO()
        book.save(file)
        out.append(file.getvalue())
    return out


@st.composite
def workbooks(draw, mutated) -> bytes:
    """A workbook with one part changed, packed again; a changed byte of the archive itself seldom gets as far."""
    words = [
        b"<c r='A1'>",
        b"<row r='1'>",
        b"<row r='1048577'>",
        b'r="XFD9"',
        b't="s"',
        b't="d"',
        b't="e"',
        b"<v>1e999</v>",
        b"<v>-1</v>",
        b"&lt;",
        b"&#0;",
        b"&x;",
        b"]]>",
        b"<!--",
        b"<!DOCTYPE a>",
        b's="99"',
        b"<is><t>",
        b"</row>",
        b"9" * 500,
    ]
    data = draw(st.sampled_from(books()))
    if draw(st.booleans()):
        return draw(mutated([data], words))
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        chosen = draw(st.sampled_from(old.namelist()))
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, draw(mutated([content], words)) if name == chosen else content)
    return out.getvalue()


def read_sheet(case: bytes) -> None:
    raw = read_bytes(case)
    assert raw.columns.is_unique
    found = understand(raw)
    assert len(found.units) == len(raw)
    assert found.problems["row"].between(1, max(len(raw), 1)).all()
    assert isinstance(found.report(), str)


def read_log(case: bytes) -> None:
    raw = read_bytes(case, "old.csv", vocabulary())
    found = sheets.understand(raw, "old.csv")
    taken, named = {row.number for row in found.rows}, set(found.problems["row"])
    assert taken | named == set(range(1, len(raw) + 1)) and not taken & named
    with BenchLog(":memory:") as log:
        assert importing.import_rows(log, found.rows).added == len(found.rows)
        assert importing.import_rows(log, found.rows).added == 0


def read_times(path: Path) -> None:
    raw = stopwatch.read_timings(path)
    found = stopwatch.compare_timings(raw)
    taken, named = set(found.rows["row"]), set(found.problems["row"])
    assert taken | named == set(range(1, len(raw) + 1)) and not taken & named
    assert stopwatch.lines(found) and len(stopwatch.problem_lines(found.problems)) >= len(named)


def read_log_file(path: Path) -> None:
    for beside in path.parent.glob(f"{path.name}-*"):
        beside.unlink(missing_ok=True)
    with BenchLog(path, wait_s=0) as log:
        assert isinstance(frame(log), pd.DataFrame)


def through(tmp_path: Path, name: str, read: Callable[[Path], object]) -> Callable[[bytes], None]:
    def reader(case: bytes) -> None:
        path = tmp_path / name
        path.write_bytes(case)
        read(path)

    return reader


def read_own_table(tmp_path: Path, monkeypatch) -> Callable[[bytes], None]:
    """The user's own rows of a table; its name stands in the case's first line."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))

    def reader(case: bytes) -> None:
        name, _, rows = case.partition(b"\n")
        path = tmp_path / "tables" / f"{name.decode()}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rows)
        tables.load.cache_clear()
        tables.rows.cache_clear()
        try:
            tables.load(name.decode())
        finally:
            path.unlink()
            tables.load.cache_clear()
            tables.rows.cache_clear()

    return reader


@pytest.fixture
def readers(tmp_path, monkeypatch) -> dict[str, Callable[[bytes], object]]:
    return {
        "sheet": read_sheet,
        "workbook": read_sheet,
        "log": read_log,
        "times": through(tmp_path, "times.csv", read_times),
        "listing": through(tmp_path, "listing.txt", read_listings),
        "capture": through(tmp_path, "unit.json", read_capture),
        "shop": through(tmp_path, "shop.toml", read_shop),
        "timing_model": through(tmp_path, "model.json", load_model),
        "comfort_model": through(tmp_path, "model.json", read_model),
        "rehearsals": through(tmp_path, "rehearsals.jsonl", read_rehearsals),
        "conditions": through(tmp_path, "speeds.csv", lambda path: predict_conditions(read_conditions(path))),
        "pasted": lambda case: read_pasted(case.decode("utf-8", "replace")),
        "log_file": through(tmp_path, "jobs.sqlite", read_log_file),
        "own_table": read_own_table(tmp_path, monkeypatch),
    }


@pytest.mark.parametrize(
    "case", sorted(FOUND.glob("*/*")), ids=lambda path: f"{path.parent.name}-{path.name}" if path else "none"
)
def test_what_fell_once_stands(readers, attack, case):
    attack(readers[case.parent.name], case.read_bytes())


def test_sheets(readers, fuzz, mutated):
    seeds = [
        lines_of(DEMO / "intake.csv", 6),
        b"\xef\xbb\xbfTag;CPU;RAM;Specs\r\nA1;i5-6300U;8,0;x\r\n",
        "Tag\tCPU\tNotes\nA\ti5\tGröße\n".encode("utf-16"),
        "Tag|CPU|Notes\nA|i5|Größe\n".encode("cp1252"),
    ]
    fuzz("sheet", mutated(seeds, SHEET_WORDS), readers["sheet"])


def test_workbooks(readers, fuzz, mutated):
    fuzz("workbook", workbooks(mutated), readers["workbook"])


def test_old_logs(readers, fuzz, mutated):
    seeds = [
        lines_of(DEMO / "bench_log.csv", 5),
        b"Tag,Date done,By,Time taken,Hands on (min),Result,Machine\n"
        b"R-1,4 Mar 2026,KL,1h20,25,OK,i5-3470 8GB 500GB HDD\nR-2,2026-03-05,KL,1:35,31,slow,\n",
        *books(),
    ]
    words = [
        *SHEET_WORDS,
        b"1h20",
        b"yesterday",
        b"inf",
        b"-5",
        b"99999",
        b"started",
        b"finished",
        b"outcome",
        b"returned",
        b"job",
    ]
    fuzz("log", mutated(seeds, words), readers["log"])


LISTING = b"""bench-advisor recording 1
/proc/meminfo = MemTotal: 8056032 kB
00:02.0 VGA compatible controller [0300]: Intel Corporation Device [8086:1916] (rev 07)
\tKernel driver in use: i915
Bus 001 Device 002: ID 0bda:c811 Realtek
processor\t: 0
vendor_id\t: GenuineIntel
cpu family\t: 6
model name\t: Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz
flags\t\t: fpu sse4_2 avx2
Handle 0x0042, DMI type 17, 40 bytes
Memory Device
\tSize: 8 GB
\tForm Factor: SODIMM
\tType: DDR4
P: /devices/pci0000:00/0000:00:17.0
E: SUBSYSTEM=pci
E: MODALIAS=pci:v00008086d00009D03sv000017AAsd00002238bc01sc06i01
{"blockdevices": [{"name": "sda", "size": 240057409536, "type": "disk", "rota": false, "tran": "sata"}]}
{"lscpu": [{"field": "Model name:", "data": "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz"}]}
"""


def test_listings(readers, fuzz, mutated):
    words = [
        *LISTING.splitlines(),
        b"{",
        b"}",
        b"[",
        b'"',
        b"\\",
        b"\x00",
        b": ",
        b" = ",
        b"\t",
        b"\n",
        b"0x",
        b"9" * 40,
        b"-1",
        b"\xff\xfe",
        b"Size: 16 TB",
        b"null",
        b"1e999",
    ]
    fuzz("listing", mutated([LISTING, LISTING.replace(b"bench-advisor recording 1\n", b"")], words), readers["listing"])


def test_captures(readers, fuzz, mutated):
    unit = {
        "format": 1,
        "taken": "2026-03-04T10:00:00Z",
        "tool": "x",
        "unread": {"ram_gib": "root is needed"},
        "unit": {"asset_tag": "A1", "cpu": "i5-6300U", "ram_gib": 8.0, "devices": "pci:8086:24f3", "touch": False},
    }
    words = [
        b"null",
        b"true",
        b"-1",
        b"1e999",
        b"NaN",
        b"9" * 40,
        b'"unit"',
        b'"format": 2',
        b"{}",
        b"[]",
        b"[" * 3_000,
        b'"',
        b"\\ud800",
        b'"ram_gib": "8"',
        b'"unread": {"x": 1}',
        b"\x00",
        b"\xff",
    ]
    fuzz("capture", mutated([json.dumps(unit).encode()], words), readers["capture"])


def test_shops(readers, fuzz, mutated):
    seeds = [
        (DEMO / "shop.toml").read_bytes(),
        (datasets() / "shop" / "default.toml").read_bytes(),
        b'richness = ["Xfce"]\nthresholds.browser_s = 9\nstock = [{name="a", kind="ssd", fits="sata", gib=9}]\n',
    ]
    words = [
        b"[",
        b"]",
        b"[[images]]",
        b"=",
        b'"',
        b"'''",
        b"inf",
        b"nan",
        b"-1",
        b"9" * 5_000,
        b"1e999",
        b"true",
        b"{}",
        b"[]",
        b"\n",
        b"gnome",
        b"trixie",
        b"area:",
        b"kernel",
        b"release = 13",
        b"1979-05-27",
        b"a.b.c",
        b"\x00",
        b"\xff",
        b"default_image = 1",
    ]
    fuzz("shop", mutated(seeds, words), readers["shop"])


NUMBERS = [
    b"null",
    b"true",
    b"-1",
    b"1e999",
    b"1e308",
    b"-1e308",
    b"0",
    b"NaN",
    b"9" * 400,
    b"{}",
    b"[]",
    b'""',
    b"[[1]]",
    b"1.5",
    b"\x00",
    b'"features"',
    b",",
    b":",
    b"]",
    b"}",
]


def test_stopwatch_lists(readers, fuzz, mutated):
    seed = b"""asset_tag,timed,seconds,edition,cpu,ram,disk,who
A1,copy,1:34,Xfce,i5-6300U,8,240 SSD,x
A1,desktop,94 s,,,,,
B2,browser,"5,4",,i3-2100,4,500 HDD,x
"""
    fuzz("times", mutated([seed], [*SHEET_WORDS, b"GNOME", b"1 min 34", b"restart"]), readers["times"])


def test_timing_models(readers, fuzz, mutated):
    fuzz(
        "timing_model", mutated([(datasets() / "timing" / "model.json").read_bytes()], NUMBERS), readers["timing_model"]
    )


def test_comfort_models(readers, fuzz, mutated):
    fuzz(
        "comfort_model",
        mutated([(datasets() / "comfort" / "model.json").read_bytes()], NUMBERS),
        readers["comfort_model"],
    )


def test_rehearsals(readers, fuzz, mutated):
    fuzz("rehearsals", mutated([lines_of(datasets() / "rehearsals.jsonl", 2)], NUMBERS), readers["rehearsals"])


def test_conditions(readers, fuzz, mutated):
    seed = read_rehearsals().conditions.iloc[:2].to_csv(index=False).encode()
    fuzz("conditions", mutated([seed], [*SHEET_WORDS, *NUMBERS]), readers["conditions"])


def test_log_files(readers, fuzz, mutated, tmp_path):
    with BenchLog(tmp_path / "seed.sqlite") as log:
        importing.import_rows(log, sheets.understand(read_bytes(lines_of(DEMO / "bench_log.csv", 5)), "old.csv").rows)
    words = [b"\x00", b"\xff" * 4, b"CREATE TABLE x (y)", b"started", b"2026-03-04", b"\x00\x00\x10\x00", b"\x7f" * 8]
    fuzz("log_file", mutated([(tmp_path / "seed.sqlite").read_bytes()], words), readers["log_file"])


def test_pasted_texts(readers, fuzz, mutated):
    capture = b'{"format": 1, "unit": {"asset_tag": "A1", "cpu": "i5-6300U", "ram_gib": 8.0}}'
    seeds = [
        LISTING,
        capture,
        b"Tag\tCPU\tNotes\nA1\ti5-6300U\tx\n",
        b"Laptop, i5-6300U, 8 GB, SSD 240 GB, hinge loose",
    ]
    fuzz("pasted", mutated(seeds, [*SHEET_WORDS, *LISTING.splitlines(), b"{", b"}"]), readers["pasted"])


OWN = [
    "editions/catalogue",
    "identify/processors",
    "intake/headers",
    "advice/parts",
    "timing/phases",
    "drivers/names",
    "benchlog/outcomes",
    "timing/storage_rates",
]


def test_own_tables(readers, fuzz, mutated):
    seeds = [f"{name}\n".encode() + lines_of(datasets() / f"{name}.csv", 3) for name in OWN]
    # The name of the table is kept: what is changed stands behind it.
    cases = st.sampled_from(seeds).flatmap(
        lambda seed: mutated([seed.partition(b"\n")[2]], SHEET_WORDS).map(
            lambda rows: seed.partition(b"\n")[0] + b"\n" + rows
        )
    )
    fuzz("own_table", cases, readers["own_table"])


PLAIN = st.one_of(
    st.sampled_from(["=1", "", " ", "9" * 600, "Größe", "8 GB", "x" * 25_000]),
    st.text(st.characters(exclude_characters='\r\n,"', codec="utf-8"), max_size=20),
)
STRAY = st.one_of(
    st.sampled_from(['"', '""', '"a', 'a"', '24" screen']),
    st.text(st.characters(exclude_characters="\r\n,", codec="utf-8"), max_size=20),
)
QUOTED = st.one_of(PLAIN, STRAY, st.just(","))


@st.composite
def rows_of_sheets(draw) -> bytes:
    """A sheet whose rows each begin with a tag of their own, and quotes that break anything but a line.

    Where a stray quote is told from a cell of several lines: one row alone has one, or every line has as many cells
    as the header, or it stands alone at the end of each line. Else both readings are right.
    """
    lines = ["asset_tag,cpu,ram,notes"]
    rows = draw(st.integers(1, 12))
    where = draw(st.sampled_from(["one row", "full rows", "line ends"]))
    strays = {draw(st.integers(0, rows - 1))} if where == "one row" else set(range(rows))
    for number in range(rows):
        full = {"min_size": 3, "max_size": 3} if where == "full rows" else {"max_size": 6}
        if where != "line ends" and draw(st.booleans()):
            tail = [f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in draw(st.lists(QUOTED, **full))]
        else:
            tail = draw(st.lists(PLAIN, **full))
            if number in strays and tail:
                at = draw(st.integers(0, len(tail) - 1)) if where != "line ends" else -1
                tail[at] = draw(STRAY) if where != "line ends" else '"'
        lines.append(",".join([f"Q{number}", *tail]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    return draw(st.sampled_from(["\n", "\r\n", "\r"])).join(lines).encode(encoding, "replace")


def read_every_row(case: bytes) -> None:
    raw = read_bytes(case)
    text = case.decode("utf-16") if case[:2] in (b"\xff\xfe", b"\xfe\xff") else case.decode("utf-8-sig", "replace")
    asked = [line.split(",")[0] for line in re.split("\r\n|\r|\n", text) if line.startswith("Q")]
    assert raw["asset_tag"].tolist() == asked
    read_sheet(case)


def test_no_row_is_lost(fuzz):
    fuzz("rows", rows_of_sheets(), read_every_row)
