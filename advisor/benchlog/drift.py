"""Drift: whether units still fall as the intervals promise, which kind or phase moved, and since when.

After each unit three promises are tested at once: that at most one unit in five lies outside its interval, and that
not more than six in ten take longer, or shorter, than predicted. Each is a bet against the promise; the wealth of
bettors who start at every unit is summed (the Shiryaev-Roberts form of an e-detector), over all units and over each
kind of storage, image and technician, and averaged. Where the promises hold, the sum reaches `ALARM` at most once in
that many units on average, however often it is looked at and whatever the distribution of times.

References
----------
.. [1] J. Shin, A. Ramdas, A. Rinaldo, E-detectors: a nonparametric framework for sequential change detection, New
   England Journal of Statistics in Data Science 2 (2023), 229-260: e-detectors, their average run length, and mixtures.
.. [2] S. Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 (1979).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import figures
from advisor.timing.conformal import LEVEL

Array = NDArray[np.float64]

ALARM = 1000.0
"""Units that pass on average before a false alarm, at least."""

ONE_SIDED = 0.6
"""Share of units that may take longer (or shorter) than predicted before it counts as drift; a half would be the
exact promise, and every model is a little off."""

STAKES: tuple[float, ...] = (0.15, 0.35, 0.6, 0.85)
"""Parts of the largest possible bet; small ones find small drifts late, large ones great drifts at once."""

GROUPS: tuple[str, ...] = ("storage_kind", "image", "technician")
"""Columns whose groups are also watched by themselves."""

LOOKED_BACK = 1000
"""Newest units that are watched; older ones were, in their time."""

FEWEST_SINCE = 5
"""Units of a group since the change that it takes to say that it moved."""


@dataclass(frozen=True)
class Drift:
    """What was found."""

    # A row a unit, oldest first: asset_tag, date, ratio (actual over predicted), inside, evidence (reaches `ALARM`
    # where drift is called), drifting.
    rows: pd.DataFrame
    drifting: bool = False  # Drift is called, and stays so until another version of the model serves
    since: str = ""  # Day of the first unit after the change, as far as it can be told; '' without drift
    units: int = 0  # Units since then
    over_pct: float = float("nan")  # How much longer they took than predicted at their middle; below 0 for shorter [%]
    outside_pct: float = float("nan")  # Share of them outside their interval [%]
    moved: list[str] = field(default_factory=list)  # Kinds of unit that moved unlike the others, in words
    phases: list[str] = field(default_factory=list)  # Phases that moved, in words

    def sentence(self) -> str:
        """Say it in one sentence; '' when no unit could be watched."""
        if not len(self.rows):
            return ""
        if not self.drifting:
            return "Units fall as the intervals promise."
        share = f"{self.outside_pct:.0f} % outside their interval"
        if abs(self.over_pct) >= 1:
            way = "longer" if self.over_pct > 0 else "shorter"
            share = f"{abs(self.over_pct):.0f} % {way} than predicted at their middle, {share}"
        more = "".join(f"; {text}" for text in (", ".join(self.moved), ", ".join(self.phases)) if text)
        return (
            f"Since {self.since} ({self.units} units) times have moved: {share}{more}. To learn from it: advisor learn"
        )


def evidence(outside: NDArray[np.bool_], longer: NDArray[np.float64]) -> tuple[Array, NDArray[np.intp]]:
    """Follow one stream of units: the bettors' wealth after each, and the unit at which the likeliest change began.

    `outside` is whether each lay outside its interval; `longer` is 1 where it took longer than predicted, 0 where
    shorter, 0.5 where neither. Both results have shape (n,).
    """
    limits = np.array([1 - LEVEL, ONE_SIDED, ONE_SIDED])
    events = np.column_stack([outside.astype(float), longer, 1 - longer])
    stakes = np.asarray(STAKES)
    # 1 + bet (event - limit) has a mean of at most 1 where the promise holds; it may not fall below 0.
    gains = 1 + (stakes[None, None, :] / limits[None, :, None]) * (events[:, :, None] - limits[None, :, None])
    wealth = np.zeros((3, stakes.size))
    best = np.zeros((3, stakes.size))
    start = np.zeros((3, stakes.size), dtype=np.intp)
    total, began = np.empty(len(events)), np.empty(len(events), dtype=np.intp)
    for place, gain in enumerate(gains):
        wealth = (wealth + 1) * gain
        # The likeliest beginning, as in a CUSUM: where the running sum last stood at its lowest.
        fresh = best <= 0
        start[fresh] = place
        best = np.where(fresh, 0.0, best) + np.log(gain)
        total[place] = wealth.mean()
        began[place] = start.flat[int(best.argmax())]
    return total, began


def watch(rows: pd.DataFrame, alarm: float = ALARM) -> Drift:
    """Watch a log for drift.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `advisor.benchlog.frame` gives them, oldest first: elapsed_min, predicted_min, predicted_low_min,
        predicted_high_min [min] needed; asset_tag, date, model_version, storage_kind, image, technician, and
        `<phase>_min` beside `predicted_<phase>_min` used where present. Rows without all four figures are passed over.
        Only those that the newest row's version of the model predicted are watched, at most the newest `LOOKED_BACK`.
    alarm : float
        Units before a false alarm, on average, at least.
    """
    table = _usable(rows)
    n = len(table)
    if not n:
        return Drift(table.reindex(columns=["asset_tag", "date", "ratio", "inside", "evidence", "drifting"]))
    ratio = np.log(table["ratio"].to_numpy(dtype=float))
    outside = ~table["inside"].to_numpy(dtype=bool)
    longer = np.where(np.abs(ratio) < 1e-9, 0.5, (ratio > 0).astype(float))
    streams = [_Stream(*watched, *evidence(outside[watched[2]], longer[watched[2]])) for watched in _watched(table)]
    total = np.sum([stream.weight * stream.after(np.arange(n)) for stream in streams], axis=0)
    drifting = np.logical_or.accumulate(total >= alarm)
    out = table[["asset_tag", "date", "ratio", "inside"]].assign(evidence=total, drifting=drifting)
    if not drifting[-1]:
        return Drift(out)
    at = np.array([int(drifting.argmax())])
    loudest = max(streams, key=lambda stream: float(stream.weight * stream.after(at)[0]))
    places = loudest.places
    first = int(places[loudest.began[np.searchsorted(places, at[0], side="right") - 1]])
    since = np.arange(n) >= first
    of_phase = since & np.isin(np.arange(n), places)
    return Drift(
        out, True, str(table["date"].iloc[first]), int(of_phase.sum()),
        100 * float(np.expm1(np.median(ratio[of_phase]))), 100 * float(outside[of_phase].mean()),
        _moved(table, ratio, since) or ([loudest.name] if loudest.name else []), _phases(table, since),
    )  # fmt: skip


@dataclass(frozen=True)
class _Stream:
    """Units watched together: what their evidence weighs, the group's name ('' for all), which they are, and what
    `evidence` says of them.
    """

    weight: float
    name: str
    places: NDArray[np.intp]
    total: Array
    began: NDArray[np.intp]

    def after(self, units: NDArray[np.intp]) -> Array:
        """Sum of the wealth after each of the units, whether it is of the stream or not."""
        seen = np.searchsorted(self.places, units, side="right")
        return np.append(0.0, self.total)[seen]


def _groups(table: pd.DataFrame) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """The groups of units that are watched by themselves: each one's name, and which units are of it."""
    for column in [name for name in GROUPS if name in table]:
        labels = table[column].astype("string").fillna("").to_numpy().astype(str)
        for label in filter(None, dict.fromkeys(labels.tolist())):
            yield f"{column.replace('_', ' ')} {label}", labels == label


def _watched(table: pd.DataFrame) -> list[tuple[float, str, NDArray[np.intp]]]:
    """Weight, name and units of each stream: all, and the groups, whose weights sum to a half however many come."""
    streams = [(0.5, "", np.arange(len(table)))]
    for name, of_group in _groups(table):
        if not of_group.all():
            streams.append((0.5 / (len(streams) * (len(streams) + 1)), name, np.flatnonzero(of_group)))
    return streams


def _usable(rows: pd.DataFrame) -> pd.DataFrame:
    names = ("elapsed_min", "predicted_min", "predicted_low_min", "predicted_high_min")
    if not set(names) <= set(rows.columns) or not len(rows):
        return pd.DataFrame({"asset_tag": [], "date": []})
    actual, middle, low, high = (figures(rows, name) for name in names)
    known = (actual > 0) & (middle > 0) & (low <= high)
    if "model_version" in rows and known.any():
        version = rows["model_version"].astype("string").fillna("").to_numpy()
        known &= version == version[np.flatnonzero(known)[-1]]
    places = np.flatnonzero(known)[-LOOKED_BACK:]
    table = rows.iloc[places].reset_index(drop=True)
    for name in ("asset_tag", "date"):
        table[name] = table[name].astype("string").fillna("") if name in table else ""
    return table.assign(
        ratio=actual[places] / middle[places], inside=((actual >= low) & (actual <= high))[places],
    )  # fmt: skip


def _moved(table: pd.DataFrame, ratio: Array, since: NDArray[np.bool_]) -> list[str]:
    """Groups whose units since the change moved unlike the others since (Mann-Whitney, Holm at 5 %)."""
    from scipy.stats import mannwhitneyu

    tests = []
    for name, of_group in _groups(table):
        inside, others = ratio[since & of_group], ratio[since & ~of_group]
        if min(inside.size, others.size) >= FEWEST_SINCE and np.ptp(ratio[since]) > 0:
            away = abs(np.median(inside)) > abs(np.median(others))
            chance = float(mannwhitneyu(inside, others).pvalue) if away else 1.0
            tests.append((chance, f"{name} by {_percent(float(np.median(inside)))}"))
    return _holm(tests)


def _phases(table: pd.DataFrame, since: NDArray[np.bool_]) -> list[str]:
    """Phases whose minutes differ from those predicted since the change (Wilcoxon's signed ranks, Holm at 5 %)."""
    from scipy.stats import wilcoxon

    tests = []
    for name in [str(column) for column in table.columns if f"predicted_{column}" in table.columns]:
        if name in ("hands_on_min", "low_min", "high_min", "min"):
            continue
        pair = table.loc[since, [name, f"predicted_{name}"]].apply(pd.to_numeric, errors="coerce").dropna()
        off = (pair[name] - pair[f"predicted_{name}"]).to_numpy(dtype=float)
        if len(off) >= FEWEST_SINCE and np.any(off):
            way = "longer" if np.median(off) > 0 else "shorter"
            text = f"phase {name.removesuffix('_min')} by {abs(np.median(off)):.1f} min {way}"
            tests.append((float(wilcoxon(off).pvalue), text))
    return _holm(tests)


def _holm(tests: list[tuple[float, str]]) -> list[str]:
    out = []
    for rank, (chance, text) in enumerate(sorted(tests)):
        if chance > 0.05 / (len(tests) - rank):
            break
        out.append(text)
    return out


def _percent(ratio: float) -> str:
    return f"{abs(100 * np.expm1(ratio)):.0f} % {'longer' if ratio > 0 else 'shorter'}"


def unit_line(row: pd.Series, drift: Drift) -> str:
    """One short line on the unit just logged, '' when nothing was predicted for it."""
    actual, low, high = (
        float(pd.to_numeric(str(row.get(name)), errors="coerce"))
        for name in ("elapsed_min", "predicted_low_min", "predicted_high_min")
    )
    if pd.isna(actual) or pd.isna(low) or pd.isna(high):
        return ""
    inside = low <= actual <= high
    text = f"{actual:.0f} min: {'within' if inside else 'outside'} the {low:.0f} to {high:.0f} predicted."
    return f"{text} {drift.sentence()}" if drift.drifting else text
