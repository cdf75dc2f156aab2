"""Which alias patterns a modalias matches: sorted keys for packed buses, literal prefixes and fnmatch for the rest."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from advisor.columns import runs
from advisor.drivers.packing import BusLayout, Words

Indices = NDArray[np.intp]
_CHUNK = 16_384
"""Modaliases looked up at once: what is worked on then stays in the processor's cache."""
_FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
_WILD = re.compile(r"[*?\[\\]")


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

    def __len__(self) -> int:
        return len(self.a)

    def candidates(
        self, a: Words, b: Words, known_a: Words | None = None, known_b: Words | None = None
    ) -> tuple[Indices, Indices]:
        """Pairs of (modalias, pattern) that agree on every bit that both fix, each once, in no order.

        `a`, `b` are packed modaliases of shape (n,), `known_a`, `known_b` their known bits (None: all). A pattern
        reached only by an unknown key is left out: without a class nothing is said of patterns that ask for one alone.
        """
        if known_a is None or known_b is None:
            known_a = known_b = np.full(len(a), _FULL)
        if len(a) > _CHUNK:
            parts = []
            for start in range(0, len(a), _CHUNK):
                some = (one[start : start + _CHUNK] for one in (a, b, known_a, known_b))
                row, pattern = self.candidates(*some)
                parts.append((row + start, pattern))
            return np.concatenate([row for row, _ in parts]), np.concatenate([pattern for _, pattern in parts])
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
    if "[" not in modalias and "]" not in modalias:
        return modalias.replace("-", "_")
    out = []
    inside = False
    for letter in modalias:
        if letter == "]" and not inside:
            return None
        inside = (inside or letter == "[") and letter != "]"
        out.append("_" if letter == "-" and not inside else letter)
    return None if inside else "".join(out)


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
        self._anywhere = [at for start, found in self._starts.items() if _WILD.search(start) for at in found]
        self._parts: dict[str, _Patterns] = {}

    def __len__(self) -> int:
        return len(self.patterns)

    def matches(self, modalias: str) -> list[int]:
        """Patterns that a normalised modalias matches, in the order given."""
        start = modalias[:_START] if modalias[:_START] in self._starts else ""
        if start not in self._parts:
            # A bus that no device of a unit is on costs nothing.
            self._parts[start] = _part(self.patterns, sorted({*self._starts.get(start, ()), *self._anywhere}))
        part = self._parts[start]
        found = list(part.exact.get(modalias, ()))
        near: list[int] = []
        if modalias.startswith("acpi"):
            for token in set(modalias.split(":")[1:-1]):
                near += part.tokens.get(token, ())
        for length in part.lengths:
            if length > len(modalias):
                break
            near += part.prefixed.get(modalias[:length], ())
        found += [index for index in near if fnmatch(self.patterns[index], modalias)]
        return sorted(found)


_START = 2
"""Letters by which patterns are set apart before they are looked at."""


class _Patterns(NamedTuple):
    """Patterns without a wildcard, by what stands before the first one, and by the id of a device."""

    exact: dict[str, list[int]]
    prefixed: dict[str, list[int]]
    tokens: dict[str, list[int]]
    lengths: list[int]


def _part(patterns: Sequence[str], indices: Sequence[int]) -> _Patterns:
    exact: dict[str, list[int]] = {}
    prefixed: dict[str, list[int]] = {}
    tokens: dict[str, list[int]] = {}
    for index in indices:
        pattern = patterns[index]
        wild = _WILD.search(pattern)
        if wild is None:
            exact.setdefault(pattern, []).append(index)
        elif (token := _acpi_token(pattern)) is not None:
            tokens.setdefault(token, []).append(index)
        else:
            prefixed.setdefault(pattern[: wild.start()], []).append(index)
    return _Patterns(exact, prefixed, tokens, sorted({len(prefix) for prefix in prefixed}))


def _acpi_token(pattern: str) -> str | None:
    """The id of a pattern 'acpi*:ID:*', which any of a device's compatible ids may meet."""
    if not (pattern.startswith("acpi*:") and pattern.endswith(":*")):
        return None
    token = pattern[6:-2]
    return token if token and not _WILD.search(token) and ":" not in token else None
