"""The fitted model on simulated rehearsals whose truth is known."""

import json

import numpy as np
import pandas as pd
import pytest

from advisor.errors import InputError, TableError
from advisor.timing.conditions import CONDITIONS, EXTRAS, MEASURED_PHASES
from advisor.timing.fitting import FEWEST, fit
from advisor.timing.model import BEYOND, load_model
from advisor.timing.physics import TERMS, derive


@pytest.fixture(scope="module")
def data(simulate):
    return simulate(60, seed=1)


@pytest.fixture(scope="module")
def model(data):
    return fit(data)


def coefficient(model, phase, name):
    terms = [term for term in TERMS if term.phase == phase]
    (place,) = [i for i, term in enumerate(terms) if term.name == name]
    return model.physics.coefficients[phase][place]


def test_true_coefficients_are_found(model):
    # The truth stands in conftest.py; 3 % noise on 60 rows leaves a few percent.
    assert model.physics.overlaps["copy"] == 2.0
    assert coefficient(model, "copy", "installed MiB, xz / (decompression x cores)") == pytest.approx(1.2, rel=0.15)
    assert coefficient(model, "copy", "installed MiB, not xz / (decompression x cores)") == pytest.approx(0.4, rel=0.25)
    assert coefficient(model, "boot", "once / decompression") == pytest.approx(900, rel=0.05)
    assert coefficient(model, "updates", "package MiB / link") == pytest.approx(1, rel=0.1)
    assert coefficient(model, "refresh", "lists / link") == pytest.approx(9, rel=0.1)


def test_unseen_rehearsals_are_met(model, simulate):
    new = simulate(200, seed=77)
    out = model.predict_conditions(new.conditions)
    error = np.abs(out["total_s"] / new.total - 1)
    assert error.median() < 0.04
    inside = (new.total >= out["low_s"]) & (new.total <= out["high_s"])
    assert 0.70 <= inside.mean() <= 0.95


def test_phases_add_up(model, data):
    out = model.predict_conditions(data.conditions)
    np.testing.assert_allclose(out[[f"{phase}_s" for phase in MEASURED_PHASES]].sum(axis=1), out["total_s"], rtol=1e-12)
    assert (out["low_s"] < out["total_s"]).all() and (out["total_s"] < out["high_s"]).all()


@pytest.mark.parametrize(
    ("column", "factor"),
    [("decompress_mib_s", 1.3), ("cores", 2.0), ("disk_read_mib_s", 1.5), ("disk_access_ms", 0.6), ("link_mbps", 1.4)],
)
def test_a_better_machine_never_takes_longer(model, data, column, factor):
    before = model.predict_conditions(data.conditions)["total_s"]
    after = model.predict_conditions(data.conditions.assign(**{column: data.conditions[column] * factor}))["total_s"]
    assert (after <= before + 1e-9).all()
    assert (after < before).any()


def test_within_what_was_measured_nothing_is_noted(model, data):
    assert (model.predict_conditions(data.conditions)["note"] == "").all()


def test_beyond_is_marked_with_the_nearest_case(model, data):
    row = data.conditions.iloc[[0]].assign(disk_access_ms=40.0, disk_read_mib_s=20.0)
    out = model.predict_conditions(row)
    assert out["note"].iloc[0].startswith(BEYOND)
    assert "disk access more than" in out["note"].iloc[0] and "disk reads less than" in out["note"].iloc[0]
    named = out["nearest"].iloc[0].partition(":")[0]
    nearest = data.labels.loc[data.labels["name"] == named, "disk"]
    assert nearest.isin(["old disk", "disk"]).all() and len(nearest) == 1
    assert out["total_s"].iloc[0] > 0


def test_withheld_speeds_widen_the_interval(model, data):
    facts = data.conditions.assign(
        decompress_mib_s=np.nan, disk_read_mib_s=np.nan, disk_access_ms=np.nan, cpu_speed=0.5, cpu_speed_low=0.4,
        cpu_speed_high=0.6, storage_kind=data.labels["storage_kind"].to_numpy(),
    )  # fmt: skip
    known = model.predict_conditions(data.conditions)
    guessed = model.predict_conditions(facts)
    no_kind = model.predict_conditions(facts.assign(storage_kind=pd.NA))

    def width(out):
        return (out["high_s"] / out["low_s"]).median()

    assert width(known) < width(guessed) < width(no_kind)
    np.testing.assert_allclose(
        no_kind[[f"{phase}_s" for phase in MEASURED_PHASES]].sum(axis=1), no_kind["total_s"], rtol=1e-9
    )


def test_the_unknown_kind_lies_between_the_kinds(model, data):
    row = data.conditions.iloc[[0]].assign(decompress_mib_s=30.0, disk_read_mib_s=np.nan, disk_access_ms=np.nan)
    total = {
        kind: model.predict_conditions(row.assign(storage_kind=kind))["total_s"].iloc[0]
        for kind in ("nvme", "spinning disk", "any")
    }
    assert total["nvme"] < total["any"] < total["spinning disk"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"link_mbps": "fast"}, ["row 1", "link_mbps", "'fast'", "0.05 to 100000"]),
        ({"installed_files": -4}, ["row 1", "installed_files", "'-4'"]),
        ({"disk_access_ms": 0}, ["row 1", "disk_access_ms"]),
        ({"cores": None}, ["row 1", "cores", "nothing"]),
    ],
)
def test_a_wrong_cell_is_named(model, data, change, words):
    row = data.conditions.iloc[[0]].astype(object).assign(**change)
    with pytest.raises(InputError) as caught:
        model.predict_conditions(row)
    for word in words:
        assert word in str(caught.value)


def test_a_missing_column_is_named(model, data):
    with pytest.raises(InputError, match="image_bytes"):
        model.predict_conditions(data.conditions.drop(columns="image_bytes"))


def test_too_few_rehearsals_are_refused(data):
    few = data.take(np.arange(len(data)) < FEWEST - 1)
    with pytest.raises(InputError, match="too few"):
        fit(few)


def test_saved_and_loaded_it_says_the_same(model, data, tmp_path):
    again = load_model(model.save(tmp_path / "model.json"))
    pd.testing.assert_frame_equal(
        again.predict_conditions(data.conditions), model.predict_conditions(data.conditions), rtol=1e-12
    )
    assert again.basis == "from 60 measured installs and 0 logged units"


def test_damaged_model_files_are_refused(model, tmp_path):
    path = model.save(tmp_path / "model.json")
    content = json.loads(path.read_text())
    for change in (
        lambda c: c.update(format=99),
        lambda c: c["physics"].pop("copy"),
        lambda c: c["physics"]["boot"]["terms"].update({"boot | disk | of another version": 1.0}),
        lambda c: c["physics"]["boot"]["terms"].update({"boot | disk | once x access": -5.0}),
        lambda c: c["seen"].update(rows=[["x"]]),
    ):
        broken = json.loads(json.dumps(content))
        change(broken)
        path.write_text(json.dumps(broken))
        with pytest.raises(TableError):
            load_model(path)
    path.write_text("not json")
    with pytest.raises(TableError, match="not JSON"):
        load_model(path)
    with pytest.raises(TableError, match="does not exist"):
        load_model(tmp_path / "nowhere.json")


def test_every_term_gets_better_with_a_better_machine(data):
    def design(conditions):
        values = derive(conditions)
        return np.column_stack([term.values(values) for term in TERMS])

    base = design(data.conditions)
    for column in ("decompress_mib_s", "cores", "disk_read_mib_s", "disk_access_ms", "link_mbps"):
        factor = 0.5 if column == "disk_access_ms" else 2.0
        moved = design(data.conditions.assign(**{column: data.conditions[column] * factor}))
        assert (moved <= base).all()
        assert (moved < base).any()
    assert {*CONDITIONS, *EXTRAS} == set(data.conditions.columns)
