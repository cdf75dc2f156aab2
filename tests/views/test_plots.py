"""Pictures: each says in a sentence what it shows, with numbers that can be checked, and follows the page's colours."""

from __future__ import annotations

import itertools
import re

import pandas as pd
import pytest

from advisor.timing import review
from advisor.views import plots, review_plots

DREW = {
    "advice": lambda batch: batch.plot.advice(),
    "minutes": lambda batch: batch.plot.minutes(),
    "parts": lambda batch: batch.plot.parts(),
    "measured": lambda batch: batch.plot.measured(),
    "scatter": lambda _: review_plots.scatter(),
    "misses": lambda _: review_plots.misses("edition"),
    "coverage": lambda _: review_plots.coverage("disk"),
    "curves": lambda _: review_plots.curves(),
    "swings": lambda batch: review_plots.swings(batch),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", DREW)
def test_a_picture_has_its_sentence_as_its_alternative_text_and_no_colour_of_its_own_for_words(batch, name):
    picture = DREW[name](batch)
    assert picture.says.endswith(".")
    assert f'role="img" aria-label="{plots.escape(picture.says)}"' in picture.svg
    assert plots.INK not in picture.svg
    assert "currentColor" in picture.svg
    assert not re.search(r"https?://(?!www\.w3\.org)", picture.svg)


def test_the_picture_of_the_parts_counts_as_the_drawer_does(batch):
    drawer = batch.drawer
    assert (
        batch.plot.parts().says
        == f"{drawer['kept'].sum()} parts kept from the drawer, {drawer['to_buy'].sum()} to buy."
    )


def test_coverage_by_class_counts_and_is_as_unsure_as_wilson_says():
    rows = pd.DataFrame({
        "disk": ["a"] * 4 + ["b"], "actual_min": [10, 10, 10, 10, 20], "predicted_min": [11, 9, 10, 20, 10],
        "low_min": [9, 8, 9, 15, 9], "high_min": [12, 11, 12, 25, 12],
    })  # fmt: skip
    found = review.by_class(rows, "disk").set_index("class")
    # Wilson's interval for 3 of 4 at 95 %, by hand: centre (3 + 1.92073)/(4 + 3.84146), half 0.3274.
    assert found.loc["a", "covered_pct"] == 75
    assert found.loc["a", "covered_low_pct"] == pytest.approx(30.06, abs=0.01)
    assert found.loc["a", "covered_high_pct"] == pytest.approx(95.44, abs=0.01)
    assert found.loc["a", "miss_pct"] == pytest.approx(10)
    assert found.loc["b", ["units", "covered_pct", "bias_pct"]].tolist() == [1, 0, -50]


def test_the_shipped_held_out_predictions_are_of_the_model_that_ships():
    from advisor import tables
    from advisor.files import datasets

    about = tables.meta(datasets() / "timing" / "held_out.meta.toml")
    assert about["made_for"] == review.mark(), "make them anew: python -m advisor.timing.review"


def test_faster_parts_make_shorter_installs_in_the_curves():
    found = review.curves()
    for name, sign in {"decompress_mib_s": -1, "disk_read_mib_s": -1, "disk_access_ms": 1, "link_mbps": -1}.items():
        minutes = found[found["input"].eq(name)].sort_values("value")["minutes"]
        assert sign * (minutes.iloc[-1] - minutes.iloc[0]) > 0


def _bars(figure):
    """Lengths of the bars by colour, and the class of each."""
    [one] = figure.axes
    names = [label.get_text().rpartition(" (")[0] for label in one.get_yticklabels()]
    return [dict(zip(names, [bar.get_width() for bar in some], strict=True)) for some in one.containers]


@pytest.mark.parametrize("by", ["disk", "edition", "processor"])
def test_the_sentence_of_the_misses_names_the_longest_bar_of_each_colour(by):
    picture = review_plots.misses(by)
    known, blind = ({name: f"{name}, {miss:.0f} %" for name, miss in some.items()} for some in _bars(picture.figure))
    lengths = _bars(picture.figure)
    for said, some, where in zip((known, blind), lengths, ("where speeds were measured", "where not"), strict=True):
        assert f"{said[max(some, key=some.get)]}, {where}" in picture.says


def test_classes_of_disk_are_written_as_elsewhere():
    """NVMe as NVM Express writes it, eMMC as JEDEC does (JESD84), SD as the SD Association does."""
    for picture in (review_plots.misses("disk"), review_plots.coverage("disk"), review_plots.scatter()):
        [one] = picture.figure.axes
        shown = {label.get_text().rpartition(" (")[0] for label in one.get_yticklabels()}
        shown |= {label.get_text() for label in one.get_legend().get_texts()} if one.get_legend() else set()
        assert {"NVMe", "eMMC", "SATA SSD"} <= shown
        assert not {"nvme", "emmc", "sata ssd", "sd card"} & shown


def test_marks_of_the_curves_are_apart_and_sizes_in_units_that_people_read():
    """Medians of the live copies: 3.4 to 6.0 GB installed, 69 to 169 MiB of updates (datasets/timing/rehearsals)."""
    figure = review_plots.curves().figure
    figure.canvas.draw()
    for one in figure.axes:
        low, high = one.get_xlim()
        ticks = zip(one.get_xticks(), one.get_xticklabels(), strict=True)
        shown = [label for value, label in ticks if low <= value <= high and label.get_text()]
        boxes = [label.get_window_extent() for label in shown]
        assert len(shown) >= 2, one.get_xlabel()
        assert all(left.x1 + 6 < right.x0 for left, right in itertools.pairwise(boxes)), one.get_xlabel()
        assert not any("M" in label.get_text() for label in shown)
    named = {one.get_xlabel(): one.get_xlim() for one in figure.axes}
    assert named["installed [GB]"] == pytest.approx((3.4, 6.0), abs=0.3)
    assert named["updates [MiB]"] == pytest.approx((69, 169), abs=8)


def test_swings_are_of_the_size_that_the_assumptions_span(batch):
    found = review.swings(batch.timing).set_index("assumption")["minutes"]
    # The wait at a restart spans 8.2 to 20.2 s, 12 s, and there are four: medium, first boot, restart, check.
    assert found["restart_wait"] == pytest.approx(4 * 12 / 60, rel=0.25)
    assert found["seal_work"] == pytest.approx(37 / 60)
    picture = review_plots.swings(batch)
    assert picture.says.startswith("What is assumed, by how far it alone moves a unit: hands-on minutes ")
    # No unit of the batch installs to a USB disk, so that its bar is left out.
    assert "clearing out the bench account" in picture.svg and "of USB" not in picture.svg


def test_the_sentence_of_a_bench():
    from advisor.benchlog.compare import sentence

    assert "no unit is logged yet" in sentence(pd.DataFrame())
    rows = pd.DataFrame({
        "actual_min": [100.0] * 5, "predicted_min": [110.0, 110, 110, 90, 100], "low_min": [90.0, 90, 105, 80, 90],
        "high_min": [120.0] * 5,
    })  # fmt: skip
    assert sentence(rows) == "At your bench: typical miss 10 %, 8 of 10 inside the range, from 5 units."
