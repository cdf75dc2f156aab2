"""Timing: how long a unit holds a slot, from physics fitted on measured rehearsals, corrected by a bench log.

timing = advisor.timing.predict(units, processors, editions, images, shop)
timing.elapsed_min, timing.elapsed_low_min, timing.elapsed_high_min, timing.phases, timing.assumed, timing.basis
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from advisor.timing.conditions import CONDITIONS, MEASURED_PHASES, read_conditions
from advisor.timing.model import TimingModel, load_model
from advisor.timing.predict import Timing, phases, predict
from advisor.timing.rehearsals import Rehearsals, read_rehearsals
from advisor.timing.versions import serving_model

if TYPE_CHECKING:
    from advisor.timing.fitting import InstallTime, fit

__all__ = [
    "CONDITIONS", "MEASURED_PHASES", "InstallTime", "Rehearsals", "Timing", "TimingModel", "fit", "load_model",
    "phases", "predict", "predict_conditions", "read_conditions", "read_rehearsals", "serving_model",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Bring in scikit-learn only where something is fitted."""
    if name not in ("InstallTime", "fit"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from advisor.timing import fitting

    return getattr(fitting, name)


def predict_conditions(frame: pd.DataFrame) -> pd.DataFrame:
    """Predict machine seconds under stated conditions, by the serving model; see `TimingModel.predict_conditions`."""
    return serving_model().predict_conditions(frame)
