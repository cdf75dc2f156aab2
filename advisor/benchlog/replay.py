"""A shop before and after its first logged units."""

from __future__ import annotations

import numpy as np
import pandas as pd

from advisor.timing.log import learn
from advisor.timing.logged import HALF_LIFE_DAYS, Logged
from advisor.timing.logpart import LogPart
from advisor.timing.model import TimingModel, with_log


def before_and_after(model: TimingModel, laid: Logged, rows: int = 200) -> pd.DataFrame:
    """A shop before and after its first logged units: error and coverage on the units after them.

    A row a unit after them: asset_tag, date, storage_kind, actual_min, before_min, before_low_min, before_high_min,
    after_min, after_low_min, after_high_min [min]. `attrs`: learnt_from, and for 'before' and 'after' each
    median_error_pct, covered_pct, and bias_pct (median, signed).
    """
    place = np.arange(len(laid))
    part = learn(model, laid.take(place < rows), HALF_LIFE_DAYS)
    rest = laid.take(place >= rows)
    out = pd.DataFrame({
        "asset_tag": rest.tags, "date": pd.to_datetime(rest.day, unit="D"),
        "storage_kind": rest.given.kinds.astype(str), "actual_min": rest.elapsed,
    })  # fmt: skip
    out.attrs["learnt_from"] = min(rows, len(laid))
    for name, one in (("before", LogPart()), ("after", part)):
        minutes, width = rest.predicted(with_log(model, LogPart()), one)
        out[f"{name}_min"] = minutes
        out[f"{name}_low_min"], out[f"{name}_high_min"] = minutes * np.exp(-width), minutes * np.exp(width)
        signed = 100 * (minutes / rest.elapsed - 1)
        inside = np.abs(np.log(rest.elapsed / minutes)) <= width
        out.attrs[name] = {
            "median_error_pct": float(np.median(np.abs(signed))) if len(rest) else float("nan"),
            "covered_pct": 100 * float(inside.mean()) if len(rest) else float("nan"),
            "bias_pct": float(np.median(signed)) if len(rest) else float("nan"),
        }
    return out
