"""Room advice: from facts to a decision, with its reasons."""

from __future__ import annotations

from advisor.advice.assessment import SCORED_COLUMNS, Assessment, assess

__all__ = ["SCORED_COLUMNS", "Assessment", "assess"]
