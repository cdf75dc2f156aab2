"""Make the exported log and scored batch of an invented centre, for asking a year's questions. No number was measured.

Some thousand units of `simulated_year.py` beside this file are scored by the program; every row is one of them again,
with a tag of its own and minutes that are invented about the predicted ones: each row's own, a fifth wide, each model's
and technician's, and one model in eight that takes a fifth to three fifths more than anybody foresaw.

`python datasets/demo/many_units.py FILE.duckdb [ROWS [DISTINCT]]` writes a million rows of 5,000 distinct units.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd

import advisor
from advisor.benchlog import exported

ROWS, DISTINCT = 1_000_000, 5_000
SPREAD, SPREAD_OF_MODEL, SPREAD_OF_TECHNICIAN = 0.2, 0.08, 0.08
DEAR, DEARER = 1 / 8, (1.2, 1.6)
SEED = 19


def _year(units: int) -> pd.DataFrame:
    """Logged units of the simulated year."""
    spec = importlib.util.spec_from_file_location("simulated_year", Path(__file__).with_name("simulated_year.py"))
    if spec is None or spec.loader is None:
        raise ImportError("simulated_year.py is missing")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.year(SEED, units)


def many(rows: int = ROWS, distinct: int = DISTINCT) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Make a log and the scored batch of its units.

    Parameters
    ----------
    rows, distinct : int
        Rows of each, and how many units they are drawn from.

    Returns
    -------
    tuple of pandas.DataFrame
        As `advisor.benchlog.exported.write` takes them.
    """
    logged = _year(distinct)
    shop = advisor.read_shop(Path(__file__).with_name("shop.toml"))
    typed = ["asset_tag", "maker", "model", "cpu", "ram_gib", "storage_kind", "storage_gib"]
    scored = advisor.score(logged[typed].astype("string"), shop)
    predicted = {"predicted_min": "elapsed_min", "predicted_low_min": "elapsed_low_min"}
    predicted |= {"predicted_high_min": "elapsed_high_min", "predicted_hands_on_min": "hands_on_min"}
    logged = logged.assign(source="invented", **{name: scored[column] for name, column in predicted.items()})
    draw = np.random.default_rng(SEED)
    of = np.sort(draw.integers(0, distinct, rows))
    tags = pd.Series(np.arange(1, rows + 1)).astype(str).str.zfill(7).radd("MU-")
    job = logged.iloc[of].reset_index(drop=True).assign(asset_tag=tags, job=np.arange(1, rows + 1))
    factor = np.exp(draw.normal(0, SPREAD, rows))
    for name, spread, dear in (("model", SPREAD_OF_MODEL, DEAR), ("technician", SPREAD_OF_TECHNICIAN, 0.0)):
        code, names = pd.factorize(job[name])
        own = np.exp(draw.normal(0, spread, len(names)))
        own[draw.random(len(names)) < dear] *= draw.uniform(*DEARER)
        factor *= np.append(own, 1.0)[code]
    for name, foreseen in (("elapsed_min", "predicted_min"), ("hands_on_min", "predicted_hands_on_min")):
        job[name] = (job[foreseen].astype("Float64") * factor).round(1).fillna(job[name])
    return job, scored.iloc[of].reset_index(drop=True).assign(asset_tag=tags)


if __name__ == "__main__":
    exported.write(sys.argv[1], *many(*map(int, sys.argv[2:])))
