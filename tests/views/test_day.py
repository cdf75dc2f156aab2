"""The Day tab: what it plans, what the board says, what is saved."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import pytest

from advisor.errors import InputError
from advisor.plan.hours import typed_time
from advisor.views.day_view import board_html

NOW = datetime(2026, 11, 30, 10, 15)


def row(**told):
    blank = {"slot": 1, "tag": "", "doing": "", "technician": "", "minutes_left": 0.0, "next": "", "next_at": pd.NaT,
             "next_by": "", "done_at": pd.NaT}  # fmt: skip
    return blank | told


@pytest.mark.parametrize(
    ("told", "cells"),
    [
        ({}, ["1", "", "empty", "", ""]),
        ({"tag": "A-1", "doing": "hands", "technician": "Ada", "minutes_left": 4.2},
         ["1", "A-1", "Ada at work, 4 min left", "", ""]),
        ({"tag": "A-1", "doing": "machine", "minutes_left": 12.0, "next": "A-1: Seal", "next_by": "Bo",
          "next_at": NOW + timedelta(minutes=12), "done_at": NOW + timedelta(minutes=20)},
         ["1", "A-1", "works by itself, 12 min left", "10:27 Bo: A-1: Seal", "10:35"]),
        ({"tag": "A-1", "doing": "waits"}, ["1", "A-1", "waits for hands", "", ""]),
        ({"tag": "<b>", "doing": "hands", "technician": "<i>"},
         ["1", "&lt;b&gt;", "&lt;i&gt; at work, 0 min left", "", ""]),
    ],
)  # fmt: skip
def test_the_board_says_what_runs_where(told, cells):
    said = board_html(pd.DataFrame([row(**told)]), NOW)
    assert "<caption>The bench at 10:15</caption>" in said
    assert "".join(f"<td>{cell}</td>" for cell in cells) in said


@pytest.mark.parametrize(("typed", "hour", "minute"), [("13:00", 13, 0), (" 9:05 ", 9, 5)])
def test_a_time_of_the_day(typed, hour, minute):
    assert typed_time(NOW.date(), typed) == datetime(2026, 11, 30, hour, minute)


def test_where_no_time_is_typed_it_is_now():
    before = datetime.now()
    assert before <= typed_time(NOW.date(), " ") <= datetime.now()


@pytest.mark.parametrize("typed", ["noon", "25:00", "13:0x"])
def test_what_is_no_time_is_said(typed):
    with pytest.raises(InputError, match="no time of the day"):
        typed_time(NOW.date(), typed)


@pytest.fixture
def day(bench):
    pytest.importorskip("ortools")
    from advisor.views.app_view import App

    return App(bench, "day").day


def test_with_nothing_to_plan_it_says_what_to_do(day):
    day._plan()
    assert "There is nothing to plan. Score a sheet" in day.app.message.value
    assert day.welcome.layout.display == ""


@pytest.mark.slow
def test_the_queue_is_planned_and_the_board_follows_it_to_its_end(day):
    day.app.bench.take_file("intake.csv", b"tag,cpu,ram,disk\nA-1,i5-6300U,8,256 ssd\nA-2,i5-8250U,8,256 nvme\n")
    day._plan()
    assert "The queue: 2 units planned." in day.app.message.value
    opens, ends = day.plan.frame["start"].min(), day.plan.frame["end"].max()
    seen = set()
    for minute in range(int((ends - opens).total_seconds() // 60) + 60):
        board = day.plan.board(opens + timedelta(minutes=minute))
        assert len(board) == day.app.bench.shop.slots
        assert board.loc[board["tag"].ne(""), "tag"].is_unique
        seen |= set(board["tag"])
    assert seen == {"", "A-1", "A-2"} and set(board["tag"]) == {""}
    day.at.value = f"{opens:%H:%M}"
    assert day._again().endswith("0 changes of the plan.") and day.changes.value == ""
    day.tick()
    board = day.board.value
    assert "at work" in board
    day.at.value = "noon"
    assert "is no time of the day. Write it as 13:00." in day.app.message.value and day.board.value == board
    day.at.value = f"{opens:%H:%M}"
    saved = {}
    day.app.front.save = lambda name, content: saved.update({name: content})
    for kind in ("pdf", "ics", "csv"):
        day._save(kind)
    assert saved["day.pdf"].startswith(b"%PDF") and b"BEGIN:VCALENDAR" in saved["day.ics"]
    assert saved["day.csv"].startswith(b"tag,visit,start")


@pytest.mark.slow
def test_a_unit_that_fell_out_leaves_the_plan_and_what_began_stays(day):
    rows = "".join(f"A-{number},i5-6300U,8,256 ssd\n" for number in range(1, 5))
    day.app.bench.take_file("intake.csv", f"tag,cpu,ram,disk\n{rows}".encode())
    day._plan()
    first = day.plan.frame.iloc[0]
    out = next(tag for tag in day.plan.frame["tag"] if tag != first["tag"])
    day.app.bench.find(out)
    day.app.bench.take_off()
    day.at.value = f"{first['start']:%H:%M}"
    day.app.act(day._again)
    assert "of the plan." in day.app.message.value
    assert out not in set(day.plan.frame["tag"]) and first["tag"] in set(day.plan.frame["tag"])
