"""Timing: how long a unit holds a slot, from physics fitted on measured rehearsals, corrected by a bench log.

timing = advisor.timing.predict(units, processors, editions, images, shop)
timing.elapsed_min, timing.elapsed_low_min, timing.elapsed_high_min, timing.phases, timing.assumed, timing.basis
"""

from __future__ import annotations

import pandas as pd

from advisor.timing.conditions import CONDITIONS, MEASURED_PHASES, read_conditions
from advisor.timing.fitting import fit
from advisor.timing.model import TimingModel, load_model
from advisor.timing.predict import Timing, phases, predict
from advisor.timing.rehearsals import Rehearsals, read_rehearsals
from advisor.timing.versions import serving_model

__all__ = [
    "CONDITIONS", "MEASURED_PHASES", "Rehearsals", "Timing", "TimingModel", "fit", "load_model", "phases", "predict",
    "predict_conditions", "read_conditions", "read_rehearsals", "serving_model",
]  # fmt: skip


def predict_conditions(frame: pd.DataFrame, model: TimingModel | None = None) -> pd.DataFrame:
    """Predict machine seconds under stated conditions; see `TimingModel.predict_conditions`.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns of `CONDITIONS`.
    model : TimingModel, optional
        The serving model when left out.

    Returns
    -------
    pandas.DataFrame
        `<phase>_s`, `total_s`, `low_s`, `high_s` [s], `note`, `nearest`; a row a row.
    """
    return (serving_model() if model is None else model).predict_conditions(frame)
