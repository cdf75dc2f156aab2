"""The bench log: what really happened, a row a unit, in one SQLite file."""

from __future__ import annotations

from typing import Any

from advisor.benchlog.database import BenchLog, Job, LogError, default_path, minutes_between, now

__all__ = ["BenchLog", "Job", "LogError", "default_path", "frame", "minutes_between", "now", "phase_names"]


def __getattr__(name: str) -> Any:
    # The frames need pandas; a stopwatch on a terminal does not.
    if name in {"frame", "phase_names"}:
        from advisor.benchlog import frames

        return getattr(frames, name)
    raise AttributeError(f"module 'advisor.benchlog' has no attribute {name!r}")
