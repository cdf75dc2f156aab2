"""The ladder: rules of sense, what missing facts do, and monotone over the whole space of units."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pandas as pd
import pytest
from advisor.comfort.facts import storage_rates
from advisor.comfort.rungs import LONGEST_SAID_S
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor import comfort
from advisor.comfort.physics import memory_left_pct, physics
from advisor.shop import Edition, Shop, default_shop
from advisor.unit import Unit, frame

SHOP = default_shop()
RICHNESS = {name: number for number, name in enumerate(SHOP.richness)}
LIGHT = {"MATE", "Xfce", "LXQt", "LXDE"}
"""Those that need no drawing chip; in the measured sessions MATE asks for no more than Xfce."""


def processors(n: int = 1, **facts) -> pd.DataFrame:
    row = {
        "cpu_level": "v3", "cpu_speed": 1.0, "cpu_speed_low": 0.85, "cpu_cores": 2,
        "cpu_graphics": "Intel HD Graphics", "cpu_year": 2015,
    } | facts  # fmt: skip
    dtypes = {"cpu_level": "string", "cpu_graphics": "string", "cpu_cores": "Int64", "cpu_year": "Int64"}
    return pd.DataFrame(
        {name: pd.Series([value] * n, dtype=dtypes.get(name, "Float64")) for name, value in row.items()}
    )


def climb(cpu: dict | None = None, image: str | None = "debian-13", shop: Shop = SHOP, **facts) -> comfort.Ladder:
    plain = {"ram_gib": 8, "storage_gib": 240, "storage_kind": "sata ssd", "graphics": "Intel HD Graphics 520"}
    images = pd.Series([image], dtype="string")
    return comfort.ladder(frame([Unit(**(plain | facts))]), processors(**(cpu or {})), images, shop)


def chosen(ladder: comfort.Ladder) -> str | None:
    value = ladder.choice.iat[0]
    return None if pd.isna(value) else str(value)


def rank(ladder: comfort.Ladder) -> int:
    return RICHNESS.get(chosen(ladder) or "", len(RICHNESS))


# What a practitioner expects; common practice, no source.


def test_a_sixth_generation_laptop_with_8_gib_and_an_ssd_gets_the_richest():
    assert chosen(climb()) == "GNOME"


def test_2_gib_and_a_spinning_disk_come_out_light_or_not_at_all():
    old = {"cpu_speed": 0.45, "cpu_speed_low": 0.38, "cpu_year": 2010}
    assert chosen(climb(old, ram_gib=2, storage_kind="spinning disk")) in LIGHT | {None}


def test_1_gib_is_comfortable_with_nothing():
    ladder = climb({"cpu_speed": 0.12, "cpu_speed_low": 0.1, "cpu_year": 2009}, ram_gib=1, storage_kind="spinning disk")
    assert chosen(ladder) is None
    edition, seconds, why = ladder.lightest()
    assert edition.iat[0] in LIGHT and seconds[0] > 0 and "memory left" in why[0]


def test_where_no_browser_is_quick_the_nearest_is_still_a_light_one():
    # A spinning disk: every edition's browser is late, and the desktop of a light one stands much sooner.
    ladder = climb(ram_gib=4, storage_kind="spinning disk")
    assert chosen(ladder) is None and ladder.lightest()[0].iat[0] in LIGHT


def test_out_of_the_way_of_a_slow_disk_an_ssd_gives_more():
    assert rank(climb(storage_kind="spinning disk")) > rank(climb())


# What is said.


def test_every_edition_is_comfortable_or_has_a_reason():
    for facts in ({}, {"ram_gib": 2}, {"storage_kind": "spinning disk"}, {"storage_gib": 8}, {"ram_gib": None}):
        ladder = climb(**facts)
        for number in range(len(ladder.editions)):
            assert (ladder.out[0, number] is None) == bool(ladder.comfortable[0, number])


def test_the_sentence_names_the_figure_and_the_limit_it_breaks():
    out = climb(ram_gib=2).out[0, 0]
    assert "% of memory left, under 25 %" in out
    strict = SHOP.model_copy(update={"thresholds": SHOP.thresholds.model_copy(update={"desktop_s": 1})})
    assert "over 1 s" in climb(shop=strict).out[0, 0]


def test_why_says_what_was_chosen_and_why_not_the_next_richer():
    two = SHOP.model_copy(update={"richness": (Edition.GNOME, Edition.LXDE)})
    ladder = climb({"cpu_year": 2008, "cpu_graphics": pd.NA}, graphics="VIA Chrome9", shop=two)
    assert chosen(ladder) == "LXDE" and ladder.why(0).startswith("LXDE: ")
    assert "not GNOME: GNOME needs OpenGL" in ladder.why(0)


def test_the_long_form_has_a_row_an_edition_and_marks_the_choice():
    long = climb().long()
    assert list(long["edition"]) == list(SHOP.richness)
    assert list(long.loc[long["chosen"], "edition"]) == ["GNOME"]
    assert long["out"].isna().eq(long["comfortable"]).all()


def test_no_image_leaves_nothing():
    ladder = climb(image=None)
    assert chosen(ladder) is None and "no image" in ladder.out[0, 0]
    assert np.isnan(ladder.desktop_s).all() and ladder.lightest()[0].isna().all()
    assert not ladder.disk_too_small[0]


def test_a_disk_too_small_for_any_edition_is_said_so():
    assert climb(storage_gib=8, storage_kind="emmc").disk_too_small[0]
    assert not climb(storage_gib=32, storage_kind="emmc").disk_too_small[0]
    assert not climb(storage_gib=None).disk_too_small[0]


def test_an_edition_the_image_lacks_is_out():
    images = tuple(one.model_copy(update={"editions": ("Xfce",)}) for one in SHOP.images)
    ladder = climb(shop=SHOP.model_copy(update={"images": images}))
    assert chosen(ladder) == "Xfce" and ladder.out[0, 0] == "the image debian-13 does not have it"


def test_the_shops_order_of_richness_decides():
    turned = SHOP.model_copy(update={"richness": tuple(reversed(SHOP.richness))})
    assert chosen(climb(shop=turned)) == SHOP.richness[-1]


def test_the_index_of_the_units_is_kept():
    ladder = comfort.ladder(frame([Unit(ram_gib=8)]), processors(), pd.Series(["debian-13"], index=[41]), SHOP)
    assert list(ladder.choice.index) == [41] and list(ladder.missing.index) == [41]


# What is missing.


@pytest.mark.parametrize(
    ("cpu", "facts", "name"),
    [
        ({}, {"ram_gib": None}, "ram_gib"),
        ({"cpu_speed": pd.NA, "cpu_speed_low": pd.NA}, {}, "cpu"),
        ({}, {"storage_kind": None}, "storage_kind"),
        ({}, {"storage_gib": None}, "disk"),
        ({"cpu_graphics": pd.NA, "cpu_year": 2009}, {"graphics": None}, "graphics"),
    ],
)
def test_a_missing_fact_that_decides_is_unknown_and_named(cpu, facts, name):
    ladder = climb(cpu, **facts)
    assert ladder.unknown[0, 0] and not ladder.comfortable[0, 0]
    assert ladder.missing.iat[0] == name
    assert ladder.choice_at_best.iat[0] == "GNOME" and chosen(ladder) != "GNOME"
    assert ladder.out[0, 0]


def test_unknown_memory_is_unknown_whatever_else_is_known():
    ladder = climb(ram_gib=None)
    assert ladder.choice.isna().all() and ladder.unknown.any() and np.isnan(ladder.memory_left_pct).all()


def test_a_missing_fact_that_decides_nothing_is_not_named():
    # With 1 GiB no disk makes a comfortable machine.
    ladder = climb(ram_gib=1, storage_kind=None)
    assert not ladder.unknown.any() and ladder.missing.isna().all()


def test_a_measured_disk_needs_no_kind():
    ladder = climb(storage_kind=None, disk_read_mib_s=450, disk_access_ms=0.1)
    assert chosen(ladder) == "GNOME" and ladder.missing.isna().all()


def test_an_unknown_disk_widens_the_interval():
    known, unknown = climb(), climb(storage_kind=None)
    assert (unknown.desktop_high_s / unknown.desktop_s > known.desktop_high_s / known.desktop_s).all()


def test_what_lies_beyond_the_machines_measured_is_said():
    assert climb({"cpu_cores": 4}).beyond.iat[0] == "4 cores"
    one = climb({"cpu_cores": 1})
    assert one.beyond.isna().all() and "beyond" not in one.why(0)
    slow = climb({"cpu_cores": 1}, disk_read_mib_s=5, disk_access_ms=60, storage_kind=None)
    assert slow.beyond.iat[0] == "a slower disk, a disk of slower access"
    assert slow.why(0).endswith("; beyond what was measured: a slower disk, a disk of slower access")
    fast = climb({"cpu_cores": 2}, decompress_mib_s=400)
    assert fast.beyond.iat[0] == "a faster processor, 2 cores" and "beyond" not in fast.why(0)


def test_graphics_that_only_the_year_lets_pass_are_said_to_be_assumed():
    ladder = climb({"cpu_graphics": pd.NA, "cpu_year": 2016}, graphics=None)
    assert chosen(ladder) == "GNOME" and ladder.why(0).endswith("a processor of 2014 or later is taken to draw")
    assert "taken to draw" not in climb().why(0)
    # What needs no drawing chip needs no assumption.
    light = SHOP.model_copy(update={"richness": (Edition.XFCE, Edition.LXDE)})
    assert "taken to draw" not in climb({"cpu_graphics": pd.NA, "cpu_year": 2016}, shop=light, graphics=None).why(0)


def test_a_measured_decompression_takes_the_place_of_the_processors_name():
    slow, fast = climb(decompress_mib_s=8), climb(decompress_mib_s=60)
    named = climb()
    assert (fast.desktop_s < named.desktop_s).all() and (named.desktop_s < slow.desktop_s).all()
    # It is surer than a name.
    assert (fast.desktop_high_s / fast.desktop_s < named.desktop_high_s / named.desktop_s).all()
    assert chosen(climb({"cpu_speed": pd.NA, "cpu_speed_low": pd.NA}, decompress_mib_s=60)) == "GNOME"


def test_what_takes_longer_than_any_session_was_watched_is_said_without_its_seconds():
    ladder = climb({"cpu_speed": 0.15, "cpu_speed_low": 0.12}, ram_gib=1, storage_kind="spinning disk")
    said = " ".join(str(one) for one in ladder.out.ravel())
    assert (ladder.browser_high_s > LONGEST_SAID_S).any() and "browser usable after more than 10 minutes" in said
    assert all(int(one) <= LONGEST_SAID_S for one in re.findall(r"after (\d+) s", said))


def test_where_programs_are_likely_to_be_killed_nothing_is_comfortable():
    loose = SHOP.thresholds.model_copy(update={"desktop_s": 9999, "browser_s": 9999, "memory_left_pct": 0})
    ladder = climb(ram_gib=0.75, shop=SHOP.model_copy(update={"thresholds": loose}))
    assert (ladder.kill_probability > 0.5).all() and chosen(ladder) is None
    assert (np.diff([climb(ram_gib=one).kill_probability[0, 0] for one in (1, 2, 4, 8)]) < 0).all()


# Monotone.

UNITS = st.fixed_dictionaries(
    {
        "ram_gib": st.sampled_from([0.5, 1, 1.5, 2, 3, 4, 6, 8, 12, 16, 32]),
        "storage_kind": st.sampled_from(["spinning disk", "hybrid disk", "emmc", "sata ssd", "nvme", "usb", None]),
        "storage_gib": st.sampled_from([8, 16, 32, 120, 500, None]),
        "disk_read_mib_s": st.one_of(st.none(), st.floats(20, 3000)),
        "disk_access_ms": st.one_of(st.none(), st.floats(0.05, 40)),
        "graphics": st.sampled_from(["Intel HD Graphics 520", "VIA Chrome9", None]),
    }
)
CPUS = st.fixed_dictionaries(
    {
        "cpu_speed": st.floats(0.08, 3),
        "cpu_cores": st.sampled_from([1, 2, 4, 8]),
        "cpu_year": st.sampled_from([2006, 2018]),
        "cpu_graphics": st.just(pd.NA),
    }
)
IMAGES = st.sampled_from(["debian-12", "debian-13", "debian-12-i386"])
ORDER = ["spinning disk", "hybrid disk", "emmc", "sata ssd", "nvme"]


def better(unit: dict, cpu: dict, what: str, by: float) -> tuple[dict, dict]:
    unit, cpu = dict(unit), dict(cpu)
    if what == "memory":
        unit["ram_gib"] *= by
    elif what == "processor":
        cpu["cpu_speed"] *= by
    elif what == "cores":
        cpu["cpu_cores"] *= 2
    elif what == "disk speed":
        unit["disk_read_mib_s"] = None if unit["disk_read_mib_s"] is None else unit["disk_read_mib_s"] * by
        unit["disk_access_ms"] = None if unit["disk_access_ms"] is None else unit["disk_access_ms"] / by
    elif unit["storage_kind"] in ORDER:
        at = ORDER.index(unit["storage_kind"])
        unit["storage_kind"] = ORDER[min(at + 1 + int(by), len(ORDER) - 1)]
    return unit, cpu


@settings(max_examples=300, deadline=None)
@given(
    UNITS, CPUS, IMAGES, st.sampled_from(["memory", "processor", "cores", "disk speed", "disk kind"]), st.floats(1, 4)
)
def test_better_never_gives_a_lighter_edition_nor_a_longer_time(unit, cpu, image, what, by):
    after_unit, after_cpu = better(unit, cpu, what, by)
    units = frame([Unit(**unit), Unit(**after_unit)])
    both = [one | {"cpu_speed_low": one["cpu_speed"] * 0.8} for one in (cpu, after_cpu)]
    cpus = pd.concat([processors(**one) for one in both], ignore_index=True)
    ladder = comfort.ladder(units, cpus, pd.Series([image, image], dtype="string"), SHOP)
    before, after = (RICHNESS.get(str(one), len(RICHNESS)) for one in ladder.choice)
    assert after <= before
    assert not (ladder.comfortable[0] & ~ladder.comfortable[1]).any()
    for name in ("desktop_s", "desktop_high_s", "browser_s", "browser_high_s"):
        times = getattr(ladder, name)
        assert (times[1] <= times[0] * (1 + 1e-9)).all(), name
    assert (np.nan_to_num(ladder.memory_left_pct[1]) >= np.nan_to_num(ladder.memory_left_pct[0]) - 1e-9).all()


def test_the_kinds_of_disk_stand_in_order():
    rates = storage_rates()
    for slower, faster in itertools.pairwise(ORDER):
        assert rates[faster].read >= rates[slower].read and rates[faster].read_slow >= rates[slower].read_slow
        assert rates[faster].access <= rates[slower].access and rates[faster].access_slow <= rates[slower].access_slow


# The arithmetic, by hand.


def column(value: float) -> np.ndarray:
    return np.array([[value]])


def test_memory_left_is_what_processes_and_kernel_do_not_take():
    p = physics()
    left = memory_left_pct(column(4096), np.array([1500.0]), p)[0, 0]
    assert left == pytest.approx(100 * (4096 * (1 - p.page_share) - p.kernel_mib - p.firmware_mib - 1500) / 4096)


def test_missing_facts_are_named_in_words():
    assert climb(storage_kind=None).missing_words(0) == "the kind of disk"
    assert climb().missing_words(0) == ""
