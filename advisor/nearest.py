"""Closed words as people write them: taken whatever their case, or refused with the nearest right one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from advisor.errors import InputError

MOST_LISTED = 24
"""Accepted words listed in a message; of more, the nearest ones."""


def fold(word: str) -> str:
    """Bring a word to the form in which two spellings of it are equal: no case, single spaces."""
    return " ".join(word.casefold().split())


def near(word: str, accepted: Iterable[str], most: int = 1) -> list[str]:
    """The accepted words that are most alike, nearest first; empty only when nothing is accepted."""
    from rapidfuzz import fuzz, process

    found = process.extract(word[:200], list(accepted), scorer=fuzz.WRatio, processor=fold, limit=most)
    return [name for name, _, _ in found]


def choose(
    word: str, accepted: Iterable[str], where: str, also: Mapping[str, str] | None = None, more: str = ""
) -> str:
    """Take a word of a closed set; `also` has other names of accepted words.

    InputError, which begins with `where` and names the nearest and what is accepted, when there is none; `more` stands
    behind its list.
    """
    words = list(dict.fromkeys(accepted))
    known = {fold(name): meant for name, meant in (also or {}).items()} | {fold(name): name for name in words}
    found = known.get(fold(word))
    if found is not None:
        return found
    alike = near(word, words)
    nearest = f"; the nearest is {alike[0][:60]!r}" if alike else ""
    listed = (
        words
        if len(words) <= MOST_LISTED
        else [*near(word, words, MOST_LISTED), f"and {len(words) - MOST_LISTED} more"]
    )
    hint = f"Accepted: {', '.join(one[:60] for one in listed) or 'nothing'}. {more}".strip()
    raise InputError(f"{where}: {word[:60]!r} is not known{nearest}.", hint)
