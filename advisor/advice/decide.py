"""The decision: the best option of every unit, or the fact that must be known before there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.advice.facts import Facts
from advisor.advice.options import Options, survey
from advisor.advice.parts import Shelf
from advisor.advice.readings import BEST, TITLES, WORST, Reading, missing, moved, read, sides


@dataclass(frozen=True)
class Decision:
    """What was decided for every unit, by itself and with the whole drawer to choose from.

    Attributes
    ----------
    reading : Reading
        Every missing fact at its worst.
    options : Options
        Of that reading.
    pick : numpy.ndarray of int, shape (n_units,)
        Position of the option taken, -1 where none is usable.
    open_facts : dict of int to tuple of str
        Units that are held: the missing facts that would change the option taken, in the order of `TITLES`.
    lucky : dict of int to Lucky
        For the same units, what would be done were every missing fact at its best.
    """

    reading: Reading
    options: Options
    pick: np.ndarray
    open_facts: dict[int, tuple[str, ...]]
    lucky: dict[int, Lucky]


@dataclass(frozen=True)
class Lucky:
    """A held unit's option were the missing facts at their best; position -1 for none."""

    options: Options
    position: int


Mark = tuple[object, ...]
"""What an option asks of the technician; two options with the same mark are the same to do."""


def _marks(facts: Facts, options: Options, pick: np.ndarray) -> list[Mark]:
    frame = options.frame
    columns = [frame[name].to_numpy() for name in ("image", "edition", "module", "modules", "ssd", "adapter")]
    return [tuple(column[at] for column in columns) if at >= 0 else () for at in pick]


def decide(facts: Facts, shelf: Shelf) -> Decision:
    """Decide every unit.

    Parameters
    ----------
    facts : Facts
    shelf : Shelf

    Returns
    -------
    Decision
    """
    n = len(facts)
    reading = read(facts, sides(n, WORST))
    options = survey(facts, reading, shelf)
    pick = options.best()
    lacking = missing(facts)
    open_rows = np.flatnonzero(np.logical_or.reduce(list(lacking.values())))
    open_facts: dict[int, tuple[str, ...]] = {}
    lucky: dict[int, Lucky] = {}
    if len(open_rows):
        best, worst = sides(n, BEST), sides(n, WORST)
        at_best, marks_best, picks_best = _survey(facts, shelf, best, open_rows)
        marks_worst = dict(zip(range(n), _marks(facts, options, pick), strict=True))
        torn = np.array([row for row in map(int, open_rows) if marks_best[row] != marks_worst[row]], dtype=np.int64)
        found: dict[int, list[str]] = {int(row): [] for row in torn}
        for name in TITLES:
            rows = torn[lacking[name][torn]]
            if not len(rows):
                continue
            down = _survey(facts, shelf, moved(best, name, WORST), rows)[1]
            up = _survey(facts, shelf, moved(worst, name, BEST), rows)[1]
            for row in rows:
                if down[row] != marks_best[row] or up[row] != marks_worst[row]:
                    found[int(row)].append(name)
        for row, names in found.items():
            if "cpu" in names:
                # What the processor brings along is known with it.
                names = [name for name in names if name != "level"]
            # Where no single fact turns the decision, all of them together do.
            open_facts[row] = tuple(names or [name for name in TITLES if lacking[name][row]])
            lucky[row] = Lucky(at_best, picks_best[row])
    return Decision(reading, options, pick, open_facts, lucky)


def _survey(
    facts: Facts, shelf: Shelf, side: dict[str, np.ndarray], rows: np.ndarray
) -> tuple[Options, dict[int, Mark], dict[int, int]]:
    some = {name: values[rows] for name, values in side.items()}
    options = survey(facts, read(facts, some, rows), shelf)
    pick = options.best()[rows]
    marks = _marks(facts, options, pick)
    return (
        options,
        dict(zip(map(int, rows), marks, strict=True)),
        dict(zip(map(int, rows), map(int, pick), strict=True)),
    )
