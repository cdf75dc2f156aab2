"""What was found out about one unit, taken out of a batch's assessment: the plain data that every panel shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.shop import Thresholds
from advisor.unit import Advice, Unit, unit_of
from advisor.views.markup import known

if TYPE_CHECKING:
    from advisor.advice import Assessment


@dataclass(frozen=True)
class Rung:
    """One edition on the ladder.

    Attributes
    ----------
    edition : str
    desktop_s, desktop_high_s, browser_s, browser_high_s : float or None
        Seconds from login to usable desktop and from click to usable browser, and their careful ends [s].
    memory_left_pct, disk_left_gib : float or None
        Memory left with the browser open [%]; disk left after the install [GiB].
    out : str
        Why it is not comfortable, ruled out, or cannot be told; '' when it is comfortable.
    gate : int
        1 passes the hard gates, 0 fails, -1 cannot be told.
    comfortable, unknown : bool
        Within the shop's limits; a fact that decides is missing.
    """

    edition: str
    desktop_s: float | None
    desktop_high_s: float | None
    browser_s: float | None
    browser_high_s: float | None
    memory_left_pct: float | None
    disk_left_gib: float | None
    out: str
    gate: int
    comfortable: bool
    unknown: bool


@dataclass(frozen=True)
class Findings:
    """Everything that is shown of one unit.

    Attributes
    ----------
    unit : Unit
    processor : mapping
        What identification says of the processor.
    scored : mapping
        The unit's scored row.
    rule, source, part : str
        What made the advice, where that is from, and the part to fit first; '' for none.
    why : str
        The sentence that made the advice.
    flags, parts, phases, assumed, devices : pandas.DataFrame
        The unit's own rows.
    basis : str
        What the minutes rest on.
    rungs : tuple of Rung
        Editions, richest first.
    images : tuple of str
        The shop's images, in its order.
    image_wanted : str
    stops : mapping of str to str
        Image that does not boot on this unit: why.
    thresholds : Thresholds
    """

    unit: Unit
    processor: Mapping[str, Any]
    scored: Mapping[str, Any]
    why: str
    rule: str
    source: str
    part: str
    flags: pd.DataFrame
    parts: pd.DataFrame
    phases: pd.DataFrame
    assumed: pd.DataFrame
    basis: str
    devices: pd.DataFrame
    rungs: tuple[Rung, ...]
    images: tuple[str, ...]
    image_wanted: str
    stops: Mapping[str, str]
    thresholds: Thresholds

    @property
    def advice(self) -> Advice:
        """The advice."""
        return Advice(str(self.scored["advice"]))

    @property
    def edition(self) -> str:
        """Edition advised, '' for none."""
        return word(self.scored["edition"])

    @property
    def image(self) -> str:
        """Image to prepare the unit from, '' for none."""
        return word(self.scored["image_used"])

    @property
    def firmware(self) -> tuple[str, ...]:
        """Packages to have on the stick."""
        return tuple(one for one in word(self.scored["firmware_packages"]).split(";") if one)


def word(value: object) -> str:
    """Write a value as text, '' for unknown.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
    """
    return str(value) if known(value) else ""


def findings(assessment: Assessment, row: int) -> Findings:
    """Take one unit out of an assessment.

    Parameters
    ----------
    assessment : Assessment
    row : int
        Position of the unit.

    Returns
    -------
    Findings
    """
    decided = assessment.decision.frame.iloc[row]
    boots_why = assessment.facts.boots_reason.iloc[row]
    timing = assessment.timing
    return Findings(
        unit=unit_of(assessment.units, row),
        processor=named(assessment.processors, row),
        scored=named(assessment.scored, row),
        why=word(decided["reason"]),
        rule=word(decided["rule"]),
        source=word(decided["source"]),
        part=word(decided["part"]),
        flags=_own(assessment.flags, row),
        parts=_own(assessment.parts, row),
        phases=_own(timing.phases, row),
        assumed=_own(timing.assumed, row),
        basis=str(timing.basis),
        devices=_own(assessment.devices, row),
        rungs=_rungs(assessment.ladder, row),
        images=tuple(image.name for image in assessment.shop.images),
        image_wanted=word(assessment.facts.chosen["image_wanted"].iat[row]),
        stops={str(name): str(why) for name, why in boots_why.items() if known(why)},
        thresholds=assessment.shop.thresholds,
    )


def named(frame: pd.DataFrame, row: int) -> dict[str, Any]:
    """Take one row of a frame as a dict.

    Parameters
    ----------
    frame : pandas.DataFrame
    row : int
        Position.

    Returns
    -------
    dict
    """
    return {str(name): value for name, value in frame.iloc[row].items()}


def _own(frame: pd.DataFrame, row: int) -> pd.DataFrame:
    return frame[frame["row"].eq(row)].reset_index(drop=True)


def _rungs(ladder: Any, row: int) -> tuple[Rung, ...]:
    def figure(array: Any, column: int) -> float | None:
        value = np.asarray(array)[row, column]
        return float(value) if known(value) and np.isfinite(float(value)) else None

    return tuple(
        Rung(
            edition=str(edition),
            desktop_s=figure(ladder.desktop_s, column),
            desktop_high_s=figure(ladder.desktop_high_s, column),
            browser_s=figure(ladder.browser_s, column),
            browser_high_s=figure(ladder.browser_high_s, column),
            memory_left_pct=figure(ladder.memory_left_pct, column),
            disk_left_gib=figure(ladder.disk_left_gib, column),
            out=word(np.asarray(ladder.out)[row, column]),
            gate=int(np.asarray(ladder.gate)[row, column]),
            comfortable=bool(np.asarray(ladder.comfortable)[row, column]),
            unknown=bool(np.asarray(ladder.unknown)[row, column]),
        )
        for column, edition in enumerate(ladder.editions)
    )
