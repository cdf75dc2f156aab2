"""What the stopwatches say: kept in the bench log, so that a restart stops none of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from advisor.benchlog.database import BenchLog, minutes_between


@dataclass(frozen=True)
class Lap:
    """One run of a stopwatch."""

    tag: str
    phase: str
    started_at: str  # ISO 8601, UTC
    minutes: float | None = None  # Minutes it ran [min]; None while it runs


@dataclass(frozen=True)
class Watches:
    """The stopwatches that concern the unit in view, and those that run."""

    laps: tuple[Lap, ...] = ()  # Of the unit in view since it was last logged, oldest first
    running: tuple[Lap, ...] = ()  # Of all units, oldest first
    slot_min: float = 0.0  # Minutes in which any stopwatch of the unit in view ran, stopped ones only [min]

    def timed(self) -> dict[str, float]:
        """Minutes by phase, stopped ones only [min]."""
        out: dict[str, float] = {}
        for one in self.laps:
            if one.minutes is not None:
                out[one.phase] = out.get(one.phase, 0.0) + one.minutes
        return out

    def next_phase(self) -> str:
        """The phase after the one that was started last; the first one before any, '' after the last."""
        names = list(titles())
        if not self.laps:
            return names[0]
        last = self.laps[-1].phase
        place = names.index(last) + 1 if last in names else len(names)
        return names[place] if place < len(names) else ""


def titles() -> dict[str, str]:
    """Title of each phase by its name, in the order of the work."""
    from advisor.timing.hands import phase_table

    table = phase_table()
    return dict(zip(table.names, table.titles, strict=True))


def watches(log: BenchLog, tag: str) -> Watches:
    """What the stopwatches say of a unit, by its tag ('' for none), and which run for any."""
    laps = log.laps(tag) if tag else []
    spans = [(one["started_at"], one["stopped_at"]) for one in laps if one["stopped_at"]]
    return Watches(
        tuple(
            Lap(tag, one["phase"], one["started_at"],
                minutes_between(one["started_at"], one["stopped_at"]) if one["stopped_at"] else None)
            for one in laps
        ),
        tuple(Lap(one["asset_tag"], one["phase"], one["started_at"]) for one in log.running()),
        covered(spans),
    )  # fmt: skip


def covered(spans: Sequence[tuple[str, str]]) -> float:
    """Count the minutes in which at least one of several spans ran: side by side they count once.

    Parameters
    ----------
    spans : sequence of (str, str)
        Start and end of each, ISO 8601.

    Returns
    -------
    float
        [min]
    """
    total, reached = 0.0, ""
    for start, stop in sorted(spans):
        begin = max(start, reached)
        if stop > begin:
            total += minutes_between(begin, stop)
            reached = stop
    return total
