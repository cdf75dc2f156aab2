"""What stands on a sheet, as pure data: no layout, no markup, nothing that needs a library."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from advisor.unit import Advice, Support


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

SEVERITY_MARK: dict[str, Mark] = {"stop": Mark.SQUARE, "act": Mark.UP, "note": Mark.DOT}
"""Shape of each severity of a flag."""


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
    """One device on every image of the shop.

    Attributes
    ----------
    kind : str
    name : str
        Only where the unit has more than one device of the kind.
    supports : tuple of str
        A support word an image, in the order of `Sheet.images`.
    marks : tuple of Mark
        The shape of each word.
    """

    kind: str
    name: str
    supports: tuple[str, ...]
    marks: tuple[Mark, ...]

    @property
    def decides(self) -> bool:
        """Whether it is worth a row: it does not simply work on every image."""
        return set(self.supports) != {str(Support.WORKS)}


@dataclass(frozen=True)
class Rung:
    """One edition on the unit as it stands.

    Attributes
    ----------
    edition : str
    verdict : str
        'advised', 'comfortable', 'ruled out', 'cannot tell', or what is not comfortable, such as 'browser slow'.
    mark : Mark
    desktop_s, browser_s : str
        Seconds, typical to with certainty, as text such as '22–30'; '' where not predicted [s].
    memory_left_pct : str
        Memory left with a browser open, '' where not predicted [%].
    why : str
        Why it is ruled out, '' otherwise.
    """

    edition: str
    verdict: str
    mark: Mark
    desktop_s: str = ""
    browser_s: str = ""
    memory_left_pct: str = ""
    why: str = ""


@dataclass(frozen=True)
class Phase:
    """One step of the bench work: minutes of attention and minutes in the slot as text, '' for none [min]."""

    title: str
    hands_on_min: str
    slot_min: str


@dataclass(frozen=True)
class Flag:
    """One flag."""

    severity: str
    mark: Mark
    title: str
    reason: str
    action: str
    source: str = ""


@dataclass(frozen=True)
class Sheet:
    """Everything on the printout of one unit.

    Attributes
    ----------
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
    mark : Mark
    edition, image, part : str
        '' for none.
    reasons : tuple of Reason
        The advice's own reason first.
    best_fix : str
    at_hand : tuple of Item
    find_out : tuple of str
        For a unit on hold: what to find out, each to be written in by hand.
    devices : tuple of Device
        Worst support first.
    images : tuple of str
        Images of the shop that boot on the unit, the one used first.
    across : tuple of Across
        The devices on each of them, those that an image decides first.
    no_boot : tuple of str
        Images of the shop that do not boot on the unit.
    rungs : tuple of Rung
        Richest edition first.
    phases : tuple of Phase
        Empty where no install is advised.
    hands_on_min, elapsed_min, elapsed_low_min, elapsed_high_min : str
        Whole minutes as text, '' where not predicted [min].
    basis : str
        What the minutes rest on.
    assumed : tuple of str
        Facts assumed for the minutes because they are not known.
    flags : tuple of Flag
        Worst first.
    checks : tuple of str
        Hand-over checks.
    cautions : tuple of str
    limits : str
        What counts as comfortable here.
    made_with : str
        Program and version.
    more : dict of str to int
        How many entries of a section were left off to fit the page; under 'works everywhere', how many devices that
        work on every image have no row of their own.
    """

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
    edition: str
    image: str
    part: str
    reasons: tuple[Reason, ...]
    best_fix: str
    at_hand: tuple[Item, ...]
    find_out: tuple[str, ...]
    devices: tuple[Device, ...]
    images: tuple[str, ...]
    across: tuple[Across, ...]
    no_boot: tuple[str, ...]
    rungs: tuple[Rung, ...]
    phases: tuple[Phase, ...]
    hands_on_min: str
    elapsed_min: str
    elapsed_low_min: str
    elapsed_high_min: str
    basis: str
    assumed: tuple[str, ...]
    flags: tuple[Flag, ...]
    checks: tuple[str, ...]
    cautions: tuple[str, ...]
    limits: str
    made_with: str
    more: dict[str, int] = field(default_factory=dict)
