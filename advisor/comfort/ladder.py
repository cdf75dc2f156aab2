"""The ladder: how soon each edition's desktop and browser are usable on each unit, and what memory they leave.

`machines` reads the unit's speeds and memory, `editions.measured` the sessions' needs; `Stage.seconds` of `model` sets
one over the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import numbers
from advisor.comfort.machines import machines
from advisor.comfort.model import Array, Load, UnitSpeeds, model
from advisor.comfort.physics import physics
from advisor.editions.catalogue import SESSION_COLUMNS
from advisor.editions.measured import anchor_mib_s

_NEAR = 0.1
"""A unit counts as beyond what was measured when it lies further out than this share [1]."""

LONGEST_SAID_S = 600.0
"""Beyond this a stage is only said to take longer [s]: none was watched so long, seconds would be false precision."""


@dataclass(frozen=True)
class Ladder:
    """Comfort of every edition on every unit; NaN where a fact of the unit is missing."""

    editions: tuple[str, ...]  # Columns of the arrays, which have the shape (n_units, n_editions)
    # desktop_s, desktop_high_s: Login to usable desktop, typical and with the certainty asked for [s].
    desktop_s: Array
    desktop_high_s: Array
    # browser_s, browser_high_s: Click to usable browser [s].
    browser_s: Array
    browser_high_s: Array
    left_mib: Array  # Memory left with browser and document open, with the certainty asked for [MiB]
    killed: Array  # Probability that a program is killed for want of memory with both open [1]


def ladder(
    units: pd.DataFrame, processors: pd.DataFrame, rows: pd.DataFrame, certainty: float, drawn: NDArray[np.bool_]
) -> Ladder:
    """Work out the comfort of every edition on every unit.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
        A Unit frame and what `identify.processors` says of it.
    rows : pandas.DataFrame, shape (n_editions, ...)
        Rows of the catalogue, such as `editions.rows_of(image)`.
    certainty : float
        Such as 0.8.
    drawn : numpy.ndarray of bool, shape (n_units,)
        Where a graphics chip draws, which takes that work off the processor.
    """
    p, by = physics(), model()
    typical, cautious = machines(units, processors, certainty, p)
    figure = {name: numbers(rows[name]) for name in SESSION_COLUMNS}
    fuller = p.fuller(certainty)
    seconds: dict[str, Array] = {}
    for stage, need in (("desktop", "session_mib"), ("browser", "browser_mib")):
        fitted = by.stages[stage]
        drawing = np.where(drawn[:, None], np.nan_to_num(figure[f"{stage}_draw_s"]), 0.0)
        work = (figure[f"{stage}_cpu_s"] - drawing) * anchor_mib_s()
        read, reads = figure[f"{stage}_read_mib"], figure[f"{stage}_reads"]
        plain = fitted.seconds(typical, Load(work, read, reads, figure[need]))
        slower = fitted.seconds(cautious, Load(work, read, reads, figure[need] * fuller))
        # What is not known of the unit and what the model misses are independent; the sum of their squares keeps the
        # bound rising with both, so that it stays monotone.
        off = np.hypot(np.log(slower / plain), np.log(fitted.factor(certainty)))
        seconds[stage], seconds[f"{stage}_high"] = plain, plain * np.exp(off)
    working = figure["browser_mib"] * fuller
    return Ladder(
        editions=tuple(map(str, rows["edition"])),
        desktop_s=seconds["desktop"], desktop_high_s=seconds["desktop_high"],
        browser_s=seconds["browser"], browser_high_s=seconds["browser_high"],
        left_mib=np.maximum(typical.usable_mib - working, 0),
        killed=by.kill.probability(typical.usable_mib, working),
    )  # fmt: skip


def beyond(units: pd.DataFrame, processors: pd.DataFrame) -> np.ndarray:
    """Say in what each unit lies beyond the machines that sessions were measured on.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)

    Returns
    -------
    numpy.ndarray of object, shape (n_units,)
        Such as 'a faster processor, 4 cores'; '' for nothing.
    """
    machine: UnitSpeeds = machines(units, processors, 0.5, physics())[0]
    measured = model().measured
    ram = numbers(units["ram_gib"]) * 1024
    words = np.full(len(units), "", dtype=object)
    for name, values, low_word, high_word in (
        ("decompress_mib_s", machine.decompress_mib_s[:, 0], "a slower processor", "a faster processor"),
        ("read_mib_s", machine.read_mib_s[:, 0], "a slower disk", "a faster disk"),
        ("access_ms", machine.access_ms[:, 0], "", "a disk of slower access"),
        ("memory_mib", ram, "less memory", ""),
    ):
        low, high = measured[name]
        for word, hit in ((low_word, values < low * (1 - _NEAR)), (high_word, values > high * (1 + _NEAR))):
            if word:
                words[hit] += f"{word}, "
    cores = machine.cores[:, 0]
    many = cores > measured.get("cores", (1, 1))[1]
    words[many] += np.array([f"{count:.0f} cores, " for count in cores[many]], dtype=object)
    return np.array([word.removesuffix(", ") for word in words], dtype=object)
