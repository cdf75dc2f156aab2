"""The day's bench: which unit is started when, by whom, in which slot and from which stick."""

from __future__ import annotations

from advisor.plan.day import Plan, plan_day

__all__ = ["Plan", "plan_day"]
