"""The comfort model as it serves: physics fitted on measured sessions, and its intervals.

A model file is plain JSON and holds numbers only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from advisor.files import datasets
from advisor.timing.kept import Factor, Log, OrInfinite, Overlap, Share, Size, Whole, damaged, read_kept

Array = NDArray[np.float64]

FORMAT = 5
"""Layout of a model file; any other is refused. 4 had a share of the reads wait for a random access each."""
REMAKE = "python -m advisor.comfort.fit"
STAGES = ("desktop", "browser")
MEASURED = ("decompress_mib_s", "read_mib_s", "access_ms", "memory_mib")
"""Figures whose least and most measured a file states."""
COEFFICIENTS = ("wait_s", "work", "transfer", "near_ms", "refault", "start", "overlap")


@dataclass(frozen=True)
class UnitSpeeds:
    """What of a unit decides how fast a session starts; a column vector each."""

    usable_mib: Array  # Memory for processes and their page cache [MiB], shape (n_units, 1)
    decompress_mib_s: Array  # Decompression of one core, as `capture --speed` measures it [MiB/s], shape (n_units, 1)
    cores: Array  # shape (n_units, 1)
    read_mib_s: Array  # Sequential read of the disk [MiB/s], shape (n_units, 1)
    access_ms: Array  # Random read of the disk [ms], shape (n_units, 1)


@dataclass(frozen=True)
class Load:
    """What a start asks for; a row vector each, or columns as the machines' for pairs."""

    work_mib: Array  # Processor work, in MiB of decompression [MiB]
    read_mib: Array  # Cold reads [MiB]
    reads: Array  # Requests that they come in
    need_mib: Array  # Memory in use when done [MiB]


@dataclass(frozen=True)
class Stage:
    """Seconds of one stage."""

    wait_s: Size  # What no machine shortens [s]
    work: Size  # Times the processor work of an unhindered session
    transfer: Size  # Times the bytes of its cold reads
    near_ms: Size  # What a read waits for at most, as it lies near the one before; where access is quick, for that [ms]
    refault: Size  # Times that each MiB of want is read again
    start: Size  # Memory, over the session's own, below which there is want [1]
    # How far processor and disk work at the same time: 1 for one after the other; the more, the nearer the time is to
    # the longer of the two.
    overlap: Overlap = 1.0
    # Share of the moments with work at which at least 2, 3, 4 threads could run [1]: what more cores are worth.
    ready: tuple[Share, ...] = ()
    # Held-out logarithms of actual over predicted, rising; infinite at the end for what is not known to end.
    residuals: Sequence[Annotated[Log, OrInfinite]] = ()
    weights: Sequence[Share] = ()  # Share of the sessions that each stands for, adding up to 1; empty for all alike

    def spread(self, cores: Array) -> Array:
        """Share of the time on one core that the work takes on more.

        Parameters
        ----------
        cores : numpy.ndarray

        Returns
        -------
        numpy.ndarray
            Falls with the cores; where k threads could run, k cores take a k-th of the time.
        """
        out = np.ones_like(cores, dtype=float)
        for least, share in enumerate(self.ready, start=2):
            out -= np.where(cores >= least, share * (1 / (least - 1) - 1 / least), 0.0)
        return out

    def seconds(self, machine: UnitSpeeds, load: Load) -> Array:
        """Seconds a start takes: falls, or stays, with more memory, a faster processor, more cores, a faster disk.

        Returns
        -------
        numpy.ndarray, shape (n_units, n_editions)
            [s]
        """
        # The quicker of a random access and a near one, nearly: it rises with either.
        wait_ms = self.near_ms * machine.access_ms / np.maximum(self.near_ms + machine.access_ms, 1e-12)
        disk = self.transfer * load.read_mib / machine.read_mib_s + load.reads * wait_ms / 1000
        want = np.maximum(self.start * load.need_mib - machine.usable_mib, 0)
        # Pages are thrown out and read again in proportion to how little of what is in use has room.
        again = self.refault * want * load.need_mib / machine.usable_mib / np.maximum(load.read_mib, 1)
        work = self.work * load.work_mib * self.spread(machine.cores) / machine.decompress_mib_s
        # A norm of the two: at least the longer one, at most their sum, and it falls with either.
        most = np.maximum(np.maximum(work, disk), 1e-9)
        both = most * (1 + (np.minimum(work, disk) / most) ** self.overlap) ** (1 / self.overlap)
        return np.asarray(self.wait_s + both + again * disk)

    def factor(self, certainty: float) -> float:
        """What the seconds are times to hold with a certainty, by the held-out sessions (split conformal).

        Parameters
        ----------
        certainty : float
            Such as 0.8.

        Returns
        -------
        float
            At least 1; infinite when there are too few sessions to say.
        """
        n = len(self.residuals)
        if not n:
            return math.inf
        weights = self.weights if len(self.weights) else np.full(n, 1 / n)
        at = int(np.searchsorted(np.cumsum(weights), certainty * (n + 1) / n - 1e-9))
        return math.inf if at >= n else max(1.0, float(np.exp(self.residuals[at])))


@dataclass(frozen=True)
class Kill:
    """Probability that a process is killed for want of memory."""

    middle: Factor  # Memory over what the session takes at which it is even [1]
    slope: Size  # Of the logistic curve over the logarithm of that ratio; not negative

    def probability(self, usable_mib: Array, need_mib: Array) -> Array:
        """Probability, falling with memory.

        Parameters
        ----------
        usable_mib : numpy.ndarray, shape (n_units, 1)
            [MiB]
        need_mib : numpy.ndarray, shape (n_editions,)
            Memory of the session with browser and document [MiB].

        Returns
        -------
        numpy.ndarray, shape (n_units, n_editions)
        """
        over = np.log(usable_mib / need_mib) - math.log(self.middle)
        return np.asarray(1 / (1 + np.exp(np.clip(self.slope * over, -50, 50))))


@dataclass(frozen=True)
class Model:
    """The whole model.

    Attributes
    ----------
    stages : dict of str to Stage
        'desktop' and 'browser'.
    measured : dict of str to tuple of float
        Least and most of each feature that was measured: decompress_mib_s, read_mib_s, access_ms, memory_mib.
    about : dict
        Rows, releases, date, held-out figures.
    """

    stages: dict[str, Annotated[Stage, Whole]]
    kill: Kill
    measured: dict[str, tuple[Size, Size]]
    about: dict[str, Any]


def read_model(path: Path) -> Model:
    """Read a model file."""
    found = read_kept(path, Model, FORMAT, REMAKE)
    try:
        for key in STAGES:
            _check(found.stages[key])
        if absent := set(MEASURED) - set(found.measured):
            raise ValueError(f"it does not say what was measured of {', '.join(sorted(absent))}")
        if any(low > high for low, high in found.measured.values()):
            raise ValueError("the least that was measured is above the most")
        if not all(isinstance(one, str) for one in found.about["words"]):
            raise ValueError("its words are no sentences")
    except (ValueError, KeyError, TypeError) as error:
        raise damaged(path, error, REMAKE) from error
    return found


def _check(stage: Stage) -> None:
    """Refuse (ValueError) a stage whose figures do not go together."""
    if list(stage.ready) != sorted(stage.ready, reverse=True):
        raise ValueError("the shares of moments with work for more threads do not fall")
    if len(stage.weights) and (len(stage.weights) != len(stage.residuals) or abs(sum(stage.weights) - 1) > 1e-3):
        raise ValueError("the weights of the residuals do not add up to 1")
    # An infinity at the end is one that is not known to end.
    if list(stage.residuals) != sorted(stage.residuals):
        raise ValueError("the residuals do not rise")


@cache
def model() -> Model:
    """The model that ships with the package."""
    return read_model(datasets() / "comfort" / "model.json")
