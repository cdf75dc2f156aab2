"""The decision: the best option of every unit, or the fact that must be known before there is one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.advice.facts import Facts
from advisor.advice.options import ASKS, Options, survey
from advisor.advice.parts import Shelf
from advisor.advice.readings import BEST, TITLES, WORST, Reading, missing, read, sides, sole


@dataclass(frozen=True)
class Decision:
    """What was decided for every unit, by itself and with the whole drawer to choose from."""

    reading: Reading  # Every missing fact at its worst
    options: Options  # Of that reading
    pick: np.ndarray  # Position of the option taken, -1 where none is usable, shape (n_units,)
    # Units that are held: the missing facts that would change the option taken, in the order of `TITLES`.
    open_facts: dict[int, tuple[str, ...]]
    # Were every missing fact at its best: the options of the units that lack one, and that taken by each unit or -1.
    lucky: Options
    lucky_pick: np.ndarray


Mark = tuple[object, ...]
"""What an option asks of the technician; two options with the same mark are the same to do."""


def _marks(options: Options, pick: np.ndarray) -> list[Mark]:
    asked = options.frame[["image", *ASKS]].reindex(pick).to_numpy(dtype=object)
    return [tuple(one) if at >= 0 else () for at, one in zip(pick.tolist(), asked, strict=True)]


def decide(facts: Facts, shelf: Shelf) -> Decision:
    """Decide every unit."""
    n = len(facts)
    lacking = missing(facts)
    open_rows = np.flatnonzero(np.logical_or.reduce(list(lacking.values())))
    best, worst = sides(n, BEST), sides(n, WORST)
    # A survey costs much the same for one unit as for many: all readings that can be are surveyed together.
    reading, (options, at_best) = _survey(facts, shelf, [(worst, np.arange(n)), (best, open_rows)])
    pick, pick_best = options.best(), np.full(n, -1)
    pick_best[open_rows] = at_best.best()
    mark, mark_best = _marks(options, pick), _marks(at_best, pick_best)
    torn = np.array([row for row in open_rows.tolist() if mark_best[row] != mark[row]], dtype=np.int64)
    # A fact that alone is missing is the one that tears.
    alone = sole(facts, lacking)
    turns: dict[int, list[str]] = {int(row): [str(alone[row])] if alone[row] else [] for row in torn}
    several = torn[alone[torn] == ""]
    asked = [(name, rows) for name in TITLES if len(rows := several[lacking[name][several]])]
    if asked:
        moves = [one for name, rows in asked
                 for one in ((best | {name: worst[name]}, rows), (worst | {name: best[name]}, rows))]  # fmt: skip
        marks = [_marks(each, each.best()) for each in _survey(facts, shelf, moves)[1]]
        for (name, rows), down, up in zip(asked, marks[::2], marks[1::2], strict=True):
            for at, row in enumerate(map(int, rows)):
                if down[at] != mark_best[row] or up[at] != mark[row]:
                    turns[row].append(name)
    open_facts: dict[int, tuple[str, ...]] = {}
    for row, names in turns.items():
        if "cpu" in names:
            # What the processor brings along is known with it.
            names = [name for name in names if name != "level"]
        # Where no single fact turns the decision, all of them together do.
        open_facts[row] = tuple(names or [name for name in TITLES if lacking[name][row]])
    return Decision(reading.take(np.arange(n)), options, pick, open_facts, at_best, pick_best)


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
