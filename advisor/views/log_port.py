"""The door to the bench log: what really happened to a unit, handed to whatever keeps it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from advisor.errors import AdvisorError, InputError
from advisor.unit import Unit
from advisor.views.laps import Lap, Watches, covered, titles
from advisor.views.markup import known

if TYPE_CHECKING:
    from advisor.benchlog import BenchLog

MOST_MIN = 7 * 24 * 60
"""Minutes above which an entry is taken for a slip of the keyboard [min]."""

OUTCOMES = ("not checked", "fine", "slow", "returned")
"""How the first-boot check may have gone, in the log's words; the first stands for no entry."""

PREDICTED = (
    "advice",
    "edition",
    "image_used",
    "hands_on_min",
    "elapsed_min",
    "elapsed_low_min",
    "elapsed_high_min",
)
"""What of a scored row is logged beside what happened."""

PHASE = ("phase", "hands_on_min", "machine_min")
"""What of a predicted phase is logged."""


@dataclass(frozen=True)
class Minutes:
    """What really happened.

    Attributes
    ----------
    elapsed_min : float
        Minutes the unit held its slot [min].
    hands_on_min : float or None
        Minutes of a person's work [min].
    edition, parts, outcome, note : str
        Edition installed, parts fitted, how the first-boot check went (one of `OUTCOMES`), anything else.
    phases : mapping of str to float
        Minutes by phase, as far as known [min].
    """

    elapsed_min: float
    hands_on_min: float | None = None
    edition: str = ""
    parts: str = ""
    outcome: str = ""
    note: str = ""
    phases: Mapping[str, float] = field(default_factory=dict)


class LogPort(Protocol):
    """Anything that keeps what happened."""

    def add(
        self,
        unit: Unit,
        scored: Mapping[str, object],
        phases: Sequence[Mapping[str, object]],
        basis: str,
        minutes: Minutes,
    ) -> str:
        """Keep one entry.

        Parameters
        ----------
        unit : Unit
        scored : mapping
            The unit's scored row: what was advised and predicted.
        phases : sequence of mapping
            The predicted phases: phase, hands_on_min, machine_min [min].
        basis : str
            What the prediction rested on.
        minutes : Minutes

        Returns
        -------
        str
            Where it went, in words.
        """
        ...

    def watches(self, tag: str) -> Watches:
        """What the stopwatches say.

        Parameters
        ----------
        tag : str
            Of the unit in view, '' for none.
        """
        ...

    def start(self, tag: str, phase: str) -> None:
        """Start a unit's stopwatch for a phase."""
        ...

    def stop(self, tag: str, phase: str) -> float:
        """Stop it; gives the minutes it ran [min]."""
        ...

    def retag(self, tag: str, corrected: str) -> int:
        """Give a unit's stopwatches to its corrected tag; gives how many were moved."""
        ...


class ShopLog:
    """The shop's bench log.

    Parameters
    ----------
    path : path-like, optional
        Its file; the user's own when left out.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path

    def add(
        self,
        unit: Unit,
        scored: Mapping[str, object],
        phases: Sequence[Mapping[str, object]],
        basis: str,
        minutes: Minutes,
    ) -> str:
        """Keep one entry; see `LogPort.add`."""
        from advisor.benchlog import BenchLog, Job

        if not known(unit.asset_tag):
            raise InputError("The unit has no asset tag, and the log goes by the tag.", "Type the tag first.")
        tag = str(unit.asset_tag)
        kept = {name: _plain(scored.get(name)) for name in PREDICTED}
        image = kept["image_used"]
        with BenchLog(self.path) as log:
            log.add_unit(
                tag,
                unit.model_dump(mode="json", exclude_none=True),
                kept,
                [{name: _plain(one[name]) for name in PHASE} for one in phases],
                basis,
            )
            numbers = log.add_jobs(
                [
                    Job(
                        asset_tag=tag,
                        done_on=date.today().isoformat(),
                        hands_on_min=minutes.hands_on_min,
                        elapsed_min=minutes.elapsed_min,
                        edition=minutes.edition or None,
                        image=str(image) if image else None,
                        parts=minutes.parts or None,
                        note=minutes.note or None,
                        phases=minutes.phases,
                        outcome=minutes.outcome if minutes.outcome in OUTCOMES[1:] else None,
                    )
                ]
            )
            said = _beside(log, numbers).removesuffix(".")
            return f"the bench log ({log.path})" + (f". {said}" if said else "")

    def watches(self, tag: str) -> Watches:
        """What the stopwatches say; see `LogPort.watches`. Looking makes no log where there is none."""
        from advisor.benchlog import BenchLog, minutes_between

        if not self._exists():
            return Watches()
        try:
            with BenchLog(self.path, wait_s=1) as log:
                running = tuple(Lap(one["asset_tag"], one["phase"], one["started_at"]) for one in log.running())
                laps = log.laps(tag) if tag else []
        except AdvisorError as error:
            return Watches(problem=f"{error.message} {error.hint}".strip())
        return Watches(
            tuple(
                Lap(
                    tag,
                    one["phase"],
                    one["started_at"],
                    minutes_between(one["started_at"], one["stopped_at"]) if one["stopped_at"] else None,
                )
                for one in laps
            ),
            running,
            covered([(one["started_at"], one["stopped_at"]) for one in laps if one["stopped_at"]]),
        )

    def _exists(self) -> bool:
        """Whether there is a log; opening one would make it."""
        from advisor.benchlog import default_path

        return (self.path or default_path()).exists()

    def start(self, tag: str, phase: str) -> None:
        """Start a unit's stopwatch for a phase."""
        from advisor.benchlog import BenchLog

        with BenchLog(self.path) as log:
            log.start(tag, phase)

    def stop(self, tag: str, phase: str) -> float:
        """Stop it; gives the minutes it ran [min]."""
        from advisor.benchlog import BenchLog

        with BenchLog(self.path) as log:
            return log.stop(tag, phase)

    def retag(self, tag: str, corrected: str) -> int:
        """Give a unit's stopwatches to its corrected tag; none where the log is missing or cannot be read."""
        from advisor.benchlog import BenchLog
        from advisor.benchlog.store import LogError

        if not self._exists():
            return 0
        try:
            with BenchLog(self.path) as log:
                return log.retag(tag, corrected)
        except LogError:
            # The view says what is wrong with the log; the tag can be corrected all the same.
            return 0


def _beside(log: BenchLog, jobs: list[int]) -> str:
    """How the jobs fell beside what was predicted; a job that is written stays so whatever becomes of this."""
    from advisor.benchlog.learning import logged

    try:
        return logged(log, jobs)
    except AdvisorError as error:
        return f"Intervals were not brought up to date: {error.message}"


def _plain(value: object) -> Any:
    """Take a value out of pandas: None for unknown, plain numbers and text."""
    if not known(value):
        return None
    return str(value) if isinstance(value, str) else float(value)  # type: ignore[arg-type]


def read_minutes(values: Mapping[str, object]) -> Minutes:
    """Read the log form.

    Parameters
    ----------
    values : mapping
        As typed: elapsed_min, hands_on_min, edition, parts, outcome, note, and `phase_NAME` for minutes by phase.

    Returns
    -------
    Minutes

    Raises
    ------
    InputError
        When no usable minutes are given; names the box and what is accepted.
    """
    elapsed = _minutes(values.get("elapsed_min"), "Minutes in the slot")
    hands_on = _minutes(values.get("hands_on_min"), "Hands-on minutes")
    if elapsed is None:
        raise InputError(
            "Minutes in the slot: nothing is given.", "Type the minutes from power-on to hand-over, such as 75 or 1:15."
        )
    if hands_on is not None and hands_on > elapsed:
        raise InputError(
            f"Hands-on minutes: {hands_on:g} is more than the {elapsed:g} minutes in the slot.",
            "Correct one of the two; hands-on work is part of the time in the slot.",
        )
    names = ("edition", "parts", "outcome", "note")
    words = {name: " ".join(str(values.get(name) or "").split())[:500] for name in names}
    phases: dict[str, float] = {}
    for name, title in titles().items():
        took = _minutes(values.get(f"phase_{name}"), title)
        if took is not None and took > elapsed:
            raise InputError(
                f"{title}: {took:g} is more than the {elapsed:g} minutes in the slot.", "Correct one of the two."
            )
        if took is not None:
            phases[name] = took
    return Minutes(elapsed_min=elapsed, hands_on_min=hands_on, phases=phases, **words)


def _minutes(value: object, box: str) -> float | None:
    words = str(value or "").strip().lower().removesuffix("min").strip().replace(",", ".")
    if not words:
        return None
    hint = "Type minutes such as 75, or hours and minutes such as 1:15."
    try:
        if ":" in words:
            hours, _, rest = words.partition(":")
            if not 0 <= int(rest) < 60:
                raise ValueError
            minutes = int(hours) * 60.0 + int(rest)
        else:
            minutes = float(words)
    except ValueError:
        raise InputError(f"{box}: {value!r} is not a time.", hint) from None
    if not math.isfinite(minutes) or not 0 < minutes <= MOST_MIN:
        raise InputError(f"{box}: {value!r} is outside 1 minute to 7 days.", hint)
    return minutes
