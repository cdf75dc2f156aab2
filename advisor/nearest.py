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
    """Give the accepted words that are most alike, nearest first.

    Returns
    -------
    list of str
        Empty only when nothing is accepted.
    """
    from rapidfuzz import fuzz, process

    found = process.extract(word[:200], list(accepted), scorer=fuzz.WRatio, processor=fold, limit=most)
    return [name for name, _, _ in found]


def choose(
    word: str, accepted: Iterable[str], where: str, also: Mapping[str, str] | None = None, more: str = ""
) -> str:
    """Take a word of a closed set.

    Parameters
    ----------
    word : str
        As somebody wrote it.
    accepted : iterable of str
        The words as they are meant.
    where : str
        What the message begins with: file and setting.
    also : mapping of str to str, optional
        Other names of accepted words.
    more : str
        What the hint says behind the list.

    Returns
    -------
    str
        The accepted word.

    Raises
    ------
    InputError
        When there is no such word; names the nearest, and what is accepted.
    """
    words = list(dict.fromkeys(accepted))
    known = {fold(name): meant for name, meant in (also or {}).items()} | {fold(name): name for name in words}
    found = known.get(fold(word))
    if found is not None:
        return found
    alike = near(word, words)
    nearest = f"; the nearest is {alike[0]!r}" if alike else ""
    listed = (
        words
        if len(words) <= MOST_LISTED
        else [*near(word, words, MOST_LISTED), f"and {len(words) - MOST_LISTED} more"]
    )
    hint = f"Accepted: {', '.join(listed) or 'nothing'}. {more}".strip()
    raise InputError(f"{where}: {word[:60]!r} is not known{nearest}.", hint)
