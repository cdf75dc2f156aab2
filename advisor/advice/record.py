"""The record of a unit: all that was decided about it, with its reasons and words, as pure data that every view reads.

No layout, no markup, nothing that needs a library.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from advisor.display import Shown, page
from advisor.unit import Advice, Severity, Support


class Mark(StrEnum):
    """A shape that carries a meaning beside its word, so that neither colour nor the word alone has to."""

    FULL = "full"
    HALF = "half"
    UP = "up"
    DIAMOND = "diamond"
    CROSS = "cross"
    QUERY = "query"
    PLUS = "plus"
    PAUSE = "pause"
    SQUARE = "square"
    RING = "ring"
    DOT = "dot"


SUPPORT_MARK: dict[str, Mark] = {
    Support.WORKS: Mark.FULL,
    Support.NEEDS_FIRMWARE: Mark.HALF,
    Support.NEWER_KERNEL: Mark.UP,
    Support.SEPARATE_DRIVER: Mark.DIAMOND,
    Support.NO_DRIVER: Mark.CROSS,
    Support.UNKNOWN: Mark.QUERY,
}
"""Shape of each support word."""

ADVICE_MARK: dict[str, Mark] = {
    Advice.STANDARD: Mark.FULL,
    Advice.LIGHTER: Mark.RING,
    Advice.FIRMWARE_FIRST: Mark.HALF,
    Advice.PART_FIRST: Mark.PLUS,
    Advice.HOLD: Mark.PAUSE,
    Advice.SET_ASIDE: Mark.SQUARE,
}
"""Shape of each advice word."""

SEVERITY_MARK: dict[str, Mark] = {Severity.STOP: Mark.SQUARE, Severity.ACT: Mark.UP, Severity.NOTE: Mark.DOT}
"""Shape of each severity of a flag."""


MINUTES = ("elapsed_min", "elapsed_low_min", "elapsed_high_min", "hands_on_min")
"""Fields of a record that are minutes of the whole unit, named alike in the scored CSV and in `timing.Timing`."""


@dataclass(frozen=True)
class Reason:
    """A sentence and what it rests on."""

    text: str
    source: str = ""


@dataclass(frozen=True)
class Item:
    """Something to have at hand before the unit takes a slot."""

    what: str
    why: str = ""


@dataclass(frozen=True)
class Device:
    """One device on the image used."""

    kind: str
    name: str
    support: str
    mark: Mark
    note: str = ""


@dataclass(frozen=True)
class Across:
    """One device on every image of the shop."""

    kind: str
    name: str  # Only where the unit has more than one device of the kind
    supports: tuple[str, ...]  # A support word an image, in the order of `Record.images`
    marks: tuple[Mark, ...]  # The shape of each word

    @property
    def decides(self) -> bool:
        """Whether it is worth a row: it does not simply work on every image."""
        return set(self.supports) != {str(Support.WORKS)}


@dataclass(frozen=True)
class Rung:
    """One edition on the unit, as it will be prepared."""

    edition: str
    verdict: str  # 'advised', 'comfortable', 'slow', 'very slow', 'over the limit', 'little memory' or 'ruled out'
    mark: Mark
    # desktop_s, browser_s: Seconds, typical to with certainty, as text such as '22–30'; '' where not predicted [s].
    desktop_s: str = ""
    browser_s: str = ""
    memory_left_mib: str = ""  # Memory left with a browser open, '' where not predicted [MiB]
    why: str = ""  # Why it is not comfortable, '' where it is


@dataclass(frozen=True)
class Fitting:
    """A part to be fitted; its minutes are in the phase Prepare, with those of the box."""

    name: str  # Such as '2 x 4 GiB DDR3 DIMM'
    source: str  # Such as '3 of 9, kept for this unit', or 'not in the drawer, to be bought'
    check: str  # What to look at before, '' for nothing


@dataclass(frozen=True)
class Phase:
    """One step of the bench work: minutes of attention, and minutes in the slot with them [min]."""

    title: str
    hands_on_min: float
    slot_min: float


@dataclass(frozen=True)
class Flag:
    """One flag."""

    severity: str
    mark: Mark
    title: str
    reason: str
    action: str
    source: str = ""


@dataclass(frozen=True, repr=False, kw_only=True)
class Record(Shown):
    """Everything that was decided about one unit. A technician's view shows `headline` first.

    A unit that is held or set aside has the defaults.

    Attributes
    ----------
    row : int
        Position in the batch, from 0.
    tag : str
        Asset tag, or 'row N' when there is none.
    code : str
        What the QR code holds: the asset tag, or '' for no code.
    shop : str
        Name of the workshop.
    title : str
        Maker and model.
    facts : tuple of str
        What the unit is, the most telling first.
    unknown : tuple of str
        Facts that are not known, in words.
    taken : tuple of str
        What a cell was taken as where it might mean something else.
    notes : str
        The notes of the intake row.
    advice : str
        One of `unit.Advice`.
    headline : str
        The first thing to do.
    edition, image : str
        What to install and from which stick, '' for none.
    bring : tuple of str
        Packages that must be brought, those that the unit is not handed over without first.
    reasons : tuple of Reason
        The advice's own reason first.
    best_fix : str
        As in the scored CSV.
    runner_up, lost : str
        The next best thing that could be done, and why it is not; '' for none.
    slow : str
        'slow' or 'very slow' where the unit will stay so, else ''.
    at_hand : tuple of Item
        Every stick, part, cable and package of what is to be done.
    find_out : tuple of str
        For a unit on hold: what to find out and where to read it, each to be written in by hand.
    devices : tuple of Device
        Worst support first.
    images : tuple of str
        Images of the shop that boot on the unit, the one used first.
    across : tuple of Across
        The devices on each of them, those that an image decides first.
    no_boot : tuple of str
        Images of the shop that do not boot on the unit.
    rungs : tuple of Rung
        Richest edition first, as the unit will be prepared.
    phases : tuple of Phase
        Empty where no install is advised.
    hands_on_min, elapsed_min, elapsed_low_min, elapsed_high_min : float or None
        [min], None where not predicted.
    basis : str
        What the minutes rest on.
    shares : tuple of (str, float)
        How much of the elapsed minutes rests on each of `timing.predict.BASES` [share of 1]; empty where not known.
    beyond : str
        In what the unit lies beyond what was measured, '' for nothing.
    assumed : tuple of str
        Facts assumed for the minutes because they are not known.
    flags : tuple of Flag
        Worst first.
    checks : tuple of str
        Hand-over checks.
    limits : str
        What the seconds of `rungs` are, and what counts as comfortable here.
    made_with : str
        Program and version.
    status, problem : str
        As in the scored CSV.
    """

    row: int
    tag: str
    code: str
    shop: str
    title: str
    facts: tuple[str, ...]
    unknown: tuple[str, ...]
    taken: tuple[str, ...]
    notes: str
    advice: str
    mark: Mark
    headline: str
    edition: str = ""
    image: str = ""
    parts: tuple[Fitting, ...] = ()
    bring: tuple[str, ...] = ()
    reasons: tuple[Reason, ...]
    best_fix: str
    runner_up: str = ""
    lost: str = ""
    slow: str = ""
    at_hand: tuple[Item, ...] = ()
    find_out: tuple[str, ...]
    devices: tuple[Device, ...]
    images: tuple[str, ...]
    across: tuple[Across, ...]
    no_boot: tuple[str, ...]
    rungs: tuple[Rung, ...]
    phases: tuple[Phase, ...] = ()
    hands_on_min: float | None = None
    elapsed_min: float | None = None
    elapsed_low_min: float | None = None
    elapsed_high_min: float | None = None
    basis: str
    shares: tuple[tuple[str, float], ...] = ()
    beyond: str = ""
    assumed: tuple[str, ...] = ()
    flags: tuple[Flag, ...]
    checks: tuple[str, ...]
    cautions: tuple[str, ...]
    limits: str
    made_with: str
    status: str
    problem: str

    def __repr__(self) -> str:
        lines = [f"{self.tag}  {self.title}".rstrip(), f"  {self.headline}"]
        if self.elapsed_min is not None:
            lines.append(
                f"  {self.elapsed_min:.0f} min in the slot ({self.elapsed_low_min:.0f} to {self.elapsed_high_min:.0f}),"
                f" {self.hands_on_min:.0f} min hands-on"
            )
        lines += [f"  why: {reason.text}" for reason in self.reasons[:1]]
        return "\n".join(lines)

    def sheet(self) -> Any:
        """The printed page of this unit: shows itself in a notebook; `.pdf`, `.html`, `.save(path)`."""
        return page([self])
