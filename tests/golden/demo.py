"""The demo's units as scored today: kept in demo.csv, remade by `python tests/golden/demo.py`.

Shipped models alone serve, no log and no tables of a user's own, so that the same commit scores the same everywhere.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pandas as pd

KEPT = Path(__file__).with_suffix(".csv")
REMAKE = "python tests/golden/demo.py"


def score_demo() -> pd.DataFrame:
    """Score the demo's units: a row a unit by its tag, the columns that the program adds, as text."""
    from advisor import intake
    from advisor.advice import SCORED_COLUMNS, assess
    from advisor.files import datasets
    from advisor.shop_file import read_shop
    from advisor.timing import load_model

    demo = datasets() / "demo"
    model = load_model(datasets() / "timing" / "model.json")
    batch = assess(intake.read(demo / "intake.csv"), read_shop(demo / "shop.toml"), model)
    scored = batch.frame[list(SCORED_COLUMNS)].astype("string").fillna("")
    return scored.set_axis(pd.Index(batch.tags, name="asset_tag"), axis=0)


def read_kept() -> pd.DataFrame:
    """Read what was kept, every cell as text."""
    return pd.read_csv(KEPT, dtype="string", keep_default_na=False, index_col="asset_tag")


def changes(kept: pd.DataFrame, found: pd.DataFrame) -> list[str]:
    """Tell what differs, cell by cell: unit, column, what it was and what it is."""
    said = [f"{word} {one}" for word, old, new in (("gone:", kept, found), ("new:", found, kept))
            for axis in (0, 1) for one in old.axes[axis].difference(new.axes[axis], sort=False)]  # fmt: skip
    for tag in kept.index.intersection(found.index, sort=False):
        for column in kept.columns.intersection(found.columns, sort=False):
            was, now = kept.at[tag, column], found.at[tag, column]
            if was != now:
                said.append(f"{tag} {column}: was {was!r}, is {now!r}")
    return said


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as home:
        os.environ["ADVISOR_HOME"] = home
        demo_scored = score_demo()
    if KEPT.exists():
        print("\n".join(changes(read_kept(), demo_scored)) or "Nothing has changed.")
    demo_scored.to_csv(KEPT, lineterminator="\n")
