"""What a kind of listing is: how its lines are recognised, and what reads them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from advisor.capture.machine_facts import MachineFacts


@dataclass
class Section:
    """A listing within a text."""

    lines: list[str] = field(default_factory=list)
    # first, last: Numbers of its lines in the text.
    first: int = 0
    last: int = 0
    command: str = ""  # The command above it, '' when it was not pasted
    source: str = ""  # File that it is from

    @property
    def filtered(self) -> bool:
        """Whether its command shows only a part of the devices."""
        return bool(re.search(r"\||\bgrep\b| -[sd] ", self.command))


Begins = Callable[[str], re.Match[str] | None]
"""Tells where a line matches from its beginning, None where it does not: a pattern's `match`."""


@dataclass(frozen=True)
class ListingKind:
    """One kind of listing.

    Attributes
    ----------
    name : str
        As it is named to the user.
    starts : callable
        A line that begins it wherever it stands.
    goes_on : callable
        Whether a line that begins no other listing belongs to the lines so far.
    read : callable
        Facts of a section.
    loose : callable, optional
        A line that begins it where no other listing wants the line.
    resumes : re.Pattern, optional
        A beginning line that goes on with the listing of this kind before it.
    """

    name: str
    starts: Begins
    goes_on: Callable[[str, list[str]], bool]
    read: Callable[[Section], MachineFacts]
    loose: Begins | None = None
    resumes: re.Pattern[str] | None = None


KEYED = r"\s{0,12}[^\s:][^:]{0,60}:(?:\s|\Z)"
"""A line that is 'key: value'."""


def blank_or(pattern: str) -> Callable[[str, list[str]], bool]:
    """Tell that a line goes on with a listing where it is blank or begins so."""
    fits = re.compile(rf"\s*\Z|{pattern}").match
    return lambda line, lines: bool(fits(line))


keyed = blank_or(KEYED)
