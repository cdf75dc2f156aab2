"""The timing model looked at: curves, swings and held-out rows by hand, from models that are simple to reckon."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.shop import default_shop
from advisor.timing import rates, report, review
from advisor.timing.model import load_model
from advisor.timing.predict import machine, predict, setting
from advisor.unit import Unit, frame

INPUTS = {
    "decompress_mib_s": "unpacking speed [MiB/s]", "disk_read_mib_s": "disk read [MiB/s]",
    "disk_access_ms": "disk access [ms]", "link_mbps": "download [Mbit/s]", "installed_bytes": "installed [bytes]",
    "update_bytes": "updates [bytes]",
}  # fmt: skip


def test_a_curve_goes_from_the_least_to_the_most_measured_in_equal_ratios(monkeypatch: pytest.MonkeyPatch) -> None:
    """From 1 to 2 ** 24 in 25 points each is twice the one before; 60 s a unit and 60 s more are minutes and one."""
    rows = pd.DataFrame({name: [1.0, 4.0, 2.0**24] for name in INPUTS} | {"live": 1.0, "packages": 0.0, "clone": 0.0})
    rows = pd.concat([rows, rows.assign(live=0.0, clone=1.0) * 5], ignore_index=True)  # a clone is drawn nowhere
    monkeypatch.setattr(review, "read_rehearsals", lambda: SimpleNamespace(conditions=rows))
    for name in INPUTS:
        model = SimpleNamespace(seconds=lambda table, of=name: pd.DataFrame({"a": 60 * table[of], "b": 60.0}))
        monkeypatch.setattr(review, "serving_model", lambda it=model: it)
        found = review.curves()
        own = found[found["input"].eq(name)]
        assert own["value"].tolist() == pytest.approx([2.0**at for at in range(25)])
        assert own["minutes"].tolist() == pytest.approx([2.0**at + 1 for at in range(25)])
        others = found[found["input"].ne(name)]  # they stand at the middle of what was measured
        assert others["minutes"].tolist() == pytest.approx([5.0] * 125)
    assert review.INPUTS == INPUTS


KINDS = ("nvme", "sata ssd", "hybrid disk", "spinning disk", "emmc", "usb")


@pytest.fixture(scope="module")
def swung() -> pd.DataFrame:
    return review.swings(review.plain_units()).set_index("assumption")


def test_every_assumption_is_in_a_swing_and_moves_a_unit_that_needs_it(swung: pd.DataFrame) -> None:
    """Rows of both tables; what an image's size moves hangs on what else a copy waits for, the stick or the disk, and
    none of these units is cloned."""
    rows = {row["name"] for row in tables.dicts("timing/assumed")}
    rates = {
        f"{row['kind']}: {one}" for row in tables.dicts("timing/storage_rates") for one in ("read_mib_s", "access_ms")
    }
    assert set(swung.index) == rows | rates | {"hands_on"}
    still = swung.index[swung["units"].eq(0)]
    assert set(still) <= {"image_share", "clone_share"}
    assert set(review.TITLES) == rows | {"hands_on"}


def test_a_swing_is_from_where_a_tenth_lie_below_to_where_a_tenth_lie_above(swung: pd.DataFrame) -> None:
    """Waits are not shortened by anything: 8 to 45 s of clearing out, and four starts of 8.2 to 20.3 s."""
    assert swung.at["seal_work", "minutes"] == pytest.approx(37 / 60)
    assert swung.at["restart_wait", "minutes"] == pytest.approx(4 * 12.1 / 60)
    assert swung["minutes"].is_monotonic_decreasing
    # Of seven kinds (one not known, in which all but USB are mixed), two processors and two editions each.
    assert swung.at["cpu_speed", "units"] == swung.at["cpu_cores", "units"] == 14
    assert swung.at["session_cpu", "units"] == swung.at["installed_files", "units"] == 14
    assert {kind: swung.at[f"{kind}: read_mib_s", "units"] for kind in KINDS} == dict.fromkeys(KINDS, 8) | {"usb": 4}
    assert swung.at["link_factor", "units"] == swung.at["hands_on", "units"] == 28


def test_a_swing_says_what_its_row_rests_on(swung: pd.DataFrame) -> None:
    for row in tables.dicts("timing/assumed"):
        first = row["source"].split()[0]
        found = {"published:": "published", "measured": "measured", "counted": "measured", "from": "memory"}[first]
        assert (swung.at[row["name"], "basis"], swung.at[row["name"], "source"]) == (found, row["source"])
    # Of a kind of storage each figure says its own.
    assert swung.at["spinning disk: access_ms", "basis"] == "published"
    assert swung.at["spinning disk: read_mib_s", "basis"] == swung.at["emmc: access_ms", "basis"] == "memory"
    assert swung.at["emmc: access_ms", "source"] == "from memory; 0.25 ms in lab/disks, from memory too"
    assert swung.at["hands_on", "source"] == "operators' spread and a person's pace"
    some = pd.DataFrame({
        "assumption": ["a", "b"], "title": ["The first", "The second"], "minutes": [1.26, 0.0], "units": [3, 0],
        "basis": ["memory", "published"],
    })  # fmt: skip
    assert [line.split() for line in review.swing_lines(some)] == [
        ["minutes", "units", "rests", "on", "what"], ["1.3", "3", "from", "memory", "The", "first", "(a)"],
        ["-", "none", "published", "The", "second", "(b)"],
    ]  # fmt: skip


def test_what_is_supposed_holds_within_its_block_alone() -> None:
    told = {(one.row, one.column): one for one in rates.spreads()}
    with rates.supposing(told["decompress_at_one", ""], 50):
        assert rates.decompress_of(*(np.array([2.0]),) * 3)[0] == pytest.approx([100])
    with rates.supposing(told["speed_spread", ""], 1.3):
        assert rates.decompress_of(*(np.array([2.0]),) * 3)[0] == pytest.approx([2 * 36.7 * 1.3])
    with rates.supposing(told["emmc", "read_mib_s"], 80):
        assert dict(zip(KINDS, rates.storage_rates().read, strict=True))["emmc"] == 80
        assert rates.storage_rates().read[0] == 1500 and rates.storage_rates().access[4] == 0.4
    with rates.supposing(told["usb", "access_ms"], 8):
        assert rates.storage_rates().access.tolist() == [0.09, 0.14, 13, 15, 0.40, 8]
    assert rates.decompress_of(*(np.array([2.0]),) * 3)[0] == pytest.approx([73.4])
    assert rates.storage_rates().read[4] == 150 and rates.storage_rates().access[5] == 1.5
    ends = told["emmc", "access_ms"]
    assert (ends.low, ends.high, ends.unit) == (0.20, 1.00, "ms")


def test_what_the_link_gives_beside_what_was_stated_counts() -> None:
    """By the factor that the table says, and 1 as it stands."""
    timing = review.plain_units()
    told = next(one for one in rates.spreads() if one.row == "link_factor")
    stated = timing.conditions["link_mbps"].to_numpy()
    assert stated.tolist() == [default_shop().link_mbps] * 28
    with rates.supposing(told, 0.7):
        assert review.plain_units().conditions["link_mbps"].to_numpy() == pytest.approx(0.7 * stated)


COLUMNS = ["split", "group", "speeds", "name", "disk", "installer", "actual_s", "predicted_s", "low_s", "high_s"]


def test_held_out_rows_are_this_models_with_and_without_the_units_speeds(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    rows = pd.DataFrame({
        "split": "disk", "group": "emmc", "method": [report.OURS, report.WITHHELD, "mean"], "name": ["a", "b", "c"],
        "disk": "emmc", "installer": "clone", "actual_s": 1.0, "predicted_s": 2.0 / 3, "low_s": 1.0, "high_s": 3.0,
    })  # fmt: skip
    monkeypatch.setattr(report, "judge", lambda data: SimpleNamespace(rows=rows))
    found = review.make_held_out()
    assert list(found.columns) == COLUMNS
    assert found[["name", "speeds"]].to_numpy().tolist() == [["a", "measured"], ["b", "not measured"]]
    (tmp_path / "timing").mkdir()
    (tmp_path / "timing" / "held_out.meta.toml").write_text('format = 1\nmade_for = "old"\ntitle = "t"\n')
    monkeypatch.setattr(review, "datasets", lambda: tmp_path)
    monkeypatch.setattr(review, "mark", lambda: "new")
    review.main()
    assert (tmp_path / "timing" / "held_out.csv").read_text().splitlines() == [
        ",".join(COLUMNS), "disk,emmc,measured,a,emmc,clone,1.00,0.67,1.00,3.00",
        "disk,emmc,not measured,b,emmc,clone,1.00,0.67,1.00,3.00",
    ]  # fmt: skip
    assert (tmp_path / "timing" / "held_out.meta.toml").read_text() == 'format = 1\nmade_for = "new"\ntitle = "t"\n'


@pytest.fixture(scope="module")
def shipped() -> Any:
    from advisor.files import datasets

    return load_model(datasets() / "timing" / "model.json")


SHARES = {"nvme": 0.15, "sata ssd": 0.35, "hybrid disk": 0.05, "spinning disk": 0.39, "emmc": 0.06}
"""How common each kind is among used PCs whose disk nobody noted; from memory."""


def test_a_disk_of_unknown_kind_is_each_kind_by_how_common_it_is(shipped: Any) -> None:
    """Minutes are the weighted geometric mean, phase by phase; the variance of a mixture is that within its parts and
    that between their means.
    """
    kinds = [*SHARES, None]
    units = frame([Unit(storage_kind=kind, ram_gib=8) for kind in kinds])
    processors = pd.DataFrame({"cpu_speed": [0.8] * 6, "cpu_speed_low": [0.7] * 6, "cpu_speed_high": [0.9] * 6})
    some = [pd.Series([word] * 6, dtype="string") for word in ("Xfce", "debian-13")]
    given = setting(units, processors, *some, default_shop())
    minutes, spread = machine(shipped, given)
    share = np.array(list(SHARES.values()))
    with np.errstate(divide="ignore"):
        assert minutes[5] == pytest.approx(np.exp(share @ np.log(minutes[:5])), abs=1e-6)
    whole = np.log(minutes[:5].sum(axis=1))
    between = share @ whole**2 - (share @ whole) ** 2
    assert spread[5] == pytest.approx(math.sqrt(share @ spread[:5] ** 2 + between))
    told = pd.DataFrame({"storage_kind": kinds, "cpu_speed": 0.8, "cpu_speed_low": 0.7, "cpu_speed_high": 0.9})
    speeds = ["decompress_mib_s", "disk_read_mib_s", "disk_access_ms"]
    found = shipped.predict_conditions(given.conditions.drop(columns=speeds).assign(**told))
    phases = found.filter(regex="^(format|copy|grow|tasks|boot|refresh|base|updates|sync)_s$").to_numpy()
    with np.errstate(divide="ignore"):
        assert phases[5] == pytest.approx(np.exp(share @ np.log(phases[:5])))
    assert found["total_s"].iloc[5] == pytest.approx(phases[5].sum())


def test_what_is_taken_of_a_unit_of_which_little_is_known(shipped: Any) -> None:
    """Figures of `timing/assumed` and `timing/storage_rates`, from memory; the link is the shop's."""
    units = frame([Unit(storage_kind=None), Unit(storage_kind="emmc", decompress_mib_s=20, ram_gib=2, link_mbps=9)])
    processors = pd.DataFrame({"cpu_cores": pd.array([None, 4], "Int64")})
    some = (pd.Series([word] * 2, dtype="string") for word in ("Xfce", "debian-13"))
    found = predict(units, processors, *some, default_shop(), model=shipped).assumed
    assert found.loc[found["row"].eq(0)].set_index("fact")["value"].to_dict() == {
        "cpu_cores": "2", "cpu_speed": "0.5, from 0.25 to 1", "decompress_mib_s": "18.4 MiB/s",
        "link_mbps": f"{default_shop().link_mbps:g} Mbit/s",
        "storage_kind": "nvme (15%) or sata ssd (35%) or hybrid disk (5%) or spinning disk (39%) or emmc (6%)",
    }  # fmt: skip
    assert found.loc[found["row"].eq(1)].set_index("fact")["value"].to_dict() == {
        "disk_read_mib_s": "150 MiB/s", "disk_access_ms": "0.4 ms",
    }  # fmt: skip
    sources = found.set_index("fact")["source"].to_dict()
    assert sources["link_mbps"] == "the shop's setting"
    assert sources["storage_kind"] == "how common each kind is, from memory"
    assert sources["disk_read_mib_s"] == "table timing/storage_rates, by kind of storage"
    assert sources["decompress_mib_s"].startswith("processor's speed; anchor measured here")


def test_speeds_that_were_assumed_widen_the_interval_by_what_each_of_them_moves(shipped: Any) -> None:
    """Of an eMMC, 80 to 280 MiB/s and 0.2 to 1 ms, and of a processor of 0.7 to 0.9: squares of half the changes."""
    z = 1.2815515655446004  # ninth decile of the standard normal distribution: NIST e-Handbook, 1.3.6.7.1
    units = frame([Unit(storage_kind="emmc", ram_gib=8)])
    processors = pd.DataFrame({"cpu_speed": [0.8], "cpu_speed_low": [0.7], "cpu_speed_high": [0.9]})
    some = [pd.Series([word], dtype="string") for word in ("Xfce", "debian-13")]
    given = setting(units, processors, *some, default_shop()).conditions
    sd = {"disk_read_mib_s": math.log(280 / 80) / (2 * z), "disk_access_ms": math.log(1 / 0.2) / (2 * z),
          "decompress_mib_s": math.hypot(*(math.log(high / low) / (2 * z)
                                           for low, high in ((0.7, 0.9), (0.77, 1.3), (27, 50))))}  # fmt: skip

    def total(name: str, factor: float) -> float:
        return float(shipped.seconds(given.assign(**{name: given[name] * factor})).to_numpy().sum())

    halves = [math.log(total(name, math.exp(one)) / total(name, math.exp(-one))) / 2 for name, one in sd.items()]
    told = given.drop(columns=list(sd)).assign(storage_kind="emmc", **{name: processors[name] for name in processors})
    found = shipped.predict_conditions(told).iloc[0]
    width = math.hypot(float(shipped.widths.of(["slow flash"])[0]), z * math.hypot(*halves))
    assert found["high_s"] / found["total_s"] == pytest.approx(math.exp(width), rel=1e-3)
    assert found["total_s"] / found["low_s"] == pytest.approx(math.exp(width), rel=1e-3)
