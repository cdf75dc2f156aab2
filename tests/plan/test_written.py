"""What is printed and written: calendar read back by another library, CSV, picture in grey, one page for the demo."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Callable
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from shops import DAY

from advisor.errors import InputError, ToolError
from advisor.plan import Plan, plan_day
from advisor.plan.written import as_csv, calendar, content, page, picture, save


@pytest.fixture(scope="module")
def odd() -> Plan:
    """A day of a unit whose tag is meant for spreadsheets, calendars and typesetters."""
    from advisor.advice import assess

    rows = {
        "asset_tag": ["=1+1;#x,\\n", "B-2"], "cpu": ["i5-6300U"] * 2, "ram_gib": ["8"] * 2, "storage_kind": ["ssd"] * 2,
        "storage_gib": ["240"] * 2, "form_factor": ["laptop"] * 2, "boot_mode": ["UEFI"] * 2, "wireless": ["none"] * 2,
    }  # fmt: skip
    return plan_day(assess(pd.DataFrame(rows)), DAY, seconds=1)


def test_another_library_reads_the_calendar_back(odd: Plan) -> None:
    """RFC 5545, read by vobject: as many events as visits, the same moments, the tag as it was."""
    import vobject

    read = vobject.readOne(calendar(odd).decode())
    events = read.vevent_list
    assert read.version.value == "2.0"
    assert len(events) == len(odd.frame)
    for event, row in zip(events, odd.frame.itertuples(), strict=True):
        assert event.dtstart.value == row.start.to_pydatetime()
        assert event.dtend.value == row.end.to_pydatetime()
        assert event.summary.value.startswith(f"{row.tag}, slot {row.slot}")
    assert len({event.uid.value for event in events}) == len(events)


def test_the_csv_is_the_timetable_and_no_cell_is_a_formula(odd: Plan) -> None:
    read = pd.read_csv(io.StringIO(as_csv(odd)))
    assert list(read.columns) == list(odd.frame.columns)
    assert not read["tag"].str.startswith("=").any()
    assert list(pd.to_datetime(read["start"])) == list(odd.frame["start"].dt.floor("s"))


def test_the_picture_is_in_grey(odd: Plan) -> None:
    colours = set(re.findall(r"#([0-9a-f]{6})\b", picture(odd).decode()))
    assert colours
    assert all(one[:2] == one[2:4] == one[4:] for one in colours)


@pytest.mark.slow
def test_the_demos_day_is_one_page_with_every_visit_on_it(planned: Plan) -> None:
    import pypdf

    pages = pypdf.PdfReader(io.BytesIO(page(planned))).pages
    assert len(pages) == 1
    text = pages[0].extract_text()
    assert all(tag in text for tag in planned.frame["tag"].unique())
    assert "invented" in text
    told = [line for one in content(planned)["lists"] for line in one["lines"]]
    assert {line["tag"] for line in told} == set(planned.frame["tag"])


def test_a_page_is_the_same_each_time(odd: Plan) -> None:
    assert page(odd) == page(odd)


def test_what_one_technician_goes_on_to_do_on_a_unit_is_one_line(odd: Plan) -> None:
    """A unit that one technician takes from the shelf and installs at once is prepared and installed, in a line."""
    for one in content(odd)["lists"]:
        assert all(a["tag"] != b["tag"] or a["at"] != b["at"] for a, b in pairwise(one["lines"]))
    firsts = {line["tag"]: line["do"] for one in content(odd)["lists"] for line in reversed(one["lines"])}
    assert all(words.startswith("prepare") for words in firsts.values())


def test_a_sheet_of_which_nothing_is_to_be_prepared_is_an_empty_day(tmp_path: Path) -> None:
    """A processor that no release starts on: no visit, no page with a fault, and the head of the CSV alone."""
    from advisor.advice import assess

    rows = {"asset_tag": ["A-1"], "cpu": ["Pentium II"], "ram_gib": ["0.1"], "storage_kind": ["hdd"]}
    empty = plan_day(assess(pd.DataFrame(rows)), DAY, seconds=1)
    assert not empty.jobs and not len(empty.frame)
    assert as_csv(empty) == ",".join(empty.frame.columns) + "\n"
    assert b"BEGIN:VCALENDAR" in calendar(empty) and b"VEVENT" not in calendar(empty)
    assert save(empty, tmp_path / "day.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(("module", "write", "said"), [
    ("icalendar", calendar, "A calendar needs icalendar"), ("matplotlib", picture, "A picture needs matplotlib"),
])  # fmt: skip
def test_without_its_library_a_sentence_names_the_extra(
    odd: Plan, monkeypatch: pytest.MonkeyPatch, module: str, write: Callable[[Plan], bytes], said: str
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ToolError, match=said) as told:
        write(odd)
    assert told.value.hint == "pip install 'bench-advisor[plan]'"


def test_names_that_do_not_say_what_to_write_are_refused(odd: Plan, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\.ics"):
        save(odd, tmp_path / "day.doc")
    assert save(odd, tmp_path / "day.ics").read_bytes().startswith(b"BEGIN:VCALENDAR")


def test_the_events_have_no_zone_so_that_they_are_the_benchs_time(odd: Plan) -> None:
    """RFC 5545, 3.3.5, form 1: local time, read as the time of wherever the reader is."""
    first = odd.frame["start"].iloc[0]
    assert f"DTSTART:{datetime.strftime(first, '%Y%m%dT%H%M%S')}\r\n" in calendar(odd).decode()
