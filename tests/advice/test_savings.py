"""What would save hands: the same model with one more way of working, and the steps that a newcomer sees."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from advisor import assess, read
from advisor.advice.savings import sentences, units_a_month
from advisor.advice.unfold import step_lines
from advisor.files import datasets
from advisor.shop import Practice
from advisor.shop_file import read_shop
from tests.advice.conftest import batch_of


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
    [
        (["2026-01-01", "2026-03-01"], 2 / 60 * 365.25 / 12),
        (["2026-01-01", "2026-01-05"], None),
        ([], None),
        (["2026-01-30", "soon", "2026-01-01"], 2 / 30 * 365.25 / 12),
        (["2026-01-01", "2026-01-29"], None),
        (["2026-02-01T09:00", "2026-03-02T17:00"], 2 / 30 * 365.25 / 12),
    ],
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
        assert -0.7 <= rest - float(timing.parts.wait[case].sum()) <= 0.7


def test_the_steps_of_a_unit_in_words(batch):
    prepared = next(row for row in range(len(batch)) if batch.cases.works[batch.case[row]])
    lines = step_lines(batch, prepared)
    assert lines[0].startswith(batch.tags[prepared]) and "min hands-on" in lines[0]
    assert any(line.strip() == "type: sudo apt update" for line in lines)
    assert sum(line.startswith("  [ ] ") for line in lines) > 40
    rest = [row for row in range(len(batch)) if not batch.cases.works[batch.case[row]]]
    assert all(len(step_lines(batch, row)) == 1 for row in rest)


def test_the_review_shows_it_as_a_table(batch):
    from advisor.views import show

    table = show.part("savings", batch.savings().to_dict("records"))
    assert table.count("<tr>") == 1 + len(Practice)
    assert all(str(one) in table for one in Practice)


def test_savings_in_lines():
    found = pd.DataFrame({"practice": ["second stick"], "hands_min": [1.25], "slot_min": [0.04],
                          "hands_month_min": [90.0], "slot_month_min": [-6.0]})  # fmt: skip
    assert sentences(found) == [
        "would save                        hands a unit  slot a unit  hands a month  slot a month",
        "second stick                           1.2 min      0.0 min          1.5 h        -0.1 h",
    ]


def test_the_steps_of_a_fitting_and_of_standing_by_in_lines():
    """The invented shop says 15 min for its SSD, which holds for opening a usual box too."""
    whole = batch_of({"storage_kind": "HDD 500 GB"}, {"notes": "battery swollen"})
    lines = step_lines(whole, 0)
    case = whole.timing
    assert lines[0] == (
        f"T-1: {case.hands_on_min[0]:.0f} min hands-on, {case.hands_low_min[0]:.0f} to {case.hands_high_min[0]:.0f} "
        "in 8 of 10"
    )
    assert lines[2] == "  [ ] Fit SATA SSD 240 GB: 15.0 min, opening and closing included"
    stands = [line for line in lines if line.startswith("      stand by while the machine works: ")]
    assert 2 <= len(stands) <= 7 and all(re.fullmatch(r".*: \d+ s", line) for line in stands)
    # A start is stood by for the firmware's 12 s at the most, with a tenth of a minute for rounding.
    assert all(6 <= int(line.split()[-2]) <= 42 for line in stands)
    assert step_lines(whole, 1) == ["T-2: nothing is installed, so there are no steps."]
