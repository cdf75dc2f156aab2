"""Which alias patterns a modalias matches: sorted keys for packed buses, literal prefixes and fnmatch for the rest."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from advisor.columns import runs
from advisor.drivers.packing import BusLayout, Words

Indices = NDArray[np.intp]
_WILD = re.compile(r"[*?\[\\]")
_BRACKETS, _DASHES = re.compile(r"\[[^\]]*\]"), re.compile(r"\[[^\]]*\]|-")
_ACPI_ID = re.compile(r"acpi\*:([^:*?\[\\]+):\*")
_START = 2
"""Letters by which patterns are set apart before they are looked at."""


class PackedIndex:
    """Alias patterns of one packed bus.

    Sorted keys look 20,000 ids up in 6 ms, a thirteenth of what dicts of the same keys take, and are made in 0.6 ms a
    kernel and bus, a fourteenth of what those take at every start (processor time, measured 2026-11-28; the first by
    `beside_dicts` in tests/benchmarks/bench_drivers.py).

    Parameters
    ----------
    a, b, mask_a, mask_b : ndarray of uint64, shape (n,)
        Values and masks, as `packing.pack_pattern` makes them.
    """

    def __init__(self, layout: BusLayout, a: Words, b: Words, mask_a: Words, mask_b: Words) -> None:
        self.layout = layout
        self.a, self.b, self.mask_a, self.mask_b = a, b, mask_a, mask_b
        device = np.uint64(layout.mask(layout.tiers[0])[0])
        self.named = mask_a & device == device
        """Whether each pattern names a very device."""
        self._tiers: list[tuple[np.uint64, np.uint64, Words, Indices, Indices, Indices]] = []
        left = np.ones(len(a), dtype=bool)
        for tags in layout.tiers:
            need_a, need_b = (np.uint64(word) for word in layout.mask(tags))
            chosen = np.flatnonzero(left & (mask_a & need_a == need_a) & (mask_b & need_b == need_b))
            if not len(chosen):
                continue
            left[chosen] = False
            # No tier has fields of both words.
            key = a[chosen] & need_a | b[chosen] & need_b
            order = np.argsort(key, kind="stable")
            keys, first, count = np.unique(key[order], return_index=True, return_counts=True)
            self._tiers.append((need_a, need_b, keys, first, count, chosen[order]))
        self._loose = np.flatnonzero(left)

    def candidates(self, a: Words, b: Words, known_a: Words, known_b: Words) -> tuple[Indices, Indices]:
        """Pairs of (modalias, pattern) that agree on every bit that both fix, each once, in no order.

        `a`, `b` are packed modaliases of shape (n,), `known_a`, `known_b` their known bits. A pattern reached only by
        an unknown key is left out: without a class nothing is said of patterns that ask for one alone.
        """
        rows, found = [np.zeros(0, dtype=np.intp)], [np.zeros(0, dtype=np.intp)]

        def agree(row: Indices, pattern: Indices) -> None:
            mask_a, mask_b = self.mask_a[pattern] & known_a[row], self.mask_b[pattern] & known_b[row]
            good = ((a[row] ^ self.a[pattern]) & mask_a) | ((b[row] ^ self.b[pattern]) & mask_b) == 0
            rows.append(row[good])
            found.append(pattern[good])

        for need_a, need_b, keys, first, count, patterns in self._tiers:
            key = a & need_a | b & need_b
            at = np.searchsorted(keys, key).clip(max=len(keys) - 1)
            known = (known_a & need_a == need_a) & (known_b & need_b == need_b)
            hit = np.flatnonzero((keys[at] == key) & known)
            of, place = runs(first[at[hit]], count[at[hit]])
            agree(hit[of], patterns[place])
        for loose in self._loose:
            whole = np.flatnonzero((self.mask_a[loose] & ~known_a) | (self.mask_b[loose] & ~known_b) == 0)
            agree(whole, np.full(len(whole), loose))
        return np.concatenate(rows), np.concatenate(found)


def normalise(modalias: str) -> str | None:
    """Write a modalias as kmod does before it looks it up: '-' as '_' except inside brackets.

    Returns
    -------
    str or None
        None when a bracket is not closed or was not opened, which kmod refuses.
    """
    outside = _BRACKETS.sub("", modalias)
    if "[" in outside or "]" in outside:
        return None
    return _DASHES.sub(lambda found: "_" if found[0] == "-" else found[0], modalias)


_LIBC = ctypes.CDLL(None)


def fnmatch(pattern: str, text: str) -> bool:
    """Match a pattern by fnmatch(3) without flags, of this machine's C library: what kmod itself asks.

    Unlike the module fnmatch of Python, it takes a backslash off the letter behind it, and '^' as '!' in brackets.
    """
    return "\0" not in text and not _LIBC.fnmatch(pattern.encode(), text.encode("utf-8", "replace"), 0)


class TextIndex:
    """Alias patterns kept as text.

    Parameters
    ----------
    patterns : sequence of str
        Normalised.
    """

    def __init__(self, patterns: Sequence[str]) -> None:
        self.patterns = patterns
        self._starts: dict[str, list[int]] = {}
        for index, pattern in enumerate(patterns):
            self._starts.setdefault(pattern[:_START], []).append(index)
        self._keys: dict[str, tuple[dict[str, list[int]], set[int]]] = {}

    def matches(self, modalias: str) -> list[int]:
        """Patterns that a normalised modalias matches, in the order given."""
        keys, lengths = self._by_key(modalias[:_START])
        asked = {*modalias.split(":"), *(modalias[:length] for length in lengths)}
        near = [index for key in asked for index in keys.get(key, ())]
        return sorted(index for index in near if fnmatch(self.patterns[index], modalias))

    def _by_key(self, start: str) -> tuple[dict[str, list[int]], set[int]]:
        """Patterns that may begin so, by a text that what they match holds, and the lengths of these texts; a bus that
        no unit has costs nothing.
        """
        start = start if start in self._starts else ""
        if start not in self._keys:
            found: dict[str, list[int]] = {}
            for begins, indices in self._starts.items():
                for index in indices if begins == start or _WILD.search(begins) else ():
                    found.setdefault(_key(self.patterns[index]), []).append(index)
            self._keys[start] = found, set(map(len, found))
        return self._keys[start]


def _key(pattern: str) -> str:
    """What stands before the first wildcard; of a pattern of one ACPI id, which may be any of a device's, that id."""
    found = _ACPI_ID.fullmatch(pattern)
    return found[1] if found else _WILD.split(pattern, maxsplit=1)[0]
