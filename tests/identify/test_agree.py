"""What several processors have in common, and how far their speeds lie apart, by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from advisor.identify import agree, catalogue, from_text
from advisor.identify.agree import spread

Z = 1.2815515655446004
"""Ninth decile of the standard normal distribution: NIST/SEMATECH e-Handbook, 1.3.6.7.1."""


def group(*pairs: tuple[float | None, float]) -> list[dict[str, float | None]]:
    return [{"speed": speed, "log_sd": sd} for speed, sd in pairs]


def test_a_model_lies_between_the_tenths_of_its_cores_spread() -> None:
    """Skylake does one piece of work a clock, give or take 12 %: from memory, as the table of cores says."""
    found = from_text("i5-6300U")
    assert found.speed == pytest.approx(1)
    assert (found.speed_low, found.speed_high) == pytest.approx((math.exp(-Z * 0.12), math.exp(Z * 0.12)))


@pytest.mark.parametrize(
    ("pairs", "found"),
    [
        (((1.0, 0.0), (2.5, 0.0)), True), (((1.0, 0.0), (2.6, 0.0)), False), (((None, 0.1),), False),
        (((None, 0.1), (1.0, 0.1)), True), (((1.0, 0.1), (1.1, 0.1), (1.2, 0.1)), True),
    ],
)  # fmt: skip
def test_a_spread_is_given_while_its_high_end_is_at_most_two_and_a_half_times_its_low(
    pairs: tuple[tuple[float | None, float], ...], found: bool
) -> None:
    middle, low, high = spread(group(*pairs))
    assert (middle is not None) == (low is not None) == (high is not None) == found


def test_each_of_several_is_as_likely_as_the_other() -> None:
    middle, low, high = spread(group((1.0, 0.0), (1.5, 0.0), (2.0, 0.0)))
    assert (middle, low, high) == pytest.approx((1.5, 1, 2))


def test_one_alone_keeps_its_own_middle_and_tenths() -> None:
    """The tenths of a normal distribution, cut off at one and a half spreads and in seven steps: within a tenth."""
    middle, low, high = spread(group((2.0, 0.1)))
    assert middle == pytest.approx(2)
    assert math.log(2 / low) / 0.1 == pytest.approx(Z, abs=0.13)
    assert math.log(high / 2) / 0.1 == pytest.approx(Z, abs=0.13)
    assert low * high == pytest.approx(4)


def test_what_two_that_a_number_may_be_have_in_common() -> None:
    """5500U is a Core i7 of 2015 (Broadwell) with 2 cores and a Ryzen 5 of 2021 (Zen 2) with 6; both are v3."""
    both = from_text("5500U")
    old, new = from_text("i7-5500U"), from_text("Ryzen 5 5500U")
    assert (old.cores, old.threads, old.year, new.cores, new.threads, new.year) == (2, 4, 2015, 6, 12, 2021)
    assert (both.cores, both.threads, both.year, both.vendor, both.graphics) == (None,) * 5
    assert (both.level, both.level_least, both.level_most, both.year_least) == ("v3", "v3", "v3", 2015)
    assert both.speed_least == pytest.approx(min(old.speed_low, new.speed_low))
    assert both.speed_most == pytest.approx(max(old.speed_high, new.speed_high))
    assert not both.exact and both.source == "what the processors that the name leaves open have in common"


def test_ends_are_given_only_where_every_one_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    records = [catalogue.catalogue().record(row) for row in (0, 1)]
    whole = agree._common.__wrapped__((0, 1))
    records[1] |= {"speed": None, "level": None}
    monkeypatch.setattr(agree, "catalogue", lambda: SimpleNamespace(record=records.__getitem__))
    found = agree._common.__wrapped__((0, 1))
    assert whole.speed_least and whole.speed_most and whole.level_least and whole.level_most
    assert (found.speed_least, found.speed_most, found.level_least, found.level_most) == (None,) * 4


def test_levels_of_a_line_run_from_the_lowest_to_the_highest() -> None:
    """The tenth generation of Core holds Comet Lake (v3) and Ice Lake (v4); an Atom N may lack 64 bits."""
    tenth = from_text("i7 10th gen")
    assert (tenth.level, tenth.level_least, tenth.level_most, tenth.year_least) == (None, "v3", "v4", 2019)
    assert tenth.vendor == "Intel" and tenth.generation == "Core 10th gen"
    atom = from_text("Atom")
    assert atom.level_least == "i686"
