"""Which entries of an id list a name's words fit: model numbers first, then series, then everything else it says."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from advisor.drivers.ids import ListedDevice
from advisor.drivers.kinds import Kind
from advisor.drivers.wording import (
    NOISE,
    QUALIFIERS,
    SERIES,
    chip_makers,
    companies,
    is_maker,
    is_model,
    makers,
    pieces,
    rough,
    telling,
    tokens,
    wild,
)

_LETTERED = re.compile(r"([a-z]{0,2}\d{3,})[a-z]+")
_FAMILY = 4
"""A number of this many digits may stand for all chips whose names go on with letters: 8821 for 8821AE and 8821CE."""
_TELLING = 4
"""A name without a model and a maker has a word of this many letters at least: 'R5' alone is a series."""
_Rank = tuple[int, int, int]
_OPEN_KINDS = frozenset({Kind.WIRELESS, Kind.ETHERNET})
"""Kinds in which letters behind a number are a version; behind a graphics number they are another chip."""


class Index:
    """Entries of one kind of device, by their whole names and by the words of them."""

    def __init__(self, entries: list[ListedDevice]) -> None:
        self.entries = entries

    @cached_property
    def named(self) -> dict[str, list[int]]:
        """Positions by name, in lower case."""
        found: dict[str, list[int]] = {}
        for at, entry in enumerate(self.entries):
            if entry.name:
                found.setdefault(" ".join(entry.name.lower().split()), []).append(at)
        return found

    def held(self, at: int) -> frozenset[str]:
        """Words of one entry."""
        return frozenset(tokens(self.entries[at].name))

    @cached_property
    def where(self) -> dict[str, list[int]]:
        """Positions by word, those too that `tokens` drops: an entry found here is looked at in full afterwards."""
        found: dict[str, list[int]] = {}
        for at, words in enumerate(rough([entry.name for entry in self.entries])):
            for word in words:
                found.setdefault(word, []).append(at)
        return found

    @cached_property
    def words(self) -> list[str]:
        """Every word, sorted."""
        return sorted(self.where)

    @cached_property
    def wilds(self) -> list[tuple[re.Pattern[str], str]]:
        """Words that leave digits open, and what they stand for."""
        return [(pattern, word) for word in self.words if (pattern := wild(word))]


@dataclass(frozen=True)
class Fit:
    """Entries that fit best."""

    entries: tuple[ListedDevice, ...] = ()  # Empty when a model word is in none
    equal: bool = False  # They say nothing beyond the name, and it nothing beyond them
    # A word was taken as another: letters behind a number dropped, a number as a family, a series not told.
    loose: bool = False
    models: frozenset[str] = frozenset()  # The name's model words


def fit(index: Index, text: str, words: Sequence[str], kind: Kind) -> Fit:
    """Find the entries that a name's words fit.

    Parameters
    ----------
    text : str
        The name.
    words : sequence of str
        Its words (`wording.tokens`).
    """
    vendors = makers(text, kind)
    names = frozenset(word for word in words if is_maker(word, kind))
    for some, marks in ((vendors or chip_makers(text), frozenset[str]()), (vendors, names)):
        found = _fit(index, words, kind, some, marks)
        if found.entries:
            return found
    return Fit()


def _fit(index: Index, words: Sequence[str], kind: Kind, vendors: frozenset[int], names: frozenset[str]) -> Fit:
    """The best of the entries of these vendors, and of those that bear one of these makers' names; of all for none."""
    asked = telling(words, kind)
    models = frozenset(word for word in asked if is_model(word))
    if not models and not vendors and max(map(len, asked), default=0) < _TELLING:
        return Fit()

    def places(spellings: Iterable[str]) -> set[int]:
        found = {at for one in spellings for at in index.where.get(one, ())}
        return {at for at in found if not vendors or index.entries[at].vendor in vendors or names & index.held(at)}

    stands: dict[str, frozenset[str]] = {}
    loose = False
    fitting: set[int] | None = None
    for word in models or dict.fromkeys(asked):
        spellings, changed = _stands_for(index, word, kind, places) if models else (frozenset({word}), False)
        fitting = places(spellings) if fitting is None else fitting & places(spellings)
        if not fitting:
            return Fit()
        stands[word] = spellings
        loose |= changed
    if not fitting:
        return Fit()
    if not models:
        alone = [at for at in sorted(fitting) if _alone(index.entries[at].name, frozenset(asked), kind)]
        return Fit(tuple(index.entries[at] for at in alone), True)
    said = frozenset(words) - NOISE - companies()
    best, relaxed, equal = _best(index, fitting, frozenset(asked), said, stands, kind)
    return Fit(tuple(index.entries[at] for at in best), equal, loose or relaxed, models)


def _stands_for(
    index: Index, word: str, kind: Kind, places: Callable[[Iterable[str]], set[int]]
) -> tuple[frozenset[str], bool]:
    """Words of the list that a model word stands for, and whether it had to be changed for that."""

    def there(spellings: Iterable[str]) -> frozenset[str]:
        return frozenset(one for one in spellings if places((one,)))

    if found := there((word,)):
        return found, False
    if kind not in _OPEN_KINDS:
        return frozenset(), False
    if found := there(one for pattern, one in index.wilds if pattern.fullmatch(word)):
        return found, False
    if pattern := wild(word):
        return there(one for one in index.words if pattern.fullmatch(one)), False
    if sum(letter.isdigit() for letter in word) >= _FAMILY:
        start, stop = bisect_left(index.words, word), bisect_left(index.words, word + "{")
        if found := there(one for one in index.words[start:stop] if one[len(word) :].isalpha()):
            return found, True
    if match := _LETTERED.fullmatch(word):
        wilds = (one for pattern, one in index.wilds if pattern.fullmatch(match[1]))
        return there((match[1],)) or there(wilds), True
    return frozenset(), False


def _best(
    index: Index, found: set[int], asked: frozenset[str], said: frozenset[str], stands: dict[str, frozenset[str]],
    kind: Kind,
) -> tuple[list[int], bool, bool]:  # fmt: skip
    """Keep the entries that agree best; whether a series was let go for that, and whether they equal the name.

    Parameters
    ----------
    asked, said : frozenset of str
        The name's telling words, and all of its words but noise.
    stands : dict of str to frozenset of str
        What its model words stand for.
    """
    models = frozenset[str]().union(*stands.values())

    def rank(one: frozenset[str], outside: frozenset[str], held: frozenset[str], joined: bool) -> _Rank | None:
        # How well one name of an entry agrees, less is better; None when it lacks a model or is of another series.
        # First the series that had to be let go, then the words that both say, then those that set it apart. Several
        # names joined say nothing beyond what is asked.
        whole = outside | one
        lacking = (asked & SERIES) - whole
        if not all(spellings & whole for spellings in stands.values()) or (lacking and one & SERIES):
            return None
        beyond: set[str] = set()
        if not joined and models & one:
            rest = telling(one - asked - models, kind)
            beyond = {word for word in rest if word in QUALIFIERS or word.isdigit() or is_model(word)}
        return len(lacking), -len(said & (whole | (held - asked))), len(beyond)

    ranked: dict[_Rank, list[int]] = {}
    for at in sorted(found):
        outside, alternatives = pieces(index.entries[at].name)
        for joined, choice in ((False, alternatives), (True, (frozenset().union(*alternatives),))):
            ranks = [key for one in choice if (key := rank(one, outside, index.held(at), joined)) is not None]
            if ranks:
                ranked.setdefault(min(ranks), []).append(at)
                break
    if not ranked:
        return [], False, False
    top = min(ranked)
    kept = ranked[top]
    return kept, top[0] > 0, top[2] == 0 and all(asked <= index.held(at) | stands.keys() for at in kept)


def _alone(name: str, asked: frozenset[str], kind: Kind) -> bool:
    """Whether a name without a number is one of an entry's names, word for word."""
    return any(frozenset(telling(one, kind)) == asked for one in pieces(name)[1])
