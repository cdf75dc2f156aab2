"""The report on the times, word for word, from rows whose figures are reckoned by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from advisor.timing.report import OURS, WITHHELD, ModelReport, _summary, baseline_models, lines, withhold

ROWS = pd.DataFrame(
    [
        # error +10 %, inside; error -20 %, below; error +25 %, above; a tenth of an hour wide at most
        ("disk", "emmc", "live", OURS, 100.0, 110.0, 90.0, 180.0),
        ("disk", "emmc", "clone", OURS, 100.0, 80.0, 50.0, 99.0),
        ("disk", "nvme", "live", OURS, 100.0, 125.0, 101.0, 404.0),
        ("disk", "nvme", "live", "mean", 100.0, 140.0, np.nan, np.nan),
    ],
    columns=["split", "group", "installer", "method", "actual_s", "predicted_s", "low_s", "high_s"],
).assign(**{"class": "fast flash"})


def test_a_summary_counts_errors_and_what_lies_inside() -> None:
    found = _summary(ROWS, ["split", "method"]).set_index("method")
    ours = found.loc[OURS]
    assert ours[["rehearsals", "median_pct", "worst_pct", "bias_pct"]].tolist() == pytest.approx([3, 20, 25, 10])
    assert ours["coverage_pct"] == pytest.approx(100 / 3)
    assert ours["width_factor"] == pytest.approx(2)  # of 2, 1.98 and 4 the middle
    assert math.isnan(found.loc["mean", "coverage_pct"]) and found.index.tolist() == [OURS, "mean"]


def test_the_ends_of_an_interval_lie_inside() -> None:
    ends = ROWS.iloc[:2].assign(low_s=[100.0, 80.0], high_s=[120.0, 100.0])
    assert _summary(ends, ["split"])["coverage_pct"].tolist() == [100]


SAID = """\
How good the times are, from a simulator

Machine time of rehearsals whose whole group was left out of fitting, choosing and calibrating.
'covered' is how many lie in the 80% interval; 'wide' is its upper end over its lower.

A class of disk left out (3 rehearsals)
                                   median    worst     bias  covered    wide
  this model                        20.0%      25%   +10.0%      33%   2.00x
  mean                              40.0%      40%   +40.0%

An edition left out (0 rehearsals)
                                   median    worst     bias  covered    wide

A level of processor left out (0 rehearsals)
                                   median    worst     bias  covered    wide

By the group left out (this model)
  disk emmc                              2 rehearsals    15.0% median     20% worst    50% covered
  disk nvme                              1 rehearsals    25.0% median     25% worst     0% covered

By kind of installer (this model)
  disk clone                             1 rehearsals    20.0% median     20% worst     0% covered
  disk live                              2 rehearsals    17.5% median     25% worst    50% covered

By class of disk (this model)
  disk fast flash                        3 rehearsals    20.0% median     25% worst    33% covered

Where the machine minutes go
  copy        60.0% of the time     4.0% median error
"""
REPEATED = "Noise floor: repeats differ by 2.6% (standard deviation, 5 runs of 2 rehearsals)."


def report(noise: pd.DataFrame) -> ModelReport:
    ours = ROWS[ROWS["method"] == OURS]
    by = [_summary(ours, ["split", name], sort=True) for name in ("group", "installer", "class")]
    phases = pd.DataFrame({"phase": ["copy"], "share_pct": [60.0], "median_pct": [4.0]})
    return ModelReport(ROWS, _summary(ROWS, ["split", "method"]), *by, phases, noise, "from a simulator")


def test_the_report_word_for_word() -> None:
    none = pd.DataFrame(columns=["name", "repeats", "spread_pct"])
    said = [line.rstrip() for line in lines(report(none))]
    assert said == [*SAID.splitlines(), "", "Noise floor: not known, no rehearsal was repeated."]


def test_the_noise_floor_pools_the_repeats() -> None:
    """Squares weighted by degrees of freedom: one of 4 %, two of 1.5 %: the root of (16 + 2 * 2.25) / 3 is 2.61."""
    noise = pd.DataFrame({"name": ["a", "b"], "repeats": [2, 3], "spread_pct": [4.0, 1.5]})
    assert lines(report(noise))[-1] == REPEATED
    one = lines(report(noise.iloc[:1]))[-1]
    assert one == "Noise floor: repeats differ by 4.0% (standard deviation, 2 runs of 1 rehearsal)."


def test_methods_are_named_and_a_report_of_nothing_in_particular_says_so() -> None:
    assert (OURS, WITHHELD) == ("this model", "this model, speeds withheld")
    nothing = report(pd.DataFrame({"name": [], "repeats": [], "spread_pct": []}))
    plain = replace(nothing, phases=ROWS.iloc[:0], basis="")
    assert lines(plain)[0] == "How good the times are, on the rehearsals given"


def test_speeds_withheld_leave_a_class_of_processor() -> None:
    """Classes lie a factor of 1.5 apart about the reference; one reaches the root of 1.5 to either side."""
    from types import SimpleNamespace

    conditions = pd.DataFrame({"decompress_mib_s": [36.7, 36.7 * 1.4, 36.7 / 2.1], "disk_read_mib_s": 100.0,
                               "disk_access_ms": 1.0, "link_mbps": 50.0})  # fmt: skip
    labels = pd.DataFrame({"storage_kind": ["nvme", "emmc", "usb"]})
    found = withhold(SimpleNamespace(conditions=conditions, labels=labels))
    assert found["cpu_speed"].tolist() == pytest.approx([1, 1.5, 1 / 2.25])
    assert (found["cpu_speed_high"] / found["cpu_speed"]).tolist() == pytest.approx([math.sqrt(1.5)] * 3)
    assert (found["cpu_speed"] / found["cpu_speed_low"]).tolist() == pytest.approx([math.sqrt(1.5)] * 3)
    assert found[["decompress_mib_s", "disk_read_mib_s", "disk_access_ms"]].isna().all(axis=None)
    assert found["storage_kind"].tolist() == ["nvme", "emmc", "usb"] and (found["link_mbps"] == 50).all()


def test_simple_baselines_are_a_mean_a_line_and_trees() -> None:
    x, y = np.arange(40.0)[:, None], np.arange(40.0) * 2 + 10
    found = {name: one.fit(x, y).predict(np.array([[10.0]]))[0] for name, one in baseline_models().items()}
    assert list(found) == ["mean", "linear, raw columns", "boosted trees alone"]
    assert found["mean"] == pytest.approx(49) and found["linear, raw columns"] == pytest.approx(30)
    assert found["boosted trees alone"] == pytest.approx(30, rel=0.1)
