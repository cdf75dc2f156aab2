"""Hostile and broken sheets: every row comes out, what went wrong is named by row and column, time is bounded."""

from __future__ import annotations

import io
import time
import zipfile

import openpyxl
import pandas as pd
import pytest

from advisor.advice import assess
from advisor.errors import InputError
from advisor.intake import read_bytes, reading, records, understand, workbook
from advisor.unit import INTAKE_COLUMNS

HEAD = b"asset_tag,cpu,ram,notes\n"


def said(data: bytes) -> dict[tuple[int, str], str]:
    """Problems by row and column, those about a missing tag or processor apart."""
    problems = understand(read_bytes(data)).problems
    usual = problems["problem"].str.contains("no asset tag|no processor is given")
    return {(row.row, row.column): row.problem for row in problems[~usual].itertuples()}


def sheet(count: int, **lines: bytes) -> bytes:
    """A sheet of so many rows, some of them replaced."""
    rows = [lines.get(f"row{number}", b"A%d,i5-6300U,8,n%d" % (number, number)) for number in range(1, count + 1)]
    return HEAD + b"\n".join(rows) + b"\n"


# Row 5's quote is never closed; in some sheets a quote far below would close it.
@pytest.mark.parametrize("far", [b"A20,i5-6300U,8,n20", b'A20,"i5-6300U",8,n20', b'A20,i5-6300U,8,24"',
                                 b'A20,i5-6300U,8,"24"" screen"'])  # fmt: skip
@pytest.mark.parametrize(("line", "column"), [(b'A5,"i5-6300U,8,n5', "cpu"), (b'A5,i5-6300U,8,"24 inch', "notes"),
                                              (b'"A5,i5-6300U,8,n5', "asset_tag")])  # fmt: skip
def test_a_quote_that_is_not_closed_costs_its_own_row_alone(far, line, column, count=30):
    data = sheet(count, row5=line, row20=far)
    raw = read_bytes(data)
    assert raw["asset_tag"].str.strip('"').tolist() == [f"A{number}" for number in range(1, count + 1)]
    assert raw.iloc[[3, 5], 3].tolist() == ["n4", "n6"]
    problems = said(data)
    assert set(problems) == {(5, column)}
    assert "quote is not closed" in problems[(5, column)]


def test_a_quote_that_is_not_closed_swallows_no_large_sheet():
    test_a_quote_that_is_not_closed_costs_its_own_row_alone(b"A20,i5-6300U,8,n20", b'A5,"i5-6300U,8,n5', "cpu", 20_000)


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        (b'A1,"i5-6300U" ,8,x', ["A1", "i5-6300U", "8", "x"]),
        (b'A1,i5-6300U,8,"24" screen', ["A1", "i5-6300U", "8", '"24" screen']),
        (b'A1,i5-6300U,8,24" screen', ["A1", "i5-6300U", "8", '24" screen']),
        (b'A1,i5-6300U,8,"24"" screen, wide"', ["A1", "i5-6300U", "8", '24" screen, wide']),
        (b'"A1","i5, used",8,"', ["A1", "i5, used", "8", '"']),
        (b'A1,"",8,""""', ["A1", "", "8", '"']),
    ],
)
def test_quotes_within_cells(line, cells):
    raw = read_bytes(HEAD + line + b"\nA2,i3-4005U,4,y\n")
    assert raw.iloc[0].tolist() == cells
    assert raw.iloc[1].tolist() == ["A2", "i3-4005U", "4", "y"]


def test_a_ditto_mark_at_the_end_of_short_rows_takes_no_row():
    raw = read_bytes(HEAD + b'A1,"\nA2,"\nA3,"\nA4,i5-6300U\n')
    assert raw["asset_tag"].tolist() == ["A1", "A2", "A3", "A4"]
    assert raw["cpu"].tolist() == ['"', '"', '"', "i5-6300U"]


def test_cells_of_several_lines_stay_whole():
    note = "line one, with comma\n" * 40 + 'and "quotes"'
    data = pd.DataFrame({"asset_tag": ["A1", "A2"], "cpu": ["i5-6300U"] * 2, "notes": [note, "x\n\ny\r\nz"]})
    raw = read_bytes(data.to_csv(index=False).encode())
    assert raw["notes"].tolist() == data["notes"].tolist()
    assert not said(data.to_csv(index=False).encode())


@pytest.mark.parametrize("count", [10, 40_000])
def test_rows_of_empty_cells_are_rows_whatever_the_size(count):
    data = sheet(count, row3=b",,,", row4=b" , ,,") + b",,,\n,,,\n\n\n"
    raw = read_bytes(data)
    assert len(raw) == count
    assert raw.iloc[2].tolist() == raw.iloc[3].str.strip().tolist() == [""] * 4
    if count < 100:
        scored = assess(raw).scored
        assert scored["status"].eq("unreadable").tolist() == [False] * 2 + [True] * 2 + [False] * 6


def test_rows_of_empty_cells_in_a_workbook_are_rows_too():
    book = openpyxl.Workbook()
    for row in (["asset_tag", "cpu", "ram"], ["A1", "i5-6300U", 8], [], [None, None, None], ["A2", "i5-6300U", 8]):
        book.active.append(row)
    book.active["C60"].font = openpyxl.styles.Font(bold=True)
    raw = read_bytes(saved(book))
    assert raw["asset_tag"].tolist() == ["A1", "", "", "A2"]


def test_a_blank_line_is_no_row():
    raw = read_bytes(b"asset_tag,cpu\r\r\nA1,i5-6300U\r\r\n\r\nA2,i5-6300U\r\r\n")
    assert raw["asset_tag"].tolist() == ["A1", "A2"]


def saved(book) -> bytes:
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


UTF8 = "asset_tag,cpu,notes\nA1,i5-6300U,Größe\nA2,i5-6300U,Gr\udcf6\udcdfe\nA3,i5-6300U,naïve — ok\n"


def test_one_bad_byte_keeps_the_rest_as_utf_8_and_is_named():
    data = UTF8.encode("utf-8", "surrogateescape")
    raw = read_bytes(data)
    assert raw["notes"].tolist() == ["Größe", "Größe", "naïve — ok"]
    assert said(data) == {(2, "notes"): "byte 0xf6, 0xdf is no UTF-8; read as Windows-1252"}


def test_a_bad_byte_far_down_a_large_sheet_is_named():
    line = "A9000,i5-6300U,8,caf\udce9".encode("utf-8", "surrogateescape")
    data = sheet(12_000, row9000=line, row7="A7,i5-6300U,8,Größe".encode())
    assert said(data) == {(9000, "notes"): "byte 0xe9 is no UTF-8; read as Windows-1252"}
    raw = read_bytes(data)
    assert (raw["notes"][6], raw["notes"][8999]) == ("Größe", "café")


def test_a_sheet_wholly_in_windows_1252_says_nothing():
    data = "asset_tag,cpu,notes\nA1,i5-6300U,Größe — 5 €\n".encode("cp1252")
    assert read_bytes(data)["notes"].tolist() == ["Größe — 5 €"]
    assert said(data) == {}


def test_a_lost_character_is_named():
    data = "asset_tag,cpu,notes\nA1,i5-6300U,Gr\ufffd\ufffde\n".encode()
    assert "lost" in said(data)[(1, "notes")]


@pytest.mark.parametrize("place", [1, 9_000])
def test_zero_bytes_are_left_out_and_named(place):
    data = sheet(10_000, **{f"row{place}": b"A%d,i5-\x006300U,8,x" % place})
    raw = read_bytes(data)
    assert raw["cpu"][place - 1] == "i5-6300U"
    assert said(data) == {(place, "cpu"): "holds zero characters; they were left out"}


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_a_damaged_unit_of_utf_16_costs_its_own_cell(encoding):
    text = "asset_tag,cpu,notes\n" + "".join(f"A{n},i5-6300U,größe\n" for n in range(300))
    data = text.replace("A7,i5-6300U,größe", "A7,i5-6300U,gr\ud800ße").encode(encoding, "surrogatepass")
    raw = read_bytes(data)
    assert raw["asset_tag"].tolist() == [f"A{n}" for n in range(300)]
    assert set(said(data)) == {(8, "notes")}


@pytest.mark.parametrize("delimiter", [b";", b"\t", b"|"])
@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_an_open_quote_under_every_separator_and_line_end(delimiter, end):
    data = sheet(50, row5=b'A5,"i5-6300U,8,n5').replace(b",", delimiter).replace(b"\n", end)
    assert len(read_bytes(data)) == 50
    assert set(said(data)) == {(5, "cpu")}


def test_a_row_with_far_too_many_cells_does_not_widen_the_others():
    data = sheet(50, row5=b"A5,i5-6300U,8,x" + b",y" * 5_000)
    raw = read_bytes(data)
    assert raw.shape == (50, 4 + reading.MOST_BEYOND)
    assert "5004 cells under 4 headers" in said(data)[(5, "asset_tag")]


def test_too_many_headers_are_refused():
    data = b"asset_tag,cpu" + b",x" * 600 + b"\n"
    with pytest.raises(InputError, match="602 columns; up to 512"):
        read_bytes(data)


def test_a_line_of_ten_megabytes_costs_its_own_row_alone():
    for line in (b"A5,i5-6300U,8," + b"x" * 10_000_000, b"A5,i5-6300U,8,x" + b",y" * 5_000_000,
                 b'A5,i5-6300U,8,"' + b"x\n" * 100_000):  # fmt: skip
        start = time.process_time()
        raw = read_bytes(sheet(50, row5=line))
        assert time.process_time() - start < 20
        assert raw["asset_tag"].tolist()[:5] == [f"A{n}" for n in range(1, 6)]
        assert raw["asset_tag"].tolist()[-3:] == ["A48", "A49", "A50"]
        assert raw["notes"].str.len().max() <= records.MAX_CELL


def test_a_long_cell_is_cut_and_named():
    data = sheet(5, row2=b"A2,i5-6300U,8," + b"x" * 20_001)
    assert len(read_bytes(data)["notes"][1]) == records.MAX_CELL
    assert said(data)[(2, "notes")] == "20001 characters; cut at 20000"


def test_a_cell_too_long_for_a_fact_is_named_and_costs_its_own_fact_alone():
    raw = pd.DataFrame({"asset_tag": ["A1", "A2"], "cpu": ["i5-6300U " * 200, "i3-4005U"], "ram": ["8", "9" * 501],
                        "devices": ["usb:0bda:c811;" * 900, ""], "notes": ["n" * 19_000, ""]})  # fmt: skip
    found = understand(raw)
    problems = {(row.row, row.column): row.problem for row in found.problems.itertuples()}
    assert problems[(1, "cpu")] == "1800 characters are no fact; the first 500 were read"
    assert problems[(2, "ram")] == "501 characters are no fact; it was not read"
    assert set(problems) == {(1, "cpu"), (2, "ram")}
    assert found.units["ram_gib"].isna().tolist() == [False, True]
    assert found.units["cpu"][0].startswith("i5-6300U i5") and len(found.units["notes"][0]) == 19_000
    assert found.columns.set_index("header").loc["ram", "rows"] == "2"


@pytest.mark.parametrize("column", ["model", "ram_gib"])
def test_a_cell_that_was_cut_in_reading_is_said_whatever_its_column_holds(column):
    raw = read_bytes(f"asset_tag,cpu,{column}\nA1,i5-6300U,{'8' * 20_001}\n".encode())
    assert "20001 characters; cut at 20000" in understand(raw).problems["problem"].tolist()


def test_a_terminal_obeys_nothing_of_a_sheet():
    raw = read_bytes(b"asset_tag,cpu,\x1b[2Jshelf\nA\x1b[31m1,i5-6300U,x\n")
    found = understand(raw)
    assert found.units["asset_tag"].tolist() == ["A[31m1"]
    assert "\x1b" not in found.report()


def test_more_rows_than_are_read_are_refused(monkeypatch):
    monkeypatch.setattr(reading, "MAX_ROWS", 20)
    with pytest.raises(InputError, match="more than 20 rows"):
        read_bytes(sheet(21))


def test_a_cell_in_the_last_corner_of_a_workbook_takes_no_time():
    book = openpyxl.Workbook()
    for row in (["asset_tag", "cpu"], ["A1", "i5-6300U"], ["A2", "i3-4005U"]):
        book.active.append(row)
    book.active["XFD1048576"] = "stray"
    start = time.process_time()
    raw = read_bytes(saved(book))
    assert time.process_time() - start < 10
    assert raw["asset_tag"].tolist() == ["A1", "A2", ""]
    problems = understand(raw).problems
    assert problems["problem"].str.contains("below more than 1000 empty rows").sum() == 1


def test_rows_and_columns_of_a_workbook_are_bounded(monkeypatch):
    book = openpyxl.Workbook()
    for row in (["asset_tag", "cpu"], ["A1", "i5-6300U"], ["A2", "i3-4005U"]):
        book.active.append(row)
    data = saved(book)
    monkeypatch.setattr(workbook, "MAX_ROWS", 2)
    with pytest.raises(InputError, match="below row 2"):
        read_bytes(data)
    monkeypatch.setattr(workbook, "MAX_ROWS", 20)
    monkeypatch.setattr(workbook, "MAX_CELLS", 5)
    with pytest.raises(InputError, match=r"up to row 3.*more than 5 cells"):
        read_bytes(data)


def test_what_the_reader_said_stays_with_its_row():
    raw = read_bytes(sheet(30, row5=b'A5,"i5-6300U,8,n5', row9=b"A9,i5-6300U,8,caf\xe9 \xc3\xa9"))
    half = raw.iloc[4:12]
    rows = {row.row for row in understand(half).problems.itertuples() if "quote" in row.problem or "UTF" in row.problem}
    assert rows == {1, 5}
    other = raw[raw["asset_tag"] != "A5"].reset_index(drop=True)
    problems = understand(other).problems
    assert not problems["problem"].str.contains("quote").any(), "said of a row that is gone"


def test_tags_that_stand_far_apart_are_seen():
    rows = [f"A{number}" for number in range(1200)]
    rows[1], rows[651], rows[1100], rows[40] = "A  650", " A 650 ", "A1", "n/a"
    problems = understand(pd.DataFrame({"Tag": rows, "CPU": "i5-6300U"})).problems
    assert problems.loc[problems["problem"].str.contains("on 2 rows"), "row"].tolist() == [2, 652]


def with_part(name: str, content: bytes) -> bytes:
    """A small workbook with one of its parts replaced."""
    book = openpyxl.Workbook()
    for row in (["asset_tag", "cpu"], ["A1", "i5-6300U"]):
        book.active.append(row)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(saved(book))) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            new.writestr(item.filename, content if item.filename == name else old.read(item))
    return out.getvalue()


def test_entities_that_grow_without_end_are_refused():
    grow = b"".join(b'<!ENTITY e%d "%s">' % (n + 1, b"&e%d;" % n * 10) for n in range(9))
    for name in ("xl/styles.xml", "xl/worksheets/sheet1.xml", "xl/workbook.xml"):
        xml = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "lol">' + grow + b"]><sst><si><t>&e9;</t></si></sst>"
        start = time.process_time()
        with pytest.raises(InputError, match="damaged Excel"):
            read_bytes(with_part(name, xml))
        assert time.process_time() - start < 10


def test_a_row_number_without_end_is_refused():
    xml = (b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
           b'<row r="1"><c r="A1" t="inlineStr"><is><t>asset_tag</t></is></c></row>'
           b'<row r="999999999999"><c r="A999999999999"><v>1</v></c></row></sheetData></worksheet>')  # fmt: skip
    start = time.process_time()
    with pytest.raises(InputError, match="below row 1048576"):
        read_bytes(with_part("xl/worksheets/sheet1.xml", xml))
    assert time.process_time() - start < 20


LONG = ["9" * 20_000, "1+" * 10_000, "8 GB " * 4_000, "i5-6300U " * 2_200, "(" * 20_000, "8086:24f3," * 2_000,
        "a:" * 10_000, "4x" * 10_000, " " * 19_999 + "8"]  # fmt: skip


@pytest.mark.parametrize("cell", LONG, ids=lambda cell: cell[:6])
def test_a_cell_of_twenty_thousand_characters_takes_no_time(cell):
    """In each column of the sheet in turn; 24 s for one cell before cells were bounded."""
    fields = [*INTAKE_COLUMNS, "Specs", "Storage", "SSD (GB)", "Shelf"]
    rows = [{"asset_tag": f"A{n}", "cpu": "i5-6300U"} | {name: cell} for n, name in enumerate(fields)]
    raw = pd.DataFrame(rows).fillna("")
    start = time.process_time()
    scored = assess(raw).scored
    assert time.process_time() - start < 15
    assert len(scored) == len(fields)
