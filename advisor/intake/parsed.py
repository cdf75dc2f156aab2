"""What parsing one cell gives."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache, lru_cache, wraps
from typing import Any, NamedTuple

from advisor.tables import compiled, dicts


class Parsed(NamedTuple):
    """Outcome of one cell."""

    value: Any  # The fact, None when unknown
    problem: str = ""  # Why the cell was not understood, or not fully; '' when it was
    accepted: str = ""  # What would be accepted instead
    note: str = ""  # What was assumed or chosen; '' when nothing was
    # Other fields of the unit that the cell states too, such as the battery's cycles beside its health.
    also: tuple[tuple[str, Any], ...] = ()


UNKNOWN = Parsed(None)
"""The cell says that the fact is not known."""

MISSING_WORDS = frozenset(
    {
        "", "-", "--", "---", "—", "–", "_", "?", "??", "???", ".", "..", "...", "n/a", "na", "n.a.", "n.a",
        "#n/a", "#na",
        "nan", "null", "nil", "<na>", "unknown", "unknwon", "unk", "not known", "dont know", "don't know",
        "no idea", "tbc", "tbd", "tba",
        "to check", "check", "not checked", "untested", "not tested", "x?", "k.a.", "k. a.", "keine angabe",
        "unbekannt", "inconnu", "desconocido",
        "sconosciuto", "onbekend", "#value!", "#ref!", "#name?", "#div/0!", "#null!", "#num!", "none given",
        "not stated",
    }
)  # fmt: skip
"""Words that say that a fact is not known."""

NONE_WORDS = frozenset(
    {"none", "no", "nothing", "keine", "kein", "aucun", "ninguno", "nessuno", "geen", "removed", "missing", "absent",
     "not fitted", "not present", "not installed", "fehlt", "without"}
)  # fmt: skip
"""Words that say that a part is not there."""


def squeeze(text: str) -> str:
    """Small letters, single spaces, plain dashes: the form that the value parsers read."""
    return " ".join(text.translate(_PLAIN).lower().split())


A_DATE = "a date, which the spreadsheet may have made of what was typed, such as 4.8 or 8/4"
"""What is said of a date where an amount should stand."""

_PLAIN = str.maketrans(
    {"\xa0": " ", "\u2007": " ", "\u202f": " ", "\u200b": "", "\ufeff": "", "×": "x", "–": "-", "—": "-", "−": "-",
     "’": "'", "，": ",", "\x00": ""}
)  # fmt: skip


def of_cell(read: Callable[..., Parsed]) -> Callable[..., Parsed]:
    """Make a reader of squeezed texts one of cells: each cell is read once, one that says nothing is `UNKNOWN`."""

    @wraps(read)
    @lru_cache(maxsize=100_000)
    def cell(text: str, *how: Any) -> Parsed:
        plain = squeeze(text)
        return UNKNOWN if plain in MISSING_WORDS else read(plain, *how)

    return cell


@cache
def words(use: str) -> list[tuple[re.Pattern[str], str]]:
    """Rows of the table of words for one use: the expression, and what it means."""
    return [(compiled(row["pattern"]), row["meaning"]) for row in dicts("intake/words") if row["use"] == use]


def meant(use: str, plain: str) -> str | None:
    """What a whole text means by the table of words, None when it is none of them."""
    return next((meaning for pattern, meaning in words(use) if pattern.fullmatch(plain)), None)


def without(use: str, text: str) -> str:
    """A text without what the rows of the table of words for one use find in it."""
    for pattern, _ in words(use):
        text = pattern.sub(" ", text)
    return text
