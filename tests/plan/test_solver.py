"""The solver and the rules of dispatch: optima of the literature, Graham's bound, and that nothing ever overlaps."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from instances import OPTIMA, rows
from shops import bench, overlaps, unit, usual

from advisor.plan.problem import Bench, Technician, UnitJob, Visit, finish, load_bound, weight_bound
from advisor.plan.rules import cost, dispatch, good_start, longest_first
from advisor.plan.solver import solve


def shop_floor(text: str) -> tuple[tuple[UnitJob, ...], Bench]:
    """A job shop: a machine is a technician who alone can do its visits; there are slots enough, no sticks."""
    machines = len(rows(text)[0])
    jobs = tuple(
        UnitJob(str(number), tuple(Visit((long,) * machines, who=(machine,)) for machine, long in row))
        for number, row in enumerate(rows(text))
    )
    return jobs, Bench(tuple(Technician(str(one)) for one in range(machines)), len(jobs))


@pytest.mark.parametrize("name", OPTIMA)
def test_the_instances_are_whole(name: str) -> None:
    """Every job meets every machine once, as in the literature; a slip of memory would likely break it."""
    text = OPTIMA[name][0]
    machines = len(rows(text)[0])
    assert all(sorted(machine for machine, _ in row) == list(range(machines)) for row in rows(text))


@pytest.mark.slow
@pytest.mark.outside
@pytest.mark.parametrize("name", OPTIMA)
def test_optima_of_the_literature(name: str) -> None:
    text, optimum = OPTIMA[name]
    found = solve(*shop_floor(text), seconds=120)
    assert (found.finish, found.bound) == (optimum, optimum)


def test_grahams_example_of_the_longest_first_rule() -> None:
    """Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17 (1969): on two machines longest first
    may take 7/6 of the optimum, 4/3 - 1/(3 m), and 3, 3, 2, 2, 2 are such jobs: 7 against 6."""
    jobs = tuple(unit(str(number), (long, 0)) for number, long in enumerate((30, 30, 20, 20, 20)))
    floor = bench(slots=9, breaks=False)
    assert finish(jobs, dispatch(jobs, floor, longest_first(jobs))) == 70
    found = solve(jobs, floor, seconds=5)
    assert (found.finish, found.bound, found.gap) == (60, 60, 0.0)


@given(st.lists(st.integers(1, 90), min_size=1, max_size=12), st.integers(1, 4), st.randoms())
def test_grahams_bound_on_any_order(longs: list[int], people: int, chance: object) -> None:
    """Graham 1966: no list ends later than total / m + (1 - 1 / m) longest; longest first not after 4/3 - 1/(3 m)."""
    jobs = tuple(unit(str(number), (long, 0), people=people) for number, long in enumerate(longs))
    floor = bench(slots=20, people=people, breaks=False)
    order = list(range(len(jobs)))
    chance.shuffle(order)  # type: ignore[attr-defined]
    ends = finish(jobs, dispatch(jobs, floor, order))
    assert ends <= sum(longs) / people + (1 - 1 / people) * max(longs) + 1e-9
    assert load_bound(jobs, floor) <= ends


LEGS = st.lists(st.tuples(st.integers(1, 120), st.integers(0, 90)), min_size=1, max_size=4)


@st.composite
def days(draw: st.DrawFn) -> tuple[tuple[UnitJob, ...], Bench]:
    people = draw(st.integers(1, 3))
    floor = bench(draw(st.integers(1, 4)), people, draw(st.integers(1, 2)), draw(st.sampled_from([None, 1600, 2600])))
    jobs = []
    for number, legs in enumerate(draw(st.lists(LEGS, min_size=1, max_size=7))):
        due = draw(st.sampled_from([None, 600, 2000]))
        job = unit(f"U-{number}", *legs, people=people, due=due, weight=draw(st.sampled_from([1, 3, 9])),
                   release=draw(st.sampled_from([0, 300])))  # fmt: skip
        paces = draw(st.lists(st.sampled_from([1, 2]), min_size=people, max_size=people))
        visits = tuple(Visit(tuple(v.takes[0] * pace for pace in paces), v.then, v.phases) for v in job.visits)
        jobs.append(UnitJob(**{**vars(job), "visits": visits}))
    return tuple(jobs), floor


@settings(max_examples=60)
@given(days())
def test_a_rule_of_dispatch_never_overlaps(day: tuple[tuple[UnitJob, ...], Bench]) -> None:
    jobs, floor = day
    found = dispatch(jobs, floor, longest_first(jobs))
    assert not overlaps(jobs, floor, found)
    if len(found) == len(jobs):
        assert load_bound(jobs, floor) <= finish(jobs, found)


@pytest.mark.slow
@settings(max_examples=25)
@given(days())
def test_the_solver_never_overlaps_and_never_does_worse_than_the_rules(day: tuple[tuple[UnitJob, ...], Bench]) -> None:
    jobs, floor = day
    found = solve(jobs, floor, seconds=0.5)
    assert not overlaps(jobs, floor, found.schedule)
    assert cost(jobs, floor, found.schedule) <= cost(jobs, floor, good_start(jobs, floor))
    if len(found.schedule) == len(jobs):
        assert found.bound <= found.finish


def test_two_units_wait_for_one_stick() -> None:
    """Each holds the stick from its second visit (10) over the machine's 50 to its third: by hand, the second unit
    installs from 70 on, and ends 30 later than 130."""
    jobs = tuple(unit(str(n), (10, 0), (10, 50), (10, 0)) for n in range(2))
    one, two = (solve(jobs, bench(sticks=many, breaks=False), seconds=5) for many in (1, 2))
    assert (one.finish, one.gap) == (140, 0.0)
    assert (two.finish, two.gap) == (80, 0.0)


def test_a_break_is_kept_free() -> None:
    """1,195 ticks are too late for 10 before the break from 1,200 to 1,350."""
    jobs = (unit("U-1", (10, 0), release=1195),)
    found = solve(jobs, bench(), seconds=2)
    assert found.schedule[0][0].start == 1350


def test_what_matters_more_is_kept_when_the_day_is_full() -> None:
    jobs = tuple(unit(f"U-{n}", (200, 0), weight=9 if n == 3 else 3, people=1) for n in range(4))
    found = solve(jobs, bench(people=1, close=450, breaks=False), seconds=5)
    assert len(found.schedule) == 2
    assert 3 in found.schedule
    assert found.most == 12


def test_how_much_a_day_can_hold_by_hand() -> None:
    """450 ticks of hands: the heaviest for its work first, 9 + 3 + a quarter of 3, of which 12 is whole."""
    jobs = tuple(unit(f"U-{n}", (200, 0), weight=9 if n == 3 else 3, people=1) for n in range(4))
    assert weight_bound(jobs, bench(people=1, close=450, breaks=False)) == 12
    assert weight_bound(jobs, bench(people=1, breaks=False)) == 18


def test_a_stick_that_is_held_already_makes_no_day_longer() -> None:
    """By hand: 10 of hands, 50 of the machine with the stick in, 10 of hands: nobody waits, all is done at 70."""
    jobs = (unit("U-1", (10, 50), (10, 0), stick="i", held=(-1, 1), begun=True),)
    floor = bench(sticks=1, breaks=False)
    assert load_bound(jobs, floor) == finish(jobs, dispatch(jobs, floor, [0])) == 70


def test_a_unit_that_is_due_is_done_first() -> None:
    jobs = tuple(unit(f"U-{n}", (100, 0), due=100 if n == 2 else None, people=1) for n in range(3))
    found = solve(jobs, bench(people=1, breaks=False), seconds=5)
    assert found.schedule[2][0].start == 0


def test_units_whose_parts_are_not_here_yet_wait_as_long_as_the_day_allows() -> None:
    """Three of 100 for one technician in a day of 350: the one that waits starts at 250 at the latest."""
    jobs = tuple(unit(f"U-{n}", (100, 0), people=1) for n in range(3))
    found = solve(jobs, bench(people=1, close=350, breaks=False), seconds=5, waits=frozenset({0}))
    assert found.schedule[0][0].start == 250
    assert not overlaps(jobs, bench(people=1, close=350, breaks=False), found.schedule)


@pytest.mark.slow
def test_the_gap_at_a_usual_bench() -> None:
    """40 units, 6 slots, 2 technicians, 3 sticks: within 2 % of the bound; the rules alone come near it."""
    jobs, floor = usual(40), bench(slots=6, sticks=3)
    found = solve(jobs, floor, seconds=3)
    assert found.gap < 0.02
    assert not overlaps(jobs, floor, found.schedule)


def test_the_day_may_end_a_quarter_of_an_hour_later_for_parts_and_no_more() -> None:
    """Three of 100 end at 300; with a day that is long enough the one that waits starts at 300 + 150 - 100."""
    jobs = tuple(unit(f"U-{n}", (100, 0), people=1) for n in range(3))
    found = solve(jobs, bench(people=1, close=3000, breaks=False), seconds=5, waits=frozenset({0}))
    assert found.schedule[0][0].start == 350
    assert found.finish == 450
