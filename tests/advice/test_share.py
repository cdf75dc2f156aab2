"""Parts shared over a batch: worked by hand, and against every way of handing them out."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from advisor.advice.options import KEY, Options
from advisor.advice.parts import Shelf
from advisor.advice.share import _assign
from advisor.shop import Part, Thresholds
from tests.advice.conftest import DDR4, SSD, batch_of, shop_with

HDD = {"storage_kind": "HDD 500 GB"}
STRONG = {**HDD}
WEAK = {**HDD, "cpu": "Celeron N2830", "ram_gib": "4", "ram_slots_free": "0", "graphics": "Bay Trail", "model": ""}
HOPELESS = {**HDD, "cpu": "Atom 330", "ram_gib": "2", "ram_slots_free": "0", "model": "", "form_factor": "desktop",
            "graphics": "GMA 950"}  # fmt: skip


def ssds(count: int) -> Part:
    return SSD.model_copy(update={"count": count})


def test_each_part_is_kept_for_one_unit_and_said_to_be() -> None:
    batch = batch_of(STRONG, STRONG, WEAK, shop=shop_with(ssds(2)))
    fixes = batch.scored["best_fix"].tolist()
    assert "(1 of 2, kept for this unit)" in fixes[0]
    assert sum("kept for this unit" in fix for fix in fixes) == 2
    left = [fix for fix in fixes if "kept" not in fix]
    assert len(left) == 1 and "none left in the drawer, to be bought" in left[0]


def test_desktops_gained_decide_where_as_many_units_are_saved() -> None:
    """Neither is saved, both leave comfortable with the SSD: the one of 8 GiB with the usual desktop."""
    batch = batch_of({**STRONG, "ram_gib": "4", "ram_slots_free": "0"}, STRONG, shop=shop_with(ssds(1)))
    fixes = batch.scored["best_fix"].tolist()
    assert "to be bought" in fixes[0]
    assert "1 of 1, kept for this unit" in fixes[1]


def test_a_unit_that_is_saved_comes_before_a_desktop_that_is_gained() -> None:
    """The weak one is very slow on its disk and slow on an SSD; the strong one is slow, and comfortable."""
    fixes = batch_of(STRONG, WEAK, shop=shop_with(ssds(1))).scored["best_fix"].tolist()
    assert "to be bought" in fixes[0]
    assert "1 of 1, kept for this unit" in fixes[1]


def test_a_unit_that_stays_very_slow_either_way_waits() -> None:
    batch = batch_of(HOPELESS, STRONG, shop=shop_with(ssds(1)))
    assert "1 of 1, kept" in batch.scored["best_fix"].iloc[1]


def test_a_held_or_stopped_unit_keeps_no_part() -> None:
    batch = batch_of({**STRONG, "notes": "battery swollen"}, STRONG, shop=shop_with(ssds(1)))
    assert "1 of 1, kept" in batch.scored["best_fix"].iloc[1]
    assert batch.drawer.set_index("part").loc["SATA SSD 240 GB", "kept"] == 1


def test_a_single_unit_sees_the_full_drawer() -> None:
    for unit in (STRONG, WEAK):
        assert "1 of 1, kept" in batch_of(unit, shop=shop_with(ssds(1))).scored["best_fix"].iloc[0]


def test_the_shopping_list_says_what_each_further_part_buys() -> None:
    """Without an SSD these are slow (browser over 10 s, below 20), and very slow for a shop that asks for 5 s."""
    for asked, saves, lifts in ((10, 0, 2), (5, 2, 0)):
        shop = shop_with(ssds(1), thresholds=Thresholds(browser_s=asked))
        rows = batch_of(STRONG, STRONG, STRONG, shop=shop).drawer.set_index("part")
        assert rows.loc["SATA SSD 240 GB"].to_dict() == {
            "kind": "ssd", "in_drawer": 1, "kept": 1, "kept_for": "T-1", "to_buy": 2, "for_units": "T-2; T-3",
            "saves": saves, "lifts": lifts,
        }  # fmt: skip


def test_units_that_must_wait_for_one_part_still_share_the_other() -> None:
    poor = {**HDD, "ram_gib": "1"}
    first = batch_of(poor, poor, shop=shop_with(ssds(1))).scored["do_first"].tolist()
    assert first[0] == "FIT 4 GiB DDR4 SODIMM (to be bought) and SATA SSD 240 GB, then GNOME"
    assert first[1] == "BUY AND FIT 4 GiB DDR4 SODIMM and SATA SSD 240 GB, then GNOME"


def test_modules_are_counted_one_by_one() -> None:
    small = Part(name="1 GiB DDR3 DIMM", kind="memory", fits="DDR3 DIMM", gib=1, count=3)
    unit = {"cpu": "i5-2400", "ram_gib": "2", "ram_slots_free": "2", "form_factor": "desktop", "model": "OptiPlex 790",
            "graphics": "HD 2000"}  # fmt: skip
    rows = batch_of(unit, unit, shop=shop_with(small, buys_parts=False)).drawer.set_index("part")
    assert rows.loc["1 GiB DDR3 DIMM", ["in_drawer", "kept", "kept_for"]].tolist() == [3, 3, "T-1; T-2"]


@pytest.mark.parametrize("counts", [(1, 1), (2, 1), (1, 2)])
def test_no_other_way_of_handing_the_parts_out_saves_more(counts: tuple[int, int]) -> None:
    """Against all ways, one by one: as many units as any way leave comfortable or slow."""
    units = [STRONG, WEAK, {**STRONG, "ram_gib": "4"}, {"ram_gib": "4"}]
    modules = DDR4.model_copy(update={"count": counts[1]})
    batch = batch_of(*units, shop=shop_with(ssds(counts[0]), modules, buys_parts=False))
    options = batch.cases.options
    frame, count = options.frame, options.shelf.count
    machine = batch.cases.machine[batch.case]
    lists = [np.append(np.flatnonzero(frame["row"].eq(one) & frame["unusable"].eq(0)), -1) for one in machine]
    best = 0
    for way in itertools.product(*lists):
        taken = np.array([at for at in way if at >= 0], dtype=int)
        if (options.uses[taken].sum(axis=0) <= count).all():
            best = max(best, int((frame["level"].to_numpy()[taken] <= 1).sum()))
    chosen = batch.shares.choice[batch.shares.choice >= 0]
    assert (options.uses[chosen].sum(axis=0) <= count).all()
    assert int((frame["level"].to_numpy()[chosen] <= 1).sum()) == best


Step = tuple[dict[str, float], dict[str, float] | None]
"""A unit's option with the part, and the one without it; None where it is not usable without."""


def who_gets(one: Step, other: Step) -> int:
    """Which of two units is given the drawer's only part."""
    rows = []
    for row, (fitted, plain) in enumerate((one, other)):
        rows.append({"row": row, "ssd": 0, "n_parts": 1, **fitted})
        rows.append({"row": row, "ssd": -1, **({"unusable": 1} if plain is None else plain)})
    fill = dict.fromkeys((*KEY, "row", "ssd", "modules", "minutes"), 0) | {"module": -1, "adapter": -1}
    frame = pd.DataFrame(rows).reindex(columns=list(fill)).fillna(fill)
    options = Options(frame, Shelf((ssds(1),), np.array([1])), 2)
    given = _assign(options, np.array([0, 1]), lambda at: frame["minutes"].to_numpy(dtype=float)[at])
    (gets,) = np.flatnonzero((given >= 0) & (frame["ssd"].to_numpy()[given] >= 0))
    return int(gets)


COMFORTABLE, SLOW, VERY_SLOW = ({"level": level} for level in range(3))
LIFTED: Step = (COMFORTABLE, SLOW)
"""Twenty: a level, between slow and comfortable."""


def bands(more: float) -> Step:
    """A unit that stays slow and gains so many bands of waiting, tenths of them by a richer desktop."""
    tenths = round(10 * more)
    return ({**SLOW, "rich": 20}, {**SLOW, "slow": tenths // 10, "rich": 20 + tenths % 10})


@pytest.mark.parametrize(
    ("step", "worth"),
    [
        (LIFTED, 20), (({**SLOW, "dead": 0}, {**SLOW, "dead": 1}), 100),
        (({**SLOW, "roomy": 0}, {**SLOW, "roomy": 1}), 2),
        (({**SLOW, "unusual": 0}, {**SLOW, "unusual": 1}), 3), (({**SLOW, "rich": 0}, {**SLOW, "rich": 9}), 0.9),
        (({**SLOW, "slow": 4}, {**SLOW, "slow": 9}), 5),
    ],
)  # fmt: skip
def test_what_a_part_gains_is_weighed_in_bands_of_waiting(step: Step, worth: float) -> None:
    """A dead device 100, a level 20, the usual desktop 3, memory to spare 2, a place among the desktops a tenth."""
    assert who_gets(step, bands(worth - 0.1)) == 0
    assert who_gets(step, bands(worth + 0.1)) == 1


def test_a_unit_saved_goes_before_any_gain_and_minutes_break_a_tie() -> None:
    assert who_gets(bands(99), (SLOW, VERY_SLOW)) == 1 and who_gets((SLOW, None), bands(99)) == 0
    # Saved both; from nothing to slow is worth 20, from very slow as well, and half a band tips it.
    assert who_gets((SLOW, {**VERY_SLOW, "rich": 5}), (SLOW, None)) == 0
    assert who_gets((SLOW, VERY_SLOW), ({**SLOW, "rich": -5}, None)) == 1
    quick, long = (({**COMFORTABLE, "minutes": minutes}, {**SLOW, "minutes": 20}) for minutes in (25, 30))
    assert (who_gets(quick, long), who_gets(long, quick)) == (0, 1)
    several = ({**COMFORTABLE, "n_parts": 2}, SLOW)
    assert (who_gets(several, LIFTED), who_gets(LIFTED, several)) == (1, 0)
    # A part that stays in the drawer is worth ten minutes, and no more.
    two = ({**COMFORTABLE, "n_parts": 2, "minutes": 15}, {**SLOW, "minutes": 15})
    for minutes, gets in ((24, 1), (26, 0)):
        assert who_gets(two, ({**COMFORTABLE, "minutes": minutes}, {**SLOW, "minutes": 15})) == gets


def test_what_is_left_in_the_drawer_goes_to_units_for_which_the_rest_is_bought() -> None:
    # Three want a disk and a module; one disk and two modules lie there: the second module stays for who waits anyway.
    slow = {"storage_kind": "HDD", "storage_gib": "500 GB", "ram_gib": "4"}
    stock = (SSD.model_copy(update={"count": 1}), DDR4.model_copy(update={"count": 2}))
    said = batch_of(slow, slow, slow, shop=shop_with(*stock)).scored["do_first"].tolist()
    assert said[0] == "FIT 4 GiB DDR4 SODIMM and SATA SSD 240 GB, then GNOME"
    assert said[1] == "FIT 4 GiB DDR4 SODIMM and SATA SSD 240 GB (to be bought), then GNOME"
    assert said[2].startswith("BUY AND FIT ")
