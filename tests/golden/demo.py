"""What users get today, kept cell by cell: `python tests/golden/demo.py` makes it anew and tells what changed.

demo.csv: the demo's units as `advisor score` writes them; parts.csv: the list of its drawer; records.csv: what the
sheets say beyond that; learnt.csv: the minutes once the demo's log was learnt from; judged.csv: the units of
tests/advice/judged.csv as scored. Shipped models and tables alone serve, so that a commit scores alike everywhere.
"""

from __future__ import annotations

import dataclasses
import os
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from advisor import intake
from advisor.advice import SCORED_COLUMNS, Batch, assess
from advisor.files import datasets
from advisor.shop_file import read_shop
from advisor.timing import serving_model
from advisor.timing.log import fit_log, read_log
from advisor.unit import INTAKE_COLUMNS

HERE = Path(__file__).parent
REMAKE = "python tests/golden/demo.py"

SAID_ONCE = ("cautions", "images", "limits", "made_with", "mark", "row", "shop", "tag")
"""Fields of a record that are the same for all units, or stand in demo.csv."""

TOTALS = ("hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min")


@cache
def demo() -> Batch:
    """Assess the demo's units."""
    return assess(intake.read(datasets() / "demo" / "intake.csv"), read_shop(datasets() / "demo" / "shop.toml"))


def scored(batch: Batch) -> pd.DataFrame:
    """Take a batch's added columns, as text, a row a unit by its tag."""
    cells = batch.frame[list(SCORED_COLUMNS)].astype("string").fillna("")
    return cells.set_axis(pd.Index(batch.tags, name="asset_tag"), axis=0)


def score_demo() -> pd.DataFrame:
    """Score the demo's units."""
    return scored(demo())


def score_judged() -> pd.DataFrame:
    """Score the units that a technician judged, each in its shop."""
    advice = HERE.parent / "advice"
    judged = pd.read_csv(advice / "judged.csv", dtype=str, keep_default_na=False)
    typed = [name for name in judged.columns if name in INTAKE_COLUMNS]
    return pd.concat(
        [
            scored(assess(rows[typed].reset_index(drop=True), read_shop(advice / "shops" / f"{shop}.toml")))
            for shop, rows in judged.groupby("shop")
        ]
    )


def record_demo() -> pd.DataFrame:
    """Lay the records of the demo's units out, a column a field, as text."""
    rows = [
        {name: _text(value) for name, value in dataclasses.asdict(one).items() if name not in SAID_ONCE}
        for one in demo()
    ]
    return pd.DataFrame(rows, index=pd.Index(demo().tags, name="asset_tag"), dtype="string")


def _text(value: Any) -> str:
    """Write a field out: the parts of a list between ' | ', the parts of each of those between ' / '."""
    if isinstance(value, (tuple, list)):
        return " | ".join(_text(one).replace(" | ", " / ") for one in value)
    if isinstance(value, dict):
        return " / ".join(filter(None, map(_text, value.values())))
    return f"{value:.3g}" if isinstance(value, float) else "" if value is None else str(value)


def learn_demo() -> pd.DataFrame:
    """Time the demo's units anew with what the demo's log taught, phase by phase."""
    shop = demo().shop
    model = fit_log(serving_model(), read_log(datasets() / "demo" / "bench_log.csv"), shop)
    batch = assess(intake.read(datasets() / "demo" / "intake.csv"), shop, model)
    phases = batch.timing.phases.assign(tag=[batch.tags[int(row)] for row in batch.timing.phases["row"]])
    wide = phases.pivot(index="tag", columns="phase", values="machine_min").reindex(batch.tags)
    totals = batch.frame[list(TOTALS)].set_axis(pd.Index(batch.tags), axis=0)
    wide.columns = wide.columns.astype(str)
    return totals.join(wide).rename_axis("asset_tag").round(1).astype("string").fillna("")


def list_parts() -> pd.DataFrame:
    """List the parts that the demo's drawer keeps, and those to buy."""
    return demo().drawer.set_index("part").astype("string").fillna("")


TABLES = {"demo": score_demo, "learnt": learn_demo, "parts": list_parts, "records": record_demo, "judged": score_judged}


def read_kept(name: str) -> pd.DataFrame:
    """Read a kept table, every cell as text."""
    return pd.read_csv(HERE / f"{name}.csv", dtype="string", keep_default_na=False, index_col=0)


def changes(kept: pd.DataFrame, found: pd.DataFrame) -> list[str]:
    """Tell what differs, cell by cell: unit, column, what it was and what it is."""
    said = [
        f"{word} {one}"
        for word, old, new in (("gone:", kept, found), ("new:", found, kept))
        for axis in (0, 1)
        for one in old.axes[axis].difference(new.axes[axis], sort=False)
    ]
    for tag in kept.index.intersection(found.index, sort=False):
        for column in kept.columns.intersection(found.columns, sort=False):
            was, now = kept.at[tag, column].split(" | "), found.at[tag, column].split(" | ")
            if was != now:
                old, new = ([one for one in some if one not in other] for some, other in ((was, now), (now, was)))
                said.append(f"{tag} {column}: was {' | '.join(old or was)!r}, is {' | '.join(new or now)!r}")
    return said


def main() -> None:
    """Make the kept tables anew."""
    with tempfile.TemporaryDirectory() as home:
        os.environ["ADVISOR_HOME"] = home
        for name, make in TABLES.items():
            found = make()
            said = changes(read_kept(name), found) if (HERE / f"{name}.csv").exists() else ["made"]
            print(f"{name}.csv:", *(said or ["nothing has changed"]), sep="\n  ")
            found.to_csv(HERE / f"{name}.csv", lineterminator="\n")


if __name__ == "__main__":
    main()
