"""The door to the bench log: what really happened to a unit, handed to whatever keeps it."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from advisor.errors import InputError
from advisor.files import user_data, write_whole
from advisor.unit import INTAKE_COLUMNS, Unit
from advisor.views.markup import known

MOST_MIN = 7 * 24 * 60
"""Minutes above which an entry is taken for a slip of the keyboard [min]."""

PREDICTED = ("advice", "edition", "image_used", "hands_on_min", "elapsed_min", "elapsed_low_min", "elapsed_high_min")


@dataclass(frozen=True)
class Minutes:
    """What really happened.

    Attributes
    ----------
    hands_on_min : float or None
        Minutes of a person's work [min].
    elapsed_min : float
        Minutes the unit held its slot [min].
    edition, parts, outcome, note : str
        Edition installed, parts fitted, how the first-boot check went, anything else.
    """

    elapsed_min: float
    hands_on_min: float | None = None
    edition: str = ""
    parts: str = ""
    outcome: str = ""
    note: str = ""


class LogPort(Protocol):
    """Anything that keeps what happened."""

    def add(self, unit: Unit, scored: Mapping[str, object], minutes: Minutes) -> str:
        """Keep one entry.

        Parameters
        ----------
        unit : Unit
        scored : mapping
            The unit's scored row: what was advised and predicted.
        minutes : Minutes

        Returns
        -------
        str
            Where it went, in words.
        """
        ...


class CsvLog:
    """A log in one CSV file, a row an entry, written whole.

    Parameters
    ----------
    path : path-like, optional
        Default: `bench_log.csv` in the user's data folder.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = Path(path) if path is not None else user_data() / "bench_log.csv"

    def add(self, unit: Unit, scored: Mapping[str, object], minutes: Minutes) -> str:
        """Append one entry; see `LogPort.add`."""
        facts = unit.model_dump(mode="json")
        row: dict[str, object] = {"logged_at": datetime.now(UTC).isoformat(timespec="seconds")}
        row |= {name: facts[name] for name in INTAKE_COLUMNS}
        row |= {f"predicted_{name}": scored.get(name) for name in PREDICTED}
        row |= {f"actual_{name}": value for name, value in vars(minutes).items()}
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        old = self.path.read_text(encoding="utf-8") if self.path.exists() else ""
        if not old:
            writer.writerow(row)
        writer.writerow([_cell(value) for value in row.values()])
        self.path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(self.path, old + buffer.getvalue())
        return str(self.path)


def _cell(value: object) -> str:
    """Write a value so that no spreadsheet runs it as a formula."""
    if not known(value):
        return ""
    words = str(value)
    return f"'{words}" if words[:1] in "=+-@\t\r" and not isinstance(value, (int, float)) else words


def read_minutes(values: Mapping[str, object]) -> Minutes:
    """Read the log form.

    Parameters
    ----------
    values : mapping
        As typed: elapsed_min, hands_on_min, edition, parts, outcome, note.

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
    words = {
        name: " ".join(str(values.get(name) or "").split())[:500] for name in ("edition", "parts", "outcome", "note")
    }
    return Minutes(elapsed_min=elapsed, hands_on_min=hands_on, **words)


def _minutes(value: object, box: str) -> float | None:
    words = str(value or "").strip().lower().removesuffix("min").strip().replace(",", ".")
    if not words:
        return None
    try:
        if ":" in words:
            hours, _, rest = words.partition(":")
            minutes = int(hours) * 60 + int(rest)
            if not 0 <= int(rest) < 60:
                raise ValueError
        else:
            minutes = float(words)  # type: ignore[assignment]
    except ValueError:
        raise InputError(
            f"{box}: {value!r} is not a time.", "Type minutes such as 75, or hours and minutes such as 1:15."
        ) from None
    if not 0 < minutes <= MOST_MIN:
        raise InputError(
            f"{box}: {value!r} is outside 1 minute to 7 days.",
            "Type minutes such as 75, or hours and minutes such as 1:15.",
        )
    return float(minutes)
