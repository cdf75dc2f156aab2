"""Which alias patterns a modalias matches: hashed keys for packed buses, literal prefixes and fnmatch for the rest."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from advisor.drivers.packing import BusLayout, Words

Indices = NDArray[np.intp]
_CHUNK = 16_384
"""Modaliases looked up at once: what is worked on then stays in the processor's cache."""
_WILD = re.compile(r"[*?\[\\]")


class PackedIndex:
    """Alias patterns of one packed bus.

    Hashed words look 20,000 distinct ids up in 5 ms, a tenth of what dicts of the same keys take, and are made in
    1.4 ms a kernel and bus, a fifth of what those take at every start (processor time, measured 2026-11-26; the first
    by `beside_dicts` in tests/benchmarks/bench_drivers.py).

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
        self._tiers: list[tuple[np.uint64, np.uint64, int, NDArray[np.int32], Indices]] = []
        left = np.ones(len(a), dtype=bool)
        for tags in layout.tiers:
            need_a, need_b = (np.uint64(word) for word in layout.mask(tags))
            chosen = np.flatnonzero(left & (mask_a & need_a == need_a) & (mask_b & need_b == need_b))
            if not len(chosen):
                continue
            left[chosen] = False
            bits = max(4, int(len(chosen) * 2).bit_length())
            key = _hash(a[chosen], b[chosen], need_a, need_b, bits)
            order = np.argsort(key, kind="stable")
            starts = np.searchsorted(key[order], np.arange((1 << bits) + 1)).astype(np.int32)
            self._tiers.append((need_a, need_b, bits, starts, chosen[order]))
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
        if len(a) > _CHUNK:
            parts = []
            for start in range(0, len(a), _CHUNK):
                cut = slice(start, start + _CHUNK)
                known = (None, None) if known_a is None or known_b is None else (known_a[cut], known_b[cut])
                row, pattern = self.candidates(a[cut], b[cut], *known)
                parts.append((row + start, pattern))
            return np.concatenate([row for row, _ in parts]), np.concatenate([pattern for _, pattern in parts])
        rows: list[Indices] = []
        found: list[Indices] = []
        for need_a, need_b, bits, starts, patterns in self._tiers:
            key = _hash(a, b, need_a, need_b, bits)
            first = starts[key]
            counts = starts[key + 1] - first
            if known_a is not None and known_b is not None:
                counts *= (known_a & need_a == need_a) & (known_b & need_b == need_b)
            some = np.flatnonzero(counts)
            counts = counts[some]
            row = np.repeat(some, counts)
            ends = np.cumsum(counts)
            at = np.arange(counts.sum())
            pattern = patterns[at + np.repeat(first[some] - (ends - counts), counts)]
            good = self._agree(row, pattern, a, b, known_a, known_b)
            rows.append(row[good])
            found.append(pattern[good])
        everyone = np.arange(len(a))
        for pattern_at in self._loose:
            pattern = np.full(len(a), pattern_at)
            good = self._agree(everyone, pattern, a, b, known_a, known_b)
            if known_a is not None and known_b is not None:
                good &= (self.mask_a[pattern] & ~known_a) | (self.mask_b[pattern] & ~known_b) == 0
            rows.append(everyone[good])
            found.append(pattern[good])
        if not rows:
            return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
        return np.concatenate(rows), np.concatenate(found)

    def _agree(
        self, row: Indices, pattern: Indices, a: Words, b: Words, known_a: Words | None, known_b: Words | None
    ) -> NDArray[np.bool_]:
        mask_a, mask_b = self.mask_a[pattern], self.mask_b[pattern]
        if known_a is not None and known_b is not None:
            mask_a, mask_b = mask_a & known_a[row], mask_b & known_b[row]
        apart: Words = ((a[row] ^ self.a[pattern]) & mask_a) | ((b[row] ^ self.b[pattern]) & mask_b)
        return apart == 0


def _hash(a: Words, b: Words, need_a: np.uint64, need_b: np.uint64, bits: int) -> NDArray[np.int64]:
    key = (a & need_a) * np.uint64(0x9E3779B97F4A7C15)
    if need_b:
        key = key ^ ((b & need_b) * np.uint64(0xC2B2AE3D27D4EB4F))
    return (key >> np.uint64(64 - bits)).astype(np.int64)


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
