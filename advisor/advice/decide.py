"""The decision: the best option of every unit, or the fact that must be known before there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.advice.facts import Facts
from advisor.advice.options import Options, survey
from advisor.advice.parts import Shelf
from advisor.advice.readings import BEST, TITLES, WORST, Reading, missing, moved, read, sides, sole


@dataclass(frozen=True)
class Decision:
    """What was decided for every unit, by itself and with the whole drawer to choose from."""

    reading: Reading  # Every missing fact at its worst
    options: Options  # Of that reading
    pick: np.ndarray  # Position of the option taken, -1 where none is usable, shape (n_units,)
    # Units that are held: the missing facts that would change the option taken, in the order of `TITLES`.
    open_facts: dict[int, tuple[str, ...]]
    lucky: dict[int, Lucky]  # For the same units, what would be done were every missing fact at its best


@dataclass(frozen=True)
class Lucky:
    """A held unit's option were the missing facts at their best; position -1 for none."""

    options: Options
    position: int


Mark = tuple[object, ...]
"""What an option asks of the technician; two options with the same mark are the same to do."""


def _marks(options: Options, pick: np.ndarray) -> list[Mark]:
    names = ("image", "edition", "module", "modules", "ssd", "adapter")
    taken = np.flatnonzero(pick >= 0)
    out: list[Mark] = [()] * len(pick)
    columns = [options.frame[name].to_numpy()[pick[taken]].tolist() for name in names]
    for at, mark in zip(taken.tolist(), zip(*columns, strict=True), strict=True):
        out[at] = mark
    return out


def decide(facts: Facts, shelf: Shelf) -> Decision:
    """Decide every unit."""
    n = len(facts)
    lacking = missing(facts)
    open_rows = np.flatnonzero(np.logical_or.reduce(list(lacking.values())))
    best, worst = sides(n, BEST), sides(n, WORST)
    # A survey costs much the same for one unit as for many: all readings that can be are surveyed together.
    reading, (options, at_best) = _survey(facts, shelf, [(worst, np.arange(n)), (best, open_rows)])
    pick, pick_best = options.best(), at_best.best()
    mark, mark_best = _marks(options, pick), _marks(at_best, pick_best)
    place = {int(row): at for at, row in enumerate(open_rows)}
    torn = np.array([row for row, at in place.items() if mark_best[at] != mark[row]], dtype=np.int64)
    # A fact that alone is missing is the one that tears.
    alone = sole(facts, lacking)
    turns: dict[int, list[str]] = {int(row): [str(alone[row])] if alone[row] else [] for row in torn}
    several = torn[alone[torn] == ""]
    asked = [(name, rows) for name in TITLES if len(rows := several[lacking[name][several]])]
    if asked:
        moves = [one for name, rows in asked
                 for one in ((moved(best, name, WORST), rows), (moved(worst, name, BEST), rows))]  # fmt: skip
        marks = [_marks(each, each.best()) for each in _survey(facts, shelf, moves)[1]]
        for (name, rows), down, up in zip(asked, marks[::2], marks[1::2], strict=True):
            for at, row in enumerate(map(int, rows)):
                if down[at] != mark_best[place[row]] or up[at] != mark[row]:
                    turns[row].append(name)
    open_facts: dict[int, tuple[str, ...]] = {}
    for row, names in turns.items():
        if "cpu" in names:
            # What the processor brings along is known with it.
            names = [name for name in names if name != "level"]
        # Where no single fact turns the decision, all of them together do.
        open_facts[row] = tuple(names or [name for name in TITLES if lacking[name][row]])
    lucky = {row: Lucky(at_best, int(pick_best[place[row]])) for row in turns}
    return Decision(reading.take(np.arange(n)), options, pick, open_facts, lucky)


def _survey(
    facts: Facts, shelf: Shelf, readings: list[tuple[dict[str, np.ndarray], np.ndarray]]
) -> tuple[Reading, list[Options]]:
    """Survey readings of some units in one: all of them as one Reading, and Options of each, `row` among its units."""
    some = {name: np.concatenate([side[name][rows] for side, rows in readings]) for name in TITLES}
    reading = read(facts, some, np.concatenate([rows for _, rows in readings]))
    frame = survey(facts, reading, shelf).frame
    at, first, out = frame["at"].to_numpy(dtype=int), 0, []
    for _, rows in readings:
        mine = frame[(at >= first) & (at < first + len(rows))]
        out.append(Options(mine.assign(row=mine["at"] - first).reset_index(drop=True), shelf, len(rows)))
        first += len(rows)
    return reading, out
