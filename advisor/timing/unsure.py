"""Speeds that nobody measured: filled in from what is known, and how far that leaves the work's time open."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import ByUnit, figures, words
from advisor.timing.rates import decompress_of, storage_rates

Array = NDArray[np.float64]

Work = Callable[[pd.DataFrame], Array]
"""From conditions to the parts of the work, of shape (n, k)."""

AT_ONCE = 4096
"""So many cases are worked out in one table, each in some ten variants."""


@dataclass(frozen=True)
class Filled(ByUnit):
    """How speeds that were not measured were filled in."""

    # cpu_sd, read_sd, access_sd: Log spread of what was filled in; 0 where measured, shape (n,).
    cpu_sd: Array
    read_sd: Array
    access_sd: Array
    unknown_kind: NDArray[np.bool_]  # Disk neither measured nor its kind known: kinds are mixed, shape (n,)


def fill_speeds(conditions: pd.DataFrame, facts: pd.DataFrame) -> tuple[pd.DataFrame, Filled]:
    """Fill speeds that were not measured from the processor's speed and the kind of storage."""
    rates = storage_rates()
    code = pd.Index(rates.kinds).get_indexer(pd.Index(words(facts, "storage_kind").fillna("").astype("object")))
    # The commonest kind stands in for an unknown one until the kinds are mixed.
    usual = int(np.argmax(rates.share))
    known = np.where(code >= 0, code, usual)
    read = conditions["disk_read_mib_s"].to_numpy(dtype=float)
    access = conditions["disk_access_ms"].to_numpy(dtype=float)
    writing = {"write_share": rates.write_share, "cache_mib": rates.cache_mib, "slow_write_mib_s": rates.slow_write}
    stated = {name: figures(conditions, name) for name in writing}
    no_read, no_access = np.isnan(read), np.isnan(access)
    speed, low, high = (figures(facts, name) for name in ("cpu_speed", "cpu_speed_low", "cpu_speed_high"))
    decompress = conditions["decompress_mib_s"].to_numpy(dtype=float)
    no_cpu = np.isnan(decompress)
    guess, guess_sd = decompress_of(speed, low, high)
    filled = conditions.assign(
        decompress_mib_s=np.where(no_cpu, guess, decompress),
        disk_read_mib_s=np.where(no_read, rates.read[known], read),
        disk_access_ms=np.where(no_access, rates.access[known], access),
        **{
            name: np.where(np.isnan(stated[name]) & (code >= 0), usual_of[known], stated[name])
            for name, usual_of in writing.items()
        },
    )
    return filled, Filled(
        cpu_sd=np.where(no_cpu, guess_sd, 0.0),
        read_sd=np.where(no_read, rates.read_sd[known], 0.0),
        access_sd=np.where(no_access, rates.access_sd[known], 0.0),
        unknown_kind=(code < 0) & no_read & no_access,
    )


def worked_out(
    conditions: pd.DataFrame, filled: Filled, work: Work, others: Mapping[tuple[str, ...], float] | None = None
) -> tuple[Array, Array]:
    """Work out what some work comes to, and how sure its sum is.

    Parameters
    ----------
    others : mapping of tuple of str to float, optional
        Log spread of conditions that go together and are assumed for everybody.

    Returns
    -------
    parts : numpy.ndarray, shape (n, k)
        Kinds of storage are mixed where the kind is unknown.
    variance : numpy.ndarray, shape (n,)
        Of the log of their sum, as far as it comes from what was assumed.
    """
    parts, variance = _spread(conditions, filled, work, others or {})
    unknown = np.flatnonzero(filled.unknown_kind)
    if unknown.size:
        some = conditions.iloc[unknown], filled.take(unknown)
        parts[unknown], variance[unknown] = _mixture(*some, work, others or {})
    return parts, variance


def _mixture(
    conditions: pd.DataFrame, filled: Filled, work: Work, others: Mapping[tuple[str, ...], float]
) -> tuple[Array, Array]:
    """Parts and variance where any kind of storage may be in it: each kind by how common it is."""
    rates = storage_rates()
    n, kinds = len(conditions), np.flatnonzero(rates.share > 0)
    # A block of rows for each kind, all in one table.
    rows, kind = np.tile(np.arange(n), kinds.size), np.repeat(kinds, n)
    cases = conditions.iloc[rows].assign(
        disk_read_mib_s=rates.read[kind], disk_access_ms=rates.access[kind], write_share=rates.write_share[kind],
        cache_mib=rates.cache_mib[kind], slow_write_mib_s=rates.slow_write[kind],
    )  # fmt: skip
    known = Filled(filled.cpu_sd[rows], rates.read_sd[kind], rates.access_sd[kind], np.zeros(rows.size, dtype=bool))
    parts, within = _spread(cases, known, work, others)
    blocks, share = parts.reshape(kinds.size, n, -1), rates.share[kinds]
    total = np.log(blocks.sum(axis=2))
    first, second, inside = (share @ part for part in (total, total**2, within.reshape(kinds.size, n)))
    # Part by part, so that what shortens any kind's part shortens the mixture's.
    mixed = np.exp(np.tensordot(share, np.log(np.maximum(blocks, 1e-9)), axes=1))
    return np.where(mixed > 2e-9, mixed, 0.0), inside + np.maximum(second - first**2, 0)


def _spread(
    conditions: pd.DataFrame, filled: Filled, work: Work, others: Mapping[tuple[str, ...], float]
) -> tuple[Array, Array]:
    """Parts and variance for known kinds of storage.

    What is assumed moves a standard deviation of its log either way: half the change of the log of the sum counts.
    """
    n = len(conditions)
    if n > AT_ONCE:
        blocks = [np.arange(at, min(at + AT_ONCE, n)) for at in range(0, n, AT_ONCE)]
        done = [_spread(conditions.iloc[rows], filled.take(rows), work, others) for rows in blocks]
        return np.concatenate([one for one, _ in done]), np.concatenate([one for _, one in done])
    spreads = {
        ("decompress_mib_s",): filled.cpu_sd, ("disk_read_mib_s",): filled.read_sd,
        ("disk_access_ms",): filled.access_sd, **{names: np.full(n, sd) for names, sd in others.items()},
    }  # fmt: skip
    moves = [(names, np.flatnonzero(sd > 0), sd[sd > 0]) for names, sd in spreads.items()]
    # All of them in one table: a call costs the same for one row as for some hundreds.
    rows = np.concatenate([np.arange(n), *(moved for _, moved, _ in moves for _ in (1, -1))])
    columns = {name: conditions[name].to_numpy(dtype=float)[rows] for name in conditions.columns}
    at, ends = n, []
    for names, moved, sd in moves:
        for sign in (1.0, -1.0):
            ends.append(slice(at, at + moved.size))
            at += moved.size
            for name in names:
                columns[name][ends[-1]] *= np.exp(sign * sd)
    parts = work(pd.DataFrame(columns))
    sums, variance = parts.sum(axis=1), np.zeros(n)
    for (_, moved, _), up, down in zip(moves, ends[::2], ends[1::2], strict=True):
        variance[moved] += (np.log(sums[up] / sums[down]) / 2) ** 2
    return parts[:n], variance
