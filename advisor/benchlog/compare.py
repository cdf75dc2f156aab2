"""What a log says beside what was, or would have been, predicted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from advisor.columns import figures, numbers, words
from advisor.phrases import counted
from advisor.shop import Shop

COMPARED = (
    "asset_tag", "date", "edition", "storage_kind", "image", "technician", "actual_min", "predicted_min", "low_min",
    "high_min", "when",
)  # fmt: skip
"""Columns of a comparison: a row a logged unit, minutes in the slot; `when` says when the prediction was made."""


def compare(rows: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Lay what a log says beside what was, or would have been, predicted.

    Parameters
    ----------
    rows : pandas.DataFrame
        A row a logged unit, as `advisor.benchlog.frame` gives it; asset_tag, cpu, image, edition, elapsed_min needed.

    Returns
    -------
    pandas.DataFrame
        Columns `COMPARED`, in the log's order; units without minutes, image or edition are left out. The prediction
        kept at the time is taken where there is one, else that of the model serving now.
    """
    from advisor.identify import processors
    from advisor.timing import predict
    from advisor.timing.log import log_units

    if not {"cpu", "image", "edition", "elapsed_min"} <= set(rows.columns):
        return pd.DataFrame(columns=list(COMPARED))
    named = rows["image"].isin([image.name for image in shop.images]) & rows["edition"].isin(shop.richness)
    kept = rows[(figures(rows, "elapsed_min") > 0) & named.to_numpy()].reset_index(drop=True)
    units = log_units(kept)
    now = predict(
        units, processors(units).reset_index(drop=True), kept["edition"].astype("string"),
        kept["image"].astype("string"), shop,
    )  # fmt: skip
    had = ~np.isnan(figures(kept, "predicted_min"))
    pairs = (
        ("predicted_min", "predicted_min", now.elapsed_min), ("low_min", "predicted_low_min", now.elapsed_low_min),
        ("high_min", "predicted_high_min", now.elapsed_high_min),
    )  # fmt: skip
    columns = {name: np.where(had, figures(kept, before), numbers(after)) for name, before, after in pairs}
    texts = {name: words(kept, name) for name in ("asset_tag", "date", "edition", "image", "technician")}
    out = pd.DataFrame({
        **texts, "storage_kind": units["storage_kind"].fillna("unknown"), "actual_min": figures(kept, "elapsed_min"),
        **columns, "when": np.where(had, "at the time", "now"),
    })  # fmt: skip
    return out.dropna(subset=["predicted_min"]).reset_index(drop=True)[list(COMPARED)]


def shop_log(shop: Shop, path: str | Path | None = None) -> pd.DataFrame:
    """Compare a bench log, the user's own when left out; no rows where there is none."""
    from advisor.benchlog import BenchLog, default_path, frame

    file = Path(path) if path else default_path()
    if not file.exists():
        return pd.DataFrame(columns=list(COMPARED))
    with BenchLog(file) as log:
        return compare(frame(log), shop)


def sentence(compared: pd.DataFrame) -> str:
    """How good the predictions are at this bench, in one sentence."""
    if not len(compared):
        return "At your bench: no unit is logged yet, so nothing is known of how well the minutes hold here."
    miss = 100 * (compared["predicted_min"] / compared["actual_min"] - 1).abs().median()
    inside = 10 * compared["actual_min"].between(compared["low_min"], compared["high_min"]).mean()
    units = counted(len(compared), "unit")
    return f"At your bench: typical miss {miss:.0f} %, {inside:.0f} of 10 inside the range, from {units}."
