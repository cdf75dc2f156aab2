"""The rest of the day: what is begun stays put, the later part moves only where it must, changes are told."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from shops import DAY, overlaps

from advisor.advice import Batch
from advisor.benchlog import BenchLog
from advisor.errors import InputError
from advisor.plan import Plan, plan_day
from advisor.plan.again import Progress, plan_again, progress_of, read_plan
from advisor.plan.written import as_csv, save


@pytest.fixture(scope="module")
def half(demo: Batch) -> Plan:
    """A day of the demo's first lot."""
    return plan_day(demo.where(lambda frame: frame["asset tag"].str.startswith("OM-10")), DAY, seconds=2)


def as_planned(plan: Plan, now: datetime) -> tuple[dict[str, Progress], list[str]]:
    """What stopwatches say, and what is done, if all went to the minute: a phase begins with its visit."""
    told, done = {}, []
    for at, placed in plan.solution.schedule.items():
        job, started, running = plan.jobs[at], {}, ""
        opens = datetime(DAY.year, DAY.month, DAY.day) + timedelta(minutes=plan.opens)
        for one, visit in zip(placed, job.visits, strict=True):
            if opens + timedelta(minutes=one.start / 10) > now:
                break
            for phase in visit.phases:
                started.setdefault(phase, opens + timedelta(minutes=one.start / 10))
            running = visit.phases[-1] if opens + timedelta(minutes=one.end / 10) > now else ""
        if opens + timedelta(minutes=(placed[-1].end + job.tail) / 10) <= now:
            done.append(job.tag)
        elif started:
            told[job.tag] = Progress(started, running)
    return told, done


NOW = datetime(2026, 11, 30, 9, 30)


def test_a_day_that_goes_as_planned_stays_as_it_is_where_it_is_begun(half: Plan) -> None:
    told, done = as_planned(half, NOW)
    new, _ = plan_again(half, NOW, told, done=done, seconds=2)
    old_slots = {half.jobs[at].tag: slot for at, slot in half.lanes.slots.items()}
    for number, job in enumerate(new.jobs):
        if job.begun:
            assert new.lanes.slots[number] == old_slots[job.tag]
    assert new.solution.finish <= half.solution.finish + 30
    assert not set(done) & {job.tag for job in new.jobs}
    assert new.frame["start"].min() >= NOW


def test_what_starts_later_than_two_hours_from_now_starts_no_sooner_and_by_the_same_hands(half: Plan) -> None:
    told, done = as_planned(half, NOW)
    new, changes = plan_again(half, NOW, told, done=done, seconds=2)
    before = half.frame.set_index(["tag", "visit"])
    late = before[before["start"] > NOW + timedelta(minutes=120)]
    tags = {job.tag: len(half.jobs[at].visits) for at, job in enumerate(half.jobs)}
    for row in new.frame.itertuples():
        visit = row.visit + tags[row.tag] - sum(new.frame["tag"].eq(row.tag))
        if (row.tag, visit) in late.index:
            assert row.start >= late.loc[(row.tag, visit), "start"]
            assert row.technician == late.loc[(row.tag, visit), "technician"]
    assert all(one.tag in tags for one in changes)


def test_a_unit_that_falls_out_leaves_its_time_to_the_others(half: Plan) -> None:
    told, done = as_planned(half, NOW)
    waiting = [job.tag for job in half.jobs if job.tag not in told and job.tag not in done]
    new, _ = plan_again(half, NOW, told, gone=waiting[:2], done=done, seconds=3)
    assert not set(waiting[:2]) & {job.tag for job in new.jobs}
    assert new.solution.finish < half.solution.finish


def test_a_unit_that_takes_longer_moves_others_and_it_is_said(half: Plan) -> None:
    """One that is begun half an hour late is told as a change."""
    told, done = as_planned(half, NOW)
    new, changes = plan_again(half, NOW + timedelta(minutes=30), told, done=done, seconds=2)
    assert changes
    assert all(" instead of " in one.words for one in changes)
    assert new.frame["start"].min() >= NOW + timedelta(minutes=30)


@pytest.mark.slow
def test_whatever_the_stopwatches_say_the_rest_overlaps_nothing(half: Plan) -> None:
    """Units begun late, out of order, or with a stopwatch that was forgotten; some fall out."""
    draw = random.Random(5)
    for _ in range(6):
        now = datetime(2026, 11, 30, 8, 0) + timedelta(minutes=draw.randint(1, 250))
        told, done = as_planned(half, now)
        for tag, one in list(told.items()):
            started = {name: when + timedelta(minutes=draw.randint(-15, 10)) for name, when in one.started.items()}
            told[tag] = Progress(started, draw.choice([one.running, ""]))
        waiting = [job.tag for job in half.jobs if job.tag not in told and job.tag not in done]
        if waiting and len(told) < half.bench.slots:
            told[draw.choice(waiting)] = Progress({"prepare": now - timedelta(minutes=2)}, "prepare")
        new, _ = plan_again(
            half, now, told, gone=[tag for tag in waiting if draw.random() < 0.05], done=done, seconds=1
        )
        assert not overlaps(new.jobs, replace(new.bench, close=None), new.solution.schedule)


def test_when_all_is_done_the_rest_is_an_empty_timetable(half: Plan) -> None:
    rest, changes = plan_again(half, NOW, {}, done=[job.tag for job in half.jobs])
    assert as_csv(rest) == ",".join(rest.frame.columns) + "\n"
    assert not changes and not rest.jobs


def test_progress_is_read_from_the_stopwatches_of_the_log(tmp_path: Path) -> None:
    with BenchLog(tmp_path / "log.sqlite") as log:
        log.start("A-1", "prepare", "2026-11-30T08:00:00.000Z")
        log.stop("A-1", "prepare", "2026-11-30T08:05:00.000Z")
        log.start("A-1", "boot", "2026-11-30T08:06:00.000Z")
        told = progress_of(log, ["A-1", "A-2"])
    assert set(told) == {"A-1"}
    assert told["A-1"].running == "boot"
    assert (told["A-1"].started["boot"] - told["A-1"].started["prepare"]) == timedelta(minutes=6)


def test_a_plan_is_read_back_from_its_csv(demo: Batch, half: Plan, tmp_path: Path) -> None:
    some = demo.where(lambda frame: frame["asset tag"].str.startswith("OM-10"))
    read = read_plan(save(half, tmp_path / "day.csv"), some, half.quantile)
    assert read.solution.schedule == half.solution.schedule
    assert read.lanes == half.lanes
    with pytest.raises(InputError, match="is no plan of this sheet and shop"):
        read_plan(tmp_path / "day.csv", some, 0.95)
    head = (tmp_path / "day.csv").read_text(encoding="utf-8").partition("\n")[0]
    (tmp_path / "empty.csv").write_text(head + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="no visit stands in it"):
        read_plan(tmp_path / "empty.csv", some, half.quantile)
    (tmp_path / "other.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(InputError, match="is no plan of this sheet and shop"):
        read_plan(tmp_path / "other.csv", some, half.quantile)


def test_another_days_plan_is_refused(half: Plan) -> None:
    with pytest.raises(InputError, match="The plan is of 2026-11-30"):
        plan_again(half, datetime(2026, 12, 1, 9, 0), {})
