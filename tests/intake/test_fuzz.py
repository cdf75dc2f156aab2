"""Hostile and broken input: a table or an InputError, never anything else."""

from __future__ import annotations

import io
import zipfile

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.errors import InputError
from advisor.intake import read_bytes, understand, workbook
from advisor.intake.headers import intake_words
from advisor.unit import DTYPES, INTAKE_COLUMNS, UNIT_COLUMNS

FUZZ = settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))

NASTY = st.sampled_from(
    ["", " ", "?", "n/a", "none", "=1+1", "+cmd|' /C calc'!A0", "@SUM(A1)", "-1", "1e309", "NaN", "inf", "0", "00",
    "9" * 400,
     "2x", "x4GB", "4+", "+", "8GB (", ")(", "8,,5 GB", "1.2.3 TB", "240 SSD + ", "+ 240", "1TB+1TB+1TB", "pci:",
     "pci:v", ";;;",
     "usb:0bda:c811;" * 50, "<script>", "../../etc/passwd", "\x00", "\ufeff8", "８GB", "i5-", "i5-99999999U",
     "Ryzen", "core", "-",
     "８", "²", "½", "١٢", "1/2", "100%%", "%", "1 000 000 GB", "5'000 GB", "−5", "0x10", "8GB\n16GB", "\t"]
)  # fmt: skip
CELL = st.one_of(
    NASTY, st.text(max_size=40), st.text(alphabet="0123456789xX+,. GBTMgbSsdHhDdNnVveMm()/&;", max_size=24)
)
HEADER = st.one_of(st.sampled_from([*INTAKE_COLUMNS, *sorted(intake_words().known)]), st.text(max_size=20))


def _sound(raw: pd.DataFrame) -> None:
    sheet = understand(raw)
    assert len(sheet.units) == len(raw)
    assert list(sheet.units.columns) == list(UNIT_COLUMNS)
    assert {name: str(dtype) for name, dtype in sheet.units.dtypes.items()} == DTYPES
    assert sheet.problems["row"].between(1, max(len(raw), 1)).all()
    assert not sheet.problems[["problem", "accepted"]].isna().any().any()
    assert len(sheet.columns) == len(raw.columns)
    assert isinstance(sheet.report(), str)
    ram, disk = sheet.units["ram_gib"].dropna(), sheet.units["storage_gib"].dropna()
    assert ((ram > 0) & (ram <= 16_384)).all()
    assert ((disk >= 0) & (disk <= 1_048_576)).all()
    for name in ("storage_health_pct", "battery_health_pct"):
        assert sheet.units[name].dropna().between(0, 150).all()


@pytest.mark.slow
@FUZZ
@given(st.data())
def test_any_cells_under_any_headers_are_understood_or_reported(data):
    width = data.draw(st.integers(1, 8))
    headers = ["asset_tag", *data.draw(st.lists(HEADER, min_size=width, max_size=width))]
    rows = data.draw(st.lists(st.lists(CELL, min_size=width + 1, max_size=width + 1), max_size=6))
    _sound(pd.DataFrame(rows, columns=headers, dtype=object))


@FUZZ
@given(st.binary(max_size=600))
def test_any_bytes_are_a_table_or_refused(data):
    try:
        raw = read_bytes(data)
    except InputError as error:
        assert error.message.endswith(".")
        return
    assert isinstance(raw, pd.DataFrame)
    try:
        understand(raw)
    except InputError as error:
        assert "asset tag" in error.message


@pytest.mark.slow
@FUZZ
@given(
    st.lists(st.lists(CELL, max_size=7), min_size=1, max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"]),
    st.booleans(),
)
def test_ragged_sheets_in_every_encoding(rows, delimiter, encoding, quoted):
    lines = [delimiter.join(("asset_tag", "cpu", "RAM", "Storage"))]
    for row in rows:
        cells = [cell.replace('"', "") for cell in row]
        lines.append(delimiter.join(f'"{cell}"' if quoted else cell.replace("\n", " ") for cell in cells))
    data = "\r\n".join(lines).encode(encoding, errors="replace")
    try:
        raw = read_bytes(data)
    except InputError:
        return
    _sound(raw)


@pytest.mark.slow
@FUZZ
@given(st.integers(0, 3000), st.binary(min_size=1, max_size=20))
def test_a_damaged_workbook_is_refused_or_read(position, junk):
    book = openpyxl.Workbook()
    book.active.append(["asset_tag", "cpu", "RAM"])
    book.active.append(["A1", "i5-6300U", 8])
    file = io.BytesIO()
    book.save(file)
    data = bytearray(file.getvalue())
    place = position % len(data)
    data[place : place + len(junk)] = junk
    try:
        raw = read_bytes(bytes(data))
        understand(raw)
    except InputError:
        return
    assert isinstance(raw, pd.DataFrame)


def test_a_workbook_that_unpacks_without_end_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "MAX_UNPACKED", 1 << 20)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b" " * 1000)
        archive.writestr("xl/worksheets/sheet1.xml", b"\x00" * (2 << 20))
    with pytest.raises(InputError, match="unpacks to more than"):
        read_bytes(file.getvalue())
