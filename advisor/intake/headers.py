"""Headers as people write them, to the fields of a unit."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from advisor.errors import TableError
from advisor.tables import load
from advisor.unit import INTAKE_COLUMNS, UNIT_COLUMNS

MERGED = "merged"
"""Stands for a column that may hold model, processor, memory and disk together."""

STORAGE = "storage"
"""Stands for a column that may hold kind and size of the disks together."""

DISK_KINDS = ("ssd", "hdd", "nvme")
"""Stand for columns that hold the size of one kind of disk."""

DISK_COLUMNS = (STORAGE, *DISK_KINDS, "storage_gib", "storage_kind")
"""Columns about disks, which are read together."""

CLOSE = 88.0
"""Similarity from which a header counts as a misspelling of a known one [%]."""

_UNITS = {
    "gb": "gb", "gib": "gib", "mb": "mb", "mib": "mib", "tb": "tb", "tib": "tib", "go": "gb", "mo": "mb", "to": "tb",
    "pct": "%", "percent": "%", "mbps": "mbps", "mbit": "mbps", "gbps": "gbps", "ms": "ms", "gbyte": "gb",
}  # fmt: skip


@dataclass(frozen=True)
class Vocabulary:
    """Headers that a kind of sheet uses."""

    known: Mapping[str, str]  # Header in plain form to field
    # Of two columns for one field, the header with the lower rank is read; 1 where none is given.
    ranks: Mapping[str, int]
    exact: frozenset[str]  # Names that are taken as they are
    units: Mapping[str, str]  # Last words that state a unit of measure, and the unit


@dataclass(frozen=True)
class Mapped:
    """What one header was understood as."""

    header: str
    field: str | None  # A field of the unit, or 'storage', 'ssd', 'hdd', 'nvme' or 'merged'; None when not recognised
    how: str  # For the person who reads the mapping
    unit: str = ""  # Unit of measure that the header states, such as 'gib'; '' when none
    rank: int = 0  # Strength of the match, 0 best: of two columns for one field the lower is taken


@lru_cache(maxsize=4096)
def plain(header: str) -> str:
    """Bring a header to small plain letters and single spaces."""
    text = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=[A-Z]{2,})", " ", header[:200])
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c)).lower().replace("ß", "ss").replace("%", " pct ")
    return " ".join(re.sub(r"[^a-z0-9]+", " ", text).split())


@cache
def intake_words() -> Vocabulary:
    """Headers of an intake sheet; of the synonyms of a field the plainest come first in their table."""
    table = load("intake/headers").frame
    fields = {*UNIT_COLUMNS, STORAGE, MERGED, *DISK_KINDS}
    strangers = sorted(set(table["field"].dropna()) - fields)
    if strangers:
        raise TableError(f"intake/headers names fields that a unit does not have: {', '.join(strangers)}.")
    words = [plain(str(word)) for word in table["header"]]
    # The other fields are known by their exact names alone: 'CPU model' is no family's model number.
    known = dict(zip(words, map(str, table["field"]), strict=True)) | {plain(name): name for name in INTAKE_COLUMNS}
    ranks = {word: int(str(rank)) for word, rank in zip(words, table["rank"], strict=True)}
    return Vocabulary(known, ranks, frozenset(UNIT_COLUMNS), _UNITS)


def recognised(cells: Iterable[str], words: Vocabulary | None = None) -> int:
    """Count the cells of a row that are known headers (an intake sheet's when no words are given), each field once."""
    known = words or intake_words()
    return len({f for cell in cells if len(cell) < 60 and (f := known.known.get(_bare(plain(cell), known)[0]))})


def _bare(name: str, known: Vocabulary) -> tuple[str, str]:
    """Split a unit of measure off the end: 'ram in gb' is 'ram', 'gb'."""
    words = name.split()
    if name in known.known:
        return name, known.units.get(words[-1], "") if len(words) > 1 else ""
    unit = ""
    while len(words) > 1 and words[-1] in known.units:
        last = words.pop()
        unit = unit or known.units[last]
    if len(words) > 1 and words[-1] == "in":
        words.pop()
    return " ".join(words), unit


def map_headers(headers: Sequence[str], words: Vocabulary | None = None) -> list[Mapped]:
    """Understand headers: exact name, usual synonym, or a misspelling of one.

    Parameters
    ----------
    words : Vocabulary, optional
        Headers of an intake sheet when left out.

    Returns
    -------
    list of Mapped
        One each, same order. A field is given once; a second column for it is carried through untouched, save for
        disks, whose columns are read together.
    """
    found = [_map(str(header), words or intake_words()) for header in headers]
    taken: dict[str, int] = {}
    for position in sorted(range(len(found)), key=lambda place: (found[place].rank, place)):
        item = found[position]
        if item.field is not None:
            taken.setdefault(item.field, position)
    final = []
    for position, item in enumerate(found):
        first = taken.get(item.field or "", position)
        read = first == position or item.field == STORAGE or bool(item.field == MERGED and combined(item.header))
        beside = f"second column for {item.field} beside {found[first].header!r}"
        why = "a second description" if item.field == MERGED else beside
        final.append(item if read else Mapped(item.header, None, f"{why}; carried through"))
    return final


def _map(header: str, words: Vocabulary) -> Mapped:
    exact = header.strip().lower()
    if exact in words.exact:
        return Mapped(header, exact, "exact name", _unit_of(exact))
    known = words.known
    name, unit = _bare(plain(header), words)
    if name in known:
        return Mapped(header, known[name], f"synonym of {known[name]}", unit, words.ranks.get(name, 1))
    together = combined(header) if words is intake_words() else ()
    if together:
        return Mapped(header, MERGED, f"holds {', '.join(together)} together")
    if len(name) < 5 or name.startswith("no header"):
        return Mapped(header, None, "not recognised; carried through")
    choices = [word for word in known if len(word) > 4 and abs(len(word) - len(name)) <= 2]
    from rapidfuzz import fuzz, process

    best = process.extract(name, choices, scorer=fuzz.ratio, score_cutoff=CLOSE, limit=3)
    fields = {known[word] for word, score, _ in best if score >= best[0][1] - 3}
    if len(fields) == 1:
        return Mapped(header, fields.pop(), f"close to {best[0][0]!r}", unit, 1000)
    return Mapped(header, None, "not recognised; carried through")


_TOGETHER = frozenset({"maker", "model", "cpu", "ram_gib", STORAGE, "storage_gib", *DISK_KINDS})


@lru_cache(maxsize=1024)
def combined(header: str) -> tuple[str, ...]:
    """Fields that a header names together, such as 'CPU / RAM / HDD', in its order; () for a header of one field."""
    words = intake_words()
    parts = [plain(part) for part in re.split(r"[/+&,|]|\band\b|\bund\b", header.lower()) if part.strip()]
    fields = [words.known.get(_bare(part, words)[0], "") for part in parts if part]
    return tuple(fields) if len(set(fields)) == len(fields) > 1 and set(fields) <= _TOGETHER else ()


def _unit_of(field: str) -> str:
    for ending, unit in (("_gib", "gib"), ("_pct", "%"), ("_mbps", "mbps"), ("_ms", "ms"), ("_min", "min")):
        if field.endswith(ending):
            return unit
    return ""
