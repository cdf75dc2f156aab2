"""Single-thread speed of the processor table against published benchmark runs.

The work per clock in microarchitectures.csv is from memory; nine values (Merom, Penryn, Nehalem, Westmere, K10,
Haswell,
Broadwell, Silvermont, Airmont) were then corrected by runs of benchmarkmeData's `past_results_v2`. The runs of its
`past_results` (other people, other years) and those of hardinfo2 were not used for anything but this check.
"""

from __future__ import annotations

import gzip
import json
import struct
import zlib

import numpy as np
import pandas as pd
import pytest

from advisor.identify import REFERENCE, from_text
from advisor.identify.agree import Z80

pytestmark = pytest.mark.outside


def _lazy_table(folder, name, missing):
    """One data frame out of an R package's lazy-load database (an index of offsets, zlib-compressed objects)."""
    try:
        import rdata
    except ImportError:
        missing("PyPI rdata is not installed")
    data = folder / "usr/lib/R/site-library/benchmarkmeData/data"
    index = rdata.conversion.convert(rdata.parser.parse_data(gzip.decompress((data / "Rdata.rdx").read_bytes())))
    start, length = (int(n) for n in index["variables"][name])
    chunk = (data / "Rdata.rdb").read_bytes()[start : start + length]
    plain = zlib.decompress(chunk[4:])
    assert len(plain) == struct.unpack(">I", chunk[:4])[0]
    frame = rdata.conversion.convert(rdata.parser.parse_data(plain))
    frame.columns = [str(column) for column in frame.columns]
    return frame


def _runs(frame):
    """Single-thread runs of the 'prog' group (an interpreter at work), with what we say of their processors."""
    frame = frame[(frame["test_group"] == "prog") & (frame["cores"] == 0) & (frame["byte_optimize"] == 2)]
    frame = frame[frame["cpu"].notna() & (frame["time"] > 0)].copy()
    answers = {cpu: from_text(str(cpu)) for cpu in frame["cpu"].unique()}
    frame = frame[frame["cpu"].map(lambda cpu: answers[cpu].exact)].copy()
    frame["speed"] = frame["cpu"].map(lambda cpu: answers[cpu].speed)
    frame["sd"] = frame["cpu"].map(lambda cpu: np.log(answers[cpu].speed_high / answers[cpu].speed) / Z80)
    frame["log_ratio"] = -np.log(frame["time"]) - np.log(frame["speed"])
    # What the system and the interpreter's version do to all processors alike is taken out.
    setting = frame["sysname"].astype(str) + frame["r_minor"].astype(str).str[0]
    frame["log_ratio"] -= frame.groupby(setting)["log_ratio"].transform("median")
    return frame


@pytest.mark.parametrize("table", ["past_results", "past_results_v2"])
def test_speed_and_its_spread_hold_on_runs_of_an_interpreter(debian_package, missing, table):
    # Debian package r-cran-benchmarkmedata (1.0.4): brand strings and seconds that R users sent in, 2015 to 2020.
    runs = _runs(_lazy_table(debian_package("r-cran-benchmarkmedata", "debian-12"), table, missing))
    by_cpu = runs.groupby("cpu").agg(ratio=("log_ratio", "median"), sd=("sd", "first"), speed=("speed", "first"))
    assert len(by_cpu) > 250
    # Middle error of a named processor: 10 % measured on both tables (0.090 and 0.106 as a robust sd); 0.13 is the
    # spread that the table states for most.
    assert 1.4826 * by_cpu["ratio"].abs().median() < 0.13
    # The 80 % spread holds four in five of them: measured 0.82 and 0.80. Six points either side is three standard
    # errors of a share of 0.8 among 270 that are alike in groups.
    covered = (by_cpu["ratio"].abs() < Z80 * by_cpu["sd"]).mean()
    assert 0.74 < covered < 0.88, covered
    order = by_cpu["speed"].corr(np.exp(by_cpu["ratio"]) * by_cpu["speed"], method="spearman")
    assert order > 0.83, order  # measured 0.855 and 0.880; the rest is throttled and busy machines


@pytest.mark.parametrize(
    ("bench", "least"),
    # Rank correlation, measured 0.953 and 0.960. Both are one narrow loop, so that the order of the microarchitectures
    # differs a little from that of whole programs.
    [("CPU Blowfish (Single-thread)", 0.93), ("FPU Raytracing (Single-thread)", 0.93)],
)
def test_order_of_speeds_is_that_of_measured_machines(debian_package, bench, least):
    # Debian 13's hardinfo2 (2.2.10), /usr/share/hardinfo2/benchmark.json: results that users sent in, 2006 to 2025.
    path = debian_package("hardinfo2", "debian-13") / "usr/share/hardinfo2/benchmark.json"
    rows = [
        (from_text(r["CpuName"]), r["BenchmarkResult"], r["BenchmarkVersion"])
        for r in json.loads(path.read_text())[bench]
    ]
    known = pd.DataFrame(
        [(a.speed, result, version) for a, result, version in rows if a.exact], columns=["speed", "result", "version"]
    )
    known = known[known["version"] == known["version"].mode()[0]]
    assert len(known) > 150
    assert known["speed"].corr(known["result"], method="spearman") > least


def test_the_reference_is_one():
    answer = from_text(REFERENCE)
    assert answer.exact
    assert answer.speed == pytest.approx(1.0)
