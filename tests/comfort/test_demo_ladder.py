"""The demo's 60 units: from heavier to lighter without one inversion in memory, processor or disk."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from advisor.comfort.facts import facts, storage_rates

from advisor import comfort, identify, intake
from advisor.comfort.physics import physics
from advisor.files import datasets
from advisor.shop_file import read_shop
from advisor.unit import StorageKind

SHOP = read_shop(datasets() / "demo" / "shop.toml")
IMAGE = SHOP.images[0].name


@pytest.fixture(scope="module")
def demo() -> tuple[pd.DataFrame, pd.DataFrame]:
    units = intake.understand(intake.read(datasets() / "demo" / "intake.csv")).units
    return units, identify.processors(units)


def ranks(units: pd.DataFrame, processors: pd.DataFrame) -> tuple[np.ndarray, comfort.Ladder]:
    ladder = comfort.ladder(units, processors, pd.Series([IMAGE] * len(units), dtype="string"), SHOP)
    number = {name: at for at, name in enumerate(ladder.editions)}
    return np.array([number.get(str(one), len(number)) for one in ladder.choice]), ladder


def test_no_unit_that_is_better_in_all_gets_a_lighter_edition(demo):
    units, processors = demo
    got, ladder = ranks(units, processors)
    machine = facts(units, processors, SHOP.thresholds.certainty, physics()).worst
    known = ladder.missing.isna().to_numpy()
    figures = np.column_stack(
        [
            machine.ram_mib[:, 0], machine.cautious.decompress_mib_s[:, 0], machine.typical.decompress_mib_s[:, 0],
            machine.typical.cores[:, 0], machine.cautious.read_mib_s[:, 0], machine.typical.read_mib_s[:, 0],
            -machine.cautious.access_ms[:, 0], -machine.typical.access_ms[:, 0],
            units["storage_gib"].to_numpy(dtype=float, na_value=-1.0),
        ]
    )  # fmt: skip
    pairs = inversions = 0
    for better in np.flatnonzero(known):
        for worse in np.flatnonzero(known):
            # The hard gates (graphics, boot, architecture) are no matter of speed.
            alike = (ladder.gate[better] >= ladder.gate[worse]).all()
            if better != worse and alike and (figures[better] >= figures[worse]).all():
                pairs += 1
                inversions += got[better] > got[worse]
    assert pairs > 100 and inversions == 0
    assert len(set(got[known])) >= 2, "the demo has units that are comfortable and units that are not"


@pytest.mark.parametrize("what", ["memory", "processor", "disk"])
def test_along_one_line_the_demos_units_only_go_from_heavier_to_lighter(demo, what):
    units, processors = demo
    steps = []
    rates = storage_rates()
    kinds = sorted((k for k in rates if k != StorageKind.USB), key=lambda k: (-rates[k].read, rates[k].access))
    for factor in (4.0, 2.0, 1.0, 0.5, 0.25) if what != "disk" else range(len(kinds)):
        now, cpus = units.copy(), processors.copy()
        if what == "memory":
            now["ram_gib"] = now["ram_gib"] * factor
        elif what == "processor":
            for name in ("cpu_speed", "cpu_speed_low", "cpu_speed_high"):
                cpus[name] = cpus[name] * factor
            now["decompress_mib_s"] = now["decompress_mib_s"] * factor
        else:
            now["storage_kind"] = now["storage_kind"].where(now["storage_kind"].isna(), str(kinds[int(factor)]))
            now["disk_read_mib_s"], now["disk_access_ms"] = pd.NA, pd.NA
            now = now.astype(units.dtypes.to_dict())
        steps.append(ranks(now, cpus)[0])
    assert (np.diff(np.array(steps), axis=0) >= 0).all()
    assert (steps[-1] > steps[0]).any()
