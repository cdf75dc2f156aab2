"""What would save hands: each way of working that a shop has not, as a counterfactual of the same model."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.columns import numbers
from advisor.shop import Practice

if TYPE_CHECKING:
    from advisor.advice.batch import Batch
    from advisor.timing import Timing

SAVING_COLUMNS = ("practice", "units", "hands_min", "slot_min", "hands_month_min", "slot_month_min")

DAYS_A_MONTH = 365.25 / 12


def savings(batch: Batch, units_a_month: float | None = None) -> pd.DataFrame:
    """Reckon the batch anew with one more of the ways of working each time, all else as it was decided.

    Parameters
    ----------
    units_a_month : float, optional
        Units that the shop prepares in a month; those of the batch when left out.

    Returns
    -------
    pandas.DataFrame
        A row a way of working that the shop has not: practice, units (of the batch that it touches), hands_min and
        slot_min (saved a unit, the mean over all that are prepared [min]), hands_month_min and slot_month_min (saved in
        a month [min]). What saves most hands stands first.
    """
    from advisor.advice.batch import timing_of

    cases, shop = batch.cases, batch.shop
    before = _minutes(batch.timing)[batch.case]
    prepared = ~np.isnan(before).any(axis=1)
    month = float(prepared.sum() if units_a_month is None else units_a_month)
    rows = []
    for one in Practice:
        if one in shop.practices:
            continue
        richer = shop.model_copy(update={"practices": (*shop.practices, one)})
        timing = timing_of(replace(cases, facts=replace(cases.facts, shop=richer)), batch.timing.model)
        saved = (before - _minutes(timing)[batch.case])[prepared].round(1)
        mean = saved.mean(axis=0) if len(saved) else np.zeros(2)
        rows.append((str(one), int((np.abs(saved) > 0).any(axis=1).sum()), *mean, *(month * mean)))
    out = pd.DataFrame(rows, columns=list(SAVING_COLUMNS))
    return out.sort_values(["hands_month_min", "slot_month_min"], ascending=False, kind="stable", ignore_index=True)


def _minutes(timing: Timing) -> np.ndarray:
    return np.column_stack([numbers(timing.hands_on_min), numbers(timing.elapsed_min)])


def units_a_month(log: pd.DataFrame) -> float | None:
    """Units that a log has in a month; None for a log of less than one.

    Parameters
    ----------
    log : pandas.DataFrame
        With a column date.
    """
    if "date" not in log:
        return None
    read = pd.to_datetime(log["date"].astype("string"), format="ISO8601", errors="coerce")
    known = read.dropna().to_numpy(dtype="datetime64[D]").astype(float)
    span = float(known.max() - known.min()) + 1 if known.size else 0.0
    return known.size / span * DAYS_A_MONTH if span >= DAYS_A_MONTH - 1 else None


def sentences(found: pd.DataFrame) -> list[str]:
    """The table in lines, widest column first, for a terminal."""
    lines = [f"{'would save':<32}{'hands a unit':>14}{'slot a unit':>13}{'hands a month':>15}{'slot a month':>14}"]
    for row in found.to_dict("records"):
        lines.append(
            f"{row['practice']:<32}{row['hands_min']:>10.1f} min{row['slot_min']:>9.1f} min"
            f"{row['hands_month_min'] / 60:>13.1f} h{row['slot_month_min'] / 60:>12.1f} h"
        )
    return lines
