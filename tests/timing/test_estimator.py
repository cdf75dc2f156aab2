"""Both models as scikit-learn's estimators: cloned, set, cross-validated and swapped as any other."""

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.dummy import DummyRegressor
from sklearn.linear_model import Ridge
from sklearn.model_selection import GridSearchCV, LeaveOneGroupOut, cross_val_predict, cross_val_score
from sklearn.tree import DecisionTreeRegressor

from advisor import tables
from advisor.comfort.training import StartTime, pressed, rows_of
from advisor.errors import InputError
from advisor.timing import InstallTime, read_rehearsals


@pytest.fixture(scope="module")
def data(simulate):
    return simulate(60, seed=1)


@pytest.mark.parametrize(
    "estimator", [InstallTime(Ridge(alpha=3.0), widths=True, seed=4), StartTime()], ids=["times", "comfort"]
)
def test_an_estimator_is_cloned_with_its_parameters_and_without_what_it_learnt(estimator):
    again = clone(estimator)
    assert again is not estimator and repr(again.get_params()) == repr(estimator.get_params())
    assert not [name for name in vars(again) if name.endswith("_")]


def test_parameters_are_set_by_name(data):
    model = InstallTime().set_params(learner=Ridge(), seed=3)
    assert model.get_params()["seed"] == 3 and model.get_params()["learner__alpha"] == 1.0
    assert model.set_params(learner__alpha=9.0).fit(data.X, data.y).learner_.alpha == 9.0


def test_fit_returns_itself_and_predicts_a_number_a_row(data):
    model = InstallTime()
    assert model.fit(data.X, data.y) is model
    assert model.predict(data.X).shape == (60,)
    served = model.model_.predict_conditions(data.conditions)["total_s"]
    np.testing.assert_allclose(model.predict(data.X), served, rtol=1e-12)


def test_the_middle_rehearsal_is_met(data):
    # A median of what remains: half of the rehearsals fitted on lie above, half below.
    model = InstallTime().fit(data.X, data.y)
    assert np.median(data.total / model.predict(data.X)) == pytest.approx(1, abs=1e-4)
    assert model.model_.level != pytest.approx(1, abs=1e-4)


@pytest.mark.slow
def test_classes_of_disk_are_left_out_as_of_any_regressor(data):
    judged = {"groups": data.labels["disk"], "cv": LeaveOneGroupOut()}
    ours = cross_val_predict(InstallTime(), data.X, data.y, **judged)
    mean = cross_val_predict(DummyRegressor(), data.X[["cores"]], data.total, **judged)
    error, plain = (np.median(np.abs(one / data.total - 1)) for one in (ours, mean))
    # 3 % noise on each phase and on the whole; the mean knows nothing of the machine.
    assert error < 0.06 < plain / 4
    scores = cross_val_score(InstallTime(), data.X, data.y, **judged)
    assert len(scores) == data.labels["disk"].nunique() and (scores > -0.12).all() and (scores < 0).all()


@pytest.mark.slow
def test_a_learner_of_ones_own_is_judged_beside_the_median(data):
    tree = DecisionTreeRegressor(max_depth=2, min_samples_leaf=10, monotonic_cst=[-1, -1, -1, 1, -1])
    search = GridSearchCV(InstallTime(), {"learner": [None, tree]}, cv=LeaveOneGroupOut())
    search.fit(data.X, data.y, groups=data.labels["disk"])
    assert len(search.cv_results_["params"]) == 2 and search.best_score_ > -0.06


@pytest.mark.slow
def test_widths_come_when_asked_for(data):
    assert InstallTime().fit(data.X, data.y).model_.widths.overall == np.inf
    found = InstallTime(widths=True).fit(data.X, data.y).model_
    # The normal quantile of 0.9 times an error of about 4 % of the log.
    assert 0.02 < found.widths.overall < 0.12 and found.about["held_out_median_error_pct"] < 6


def test_totals_alone_are_refused(data):
    with pytest.raises(InputError, match="a column a phase"):
        InstallTime().fit(data.X, pd.Series(data.total))


def test_shipped_rehearsals_survive_the_two_frames():
    data = read_rehearsals()
    again = type(data).of(data.X, data.y)
    pd.testing.assert_frame_equal(again.conditions, data.conditions, check_dtype=False)
    pd.testing.assert_frame_equal(again.phases, data.phases)
    assert again.needs.keys() == data.needs.keys() and again.labels.equals(data.labels)
    for name, counted in data.needs.items():
        pd.testing.assert_frame_equal(again.needs[name], counted)


@pytest.mark.slow
def test_a_start_is_cross_validated_over_editions():
    rows = rows_of(pressed(tables.load("comfort/sessions").frame), "browser")
    left_out = {"groups": rows.X["edition"], "cv": LeaveOneGroupOut()}
    found = cross_val_predict(StartTime(), rows.X, rows.y, **left_out)
    done = rows.reached
    # Half of what the median of the others misses by (59 %, `python -m advisor.comfort.report`).
    assert np.median(np.abs(found[done] / rows.seconds[done] - 1)) < 0.3
    assert cross_val_score(StartTime(), rows.X, rows.y, **left_out).shape == (rows.X["edition"].nunique(),)
