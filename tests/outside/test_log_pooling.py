"""Partial pooling and shrinkage against statsmodels' mixed model on the same data.

statsmodels (PyPI; checked with 0.15.0), statsmodels.regression.mixed_linear_model.MixedLM, restricted maximum
likelihood. Both maximise the same criterion, each with its own optimiser, so spreads agree to their tolerance:
1e-3 of a spread, and effects to 1e-3 of theirs.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from advisor.timing.pooling import pool

pytestmark = pytest.mark.outside


@pytest.fixture
def mixed(missing):
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM
    except ImportError:
        missing("statsmodels is not here")
    warnings.simplefilter("ignore")
    return MixedLM


def made(seed: int, n: int = 300, models: int = 25):
    """Rows of unequal models: log ratios as a bench log has them."""
    draw = np.random.default_rng(seed)
    # Few models are common and many are rare, as in a workshop.
    model = np.minimum(draw.geometric(0.12, n), models) - 1
    image = draw.integers(0, 5, n)
    y = (
        0.25
        + draw.normal(0, 0.12, models)[model]
        + draw.normal(0, 0.10, 5)[image]
        + draw.normal(0, 0.15, n)
    )  # fmt: skip
    labels = {
        "model": np.array([f"m{one:02d}" for one in model], dtype=object),
        "image": np.array([f"i{one}" for one in image], dtype=object),
    }
    return y, labels, draw.choice([0.2, 0.5, 1.0], n)


@pytest.mark.parametrize("seed", range(4))
def test_models_are_shrunk_as_by_a_mixed_model(mixed, seed):
    y, labels, _ = made(seed)
    theirs = mixed(y, np.ones((len(y), 1)), groups=labels["model"]).fit(reml=True)
    ours = pool(y, {"model": labels["model"]}, prior=False)
    assert ours.mean == pytest.approx(float(theirs.fe_params[0]), abs=1e-4)
    assert ours.spread["model"] == pytest.approx(float(np.sqrt(np.asarray(theirs.cov_re)[0, 0])), rel=1e-3)
    assert ours.residual == pytest.approx(float(np.sqrt(theirs.scale)), rel=1e-3)
    assert ours.criterion == pytest.approx(-2 * theirs.llf, abs=1e-3)
    for name, effect in theirs.random_effects.items():
        assert ours.effects["model"][name] == pytest.approx(float(np.asarray(effect)[0]), abs=2e-4)


def test_models_and_images_crossed(mixed):
    y, labels, _ = made(7)
    frame = pd.DataFrame({"y": y, "one": 1, **labels})
    theirs = mixed.from_formula(
        "y ~ 1", frame, groups="one", re_formula="0",
        vc_formula={"image": "0 + C(image)", "model": "0 + C(model)"},
    ).fit(reml=True)  # fmt: skip
    ours = pool(y, labels, prior=False)
    named = dict(zip(theirs.model.exog_vc.names, np.sqrt(theirs.vcomp), strict=True))
    assert ours.mean == pytest.approx(float(theirs.fe_params.iloc[0]), abs=1e-3)
    for name in ("model", "image"):
        assert ours.spread[name] == pytest.approx(named[name], rel=5e-3)
    assert ours.residual == pytest.approx(float(np.sqrt(theirs.scale)), rel=1e-3)


def test_rows_that_count_less(mixed):
    """A weight is a precision: the same as a mixed model on rows scaled by its root, one design column a level."""
    y, labels, weight = made(11)
    root = np.sqrt(weight)
    levels, codes = np.unique(labels["model"].astype(str), return_inverse=True)
    design = root[:, None] * (codes[:, None] == np.arange(len(levels)))
    from statsmodels.regression.mixed_linear_model import VCSpec

    spec = VCSpec(["model"], [[list(levels)]], [[design]])
    theirs = mixed(y * root, root[:, None], groups=np.ones(len(y)), exog_vc=spec).fit(reml=True)
    ours = pool(y, {"model": labels["model"]}, weight, prior=False)
    assert ours.mean == pytest.approx(float(theirs.fe_params[0]), abs=1e-3)
    assert ours.spread["model"] == pytest.approx(float(np.sqrt(theirs.vcomp[0])), rel=5e-3)
    assert ours.residual == pytest.approx(float(np.sqrt(theirs.scale)), rel=1e-3)


def test_a_rare_model_keeps_nearer_to_the_shop_than_a_common_one(mixed):
    """Textbook shrinkage: with known spreads an effect is n / (n + ratio) of the model's own distance.

    G. K. Robinson, That BLUP is a good thing, Statistical Science 6 (1991), 15-32.
    """
    y, labels, _ = made(3)
    ours = pool(y, {"model": labels["model"]}, prior=False)
    ratio = (ours.residual / ours.spread["model"]) ** 2
    for name, count in pd.Series(labels["model"]).value_counts().items():
        distance = y[labels["model"] == name].mean() - ours.mean
        assert ours.effects["model"][name] == pytest.approx(count / (count + ratio) * distance, abs=1e-9)
