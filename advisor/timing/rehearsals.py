"""Reading the measured rehearsals."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor import tables
from advisor.columns import figures, words
from advisor.errors import InputError, TableError
from advisor.files import datasets, parse_json, read_text
from advisor.timing.conditions import CONDITIONS, KINDS, MEASURED_PHASES, MIB, UNPACKED, check_conditions, modelled
from advisor.timing.physics import writing_s

FORMAT = 1
"""Layout of a rehearsal's line that is read; a newer one is refused."""

LABELS: tuple[str, ...] = (
    "name", "disk", "storage_kind", "edition", "processor", "compression", "repeat_of", "installer",
)  # fmt: skip
"""What a rehearsal is called, and the groups it is left out by."""

NEEDED: tuple[str, ...] = (
    *CONDITIONS, *(f"{phase}_s" for phase in MEASURED_PHASES if phase not in ("format", "grow", "tasks")),
)  # fmt: skip
"""Figures that every rehearsal states; of phases that only some kinds of installer have those do."""

WITHOUT_LIBRARIES = frozenset({"small"})
"""Base sets of `advisor.lab.trees` none of whose packages is a shared library."""

COUNTED_NEEDS = ("processor", "writing")
"""What a phase may be counted to need by itself; see `Rehearsals`."""

COUNTED = ("_pct", "_cpu_s", "_bytes", "_accesses")
"""Endings of figures that a rehearsal may state."""

MOST = 1e15
"""Largest figure that is believed; a disk of a petabyte has fewer bytes."""


@dataclass(frozen=True)
class Rehearsals:
    """Rehearsals that were not disturbed, row by row.

    Attributes
    ----------
    conditions : pandas.DataFrame, shape (n, len(CONDITIONS))
    phases : pandas.DataFrame, shape (n, len(MEASURED_PHASES))
        [s]
    labels : pandas.DataFrame, shape (n, len(LABELS))
        Text: name, class of disk, kind of storage, edition, level of processor, compression, the name of the
        rehearsal that a repeat repeats ('' when none), and the kind of installer.
    disturbed : int
        How many rows said that they were disturbed, and are left out.
    needs : dict of str to pandas.DataFrame, each of shape (n, len(MEASURED_PHASES))
        What each phase was seen to need of one thing alone, NaN where not counted [s]: 'processor', of one core of the
        rehearsed speed; 'writing', what went to the disk.
    """

    conditions: pd.DataFrame
    phases: pd.DataFrame
    labels: pd.DataFrame
    disturbed: int = 0
    needs: dict[str, pd.DataFrame] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.conditions)

    @property
    def total(self) -> NDArray[np.float64]:
        """Machine seconds of each rehearsal, shape (n,)."""
        return np.asarray(self.phases.sum(axis=1), dtype=float)

    @property
    def X(self) -> pd.DataFrame:
        """Conditions and labels in one frame, a row a rehearsal: what an estimator is given to predict from."""
        return pd.concat([self.conditions, self.labels], axis=1)

    @property
    def y(self) -> pd.DataFrame:
        """Seconds by phase, then what was counted beside them (`copy processor`, ...): for an estimator to fit."""
        counted = [frame.add_suffix(f" {name}") for name, frame in self.needs.items()]
        return pd.concat([self.phases, *counted], axis=1)

    @classmethod
    def of(cls, X: pd.DataFrame, y: pd.DataFrame) -> Rehearsals:
        """The inverse of `X` and `y`; labels that are not there are empty."""
        if not isinstance(y, pd.DataFrame) or not set(MEASURED_PHASES) <= set(y.columns):
            raise InputError(
                "The seconds to fit on must be a column a phase.", f"Wanted are: {', '.join(MEASURED_PHASES)}."
            )
        labels = X.reindex(columns=list(LABELS)).astype("string").fillna("")
        counted = {
            name: y[[f"{phase} {name}" for phase in MEASURED_PHASES]].set_axis(list(MEASURED_PHASES), axis=1)
            for name in COUNTED_NEEDS
            if f"copy {name}" in y
        }
        return cls(check_conditions(X), y[list(MEASURED_PHASES)], labels, needs=counted).take(
            np.ones(len(X), dtype=bool)
        )

    @property
    def modelled(self) -> NDArray[np.bool_]:
        """Which are of a kind of installer that times are predicted of; the others only help to fit, shape (n,)."""
        return modelled(self.conditions)

    def take(self, rows: NDArray[np.bool_]) -> Rehearsals:
        """The rows of a mask."""
        return Rehearsals(
            self.conditions[rows].reset_index(drop=True),
            self.phases[rows].reset_index(drop=True),
            self.labels[rows].reset_index(drop=True),
            needs={name: frame[rows].reset_index(drop=True) for name, frame in self.needs.items()},
        )


def shipped() -> Path:
    """The file of rehearsals that ships with the package."""
    return datasets() / "rehearsals.jsonl"


def read_rehearsals(path: str | Path | None = None) -> Rehearsals:
    """Read rehearsals, one JSON object a line.

    Parameters
    ----------
    path : path-like, optional
        The rehearsals that ship when left out.

    Returns
    -------
    Rehearsals
        Rows that say `disturbed`, failed ones among them, are counted and left out.

    Raises
    ------
    TableError
        When the file is missing.
    InputError
        When a line is no JSON object, is of a newer format, or lacks a figure; the message names the line.
    """
    file = shipped() if path is None else Path(path)
    text = read_text(file, error=TableError)
    good: list[dict[str, Any]] = []
    disturbed = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        row = parse_json(line, f"{file}, line {number},", hint="Remove the line.")
        if not isinstance(row, dict):
            raise InputError(f"{file}, line {number}: not a JSON object.", "Remove the line.")
        form = row.get("format", 1)
        if not isinstance(form, int) or form > FORMAT:
            raise InputError(
                f"{file}, line {number}: of format {row['format']}; this version reads up to {FORMAT}.",
                "Install a newer version of the package.",
            )
        # Lines from before there were other kinds name none.
        row.setdefault("installer", UNPACKED)
        if row.get("disturbed"):
            disturbed += 1
            continue
        lacking = [name for name in NEEDED if not _is_figure(row.get(name))]
        lacking += [name for name in row if name.endswith(COUNTED) and not _is_figure(row[name])]
        if lacking:
            raise InputError(f"{file}, line {number}: no figure for {', '.join(lacking)[:300]}.", "Remove the line.")
        good.append(row)
    frame = pd.DataFrame(good, columns=None if good else list(NEEDED))
    seconds = frame.reindex(columns=[f"{phase}_s" for phase in MEASURED_PHASES]).astype(float).fillna(0.0)
    seconds.columns = pd.Index(MEASURED_PHASES)
    if not (np.isfinite(seconds.to_numpy()).all() and (seconds.to_numpy() >= 0).all()):
        raise InputError(f"{file}: a phase has no finite time of 0 or more.", "Remove the line.")
    labels = pd.DataFrame({name: words(frame, name).fillna("") for name in LABELS})
    if "quota_pct" in frame:
        labels["processor"] = _share(frame).map(lambda share: f"{100 * share:.0f} % of a core").astype("string")
    conditions = check_conditions(_with_disks(_paced(frame)))
    return Rehearsals(conditions, seconds, labels, disturbed, _needs(frame, conditions))


def _share(frame: pd.DataFrame) -> pd.Series[float]:
    """How much of each of its cores a rehearsal had [1]."""
    return frame["quota_pct"].astype(float) / frame["cores"].astype(float) / 100


def _paced(frame: pd.DataFrame) -> pd.DataFrame:
    """Give installs their share of a core at its usual pace, the median over those of one processor.

    Other work on the measuring machine's host makes the cores decompress up to half as fast again, or a quarter slower,
    by the hour; copying, dpkg and initramfs, which wait for memory, hardly followed (exponents of the processor time
    over the pace -0.6 to 0.4, where -1 would be in step). The share is exact: a slower processor is slower in all.
    """
    if not {"quota_pct", "cores", "processor"} <= set(frame.columns):
        return frame
    share, installs = _share(frame), frame["installer"].isin(KINDS)
    paces = (frame["decompress_mib_s"] / share).where(installs)
    usual = paces.groupby(words(frame, "processor").fillna("")).transform("median")
    return frame.assign(decompress_mib_s=(share * usual).where(installs, frame["decompress_mib_s"]))


def _with_disks(frame: pd.DataFrame) -> pd.DataFrame:
    """What the disk was beside its speeds: how it writes, and of a disk of `lab/disks` its size and its cache."""
    named = words(frame, "model").fillna("")
    figure = pd.DataFrame(tables.dicts("lab/disks")).pivot(index="disk", columns="parameter", values="value")
    known = figure.reindex(columns=["capacity_gb", "cache_gb", "slow_write_mb_s"]).astype(float).reindex(named)
    written = figures(frame, "disk_write_mib_s") / figures(frame, "disk_read_mib_s")
    gib, cache, slow = (known[name].to_numpy() * 1e6 / MIB for name in known)
    return frame.assign(
        # A plain disk of one rate writes as it reads, and is as large as what is put on it.
        write_share=np.where(named.eq(""), 1.0, written), disk_gib=np.where(named.eq(""), 1.0, 1000 * gib / 1024),
        cache_mib=1000 * cache, slow_write_mib_s=slow,
        base_libraries=(~words(frame, "base_set").isin(WITHOUT_LIBRARIES)).astype(float),
    )  # fmt: skip


def _is_figure(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= MOST


def _needs(frame: pd.DataFrame, conditions: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """What the phases were counted to need of the processor and of the disk's rate [s]."""

    def counted(suffix: str) -> pd.DataFrame | None:
        if f"copy_{suffix}" not in frame:
            return None
        found = frame.reindex(columns=[f"{phase}_{suffix}" for phase in MEASURED_PHASES])
        return found.apply(pd.to_numeric, errors="coerce").astype(float).set_axis(list(MEASURED_PHASES), axis=1)

    needs = {}
    used, written = counted("cpu_s"), counted("written_bytes")
    if used is not None and {"quota_pct", "cores"} <= set(frame.columns):
        needs["processor"] = used.div(_share(frame), axis=0)
    if written is not None:
        needs["writing"] = written.apply(lambda column: writing_s(conditions, column.to_numpy() / MIB))
    return needs
