"""Processor time of a core, the rank of a conformal bound, and censored residuals, against independent readers.

References: psutil, `cpu_times(percpu=True)`, which reads /proc/stat by its own code; numpy.quantile with the method
'inverted_cdf' at level (n + 1) p / n, as the quantile of split conformal prediction is usually written;
scipy.stats.ecdf of right-censored data, the estimator of Kaplan and Meier.
"""

from __future__ import annotations

import numpy as np
import pytest

from advisor.comfort.model import Stage
from advisor.comfort.training import spread_of
from advisor.lab.watch import busy_s

pytestmark = pytest.mark.outside


def test_the_time_a_core_was_busy_is_what_psutil_says(missing):
    try:
        import psutil
    except ImportError:
        missing("psutil")
    for core, before in enumerate(psutil.cpu_times(percpu=True)):
        ours = busy_s([core])
        after = psutil.cpu_times(percpu=True)[core]
        low, high = (
            one.user + one.nice + one.system + one.irq + one.softirq + one.steal for one in (before, after)
        )  # fmt: skip
        # Read between the two, to the hundredth of a second that the kernel counts in.
        assert low - 0.011 <= ours <= high + 0.011


@pytest.mark.parametrize("n, level", [(n, level) for n in (9, 40, 41, 97, 160) for level in (0.5, 0.8, 0.9)
                                      if level <= n / (n + 1)])  # fmt: skip
def test_a_bound_is_numpys_upper_quantile(n, level):
    residuals = np.sort(np.random.default_rng(n).normal(0.2, 0.3, n))
    expected = np.exp(np.quantile(residuals, (n + 1) * level / n, method="inverted_cdf"))
    assert Stage(0, 0, 0, 0, 0, 0, residuals=residuals).factor(level) == pytest.approx(max(1, expected))


@pytest.mark.parametrize("seed", range(12))
def test_what_was_given_up_weighs_as_scipys_kaplan_meier_says(seed):
    from scipy.stats import CensoredData, ecdf

    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 60))
    # Rounded, so that there are ties.
    values, known = draw.normal(0, 0.4, n).round(1), draw.random(n) < 0.75
    known[0] = True
    ours, weights = spread_of(values, known)
    theirs = ecdf(CensoredData(uncensored=values[known], right=values[~known])).cdf
    for at in np.unique(values[known]):
        assert weights[ours <= at].sum() == pytest.approx(theirs.evaluate(at))
    assert weights.sum() == pytest.approx(1)
