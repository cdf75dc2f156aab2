"""The learnt part: exactly what the boosting says, only the monotone way, and nothing on few rows."""

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingRegressor

from advisor.timing.learnt import MIN_ROWS, SHRINK_ROWS, Additive, LearntPart, boosted


@pytest.fixture
def rows():
    draw = np.random.default_rng(5)
    features = np.column_stack([draw.normal(size=200), draw.choice([0.0, 1.0, 2.0], 200)])
    target = -0.3 * np.tanh(2 * features[:, 0]) + 0.2 * (features[:, 1] > 0.5) + draw.normal(0, 0.02, 200)
    return features, target


@pytest.mark.slow
def test_step_functions_are_exactly_the_boosted_model(rows):
    features, target = rows
    features = np.round(features, 1)  # fewer distinct values than the grid, so that nothing is moved
    steps, offset = boosted(features, target, (-1, 1), rounds=30, min_leaf=10)
    same = HistGradientBoostingRegressor(
        max_iter=30, learning_rate=0.1, max_leaf_nodes=4, min_samples_leaf=10, l2_regularization=1.0,
        monotonic_cst=[-1, 1], interaction_cst="no_interactions", early_stopping=False, random_state=0,
    ).fit(features, target)  # fmt: skip
    ours = offset + sum(step(features[:, column]) for column, step in enumerate(steps))
    np.testing.assert_allclose(ours, same.predict(features), atol=1e-12)


def test_steps_only_go_the_stated_way(rows):
    features, target = rows
    steps, _ = boosted(features, target, (-1, 1), rounds=60, min_leaf=5)
    assert len(steps[0].edges) > 3
    assert (np.diff(steps[0].levels) <= 1e-12).all()
    assert (np.diff(steps[1].levels) >= -1e-12).all()


def test_nothing_is_learnt_from_few_rows(rows):
    features, target = rows
    few = MIN_ROWS - 1
    part = LearntPart(("a", "b"), (-1, 1)).fit(features[:few], target[:few], [list(range(few))])
    assert part.model_.belief == 0
    assert (part.model_.predict(features) == 0).all()


def test_nothing_is_learnt_where_nothing_remains(rows):
    features, _ = rows
    noise = np.random.default_rng(9).normal(0, 0.02, len(features))
    part = LearntPart(("a", "b"), (-1, 1)).fit(features, noise, [(np.arange(len(features)) % 5).tolist()])
    assert part.model_.belief == 0


def test_what_is_there_is_learnt_and_shrunk(rows):
    features, target = rows
    part = LearntPart(("a", "b"), (-1, 1)).fit(features, target, [(np.arange(len(features)) % 5).tolist()])
    assert part.model_.belief == pytest.approx(200 / (200 + SHRINK_ROWS))
    remains = target - part.model_.predict(features)
    assert np.abs(remains).mean() < 0.5 * np.abs(target - np.median(target)).mean()


def test_model_survives_json(rows):
    features, target = rows
    model = LearntPart(("a", "b"), (-1, 1)).fit(features, target, [(np.arange(200) % 5).tolist()]).model_
    again = Additive.from_json(model.to_json())
    np.testing.assert_array_equal(again.predict(features), model.predict(features))


def test_a_damaged_step_function_is_refused():
    content = {"features": ["a"], "edges": [[1.0]], "levels": [[0.0]], "offset": 0, "belief": 1}
    with pytest.raises(ValueError, match="one level more"):
        Additive.from_json(content)
