"""The day of a batch: phases as visits, hours and breaks, wishes of the sheet, what is said of what cannot be meant."""

from __future__ import annotations

from datetime import datetime

import pandas as pd
import pytest
from shops import DAY, overlaps

from advisor import timing
from advisor.advice import Batch, assess
from advisor.errors import InputError
from advisor.plan import Plan, plan_day
from advisor.plan.hours import bench_of, minutes
from advisor.plan.work import work_of
from advisor.shop import Image, Person, Shop, default_shop


def shop(**changes: object) -> Shop:
    return default_shop().model_copy(update=changes)


def test_hours_and_breaks_in_ticks_by_hand() -> None:
    """08:30 to 12:00 is 210 minutes, a break from 10:00 begins after 90; B comes at 09:00, thirty minutes late."""
    b = Person(name="B", hours="09:00-11:30", breaks=())
    found, opens, problems = bench_of(
        shop(hours="08:30-12:00", breaks=("10:00-10:15",), technicians=(Person(name="A"), b))
    )
    assert (opens, found.close, problems) == (510, 2100, [])
    assert [start for start, _ in found.technicians[0].away] == [900, 2100]
    assert [start for start, _ in found.technicians[1].away] == [0, 1800]
    assert (found.technicians[0].away[0][1], found.technicians[1].away[0][1]) == (1050, 300)


@pytest.mark.parametrize(
    ("changes", "words", "people"),
    [
        ({"technicians": (Person(name="Ann"), Person(name=" ann "))}, "Two technicians are called", 1),
        ({"technicians": (Person(name="Ann", hours="17:00-09:00"), Person(name="Bo"))}, "Ann is left out", 1),
        ({"hours": "17:00-09:00"}, "09:00-17:00 is taken", 1),
        ({"breaks": ("13:00-12:30",)}, "ends before it begins", 1),
    ],
)
def test_what_cannot_be_meant_is_said_and_the_rest_planned(changes: dict[str, object], words: str, people: int) -> None:
    found, _, problems = bench_of(shop(**changes))
    assert words in " ".join(problems)
    assert len(found.technicians) == people


def test_the_visits_are_the_units_phases(demo: Batch) -> None:
    """At the median and without a log, a visit's hands and the machine after it add up to the minutes of the sheet."""
    bench, opens, _ = bench_of(demo.shop)
    jobs, _ = work_of(demo, bench, DAY, 0.5, opens)
    sheet = demo.scored.set_index(pd.Index(demo.tags))
    for job in jobs:
        assert job.least() / 10 == pytest.approx(sheet.loc[job.tag, "elapsed_min"], abs=0.05 * len(job.visits) + 0.1)
        assert (
            sum(v.least for v in job.visits) / 10 >= sheet.loc[job.tag, "hands_on_min"] - 0.05 * len(job.visits) - 0.1
        )


def test_the_stick_is_held_from_the_start_to_the_pull(demo: Batch) -> None:
    bench, opens, _ = bench_of(demo.shop)
    for job in work_of(demo, bench, DAY, 0.5, opens)[0]:
        taken, pulled = (job.visits[at] for at in job.held)
        assert taken.phases[0] == "boot"
        assert pulled.phases[0] == "first_boot"
        assert not any("boot" in visit.phases for visit in job.visits[: job.held[0]])


def test_hands_stand_before_the_machine_and_behind_it() -> None:
    """Common practice, no source: apt is started, works by itself, and somebody comes back to read how it ended."""
    from advisor.timing.operations import steps

    table = steps()
    last = {(phase, title) for phase, title, after in zip(table.phase, table.title, table.after, strict=True) if after}
    assert ("updates", "Start the updates") not in last
    assert ("updates", "Come back, read how it ended") in last
    assert ("first_boot", "Log in") in last
    assert ("check", "Start it as the recipient would") not in last
    assert not {phase for phase, _ in last} & {"prepare", "boot", "installer", "customise", "skeleton"}


def test_a_later_quantile_plans_longer_minutes(demo: Batch) -> None:
    bench, opens, _ = bench_of(demo.shop)
    half, most = (work_of(demo, bench, DAY, quantile, opens)[0] for quantile in (0.5, 0.9))
    assert all(a.least() < b.least() for a, b in zip(half, most, strict=True))


@pytest.mark.slow
def test_the_demo_day_overlaps_nothing_and_says_what_it_leaves(planned: Plan) -> None:
    assert not overlaps(planned.jobs, planned.bench, planned.solution.schedule)
    assert len(planned.solution.schedule) + len(planned.left) == len(planned.jobs) == 51
    frame = planned.frame
    for _, mine in frame.groupby("slot"):
        stays = mine.groupby("tag").agg(start=("start", "min"), end=("end", "max")).sort_values("start")
        assert (stays["start"].iloc[1:].to_numpy() >= stays["end"].iloc[:-1].to_numpy()).all()
    held = frame[frame["what"].str.startswith("Start from the stick")]
    assert held["stick"].max() <= 3


@pytest.mark.slow
def test_the_board_follows_the_day_to_its_end(planned: Plan) -> None:
    """Minute by minute: a unit is in one slot, comes once, and all are done at the end."""
    seen: dict[str, int] = {}
    begins, ends = planned.frame["start"].min(), planned.frame["end"].max() + pd.Timedelta(minutes=30)
    for now in pd.date_range(begins, ends, freq="17min"):
        told = planned.board(now.to_pydatetime())
        here = told[told["tag"].ne("")]
        assert here["tag"].is_unique
        hands = here.loc[here["doing"].eq("hands"), "technician"]
        assert hands.is_unique
        for row in here.itertuples():
            assert seen.setdefault(str(row.tag), int(row.slot)) == row.slot
        assert here["minutes_left"].ge(0).all()
    assert planned.board(ends.to_pydatetime())["tag"].eq("").all()


SHEET = pd.DataFrame(
    {
        "asset_tag": ["A-1", "A-2", "A-3", "A-4"], "cpu": ["i5-6300U"] * 4, "ram_gib": ["8"] * 4,
        "storage_kind": ["ssd"] * 4, "storage_gib": ["240"] * 4, "form_factor": ["laptop"] * 4,
        "boot_mode": ["UEFI"] * 4, "wireless": ["Intel Wireless-AC 8260"] * 4,
        "Due": ["", "10:30", "2026-11-29", "soon"], "priority": ["1", "", "low", "very"],
    }
)  # fmt: skip


def test_wishes_of_the_sheet_are_read_and_what_is_not_understood_is_said() -> None:
    """The bench opens at 09:00: 10:30 is 900 ticks in; what was due the day before is due by the end of this one."""
    batch = assess(SHEET)
    bench, opens, _ = bench_of(batch.shop)
    jobs, problems = work_of(batch, bench, DAY, 0.5, opens)
    assert [job.due for job in jobs] == [None, 900, 4800, None]
    assert [job.weight for job in jobs] == [9, 3, 1, 3]
    assert any("A-4" in said and "soon" in said for said in problems)
    assert any("A-4" in said and "very" in said for said in problems)


def test_units_that_cannot_be_planned_are_named_and_the_rest_is() -> None:
    few = shop(hours="09:00-09:15", breaks=())
    made = plan_day(assess(SHEET, few), DAY, seconds=1)
    assert sum("do not fit between" in said for said in made.problems) == 4
    assert made.frame.empty
    none = shop(images=tuple(Image(**{**vars(one), "sticks": 0}) for one in default_shop().images))
    made = plan_day(assess(SHEET, none), DAY, seconds=1)
    assert sum("there is no stick with the image debian-13" in said for said in made.problems) == 4


def test_a_quantile_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        plan_day(assess(SHEET), DAY, quantile=1.5)


def test_a_technicians_pace_is_the_logs() -> None:
    """Who takes twice as long for a check is planned with twice the minutes for it, and as anybody for the rest."""
    from dataclasses import replace

    from advisor.timing.model import with_log

    plain = timing.serving_model()
    slow = with_log(plain, replace(plain.log, paces={"Bo": {"prepare": 2.0}}))
    both = shop(technicians=(Person(name="Ann"), Person(name="bo")))
    batch = assess(SHEET, both, slow)
    bench, opens, _ = bench_of(both)
    first, second = work_of(batch, bench, DAY, 0.5, opens)[0][0].visits[:2]
    assert first.phases == ("prepare",)
    assert first.takes[1] == pytest.approx(2 * first.takes[0], abs=1)
    assert second.takes[0] == second.takes[1]


def test_spans_are_read_as_they_are_written() -> None:
    assert minutes("08:05-24:00") == minutes("8:05 – 24:00") == (485, 1440)


def test_moments_are_of_the_day(planned: Plan) -> None:
    assert planned.frame["start"].min() >= datetime(2026, 11, 30, 8, 0)
    assert (planned.frame["end"] <= datetime(2026, 11, 30, 17, 30)).all()


def together(*legs: tuple[str, float, float, float], pace: float = 1.0) -> list[tuple[float, float, tuple[str, ...]]]:
    """Visits of legs (phase, hands before, the machine alone, hands behind) as minutes, the stick's phases added."""
    from collections import defaultdict

    from advisor.plan.work import _put_together

    every = [*legs, ("boot", 1.0, 2.0, 0.0), ("copy", 0.0, 3.0, 0.0), ("first_boot", 1.0, 2.0, 1.0)]
    visits, held = _put_together(every, defaultdict(lambda: (pace,)))
    assert visits[held[0]].phases[0] == "boot"
    assert visits[held[1]].phases[0] == "first_boot"
    return [(visit.takes[0] / 10, visit.then / 10, visit.phases) for visit in visits]


def test_a_machine_is_left_alone_from_half_a_minute_on() -> None:
    """Common practice, no source: under half a minute one stands by, and that is no other's time."""
    assert together(("prepare", 5.0, 0.4, 0.0))[0] == (5.4, 0.0, ("prepare",))
    assert together(("prepare", 5.0, 0.5, 0.0))[0] == (5.0, 0.5, ("prepare",))


def test_a_phase_that_needs_nobody_lengthens_the_machines_work() -> None:
    """The copy follows the start from the stick by itself: 2 and 3 minutes after the one visit."""
    assert (1.0, 5.0, ("boot",)) in together()


def test_hands_behind_the_machine_are_the_next_visits() -> None:
    """By hand: 1 before, the machine alone for 2, 1 to read how it ended together with the 3 of what follows."""
    visits = together(("updates", 1.0, 2.0, 1.0), ("customise", 3.0, 0.0, 0.0))
    assert visits[0] == (1.0, 2.0, ("updates",))
    assert visits[1] == (4.0, 0.0, ("updates", "customise"))


def test_a_visit_ends_where_it_would_last_over_a_quarter_of_an_hour() -> None:
    """Common practice, no source."""
    assert len(together(("prepare", 10.0, 0.0, 0.0), ("customise", 5.0, 0.0, 0.0))) == 4
    assert len(together(("prepare", 10.0, 0.0, 0.0), ("customise", 5.1, 0.0, 0.0))) == 5


def test_work_of_over_half_an_hour_is_cut_into_equal_pieces() -> None:
    """Common practice, no source: 31 minutes are two pieces of 15.5, 30 one."""
    assert [hands for hands, _, _ in together(("prepare", 31.0, 0.0, 0.0))][:2] == [15.5, 15.5]
    assert together(("prepare", 30.0, 0.0, 0.0))[0][0] == 30.0


def test_standing_by_does_not_hang_on_the_pace() -> None:
    assert together(("prepare", 5.0, 0.4, 0.0), pace=2.0)[0][0] == 10.4


def test_who_works_where_nobody_is_named() -> None:
    found, _, _ = bench_of(shop(hands=3))
    assert [one.name for one in found.technicians] == ["technician 1", "technician 2", "technician 3"]


def test_images_that_are_not_on_hand_have_no_stick() -> None:
    """The built-in shop's images with a kernel from backports are not on hand; of the others one stick lies ready."""
    found, _, _ = bench_of(default_shop())
    assert found.sticks["debian-13"] == 1
    assert found.sticks["debian-13-backports"] == 0


def test_what_a_plan_says_of_itself(planned: Plan) -> None:
    """What is left, what is to be bought by when, the downloads, and the list of the evening before."""
    said = planned.summary()
    assert f"{len(planned.solution.schedule)} of 51 units" in said
    assert f"Chance that the day is kept: {100 * planned.chance.kept:.0f} %" in said
    assert all(tag in said for tag in planned.left)
    bought = {part for job in planned.jobs for part in job.buys}
    assert "SATA SSD 240 GB" in bought
    assert all(f": {part}, for " in said for part in planned.delivery)
    when, tags = planned.delivery["SATA SSD 240 GB"]
    starts = planned.frame.groupby("tag")["start"].min()
    assert min(starts[tag] for tag in tags).strftime("%H:%M") in (when, f"{when[:3]}{int(when[3:]) - 1:02d}")
    assert planned.to_prepare[0].startswith("3 sticks with debian-13")
    assert any("broadcom-sta-dkms of Debian 13" in line and "network needed" in line for line in planned.to_prepare)


def test_a_part_that_must_be_bought_is_waited_for(demo: Batch) -> None:
    """The workshop opens at 08:00; a delivery at 13:00 is 3,000 ticks in. OM-1004 needs a disk that is not there."""
    bench, opens, _ = bench_of(demo.shop)
    jobs = work_of(demo, bench, DAY, 0.5, opens, 3000)[0]
    release = {job.tag: job.release for job in jobs}
    assert release["OM-1004"] == 3000
    assert release["OM-1001"] == 0


def test_one_of_anything_is_counted_as_one() -> None:
    alone = shop(hands=1, slots=1, technicians=())
    said = plan_day(assess(SHEET.head(1), alone), DAY, seconds=1).summary().splitlines()[0]
    assert " 1 of 1 unit, " in said and said.endswith(" 1 technician, 1 slot.")
