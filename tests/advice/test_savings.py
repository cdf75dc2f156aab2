"""What would save hands: the same model with one more way of working, and the steps that a newcomer sees."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor import assess, read
from advisor.advice.savings import sentences, units_a_month
from advisor.advice.unfold import step_lines
from advisor.files import datasets
from advisor.shop import Practice
from advisor.shop_file import read_shop


@pytest.fixture(scope="module")
def batch():
    demo = datasets() / "demo"
    return assess(read(demo / "intake.csv").head(12), read_shop(demo / "shop.toml"))


def test_most_hands_first_and_none_that_the_shop_has(batch):
    found = batch.savings(100)
    assert set(found["practice"]) == {str(one) for one in Practice}
    assert found["hands_month_min"].is_monotonic_decreasing
    assert (found["hands_min"] >= 0).all() and (found["slot_min"] >= 0).all()
    pd.testing.assert_series_equal(
        found["hands_month_min"], 100 * found["hands_min"], check_names=False, check_exact=False
    )


@pytest.mark.parametrize("practice", [Practice.LAYOUT_PACKAGE, Practice.CACHE])
def test_a_saving_is_what_the_shop_gets_that_takes_it_up(batch, practice):
    shop = batch.shop.model_copy(update={"practices": (practice,)})
    after = assess(batch.raw, shop)
    assert practice not in set(after.savings()["practice"])
    saved = (batch.scored["elapsed_min"] - after.scored["elapsed_min"]).astype("Float64").dropna()
    row = batch.savings().set_index("practice").loc[str(practice)]
    assert saved.mean() == pytest.approx(row["slot_min"], abs=0.06)
    assert saved.mean() > 0


def test_a_cache_saves_the_slot_more_than_the_hands(batch):
    row = batch.savings().set_index("practice").loc["local package cache"]
    assert row["slot_min"] > 3 * row["hands_min"]


def test_lines_have_a_row_each(batch):
    assert len(sentences(batch.savings())) == 1 + len(Practice)


@pytest.mark.parametrize(
    ("days", "month"),
    [(["2026-01-01", "2026-03-01"], 2 / 60 * 365.25 / 12), (["2026-01-01", "2026-01-05"], None), ([], None)],
)
def test_units_a_month(days, month):
    found = units_a_month(pd.DataFrame({"date": days}))
    assert found == (None if month is None else pytest.approx(month))


def test_steps_add_up_to_the_hands_on_minutes(batch):
    timing = batch.timing
    done = timing.hands_on_min.dropna().index
    by_unit = timing.steps.groupby("row")["seconds"].sum() / 60
    fitting = batch.cases.chosen["fit_min"].fillna(0).to_numpy(dtype=float)
    for case in done:
        rest = float(timing.hands_on_min[case]) - by_unit[case] - fitting[case]
        # What is left is standing by, at most two and a half minutes in all, and the rounding of fourteen phases.
        assert -0.7 <= rest - float(timing._wait[case].sum()) <= 0.7


def test_the_steps_of_a_unit_in_words(batch):
    prepared = next(row for row in range(len(batch)) if batch.cases.works[batch.case[row]])
    lines = step_lines(batch, prepared)
    assert lines[0].startswith(batch.tags[prepared]) and "min hands-on" in lines[0]
    assert any(line.strip() == "type: sudo apt update" for line in lines)
    assert sum(line.startswith("  [ ] ") for line in lines) > 40
    rest = [row for row in range(len(batch)) if not batch.cases.works[batch.case[row]]]
    assert all(len(step_lines(batch, row)) == 1 for row in rest)


def test_the_review_shows_it_as_a_table(batch):
    from advisor.views.review_view import saving_table

    table = saving_table(batch.savings())
    assert table.count("<tr>") == 1 + len(Practice)
    assert all(str(one) in table for one in Practice)
