"""Units timed: the breakdown adds up, better machines are never slower, and what was assumed is named."""

import itertools

import numpy as np
import pandas as pd
import pytest

from advisor import tables
from advisor.errors import InputError
from advisor.files import datasets
from advisor.shop import Installer, default_shop
from advisor.timing.fitting import fit
from advisor.timing.hands import phase_table
from advisor.timing.model import load_model
from advisor.timing.predict import Timing, phases, predict
from advisor.unit import StorageKind, Unit, frame


@pytest.fixture(scope="module")
def model(simulate):
    return fit(simulate(60, seed=1))


KINDS = ["nvme", "sata ssd", "emmc", "hybrid disk", "spinning disk", None, "none"]


def units_of(**changes):
    base = {"cpu": "any", "ram_gib": 8, "storage_gib": 240, "boot_mode": "uefi 64-bit", "form_factor": "laptop"}
    return frame([Unit(asset_tag=str(i), **{**base, "storage_kind": kind, **changes}) for i, kind in enumerate(KINDS)])


def processors_of(n, speed=0.6):
    return pd.DataFrame({
        "cpu_speed": [speed] * n, "cpu_speed_low": [speed * 0.9] * n, "cpu_speed_high": [speed * 1.1] * n,
        "cpu_cores": [2] * n,
    })  # fmt: skip


@pytest.fixture(scope="module")
def timed(model, simulate):
    def run(units=None, speed=0.6, edition="Xfce", **more):
        units = units_of() if units is None else units
        n = len(units)
        return predict(
            units, processors_of(n, speed), pd.Series([edition] * n, index=units.index, dtype="string"),
            pd.Series(["debian-13"] * n, index=units.index, dtype="string"), model=model,
            catalogue=CATALOGUE, **more,
        )  # fmt: skip

    return run


CATALOGUE = pd.DataFrame({
    "release": ["13", "13"], "architecture": ["amd64", "amd64"], "edition": ["Xfce", "GNOME"],
    "installed_mib": [3200.0, 4400.0], "installed_files": [140_000.0, 180_000.0],
    "desktop_read_mib": [200.0, 400.0], "desktop_cpu_s": [4.0, 8.0],
})  # fmt: skip


def test_breakdown_adds_up_exactly(timed):
    timing = timed()
    table = timing.phases
    sums = table.groupby("row")[["machine_min", "hands_on_min"]].sum()
    rows = sums.index.to_numpy()
    assert rows.tolist() == [0, 1, 2, 3, 4, 5]
    np.testing.assert_allclose(sums["machine_min"].round(1), timing.elapsed_min.iloc[rows].astype(float), atol=1e-9)
    np.testing.assert_allclose(sums["hands_on_min"].round(1), timing.hands_on_min.iloc[rows].astype(float), atol=1e-9)
    np.testing.assert_allclose(
        table["machine_min"], table["hands_on_min"] + table["work_min"] - table["overlap_min"], atol=0.051
    )
    assert (table["overlap_min"] <= np.minimum(table["hands_on_min"], table["work_min"]) + 1e-9).all()
    assert len(table) == 6 * len(phase_table().names)


def test_interval_holds_the_prediction(timed):
    timing = timed()
    low, mid, high = (
        s.dropna().astype(float) for s in (timing.elapsed_low_min, timing.elapsed_min, timing.elapsed_high_min)
    )
    assert (low < mid).all() and (mid < high).all()
    # Hands-on work alone scatters by a fifth, and nobody times a bench to ten minutes in an hour.
    assert (high / low).between(1.2, 3).all()


def test_no_disk_and_no_edition_have_no_times(timed):
    timing = timed()
    assert timing.elapsed_min.isna().tolist() == [False] * 6 + [True]
    units = units_of()
    none = predict(
        units, processors_of(7), pd.Series([pd.NA] * 7, dtype="string"), pd.Series(["debian-13"] * 7, dtype="string"),
        model=timing.model, catalogue=CATALOGUE,
    )  # fmt: skip
    assert none.elapsed_min.isna().all()
    assert none.phases.empty and none.assumed.empty


def test_order_of_storage_kinds(timed):
    elapsed = timed().elapsed_min
    assert elapsed[0] <= elapsed[1] <= elapsed[2] < elapsed[4]
    assert elapsed[0] <= elapsed[5] <= elapsed[4]


@pytest.mark.parametrize("change", ["speed", "memory", "link", "disk"])
def test_a_better_unit_never_takes_longer(timed, change):
    before = timed()
    if change == "speed":
        after = timed(speed=1.2)
    elif change == "memory":
        after = timed(units_of(ram_gib=16))
    elif change == "link":
        after = timed(units_of(link_mbps=500))
    else:
        before = timed(units_of(disk_read_mib_s=80, disk_access_ms=14))
        after = timed(units_of(disk_read_mib_s=300, disk_access_ms=0.2))
    usable = before.elapsed_min.notna()
    assert (after.elapsed_min[usable] <= before.elapsed_min[usable]).all()
    if change != "memory":
        assert (after.elapsed_min[usable] < before.elapsed_min[usable]).any()


def test_a_near_access_newly_known_never_lengthens(timed):
    """From above what a disk's manual has for the next track down to flash: a step down is never longer."""
    disk = {"disk_read_mib_s": 80, "disk_access_ms": 14}
    steps = [timed(units_of(**disk, **near)).elapsed_min.dropna() for near in (
        {}, {"disk_near_ms": 8.0}, {"disk_near_ms": 1.5}, {"disk_near_ms": 0.8}, {"disk_near_ms": 0.1})]  # fmt: skip
    assert steps[0].equals(steps[1]) and steps[1].equals(steps[2])
    assert all((after <= before).all() for before, after in itertools.pairwise(steps))
    assert (steps[-1] < steps[0]).any()
    alone = timed(units_of(disk_near_ms=0.1)).elapsed_min.dropna()
    assert (alone <= timed().elapsed_min.dropna()).all()


def test_the_rate_at_the_disks_end_changes_no_minute(timed):
    assert timed(units_of(disk_read_end_mib_s=20.0)).elapsed_min.equals(timed().elapsed_min)


def test_measured_speeds_narrow_the_interval_and_are_not_named_as_assumed(timed):
    guessed = timed()
    measured = timed(
        units_of(decompress_mib_s=15.6, disk_read_mib_s=90.0, disk_access_ms=15.0, link_mbps=50, cpu_cores=2)
    )
    facts = set(measured.assumed["fact"])
    assert not facts & {"decompress_mib_s", "disk_read_mib_s", "disk_access_ms", "link_mbps", "storage_kind"}
    row = 4  # the spinning disk, whose typical rates those are
    assert (measured.elapsed_high_min / measured.elapsed_low_min)[row] < (
        guessed.elapsed_high_min / guessed.elapsed_low_min
    )[row]


def test_what_was_assumed_is_named(timed):
    assumed = timed().assumed
    mine = assumed[assumed["row"] == 5].set_index("fact")
    assert "spinning disk (39%)" in mine.loc["storage_kind", "value"]
    assert mine.loc["link_mbps", "source"] == "the shop's setting"
    assert "disk_read_mib_s" not in mine.index
    assert assumed.loc[(assumed["row"] == 0) & (assumed["fact"] == "disk_read_mib_s"), "value"].tolist() == [
        "1500 MiB/s"
    ]
    assert (assumed["source"].str.len() > 5).all()


def test_an_edition_the_catalogue_lacks_is_said(timed):
    assumed = timed(edition="MATE").assumed
    assert "edition not in the catalogue" in set(assumed["fact"])


def test_a_part_to_fit_adds_its_minutes(timed):
    plain = timed().hands_on_min
    part = timed(part_min=pd.Series([12.0] + [pd.NA] * 6, dtype="Float64")).hands_on_min
    assert (part - plain)[0] == pytest.approx(12)
    assert (part - plain)[1] == 0


def test_hands_on_minutes_have_an_interval(timed):
    timing = timed()
    known = timing.hands_on_min.notna()
    assert (timing.hands_low_min[known] < timing.hands_on_min[known]).all()
    assert (timing.hands_on_min[known] < timing.hands_high_min[known]).all()


def test_shares_add_up_to_one(timed):
    shares = timed().shares.dropna()
    assert list(shares.columns) == ["measured", "published", "modelled", "memory"]
    np.testing.assert_allclose(shares.sum(axis=1).astype(float), 1)


def test_what_of_a_copy_only_the_stick_asks_for_rests_on_memory(timed, monkeypatch):
    """3200 MiB, 0.35 of it read from a stick of 35 MiB/s (both from memory): 30 s, more than a quick machine takes."""
    timing = timed(speed=20)
    nvme, spinning = KINDS.index("nvme"), KINDS.index("spinning disk")
    copy = phase_table().names.index("copy")
    after = timing.shares
    monkeypatch.setattr(Timing, "_of_stick", lambda self: np.zeros_like(self.parts.work))
    before = timed(speed=20).shares
    moved = (after["memory"] - before["memory"]) * timing.elapsed_min
    assert 0 < moved[nvme] <= timing.parts.work[nvme, copy] and timing.parts.work[nvme, copy] * 60 >= 30
    rest = ["measured", "modelled"]
    assert (before[rest].sum(axis=1) - after[rest].sum(axis=1))[nvme] * timing.elapsed_min[nvme] == pytest.approx(
        moved[nvme]
    )
    assert timing.parts.work[spinning, copy] * 60 > 35 and moved[spinning] == 0, "its disk sets the pace"


def test_the_index_of_the_units_is_kept(timed):
    units = units_of()
    units.index = pd.Index(range(100, 107))
    timing = timed(units)
    assert timing.elapsed_min.index.tolist() == list(range(100, 107))
    assert timing.phases["row"].max() == 5


def test_many_units_time_as_each_alone(timed):
    units = units_of().iloc[[0, 4, 5, 4, 0]].reset_index(drop=True)
    together, alone = timed(units).elapsed_min, timed().elapsed_min
    assert together.tolist() == [alone[0], alone[4], alone[5], alone[4], alone[0]]


def test_phases_of_one_unit(model):
    unit = Unit(asset_tag="one", cpu="Intel Core i5-6300U", ram_gib=8, storage_kind=StorageKind.SATA_SSD)
    table = phases(unit, "debian-13", edition="Xfce", model=model, catalogue=CATALOGUE)
    assert list(table["phase"]) == list(phase_table().names)
    assert round(table["machine_min"].sum(), 1) == table.attrs["elapsed_min"]
    assert table.attrs["basis"] == "from 60 measured installs and 0 logged units"


def test_phases_refuse_what_cannot_be(model):
    unit = Unit(asset_tag="one", cpu="Intel Core i5-6300U", storage_kind=StorageKind.NONE)
    with pytest.raises(InputError, match="no disk"):
        phases(unit, "debian-13", edition="Xfce", model=model, catalogue=CATALOGUE)
    with pytest.raises(InputError, match="none of the shop's"):
        phases(unit, "debian-99", model=model, catalogue=CATALOGUE)
    with pytest.raises(InputError, match="does not install"):
        phases(unit, "debian-13", edition="fvwm", model=model, catalogue=CATALOGUE)


def test_every_phase_names_work_that_exists():
    assert set(phase_table().machine) <= {"none", "medium", "copy", "start", "refresh", "base", "updates", "seal"}
    assert set(tables.load("timing/storage_rates").frame["kind"]) == {str(kind) for kind in StorageKind} - {"none"}
    assert default_shop().link_mbps > 0


SHIPPED = datasets() / "timing" / "model.json"
MEMORY_GIB = [1, 1.5, 2, 3, 4, 6, 8, 12, 16, 24, 32]


@pytest.mark.parametrize("kind", [*KINDS[:-1], "measured"])
def test_more_memory_never_lengthens(kind):
    """Every image and edition, by every installer, on 40 machines drawn anew for each kind of disk, as it ships."""
    draw = np.random.default_rng([*KINDS[:-1], "measured"].index(kind))
    shop = default_shop()
    images = [(image, installer) for image in shop.images for installer in Installer]
    shop = shop.model_copy(update={"images": tuple(
        image.model_copy(update={"name": f"{image.name} {installer}", "installer": installer})
        for image, installer in images
    )})  # fmt: skip
    pairs = [(image.name, str(edition)) for image in shop.images for edition in image.editions]
    rows, speeds, installs = [], [], []
    for _ in range(40):
        facts = {"storage_kind": None if kind == "measured" else kind, "storage_gib": 240, "cpu": "any"}
        facts |= {"link_mbps": float(draw.choice([5, 25, 100, 1000])), "cpu_cores": int(draw.choice([1, 2, 4, 8]))}
        if kind == "measured":
            facts["disk_read_mib_s"], facts["disk_access_ms"] = np.exp(draw.uniform((2.3, -3), (8, 3.4))).tolist()
        speed, install = float(np.exp(draw.uniform(-3, 1.2))), pairs[draw.integers(len(pairs))]
        for ram in MEMORY_GIB:
            rows.append(Unit(asset_tag=str(len(rows)), ram_gib=ram, **facts))
            speeds.append(speed)
            installs.append(install)
    processors = pd.DataFrame({"cpu_speed": speeds, "cpu_speed_low": speeds, "cpu_speed_high": speeds})
    images, editions = (pd.Series(names, dtype="string") for names in zip(*installs, strict=True))
    elapsed = predict(frame(rows), processors, editions, images, shop, model=load_model(SHIPPED)).elapsed_min
    steps = np.diff(elapsed.to_numpy(dtype=float).reshape(-1, len(MEMORY_GIB)))
    assert steps.max() < 1e-9
