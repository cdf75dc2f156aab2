"""Whole sheets: reading, headers, mapping, what is reported, and safe writing."""

from __future__ import annotations

import datetime as dt
import io
import re

import openpyxl
import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.intake import read, read_bytes, safe_cell, safe_frame, understand
from advisor.intake.headers import map_headers
from advisor.unit import DTYPES, INTAKE_COLUMNS, UNIT_COLUMNS, Unit, frame

SHEET = "asset_tag;CPU;RAM;Storage\nA1;i5-6300U;8,0 GB;1TB + 240 ssd\nA2;Größe?;?;none\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_encodings_and_newlines(encoding, newline):
    raw = read_bytes(SHEET.replace("\n", newline).encode(encoding))
    assert list(raw.columns) == ["asset_tag", "CPU", "RAM", "Storage"]
    assert raw["CPU"].tolist() == ["i5-6300U", "Größe?"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters(delimiter):
    raw = read_bytes(f"asset_tag{delimiter}cpu{delimiter}notes\nA1{delimiter}i5{delimiter}x\n".encode())
    assert raw.shape == (1, 3)


def test_commas_inside_values_do_not_hide_semicolons():
    raw = read_bytes(b"asset_tag;cpu;ram\nA1;i5, used;8,0\nA2;i3, new, boxed;4,0\n")
    assert raw["ram"].tolist() == ["8,0", "4,0"]


def test_quoted_newlines_and_quotes():
    raw = read_bytes(b'asset_tag,cpu,notes\nA1,i5-6300U,"line one\nline ""two"""\nA2,i3-4005U,\n')
    assert raw["notes"].tolist() == ['line one\nline "two"', ""]


def test_ragged_rows_are_kept_and_said():
    raw = read_bytes(b"asset_tag,cpu\nA1\nA2,i5-6300U,stray\n\n,,\nA3,i3-4005U\n")
    assert raw["asset_tag"].tolist() == ["A1", "A2", "", "A3"]
    sheet = understand(raw)
    stray = sheet.problems[sheet.problems["problem"].str.contains("no header")]
    assert stray["row"].tolist() == [2]
    assert sheet.extra.shape[1] == 1


def test_title_rows_above_the_header_are_skipped():
    raw = read_bytes(b"Intake of March,,\n,,\nAsset no.,Processor,Memory\nA1,i5-6300U,8\n")
    assert list(raw.columns) == ["Asset no.", "Processor", "Memory"]
    assert len(raw) == 1


def test_headers_that_occur_twice():
    raw = read_bytes(b"asset_tag,cpu,cpu,\nA1,i5-6300U,i3-4005U,\n")
    assert list(raw.columns)[:3] == ["asset_tag", "cpu", "cpu (2)"]
    sheet = understand(raw)
    assert sheet.units["cpu"].tolist() == ["i5-6300U"]
    assert len(sheet.columns) == raw.shape[1]


def test_a_long_sheet_takes_the_fast_way_and_reads_the_same():
    rows = [f'A{i},i5-6300U,8 GB,"note {i}, with ""quotes"" and\nnewline"' for i in range(20_000)]
    data = ("asset_tag,cpu,ram,notes\n" + "\n".join(rows) + "\n").encode()
    raw = read_bytes(data)
    assert raw.shape == (20_000, 4)
    assert raw["notes"].iloc[19_999] == 'note 19999, with "quotes" and\nnewline'
    pd.testing.assert_frame_equal(raw.head(10), read_bytes(b"\n".join(data.split(b"\n")[:21])))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"), (b"\n\n , \n", "is empty"), (b"\xef\xbb\xbf", "is empty"), (b"%PDF-1.7 ...", "a PDF"),
        (b"\x89PNG\r\n\x1a\n", "a picture"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1rest", "before 2007"),
        (bytes(range(256)) * 8, "not text"),
        (b"PK\x03\x04broken", "damaged Excel"), (b"\x7fELF\x00\x00", "a program"), (b"\x1f\x8b\x08rest", "gzip"),
    ],
)  # fmt: skip
def test_what_is_no_sheet_is_refused_in_words(data, words):
    with pytest.raises(InputError, match=words) as caught:
        read_bytes(data)
    assert caught.value.hint


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        read(tmp_path / "missing.csv")
    with pytest.raises(InputError, match="is a folder"):
        read(tmp_path)
    with pytest.raises(InputError, match="no file name"):
        read("a\x00b.csv")


def workbook(rows, title="Sheet"):
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    return book


def as_bytes(book):
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def test_excel_values_as_typed():
    book = workbook(
        [
            ["asset_tag", "cpu", "RAM", "Soldered", "Received", "Battery %"],
            ["A1", "i5-6300U", 8.0, True, dt.date(2024, 3, 1), 85.5],
        ]
    )
    raw = read_bytes(as_bytes(book))
    assert raw.iloc[0].tolist() == ["A1", "i5-6300U", "8", "yes", "2024-03-01", "85.5"]
    units = understand(raw).units
    assert (units["ram_gib"].iloc[0], units["ram_soldered"].iloc[0], units["battery_health_pct"].iloc[0]) == (
        8.0,
        True,
        85.5,
    )


def test_excel_numbers_as_they_are_shown():
    book = workbook([["asset_tag", "cpu", "Battery %", "RAM"], [17, "i5-6300U", 0.855, 8], [123456, "i5", 0.9, 0.5]])
    for row in (2, 3):
        book.active[f"A{row}"].number_format = "0000"
        book.active[f"C{row}"].number_format = "0.0%"
    raw = read_bytes(as_bytes(book))
    assert raw.to_numpy().tolist() == [["0017", "i5-6300U", "85.5%", "8"], ["123456", "i5", "90%", "0.5"]]
    assert understand(raw).units["battery_health_pct"].tolist() == [85.5, 90]


def test_excel_takes_the_sheet_that_has_the_units():
    book = workbook([["Welcome"], ["see the next sheet"]])
    other = book.create_sheet("units")
    other.append(["Inventory no", "Processor"])
    other.append(["A1", "i5-6300U"])
    assert read_bytes(as_bytes(book)).shape == (1, 2)


def test_excel_formulas_are_not_computed():
    book = workbook([["asset_tag", "cpu", "RAM"], ["A1", "=1+1", '=HYPERLINK("x")']])
    raw = read_bytes(as_bytes(book))
    assert raw.iloc[0].tolist() == ["A1", "", ""]


@pytest.mark.parametrize(
    ("header", "field", "unit"),
    [
        ("Asset Tag", "asset_tag", ""), ("asset no.", "asset_tag", ""), ("Inventarnummer", "asset_tag", ""),
        ("Processor", "cpu", ""),
        ("CPU Model", "cpu", ""), ("Prozessor", "cpu", ""), ("processeur", "cpu", ""), ("RAM (GB)", "ram_gib", "gb"),
        ("Memory [MiB]", "ram_gib", "mib"), ("Arbeitsspeicher", "ram_gib", ""), ("Mémoire", "ram_gib", ""),
        ("Wi-Fi card", "wireless", ""),
        ("Disk near access (ms)", "disk_near_ms", "ms"), ("near access time", "disk_near_ms", ""),
        ("Disk read end", "disk_read_end_mib_s", ""), ("read speed at end", "disk_read_end_mib_s", ""),
        ("Disk access (ms)", "disk_access_ms", "ms"), ("Disk read speed", "disk_read_mib_s", ""),
        ("WLAN", "wireless", ""), ("Battery %", "battery_health_pct", "%"), ("bat. health", "battery_health_pct",
        ""), ("Disk", "storage", ""),
        ("Hard Drive Size", "storage_gib", ""), ("SSD (GB)", "ssd", "gb"), ("storage_gib", "storage_gib", "gib"),
        ("Form-Factor", "form_factor", ""),
        ("formFactor", "form_factor", ""), ("procesor", "cpu", ""), ("Manufacturr", "maker", ""), ("Specs",
        "merged", ""), ("colour", None, ""),
        ("", None, ""), ("ramm", None, ""),
    ],
)  # fmt: skip
def test_headers(header, field, unit):
    (mapped,) = map_headers([header])
    assert (mapped.field, mapped.unit) == (field, unit)


@pytest.mark.parametrize("header", ["read mbps ms", "RAM GB GiB", "size in tb tb", "gb", "in gb", "GB GB GB"])
def test_headers_that_end_in_units_come_to_an_end(header):
    assert len(map_headers([header])) == 1


@pytest.mark.parametrize("name", UNIT_COLUMNS)
def test_every_field_is_known_by_its_own_name(name):
    assert map_headers([name])[0].field == name


def test_the_plainer_of_two_headers_is_read():
    mapped = map_headers(["No", "Asset tag", "Lot"])
    assert [item.field for item in mapped] == [None, "asset_tag", None]
    assert "second column" in mapped[0].how


def test_a_sheet_without_tag_and_processor_is_refused():
    with pytest.raises(InputError, match="'colour', 'size'"):
        understand(pd.DataFrame({"colour": ["red"], "size": ["big"]}))


def test_rows_and_order_are_kept_and_extra_columns_carried():
    raw = pd.DataFrame({"asset_tag": ["B", "A", "C"], "cpu": ["i5-6300U", "", "i3-4005U"], "Shelf": ["1", "2", "3"]})
    sheet = understand(raw)
    assert sheet.units["asset_tag"].tolist() == ["B", "A", "C"]
    assert sheet.extra["Shelf"].tolist() == ["1", "2", "3"]
    assert {name: str(dtype) for name, dtype in sheet.units.dtypes.items()} == DTYPES


def test_problems_name_row_column_value_and_what_is_accepted():
    raw = read_bytes(b"Asset,CPU,RAM,Boot mode\nA1,i5-6300U,lots,perhaps\nA2,i3-4005U,8,UEFI\n,,5.7,\n")
    problems = understand(raw).problems.set_index(["row", "column"])
    assert problems.loc[(1, "RAM"), "value"] == "lots"
    assert "2x4GB" in problems.loc[(1, "RAM"), "accepted"]
    assert "legacy BIOS" in problems.loc[(1, "Boot mode"), "accepted"]
    assert "no asset tag" in problems.loc[(3, "Asset"), "problem"]
    assert "no processor is given" in problems.loc[(3, "CPU"), "problem"]
    assert "kept as typed" in problems.loc[(3, "RAM"), "problem"]
    assert 2 not in problems.index.get_level_values("row")


def test_repeated_tags_are_said_on_each_row():
    raw = pd.DataFrame({"asset_tag": ["A", "B", "A"], "cpu": ["i5-6300U"] * 3})
    problems = understand(raw).problems
    assert problems["row"].tolist() == [1, 3]
    assert problems["problem"].str.contains("on 2 rows").all()


def test_columns_of_ssd_and_hdd_are_read_together():
    raw = pd.DataFrame(
        {
            "asset_tag": ["A", "B", "C"],
            "cpu": ["i5"] * 3,
            "SSD (GB)": ["240", "", "none"],
            "HDD (GB)": ["1000", "500", ""],
        }
    )
    sheet = understand(raw)
    assert sheet.units["storage_kind"].tolist()[:2] == ["sata ssd", "spinning disk"]
    assert sheet.units["storage_gib"].round(1).tolist()[:2] == [223.5, 465.7]
    assert sheet.notes["note"].str.contains("beside 1 TB spinning disk").any()


def test_kind_and_size_in_columns_of_their_own():
    raw = pd.DataFrame(
        {"asset_tag": list("ABCDE"), "cpu": ["i5"] * 5, "storage_kind": ["SSD", "NVMe", "HDD", "none", "eMMC"],
         "storage_gib": ["240", "238.47", "1 TB", "", "banana"]}
    )  # fmt: skip
    sheet = understand(raw)
    assert sheet.units["storage_kind"].tolist() == ["sata ssd", "nvme", "spinning disk", "none", "emmc"]
    assert sheet.units["storage_gib"].round(2).tolist()[:4] == [223.52, 238.47, 931.32, 0.0]
    assert pd.isna(sheet.units["storage_gib"].iloc[4])
    assert sheet.problems["row"].tolist() == [5]


def test_kind_and_size_that_contradict_each_other():
    raw = pd.DataFrame(
        {"asset_tag": ["A", "B"], "cpu": ["i5"] * 2, "storage_kind": ["none", "HDD"], "storage_gib": ["500", "240 SSD"]}
    )
    problems = understand(raw).problems
    assert set(problems["row"]) == {1, 2}
    assert problems["problem"].str.contains("no disk|contradict").all()


def test_descriptions_fill_what_other_columns_leave_open():
    raw = pd.DataFrame(
        {"Asset": ["A", "B"], "Description": ["Desk 3000 / i5-6300U 8GB 240SSD", "Nova i7-4790 16GB"], "RAM": ["", "4"]}
    )
    sheet = understand(raw)
    assert sheet.units["cpu"].tolist() == ["i5-6300U", "i7-4790"]
    assert sheet.units["ram_gib"].tolist() == [8.0, 4.0]
    assert sheet.units["model"].tolist() == ["Desk 3000", "Nova"]
    assert sheet.notes["note"].str.contains("taken from this cell").any()


def test_a_processor_in_the_models_cell():
    raw = pd.DataFrame({"Asset": ["A", "B"], "Model": ["Desk 3000 i5-6300U", "E6400"], "CPU": ["", "P8400"]})
    units = understand(raw).units
    assert units["cpu"].tolist() == ["i5-6300U", "P8400"]
    assert units["model"].tolist() == ["Desk 3000", "E6400"]


def test_an_id_in_the_wireless_column_joins_the_devices():
    raw = pd.DataFrame(
        {
            "asset_tag": ["A", "B"],
            "cpu": ["i5"] * 2,
            "wireless": ["8086:24f3", "Some card"],
            "devices": ["usb:0bda:c811", ""],
        }
    )
    units = understand(raw).units
    assert units["devices"].tolist()[0] == "usb:0bda:c811;pci:8086:24f3"
    assert units["wireless"].tolist()[1] == "Some card"
    assert pd.isna(units["wireless"].iloc[0])


def test_a_unit_frame_comes_back_as_it_is():
    units = frame([Unit(asset_tag="A", cpu="i5-6300U", ram_gib=5.7), Unit(cpu="x")])
    sheet = understand(units)
    pd.testing.assert_frame_equal(sheet.units, units)
    assert sheet.problems.empty


def test_typed_columns_of_another_program_are_taken():
    raw = pd.DataFrame(
        {"asset_tag": [1, 2], "cpu": ["i5-6300U", None], "ram_gib": [8.0, float("nan")], "ram_soldered": [True, False]}
    )
    units = understand(raw).units
    assert units["asset_tag"].tolist() == ["1", "2"]
    assert units["ram_gib"].tolist()[0] == 8.0
    assert pd.isna(units["ram_gib"].iloc[1])
    assert units["ram_soldered"].tolist() == [True, False]


def test_a_sheet_of_headers_alone_is_no_error():
    sheet = understand(read_bytes(b"asset_tag,cpu,ram,storage\n"))
    assert len(sheet.units) == 0
    assert "0 rows" in sheet.report()


def test_counts_and_report():
    raw = read_bytes(b"Asset,CPU,RAM,Shelf\nA1,i5-6300U,8\nA2,i3-4005U,lots\nA3,i3-4005U,?\n")
    sheet = understand(raw)
    row = sheet.columns.set_index("header").loc["RAM"]
    assert (row["understood"], row["not_understood"], row["empty"], row["rows"]) == (1, 1, 1, "2")
    text = sheet.report()
    assert "3 rows, 4 columns" in text
    assert "row 2: RAM 'lots': no amount of memory is recognised" in text
    assert "(carried through)" in text


def test_intake_columns_round_trip_by_their_names():
    sheet = understand(pd.DataFrame({name: pd.Series(["1"]) for name in INTAKE_COLUMNS}))
    assert not sheet.columns["field"].isna().any()


@pytest.mark.parametrize(
    ("cell", "safe"),
    [
        ("=1+1", "'=1+1"), ("+cmd|'x'!A0", "'+cmd|'x'!A0"), ("-1+2", "'-1+2"), ("@SUM(A1)", "'@SUM(A1)"), ("\t=1",
        "'\t=1"),
        ("\r=1", "'\r=1"), ("-5", "-5"), ("+3,5", "+3,5"), ("-", "-"), ("plain", "plain"), ("", ""), (5, 5), (None,
        None),
    ],
)  # fmt: skip
def test_safe_cell(cell, safe):
    assert safe_cell(cell) == safe


def test_safe_frame_touches_text_alone():
    raw = pd.DataFrame({"=name": ["=1+1", "x", None], "n": [-1, 2, 3], "f": [-0.5, 1.5, float("nan")]})
    safe = safe_frame(raw)
    assert list(safe.columns) == ["'=name", "n", "f"]
    assert safe["'=name"].tolist()[:2] == ["'=1+1", "x"]
    assert pd.isna(safe["'=name"].iloc[2])
    pd.testing.assert_frame_equal(safe[["n", "f"]], raw[["n", "f"]])
    assert raw["=name"].iloc[0] == "=1+1"


def test_the_report_counts_as_a_person_writes_and_cuts_no_reason():
    """Expectation: plain English, one row and two rows; what a column was carried through for is told to its end."""
    one = understand(pd.DataFrame({"asset tag": ["A-1"], "cpu": ["i5-6300U"], "ram": ["lots"], "lot": ["7"]})).report()
    assert one.startswith("1 row, 4 columns\n")
    assert "Not understood: 1 cell on 1 row\n  row 1: ram 'lots'" in one
    assert "second column for asset_tag beside 'asset tag'; carried through\n" in one
    two = understand(pd.DataFrame({"tag": ["A-1", "A-2"], "cpu": ["i5-6300U"] * 2, "ram": ["lots"] * 2})).report()
    assert "Not understood: 2 cells on 2 rows\n  rows 1, 2: ram 'lots'" in two


def test_files_of_other_programs_are_named(tmp_path):
    """As the libraries that write such files begin them."""
    import bz2
    import gzip
    import lzma
    import sqlite3
    import sys

    from PIL import Image

    written = {
        "a gzip archive": gzip.compress(b"x"), "a bzip2 archive": bz2.compress(b"x"),
        "an xz archive": lzma.compress(b"x"),
    }  # fmt: skip
    for name, suffix in (("PNG", "png"), ("JPEG", "jpg"), ("GIF", "gif")):
        Image.new("RGB", (2, 2)).save(tmp_path / f"it.{suffix}")
        written[f"a picture ({name})"] = (tmp_path / f"it.{suffix}").read_bytes()
    with sqlite3.connect(tmp_path / "it.sqlite") as database:
        database.execute("create table it (a)")
    written["an SQLite database"] = (tmp_path / "it.sqlite").read_bytes()
    with open(sys.executable, "rb") as program:
        written["a program"] = program.read(4096)
    for kind, content in written.items():
        with pytest.raises(InputError, match=f"is {re.escape(kind)}, not a table"):
            read_bytes(content)


def test_worksheets_that_were_not_read_are_said_once():
    """Nothing of a batch is lost in silence: laptops on one worksheet, desktops on the next, and a page of notes."""
    import io

    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["Tag", "CPU", "RAM"])
    for tag in ("L1", "L2"):
        book.active.append([tag, "i5-6300U", "8 GB"])
    desktops, notes = book.create_sheet("Desktops"), book.create_sheet("Notes")
    desktops.append(["Tag", "CPU", "RAM"])
    desktops.append(["D1", "i5-3470", "4 GB"])
    notes.append(["Ask the school for the chargers."])
    out = io.BytesIO()
    book.save(out)
    sheet = understand(read_bytes(out.getvalue(), "two.xlsx"))
    assert sheet.units["asset_tag"].tolist() == ["L1", "L2"]
    [said] = sheet.problems.query("problem.str.contains('not read')").itertuples()
    assert said.row == 2 and "'Desktops'" in said.problem and "Notes" not in said.problem
