"""Room advice: from facts to one record a unit, which every view reads."""

from __future__ import annotations

from advisor.advice.batch import SCORED_COLUMNS, Batch, assess

__all__ = ["SCORED_COLUMNS", "Batch", "assess"]
