"""The physical model: work over rates, part by part, with non-negative coefficients fitted on rehearsals.

A phase is one part, by the kind of installer. A part is a sum of stages. Inside a stage the processor, the disk and the
link each need some seconds: the stage takes their p-norm, with p = 1 (one after the other) or 4 (nearly the longest
alone). Each need is a sum of works over rates with non-negative coefficients, so that a faster machine is never slower.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import figures
from advisor.shop import Installer
from advisor.timing.conditions import CONDITIONS, EXTRAS, MEASURED_PHASES, MIB, UNPACKED, modelled

Array = NDArray[np.float64]
Values = Mapping[str, Array]

BESIDE = 4.0
"""Exponent of needs that go on beside each other: the kernel writes behind what copies read and unpack. 1 adds them, as
where each step waits for the one before, and dpkg for its syncs."""

ROUNDS = 40
"""Steps of the fit of an overlapping stage; it settles in fewer than 20."""

COMMAND_MS = 0.5
"""Most of an access that is the command's own time [ms]: 0.2 to 0.5 of spinning disks (lab/disks: overhead_ms), and
nearly all of flash, which has no way to go. What is longer is the way: the arm's, and half a turn."""

PACKAGE_MIB, DOWNLOADED = 2.58, 0.275
"""MiB that a package takes installed, and what its download has of that: medians of the catalogue of editions."""

DPKG_MIB_S = 22.0
"""What dpkg writes at the most [MiB/s]: 8 to 22 was measured of the updates on eMMC, which hold nothing up
(`updates_written_bytes` over `updates_s` in datasets/rehearsals.jsonl)."""

CLONED = 1.25
"""Blocks that a clone writes, over the bytes of the files in them: 1.23 to 1.28 was measured on six trees
(`copy_written_bytes` over `installed_bytes` of the clones in datasets/rehearsals.jsonl)."""

COUNTED_FLOOR: dict[str, float] = {"processor": 0.3, "writing": 1.0}
"""Share of a phase's seconds that is added to a counted need before errors are taken relative to it.

The processor's repeats to a few per cent; what is written in a phase is partly what the one before left.
"""

PHASE_FLOOR = 0.02
"""Share of the whole that is added to a phase's seconds before errors are taken relative to them."""


@dataclass(frozen=True)
class Term:
    """One work over one rate."""

    # part, stage: Where it belongs; the stages of a part add.
    part: str
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
        """Which need counted by itself it is part of: 'processor', 'writing', '' for none."""
        return _COUNTED.get(self.work, _COUNTED.get(self.rate, ""))


_COUNTED = {"cpu": "processor", "cpus": "processor", "write": "writing", "late write": "writing",
            "dpkg write": "writing", "written": "writing", "blocks": "writing"}  # fmt: skip
"""Rate, or work in seconds, to the need that is counted apart. Accesses are not: how near they lay nobody counted."""


@dataclass(frozen=True)
class WorkPart:
    """A part of the work that is fitted by itself."""

    phases: tuple[str, ...]  # Where it is done; more than one where the same is done several times
    kinds: tuple[str, ...]  # Kinds of installer that have it, whose seconds it is fitted on
    overlap: float = 1.0  # Exponent of its stages


LIVE, PACKAGES, CLONE = (str(kind) for kind in (Installer.LIVE, Installer.PACKAGES, Installer.CLONE))

PARTS: dict[str, WorkPart] = {
    "format": WorkPart(("format",), (LIVE, PACKAGES)),
    "live copy": WorkPart(("copy",), (LIVE,), BESIDE),
    "base system": WorkPart(("copy",), (PACKAGES,)),
    "clone": WorkPart(("copy",), (CLONE,), BESIDE),
    "grow": WorkPart(("grow",), (CLONE,)),
    # What a second core saves, and what plain modules cost, only trees that were unpacked tell.
    "initramfs": WorkPart(("boot",), (LIVE, UNPACKED)),
    "boot loader": WorkPart(("boot",), (PACKAGES, CLONE)),
    "refresh": WorkPart(("refresh",), (LIVE, PACKAGES, CLONE)),
    # dpkg does the same whatever it sets up: a few packages and many, with a kernel among them or without, tell more
    # together than each by itself; and a whole desktop, of which few rehearsals were made, with them.
    "apt": WorkPart(("base", "updates", "tasks"), (LIVE, PACKAGES, CLONE)),
    "sync": WorkPart(("sync",), (LIVE, PACKAGES, CLONE)),
}
"""Parts of the model; a phase has one for each kind of installer at the most."""

FETCHED: dict[str, str] = {"base": "extra", "updates": "update", "tasks": "task"}
"""Phase of `apt` to how the conditions call what it fetches; what tasks fetch follows from the size installed."""


def of_kinds(conditions: pd.DataFrame, kinds: Sequence[str]) -> NDArray[np.bool_]:
    """Rows of some kinds of installer, shape (n,)."""
    mask = ~modelled(conditions) if UNPACKED in kinds else np.zeros(len(conditions), dtype=bool)
    for kind in set(kinds) - {UNPACKED}:
        mask |= conditions[kind].to_numpy(dtype=float) > 0
    return np.asarray(mask, dtype=bool)


def _write_rate(conditions: pd.DataFrame) -> Array:
    """How fast the disk writes: as it reads where nobody measured it, and no kind of storage tells [MiB/s]."""
    share = np.nan_to_num(figures(conditions, "write_share"), nan=1.0)
    return conditions["disk_read_mib_s"].to_numpy(dtype=float) * share


def writing_s(conditions: pd.DataFrame, mib: Array) -> Array:
    """Seconds of writing one after the other: what a disk's cache takes as quickly as it can, the rest more slowly."""
    rate, cache = _write_rate(conditions), np.nan_to_num(figures(conditions, "cache_mib"))
    slow = np.minimum(np.nan_to_num(figures(conditions, "slow_write_mib_s"), nan=np.inf), rate)
    return np.asarray(np.minimum(mib, cache) / rate + np.maximum(mib - cache, 0.0) / slow, dtype=float)


def _late_write(conditions: pd.DataFrame, mib: Array, beside_mib_s: float = np.inf) -> Array:
    """Seconds a MiB takes to be written when so many MiB have been: their disk's cache may be full, and stays so where
    it empties, as quickly as the disk then writes, more slowly than what is written comes.
    """
    rate, cache = _write_rate(conditions), np.nan_to_num(figures(conditions, "cache_mib"))
    slow = np.minimum(np.nan_to_num(figures(conditions, "slow_write_mib_s"), nan=np.inf), rate)
    return np.asarray(1.0 / np.where((mib > cache) & (slow < beside_mib_s), slow, rate), dtype=float)


def derive(conditions: pd.DataFrame, phase: str = "") -> dict[str, Array]:
    """Work out the arrays that terms are made of, of all `CONDITIONS` and `EXTRAS`, and `disk_near_ms` where a unit
    has it: seconds per MiB or per access, MiB, thousands of files, seconds of writing, and of a phase of `FETCHED`
    packages; each of shape (n,).
    """
    names = [name for name in (*CONDITIONS, *EXTRAS) if name in conditions]
    get = {name: conditions[name].to_numpy(dtype=float) for name in names}
    decompress, access = 1.0 / get["decompress_mib_s"], get["disk_access_ms"] / 1000.0
    command = np.minimum(access, COMMAND_MS / 1000.0)
    installed = get["installed_bytes"] / MIB
    copied = installed * np.where(get[CLONE] > 0, CLONED, 1.0)
    works = {
        "one": np.ones(len(conditions)),
        "cpu": decompress,
        "cpus": decompress / get["cores"],
        "write": 1.0 / _write_rate(conditions),
        # The copy goes before.
        "late write": _late_write(conditions, copied),
        "dpkg write": _late_write(conditions, copied, DPKG_MIB_S),
        "access": access,
        "near": np.fmin(command, figures(conditions, "disk_near_ms") / 1000.0),
        "way": access - command,
        "link": 8.0 * MIB / (get["link_mbps"] * 1e6),
        "installed": installed,
        "xz": installed * get["xz"],
        "quick": installed * np.maximum(1.0 - get["xz"], 0.0),
        "written": writing_s(conditions, installed),
        "blocks": writing_s(conditions, CLONED * installed),
        "files": get["installed_files"] / 1000.0,
        "live": get[LIVE],
        "journal": get["journal_mib"],
        "plain": get["plain_modules"],
        "software lists": get["software_lists"],
    }
    if what := FETCHED.get(phase):
        tasks = installed * get[PACKAGES]
        get |= {"task_packages": tasks / PACKAGE_MIB, "task_bytes": tasks * DOWNLOADED * MIB}
        count = get[f"{what}_packages"]
        some = np.minimum(count, 1.0)
        # A kernel is among the updates, and nothing where there are none.
        kernel = some * (phase == "updates")
        works |= {"fetched": get[f"{what}_bytes"] / MIB, "packages": count, "any package": some}
        works |= {"kernel": kernel, "plain kernel": kernel * get["plain_modules"]}
        # The first that brings a library, the base set or else the updates, has ldconfig read those of the whole tree.
        early = np.nan_to_num(figures(conditions, "base_libraries"), nan=1.0) * np.minimum(get["extra_packages"], 1.0)
        works["libraries"] = installed * some * {"base": early, "updates": 1.0 - early}.get(phase, 0.0)
        # Of tasks the kinds of installer that have none read no lists either.
        works["one"] = get[PACKAGES] if phase == "tasks" else works["one"]
    return works


TERMS: tuple[Term, ...] = (
    Term("format", "format", "disk", "journal", "write", "journal MiB / disk rate"),
    Term("format", "format", "disk", "one", "access", "once x access"),
    Term("live copy", "copy", "processor", "quick", "cpu", "installed MiB, not xz / decompression"),
    Term("live copy", "copy", "processor", "xz", "cpu", "installed MiB, xz / decompression"),
    Term("live copy", "copy", "processor", "files", "cpu", "files / decompression"),
    Term("live copy", "copy", "disk", "written", "one", "writing of installed MiB"),
    Term("live copy", "copy", "disk", "installed", "access", "installed MiB x access"),
    # The base system is the same for all editions. What dpkg waits for lies near, as in the part `apt`.
    Term("base system", "download", "link", "one", "link", "once / link"),
    Term("base system", "install", "processor", "one", "cpu", "once / decompression"),
    Term("base system", "install", "disk", "one", "write", "once / disk rate"),
    Term("base system", "settle", "disk", "one", "near", "once x near access"),
    # dd waits for the disk block by block while zstd goes on unpacking.
    Term("clone", "clone", "processor", "installed", "cpu", "installed MiB / decompression"),
    Term("clone", "clone", "disk", "blocks", "one", "writing of the blocks in use"),
    Term("grow", "grow", "processor", "one", "cpu", "once / decompression"),
    Term("grow", "grow", "disk", "installed", "near", "installed MiB x near access"),
    Term("grow", "grow", "disk", "installed", "way", "installed MiB x way"),
    Term("initramfs", "boot", "processor", "one", "cpu", "once / decompression"),
    Term("initramfs", "boot", "processor", "one", "cpus", "once / (decompression x cores)"),
    # A whole tree has more that hooks into it than the small ones that were unpacked.
    Term("initramfs", "boot", "processor", "live", "cpu", "whole tree / decompression"),
    Term("initramfs", "boot", "processor", "plain", "cpu", "plain kernel modules / decompression"),
    Term("initramfs", "boot", "disk", "one", "access", "once x access"),
    Term("initramfs", "boot", "disk", "one", "near", "once x near access"),
    Term("initramfs", "boot", "disk", "one", "late write", "once / disk rate"),
    Term("boot loader", "boot", "processor", "one", "cpu", "once / decompression"),
    Term("boot loader", "boot", "disk", "one", "near", "once x near access"),
    Term("refresh", "fetch", "link", "one", "link", "lists / link"),
    Term("refresh", "fetch", "wait", "one", "one", "answer of the server"),
    Term("refresh", "read", "processor", "one", "cpu", "once / decompression"),
    Term("refresh", "read", "processor", "software lists", "cpu", "software lists / decompression"),
    Term("refresh", "read", "disk", "one", "near", "once x near access"),
    # Download, then unpack and set up, as apt does; writing goes on beside the processor's work, but dpkg waits for
    # each of its syncs: those add. A kernel has thousands of files and an initramfs made anew.
    Term("apt", "download", "link", "fetched", "link", "package MiB / link"),
    Term("apt", "install", "processor", "one", "cpu", "once / decompression"),
    Term("apt", "install", "processor", "any package", "cpu", "any package / decompression"),
    Term("apt", "install", "processor", "packages", "cpu", "packages / decompression"),
    Term("apt", "install", "processor", "fetched", "cpu", "package MiB / decompression"),
    Term("apt", "install", "processor", "kernel", "cpu", "kernel / decompression"),
    Term("apt", "install", "processor", "plain kernel", "cpu", "kernel with plain modules / decompression"),
    Term("apt", "install", "disk", "fetched", "dpkg write", "package MiB / disk rate"),
    Term("apt", "settle", "disk", "any package", "near", "any package x near access"),
    Term("apt", "settle", "disk", "any package", "way", "any package x way"),
    Term("apt", "settle", "disk", "packages", "near", "packages x near access"),
    Term("apt", "settle", "disk", "packages", "way", "packages x way"),
    Term("apt", "settle", "disk", "libraries", "access", "installed MiB, first libraries x access"),
    Term("apt", "settle", "disk", "kernel", "access", "kernel x access"),
    Term("sync", "sync", "disk", "one", "access", "once x access"),
    Term("sync", "sync", "disk", "one", "near", "once x near access"),
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
    """Fit one part for one way of overlapping."""
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

    coefficients: dict[str, Array] = field(default_factory=dict)  # Part to its coefficients, in the order of `TERMS`

    def predict(self, conditions: pd.DataFrame, copy_at_least: Array | float = 0.0) -> pd.DataFrame:
        """Seconds of each phase.

        Parameters
        ----------
        conditions : pandas.DataFrame, shape (n, any)
            Columns of `CONDITIONS` and `EXTRAS`, all known but for those that may be unsaid.
        copy_at_least : numpy.ndarray, shape (n,), or float
            Seconds that the copy takes at least, as from a slow stick [s].

        Returns
        -------
        pandas.DataFrame, shape (n, len(MEASURED_PHASES))
            [s], same index; 0 where the kind of installer has no such phase.
        """
        seconds = {phase: np.zeros(len(conditions)) for phase in MEASURED_PHASES}
        for name, part in PARTS.items():
            terms, rows = part_terms(name), of_kinds(conditions, part.kinds)
            for phase in part.phases:
                matrix = _matrix(terms, derive(conditions, phase))
                found = _forward(matrix, self.coefficients[name], _stages(terms), part.overlap)[0]
                seconds[phase] += np.where(rows, found, 0.0)
        seconds["copy"] = np.maximum(seconds["copy"], copy_at_least)
        return pd.DataFrame(seconds, index=conditions.index)

    def at_bound(self) -> list[str]:
        """Terms that stand at zero, where the fit was not let any further."""
        return [
            f"{part}, {term.need}: {term.name} at 0"
            for part in PARTS
            for term, value in zip(part_terms(part), self.coefficients[part], strict=True)
            if value == 0
        ]


def _matrix(terms: Sequence[Term], values: Values) -> Array:
    """The terms' values, a column a term."""
    return np.column_stack([term.values(values) for term in terms])


def part_terms(part: str) -> list[Term]:
    """The terms of one part, in order."""
    return [term for term in TERMS if term.part == part]


def weights_of(phases: pd.DataFrame, phase: str) -> Array:
    """Weights that make errors relative to the phase, with a floor so that a phase of no weight stays so."""
    total = phases.sum(axis=1).to_numpy(dtype=float)
    return np.asarray(1.0 / (phases[phase].to_numpy(dtype=float) + PHASE_FLOOR * total), dtype=float)


def fit_part(name: str, conditions: pd.DataFrame, phases: pd.DataFrame, needs: Mapping[str, pd.DataFrame]) -> Array:
    """Fit one part on its seconds and, below them, on needs that were counted by themselves; all 0 where none tells."""
    part, terms = PARTS[name], part_terms(name)
    own = np.flatnonzero(of_kinds(conditions, part.kinds))
    timed, needed = [], []
    for phase in part.phases:
        values, relative = derive(conditions, phase), weights_of(phases, phase)
        timed.append((_matrix(terms, values)[own], phases[phase].to_numpy(dtype=float)[own], relative[own]))
        for need, frame in needs.items():
            # On one core, work that many could share takes as long as any other.
            alone = _matrix(terms, {**values, "cpus": values["cpu"]}) * [term.counted == need for term in terms]
            seconds = frame[phase].to_numpy(dtype=float)
            known = own[np.isfinite(seconds[own])]
            if alone.any():
                weights = 1.0 / (seconds + COUNTED_FLOOR[need] / relative)
                needed.append((alone[known], seconds[known], weights[known]))
    matrix, seconds, weights = (np.concatenate(column) for column in zip(*timed, *needed, strict=True))
    return fit_phase(terms, matrix, seconds, weights, part.overlap) if len(seconds) else np.zeros(len(terms))


def fit_physics(conditions: pd.DataFrame, phases: pd.DataFrame, needs: Mapping[str, pd.DataFrame]) -> Physics:
    """Fit every part."""
    return Physics({name: fit_part(name, conditions, phases, needs) for name in PARTS})
