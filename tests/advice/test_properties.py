"""What must hold of every unit and every batch, on generated ones."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.advice import Batch
from advisor.advice.options import UNUSABLE
from advisor.shop import Part
from advisor.unit import Advice
from tests.advice.conftest import DRAWER, batch_of, shop_with

CPUS = (
    "Atom N270",
    "Core 2 Duo T7200",
    "Core 2 Duo P8400",
    "Celeron N2830",
    "AMD E-350",
    "i3-2310M",
    "i5-6300U",
    "i7-8650U",
)
UNITS = st.fixed_dictionaries(
    {
        "cpu": st.sampled_from(CPUS),
        "ram_gib": st.sampled_from(["0.5", "1", "2", "3", "4", "8", "16"]),
        "ram_slots_free": st.sampled_from(["", "0", "1", "2"]),
        "storage_kind": st.sampled_from(["HDD", "SATA SSD", "NVMe", "eMMC"]),
        "storage_gib": st.sampled_from(["8", "16", "64", "240", "500"]),
        "storage_health_pct": st.sampled_from(["", "5", "90"]),
        "wireless": st.sampled_from(["8086:24f3", "14e4:4365", "14e4:4315", "14c3:7902", "", "no such chip"]),
        "boot_mode": st.sampled_from(["", "UEFI", "legacy"]),
        "graphics": st.sampled_from(["", "HD Graphics 520", "GMA 950", "Matrox G200"]),
        "form_factor": st.sampled_from(["laptop", "desktop", ""]),
        "model": st.just(""),
    }
)
FEW = settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), print_blob=True)
WORTH = {Advice.SET_ASIDE: 0, Advice.HOLD: 1}
"""Rank of an advice where any that lets the unit go is 2; lower is worse."""


def worth(batch: Batch, row: int) -> tuple[float, ...]:
    """How good what is advised for a unit is, larger is better; a hold counts as the worst that it may turn out to be."""  # noqa: E501
    case = int(batch.case[row])
    advice = batch.cases.advice[case]
    if advice in WORTH:
        return (float(WORTH[advice]),)
    chosen = batch.cases.rows[case]
    return (
        2.0,
        -chosen["dead"],
        -chosen["level"],
        -chosen["slow"],
        -chosen["buy"],
        -chosen["roomy"],
        -chosen["unusual"],
    )


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=4, max_size=12))
def test_no_unit_leaves_over_the_limit_and_none_is_scrapped_that_could_be_used(units: list[dict[str, Any]]) -> None:
    batch = batch_of(*units)
    frame = batch.cases.options.frame
    for row in range(len(batch)):
        case = int(batch.case[row])
        advice, machine = batch.cases.advice[case], batch.cases.machine[case]
        some = frame[frame["row"].eq(machine)]
        if batch.cases.works[case]:
            assert batch.cases.rows[case]["level"] < UNUSABLE
            limits = batch.shop.thresholds
            assert batch.cases.rows[case]["browser_high_s"] <= limits.browser_s * limits.slow_limit
        elif advice == Advice.SET_ASIDE and not batch.cases.effect[case]:
            assert not (some["unusable"] == 0).any()


BETTER = [("ram_gib", "2", "4"), ("ram_gib", "4", "8"), ("ram_slots_free", "0", "1"), ("storage_kind", "HDD", "SATA SSD"),  # noqa: E501
          ("storage_health_pct", "5", "90"), ("wireless", "14c3:7902", "8086:24f3"),
          ("wireless", "14e4:4315", "8086:24f3"), ("storage_gib", "16", "240"), ("cpu", "AMD E-350", "i5-6300U"),
          ("graphics", "Matrox G200", "HD Graphics 520")]  # fmt: skip


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=3, max_size=6), st.sampled_from(BETTER))
def test_a_better_fact_never_worsens_the_advice(units: list[dict[str, Any]], change: tuple[str, str, str]) -> None:
    name, worse, better = change
    shop = shop_with(*(part.model_copy(update={"count": 99}) for part in DRAWER))
    before = batch_of(*({**unit, name: worse} for unit in units), shop=shop)
    after = batch_of(*({**unit, name: better} for unit in units), shop=shop)
    for row, unit in enumerate(units):
        assert worth(after, row) >= worth(before, row), {**unit, name: (worse, better)}


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=3, max_size=6), st.sampled_from(DRAWER))
def test_a_part_more_in_the_drawer_never_worsens_a_unit_by_itself(units: list[dict[str, Any]], part: Part) -> None:
    fewer = [one for one in DRAWER if one is not part]
    for unit in units:
        assert worth(batch_of(unit, shop=shop_with(*DRAWER)), 0) >= worth(batch_of(unit, shop=shop_with(*fewer)), 0)


UNKNOWN = [("ram_gib", ["1", "2", "4", "8", "16"]), ("storage_kind", ["HDD", "SATA SSD", "NVMe"])]


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=2, max_size=4), st.sampled_from(UNKNOWN))
def test_unknown_is_never_worse_than_the_worst_it_may_be(
    units: list[dict[str, Any]], fact: tuple[str, list[str]]
) -> None:
    name, values = fact
    for unit in units:
        size = {} if name == "ram_gib" else {"storage_gib": "240"}
        batch = batch_of({**unit, **size, name: ""}, *({**unit, **size, name: value} for value in values))
        if batch.cases.advice[int(batch.case[0])] == Advice.HOLD:
            continue
        assert worth(batch, 0) >= min(worth(batch, row) for row in range(1, len(values) + 1))


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=6, max_size=14), st.integers(0, 3), st.integers(0, 3))
def test_no_more_parts_are_kept_than_lie_in_the_drawer(units: list[dict[str, Any]], ssds: int, modules: int) -> None:
    counts = {"ssd": ssds, "memory": modules, "wireless": 1}
    batch = batch_of(*units, shop=shop_with(*(part.model_copy(update={"count": counts[part.kind]}) for part in DRAWER)))
    assert (batch.shares.kept <= batch.cases.options.shelf.count).all()
    drawer = batch.drawer
    assert (drawer["kept"] <= drawer["in_drawer"]).all()


@pytest.mark.slow
@FEW
@given(st.lists(UNITS, min_size=2, max_size=8))
def test_a_unit_is_decided_alike_alone_and_in_a_batch_that_wants_for_nothing(units: list[dict[str, Any]]) -> None:
    shop = shop_with(*(part.model_copy(update={"count": 99}) for part in DRAWER))
    together = batch_of(*units, shop=shop).scored
    for row, unit in enumerate(units):
        alone = batch_of(unit, shop=shop).scored.iloc[0]
        for name in ("advice", "do_first", "edition", "image_used", "reasons", "elapsed_min", "firmware_packages"):
            same = together[name].iloc[row]
            assert (pd.isna(same) and pd.isna(alone[name])) or same == alone[name], name


@pytest.mark.parametrize("advice", list(Advice))
def test_every_advice_is_reachable(advice: Advice) -> None:
    units: dict[Advice, dict[str, Any]] = {
        Advice.STANDARD: {}, Advice.LIGHTER: {"ram_gib": "4", "ram_soldered": "yes"},
        Advice.FIRMWARE_FIRST: {"wireless": "14e4:4315"}, Advice.PART_FIRST: {"storage_kind": "HDD"},
        Advice.HOLD: {"ram_gib": ""}, Advice.SET_ASIDE: {"notes": "battery swollen"},
    }  # fmt: skip
    assert batch_of(units[advice]).scored["advice"].iloc[0] == advice
