"""The physical model: work over rates, phase by phase, with non-negative coefficients fitted on rehearsals.

A phase is a sum of stages. Inside a stage the processor, the disk and the link each need some seconds, and
these overlap: the stage takes their p-norm, from p = 1 (one after the other) to p = 4 (nearly the longest alone).
Each need is a sum of works over rates with non-negative coefficients, so that a faster machine is never slower.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import figures
from advisor.timing.conditions import CONDITIONS, EXTRAS, MEASURED_PHASES, MIB

Array = NDArray[np.float64]
Values = Mapping[str, Array]

OVERLAPS: tuple[float, ...] = (1.0, 2.0, 4.0)
"""Exponents tried: 1 adds the needs, 4 takes nearly the longest alone."""

ROUNDS = 40
"""Steps of the fit of an overlapping stage; it settles in fewer than 20."""

DIRTY_SHARE = 0.2
"""Share of memory that may wait unwritten: the kernel's default (vm.dirty_ratio, its documentation sysctl/vm.rst)."""

COUNTED_FLOOR: dict[str, float] = {"processor": 0.3, "transfer": 1.0, "access": 0.1}
"""Share of a phase's seconds that is added to a counted need before errors are taken relative to it.

Accesses repeat to a few per cent on any disk; what is transferred in a phase is partly what the one before left.
"""

PHASE_FLOOR = 0.02
"""Share of the whole that is added to a phase's seconds before errors are taken relative to them."""


@dataclass(frozen=True)
class Term:
    """One work over one rate."""

    # phase, stage: Where it belongs; the stages of a phase add.
    phase: str
    stage: str
    need: str  # 'processor', 'disk', 'link' or 'wait'; the needs of a stage overlap
    # work, rate: Names in what `derive` gives.
    work: str
    rate: str
    name: str  # In words, such as 'installed MiB / decompression'

    def values(self, derived: Values) -> Array:
        """Its values, from the derived arrays; shape (n,)."""
        return derived[self.work] * derived[self.rate]

    @property
    def counted(self) -> str:
        """Which need counted by itself it is part of: 'processor', 'transfer', 'access', '' for none."""
        return "transfer" if self.work == "left" else _COUNTED.get(self.rate, "")


_COUNTED = {"cpu": "processor", "cpus": "processor", "read": "transfer", "write": "transfer", "access": "access"}


def derive(conditions: pd.DataFrame) -> dict[str, Array]:
    """Work out the arrays that terms are made of, of all `CONDITIONS` and `EXTRAS`: seconds per MiB or per access, MiB,
    thousands of files, packages; each of shape (n,).
    """
    names = [name for name in (*CONDITIONS, *EXTRAS) if name in conditions]
    get = {name: conditions[name].to_numpy(dtype=float) for name in names}
    decompress = 1.0 / get["decompress_mib_s"]
    return {
        "one": np.ones(len(conditions)),
        "cpu": decompress,
        "cpus": decompress / get["cores"],
        "read": 1.0 / get["disk_read_mib_s"],
        # Where nobody measured it, and no kind of storage tells, a disk writes as it reads.
        "write": 1.0 / (get["disk_read_mib_s"] * np.nan_to_num(figures(conditions, "write_share"), nan=1.0)),
        "access": get["disk_access_ms"] / 1000.0,
        "link": 8.0 * MIB / (get["link_mbps"] * 1e6),
        "installed": get["installed_bytes"] / MIB,
        "xz": get["installed_bytes"] / MIB * get["xz"],
        "quick": get["installed_bytes"] / MIB * (1.0 - get["xz"]),
        "spill": np.maximum(get["installed_bytes"] / MIB - DIRTY_SHARE * get["memory_mib"], 0.0),
        "plain": get["plain_modules"],
        "left": np.zeros(len(conditions)),
        "files": get["installed_files"] / 1000.0,
        "extra": get["extra_bytes"] / MIB,
        "extra_n": get["extra_packages"],
        "update": get["update_bytes"] / MIB,
        "update_n": get["update_packages"],
    }


LEFT = "writing that the copy left over"
"""Name of the term whose coefficient is at most 1: then a faster copy never lengthens the whole."""


def left_unwritten(values: Values, copy_s: Array) -> Array:
    """Seconds of writing that are left when the copy ends: what it writes over the disk's rate, less its own time."""
    return np.asarray(np.maximum(values["installed"] * values["write"] - copy_s, 0.0), dtype=float)


def _packages(phase: str, work: str) -> list[Term]:
    """Download a set of packages, then unpack and set them up, as apt does; writing goes on beside the processor's
    work, but dpkg waits for each of its syncs: those add.
    """
    count = f"{work}_n"
    return [
        Term(phase, "download", "link", work, "link", "package MiB / link"),
        Term(phase, "download", "wait", count, "one", "packages asked for"),
        Term(phase, "install", "processor", count, "cpu", "packages / decompression"),
        Term(phase, "install", "processor", work, "cpu", "package MiB / decompression"),
        Term(phase, "install", "processor", "one", "cpu", "once / decompression"),
        Term(phase, "settle", "disk", "one", "access", "once x access"),
        Term(phase, "settle", "disk", count, "access", "packages x access"),
        Term(phase, "settle", "disk", work, "access", "package MiB x access"),
        Term(phase, "install", "disk", work, "write", "package MiB / disk rate"),
    ]


TERMS: tuple[Term, ...] = (
    Term("format", "format", "processor", "one", "cpu", "once / decompression"),
    Term("format", "format", "disk", "one", "access", "once x access"),
    Term("format", "format", "disk", "one", "write", "once / disk rate"),
    Term("copy", "copy", "processor", "quick", "cpus", "installed MiB, not xz / (decompression x cores)"),
    Term("copy", "copy", "processor", "xz", "cpus", "installed MiB, xz / (decompression x cores)"),
    Term("copy", "copy", "processor", "installed", "cpu", "installed MiB / decompression"),
    Term("copy", "copy", "processor", "files", "cpu", "files / decompression"),
    Term("copy", "copy", "disk", "installed", "write", "installed MiB / disk rate"),
    # Memory takes what it may hold unwritten; the rest waits for the disk, and the less it holds the less it sorts.
    Term("copy", "copy", "disk", "spill", "write", "MiB beyond unwritten memory / disk rate"),
    Term("copy", "copy", "disk", "spill", "access", "MiB beyond unwritten memory x access"),
    Term("copy", "copy", "disk", "files", "access", "files x access"),
    Term("boot", "boot", "processor", "one", "cpu", "once / decompression"),
    Term("boot", "boot", "processor", "one", "cpus", "once / (decompression x cores)"),
    Term("boot", "boot", "processor", "plain", "cpu", "plain kernel modules / decompression"),
    Term("boot", "boot", "disk", "one", "access", "once x access"),
    Term("boot", "boot", "disk", "one", "read", "once / disk rate"),
    Term("boot", "boot", "disk", "files", "access", "files x access"),
    # What the copy left unwritten in memory goes to the disk while the initramfs is made.
    Term("boot", "boot", "disk", "left", "one", LEFT),
    Term("refresh", "fetch", "link", "one", "link", "lists / link"),
    Term("refresh", "fetch", "wait", "one", "one", "answer of the server"),
    Term("refresh", "read", "processor", "one", "cpu", "once / decompression"),
    Term("refresh", "read", "disk", "one", "access", "once x access"),
    *_packages("base", "extra"),
    *_packages("updates", "update"),
    Term("updates", "install", "processor", "one", "cpus", "once / (decompression x cores)"),
    Term("updates", "install", "processor", "plain", "cpu", "plain kernel modules / decompression"),
    Term("sync", "sync", "disk", "installed", "write", "installed MiB / disk rate"),
    Term("sync", "sync", "disk", "update", "write", "update MiB / disk rate"),
    Term("sync", "sync", "disk", "one", "access", "once x access"),
    Term("sync", "sync", "wait", "one", "one", "unmounting"),
)
"""Every term of the model."""


def _stages(terms: Sequence[Term]) -> list[list[list[int]]]:
    """Positions of the terms: a list a stage, in it a list a need."""
    order: dict[str, dict[str, list[int]]] = {}
    for position, term in enumerate(terms):
        order.setdefault(term.stage, {}).setdefault(term.need, []).append(position)
    return [list(needs.values()) for needs in order.values()]


def _forward(matrix: Array, theta: Array, stages: list[list[list[int]]], overlap: float) -> tuple[Array, Array]:
    """Seconds, and the Jacobian in theta. The model is homogeneous of degree one: seconds = Jacobian @ theta."""
    seconds = np.zeros(len(matrix))
    jacobian = np.zeros_like(matrix)
    for needs in stages:
        parts = np.column_stack([matrix[:, need] @ theta[need] for need in needs])
        top = np.maximum(parts.max(axis=1), 1e-300)
        whole = top * ((parts / top[:, None]) ** overlap).sum(axis=1) ** (1.0 / overlap)
        seconds += whole
        for column, need in enumerate(needs):
            share = (parts[:, column] / np.maximum(whole, 1e-300)) ** (overlap - 1.0)
            jacobian[:, need] = matrix[:, need] * share[:, None]
    return seconds, jacobian


def solve(matrix: Array, seconds: Array, weights: Array) -> Array:
    """Non-negative least squares with row weights (C.

    L. Lawson, R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23).
    """
    from scipy.optimize import nnls

    weighted = matrix * weights[:, None]
    scale = np.sqrt((weighted**2).sum(axis=0))
    used = scale > 0
    theta = np.zeros(matrix.shape[1])
    if used.any():
        theta[used] = nnls(weighted[:, used] / scale[used], seconds * weights)[0] / scale[used]
    return theta


def fit_phase(terms: Sequence[Term], matrix: Array, seconds: Array, weights: Array, overlap: float) -> Array:
    """Fit one phase for one way of overlapping."""
    stages = _stages(terms)
    theta = solve(matrix, seconds, weights)
    if overlap == 1.0:
        return theta

    def loss(candidate: Array) -> float:
        return float((((_forward(matrix, candidate, stages, overlap)[0] - seconds) * weights) ** 2).sum())

    # A need at zero has no share in a p-norm and would stay there: every coefficient starts above zero.
    positive = matrix.mean(axis=0) > 0
    start = np.where(positive, seconds.mean() / np.maximum(matrix.mean(axis=0), 1e-300) / (4 * len(terms)), 0.0)
    theta = theta + start
    best, best_loss = theta, loss(theta)
    step = 1.0
    for _ in range(ROUNDS):
        _, jacobian = _forward(matrix, theta, stages, overlap)
        target = solve(jacobian, seconds, weights)
        moved = theta + step * (target - theta)
        moved_loss = loss(moved)
        if moved_loss < best_loss * (1 - 1e-9):
            best, best_loss, theta = moved, moved_loss, moved
            step = min(1.0, step * 1.5)
        else:
            step *= 0.5
            if step < 1e-3:
                break
    return np.asarray(best, dtype=float)


@dataclass(frozen=True)
class Physics:
    """Fitted coefficients."""

    coefficients: dict[str, Array] = field(default_factory=dict)  # Phase to its coefficients, in the order of `TERMS`
    overlaps: dict[str, float] = field(default_factory=dict)  # Phase to its exponent

    def predict(self, conditions: pd.DataFrame, copy_at_least: Array | float = 0.0) -> pd.DataFrame:
        """Seconds of each phase.

        Parameters
        ----------
        conditions : pandas.DataFrame, shape (n, any)
            Columns of `CONDITIONS` and `EXTRAS`, all known.
        copy_at_least : numpy.ndarray, shape (n,), or float
            Seconds that the copy takes at least, as from a slow stick: the disk writes meanwhile, which leaves less
            for the phase after it [s].

        Returns
        -------
        pandas.DataFrame, shape (n, len(MEASURED_PHASES))
            [s], same index.
        """
        values = derive(conditions)

        def seconds(phase: str) -> Array:
            terms = phase_terms(phase)
            matrix = np.column_stack([term.values(values) for term in terms])
            return _forward(matrix, self.coefficients[phase], _stages(terms), self.overlaps[phase])[0]

        copy = np.maximum(seconds("copy"), copy_at_least)
        values["left"] = left_unwritten(values, copy)
        columns = {phase: copy if phase == "copy" else seconds(phase) for phase in MEASURED_PHASES}
        return pd.DataFrame(columns, index=conditions.index)

    def at_bound(self) -> list[str]:
        """What stands where the fit was not let any further: terms at zero, and overlaps at the most that is tried."""
        zero = [
            f"{phase}, {term.need}: {term.name} at {value:g}"
            for phase in MEASURED_PHASES
            for term, value in zip(phase_terms(phase), self.coefficients[phase], strict=True)
            if value == 0 or (term.name == LEFT and value == 1)
        ]
        return zero + [f"{phase}: overlap at {p:g}" for phase, p in self.overlaps.items() if p == max(OVERLAPS)]


def phase_terms(phase: str) -> list[Term]:
    """The terms of one phase, in order."""
    return [term for term in TERMS if term.phase == phase]


def weights_of(phases: pd.DataFrame, phase: str) -> Array:
    """Weights that make errors relative to the phase, with a floor so that a phase of no weight stays so."""
    total = phases.sum(axis=1).to_numpy(dtype=float)
    return np.asarray(1.0 / (phases[phase].to_numpy(dtype=float) + PHASE_FLOOR * total), dtype=float)


@dataclass(frozen=True)
class Problem:
    """The least-squares problem of one phase."""

    terms: list[Term]
    # Below the n rows of the phase's seconds, m rows of needs that were counted by themselves, shape (n + m, k).
    matrix: Array
    # seconds, weights: shape (n + m,).
    seconds: Array
    weights: Array
    rehearsal: NDArray[np.intp]  # Which rehearsal a row is of, shape (n + m,)
    rows: int  # n

    def fit(self, overlap: float, rehearsals: NDArray[np.bool_] | None = None) -> Array:
        """Coefficients from some of the rehearsals, or all."""
        use = slice(None) if rehearsals is None else rehearsals[self.rehearsal]
        theta = fit_phase(self.terms, self.matrix[use], self.seconds[use], self.weights[use], overlap)
        for place, term in enumerate(self.terms):
            if term.name == LEFT:
                theta[place] = min(theta[place], 1.0)
        return theta


def problem_of(
    phase: str, conditions: pd.DataFrame, phases: pd.DataFrame, needs: Mapping[str, pd.DataFrame]
) -> Problem:
    """Set up the problem of one phase."""
    terms = phase_terms(phase)
    values = derive(conditions)
    values["left"] = left_unwritten(values, phases["copy"].to_numpy(dtype=float))
    matrix = np.column_stack([term.values(values) for term in terms])
    seconds = phases[phase].to_numpy(dtype=float)
    weights = weights_of(phases, phase)
    rehearsal = np.arange(len(seconds))
    n = len(seconds)
    # On one core, work that many could share takes as long as any other.
    alone = {**values, "cpus": values["cpu"]}
    for name, frame in needs.items():
        needed = frame[phase].to_numpy(dtype=float)
        known = np.flatnonzero(np.isfinite(needed))
        columns = np.column_stack([term.values(alone) if term.counted == name else np.zeros(n) for term in terms])
        if not columns.any():
            continue
        matrix = np.vstack([matrix, columns[known]])
        seconds = np.concatenate([seconds, needed[known]])
        weights = np.concatenate([weights, 1.0 / (needed + COUNTED_FLOOR[name] / weights[:n])[known]])
        rehearsal = np.concatenate([rehearsal, known])
    return Problem(terms, matrix, seconds, weights, rehearsal, n)


def choose_overlaps(
    conditions: pd.DataFrame, phases: pd.DataFrame, groups: NDArray[np.object_], needs: Mapping[str, pd.DataFrame]
) -> dict[str, float]:
    """Choose how the needs of each phase overlap, each group of rehearsals left out whole in turn."""
    folds = [np.flatnonzero(groups == group) for group in np.unique(groups)]
    return {phase: _choose_overlap(problem_of(phase, conditions, phases, needs), folds) for phase in MEASURED_PHASES}


def fit_physics(
    conditions: pd.DataFrame, phases: pd.DataFrame, overlaps: dict[str, float], needs: Mapping[str, pd.DataFrame]
) -> Physics:
    """Fit every phase."""
    return Physics(
        {phase: problem_of(phase, conditions, phases, needs).fit(overlaps[phase]) for phase in MEASURED_PHASES},
        dict(overlaps),
    )


def _choose_overlap(problem: Problem, folds: list[NDArray[np.intp]]) -> float:
    """The exponent with the least held-out error; adding stands unless another is better by a twentieth."""
    stages = _stages(problem.terms)
    if all(len(needs) == 1 for needs in stages):
        return 1.0
    errors = []
    for overlap in OVERLAPS:
        held_out = np.zeros(problem.rows)
        for fold in folds:
            rest = np.ones(problem.rows, dtype=bool)
            rest[fold] = False
            held_out[fold] = _forward(problem.matrix[fold], problem.fit(overlap, rest), stages, overlap)[0]
        rows = slice(0, problem.rows)
        errors.append(float(np.mean(np.abs(held_out - problem.seconds[rows]) * problem.weights[rows])))
    best = int(np.argmin(errors))
    return OVERLAPS[best] if errors[best] < 0.95 * errors[0] else 1.0
