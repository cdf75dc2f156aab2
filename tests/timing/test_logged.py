"""A log laid beside what is predicted: which rows count, for how much, and what they show, reckoned by hand."""

from __future__ import annotations

import math
from dataclasses import fields
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor.shop import default_shop
from advisor.timing import logged, serving_model
from advisor.timing.logged import Logged


class Today(date):
    """A day that stays."""

    @classmethod
    def today(cls) -> Today:
        return cls(2026, 1, 1)


def test_days_are_counted_from_1970_and_none_is_in_the_future(monkeypatch: pytest.MonkeyPatch) -> None:
    """56 years of 365 days and 14 leap days; in a zone ahead it is tomorrow already."""
    monkeypatch.setattr(logged, "date", Today)
    text = ["1970-01-02", "2026-01-01T12:00", "2026-01-02", "2026-01-03", "soon", None]
    found = logged.days(pd.DataFrame({"date": text}))
    today = 56 * 365 + 14
    assert found.tolist() == pytest.approx([1, today + 0.5, today + 1, np.nan, np.nan, np.nan], nan_ok=True)
    assert np.isnan(logged.days(pd.DataFrame({"other": text}))).all()


def test_a_unit_counts_half_at_the_half_life_and_never_nothing() -> None:
    """Of the known days 100, 10 and -800 the middle is 10; ten half-lives leave a thousandth."""
    found = logged.age_weights(np.array([100.0, 10.0, -800.0, np.nan]), 90)
    assert found.tolist() == pytest.approx([1, 0.5, 0.001, 0.5])
    assert logged.age_weights(np.full(2, np.nan), 90).tolist() == [1, 1]
    assert logged.HALF_LIFE_DAYS == 90  # a season; common practice, no source


def test_minutes_count_by_where_they_are_from() -> None:
    """A stopwatch in full, minutes typed afterwards less, an old sheet least; common practice, no source."""
    rows = pd.DataFrame({
        "minutes_from": ["stopwatch", "typed", "sheet", "", "", "", "guess"],
        "source": ["old.csv", "old.csv", "", "", "logged here", "old.csv", ""],
    })  # fmt: skip
    assert logged.source_weights(rows).tolist() == [1, 0.7, 0.4, 0.7, 0.7, 0.4, 0.7]
    assert logged.source_weights(pd.DataFrame({"cpu": ["i5"]})).tolist() == [0.7]


@pytest.mark.parametrize(
    ("column", "value", "invented"),
    [("provenance", "Invented for the demo", True), ("source", "invented", True), ("provenance", "the shop", False),
     ("notes", "invented", False), ("source", None, False)],
)  # fmt: skip
def test_an_invented_log_says_so(column: str, value: str | None, invented: bool) -> None:
    assert logged.invented(pd.DataFrame({column: ["", value]}, dtype="string")) is invented


def test_units_of_a_log_are_read_as_a_unit_takes_them() -> None:
    log = pd.DataFrame({"cpu": [" i5 ", "", "i3"], "ram_gib": ["8", "-1", "inf"], "cpu_cores": ["2", "0", "many"]})
    units = logged.log_units(log)
    assert units["cpu"].fillna("?").tolist() == ["i5", "?", "i3"]
    assert units["ram_gib"].fillna(-9).tolist() == [8, -9, -9]
    assert units["cpu_cores"].fillna(-9).tolist() == [2, -9, -9]
    assert (str(units["ram_gib"].dtype), str(units["cpu_cores"].dtype)) == ("Float64", "Int64")
    assert units["maker"].isna().all() and units["touch"].isna().all()


PLAIN = {"cpu": "i5-6300U", "ram_gib": "8", "storage_kind": "sata ssd", "storage_gib": "223", "image": "debian-13",
         "edition": "Xfce", "hands_on_min": "20", "elapsed_min": "45"}  # fmt: skip


def lay(*rows: dict[str, Any]) -> Logged:
    log = pd.DataFrame([{**PLAIN, "asset_tag": f"T-{number}", **row} for number, row in enumerate(rows, 1)])
    return logged.lay(serving_model(), log.astype("string"), default_shop())


REFUSED = [
    ({"elapsed_min": ""}, "elapsed_min", "no minutes in the slot"),
    ({"elapsed_min": "0"}, "elapsed_min", "minutes that no unit can take"),
    ({"elapsed_min": "100000"}, "elapsed_min", "minutes that no unit can take"),
    ({"elapsed_min": "99999"}, "elapsed_min", "far from anything predicted: left out as a slip"),
    ({"image": " "}, "image", "no image"),
    ({"edition": ""}, "edition", "no edition"),
    ({"image": "debian-1"}, "image", "none of the shop's images"),
    ({"storage_kind": "none"}, "storage_kind", "no disk to install on"),
]  # fmt: skip


def test_a_row_that_teaches_nothing_is_named_with_its_reason() -> None:
    found = lay({}, *(row for row, _, _ in REFUSED), {"hands_on_min": "0"})
    assert found.place.tolist() == [0, len(REFUSED) + 1]
    assert found.tags.tolist() == ["T-1", f"T-{len(REFUSED) + 2}"]
    assert found.said.tolist() == pytest.approx([20, np.nan], nan_ok=True)
    problems = found.problems[["place", "asset_tag", "column", "value", "problem"]]
    expected = [(at, f"T-{at + 1}", column, row[column].strip() if column != "image" else row[column], problem)
                for at, (row, column, problem) in enumerate(REFUSED, 1)]  # fmt: skip
    assert list(problems.itertuples(index=False, name=None)) == expected


def test_the_same_row_twice_counts_once() -> None:
    day = {"date": "2025-03-01"}
    again = lay({**day, "asset_tag": "A"}, {**day, "asset_tag": "A"}, {**day, "asset_tag": "A", "elapsed_min": "46"},
                {**day, "asset_tag": ""}, {**day, "asset_tag": ""}, {**day, "asset_tag": "B"})  # fmt: skip
    assert again.place.tolist() == [0, 2, 3, 4, 5]
    assert again.problems["problem"].tolist() == ["the same row twice"]
    assert len(lay({"asset_tag": "A"}, {"asset_tag": "A"})) == 2  # without a day nobody knows


def test_units_are_laid_oldest_first_and_one_without_a_day_stays_behind_the_one_above() -> None:
    found = lay({"date": "2025-03-03"}, {"date": ""}, {"date": "2025-03-01"}, {"date": "2025-03-02"})
    assert found.tags.tolist() == ["T-3", "T-4", "T-1", "T-2"]
    assert found.span == ("2025-03-01", "2025-03-03")
    assert found.newest(1).tolist() == [False, False, False, True]
    assert lay({"date": ""}).span == ("", "")


@pytest.mark.parametrize(("share", "kept"), [(0.19, False), (0.21, True), (9.9, True), (10.1, False)])
def test_a_fifth_of_the_machine_minutes_predicted_or_ten_times_as_many_are_a_slip(share: float, kept: bool) -> None:
    one = lay({"hands_on_min": ""})
    busy, under, _ = (part.sum() for part in one.hands.beside(one.work))
    minutes = busy - under + share * one.work.sum()
    assert len(lay({"hands_on_min": "", "elapsed_min": f"{minutes:.6f}"})) == kept


def made(said: float, elapsed: float = 30.0) -> Logged:
    """One unit of 10 minutes at work, 4 of them while the machine works its 11, and 2 stood by."""

    def at_pace(factor: float) -> Any:
        minutes = tuple(np.array([[one]]) for one in (10.0 * factor, 4.0 * factor, 2.0))
        return SimpleNamespace(at_pace=at_pace, beside=lambda work: minutes)

    empty: dict[str, Any] = dict.fromkeys(one.name for one in fields(Logged))
    return Logged(**empty | {"said": np.array([said]), "elapsed": np.array([elapsed]), "hands": at_pace(1.0),
                             "work": np.array([[11.0]]), "fitted": np.array([False])})  # fmt: skip


@pytest.mark.parametrize(
    ("said", "elapsed", "factor", "share"),
    [(np.nan, 30, 1, 24 / 11), (20, 30, 1, 16 / 11), (np.nan, 30, 2, (30 - 22 + 8 + 2) / 11), (20, 14, 1, 0.2),
     (np.nan, 900, 1, 10)],
)  # fmt: skip
def test_machine_minutes_are_what_of_the_slot_is_not_hands_alone(
    said: float, elapsed: float, factor: float, share: float
) -> None:
    assert math.exp(made(said, elapsed).work_ratio(factor)[0]) == pytest.approx(share)


@pytest.mark.parametrize(("said", "pace"), [(22, 2), (12, 1), (2, 0.02), (np.nan, np.nan)])
def test_a_pace_is_hands_without_standing_by_over_those_expected(said: float, pace: float) -> None:
    """At the least a tenth of what was written down is at work."""
    assert np.exp(made(said).pace()[0]) == pytest.approx(pace, nan_ok=True)
