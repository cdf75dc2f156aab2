"""Parts shared over a batch, exactly: units saved first, then desktops gained, then parts and minutes spared.

A unit is saved that leaves comfortable or slow, and would not without the part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.advice.options import KEY, SLOW, Options
from advisor.advice.parts import PART_COLUMNS
from advisor.columns import ByUnit
from advisor.errors import AdvisorError

_GAIN = {0: 40.0, 1: 20.0, 2: 0.0}
"""Worth of a level of comfort when parts are shared."""

PART_MIN = 10.0
"""Minutes that a part which stays in the drawer is worth, where two ways to share are alike else; from memory."""


@dataclass(frozen=True)
class Shares(ByUnit):
    """Which option each unit of a batch gets, and where its parts come from; all of shape (n_rows,)."""

    WHOLE = frozenset({"kept"})

    choice: np.ndarray  # Position of the option, -1 for none
    bought: dict[str, np.ndarray]  # For each of `PART_COLUMNS`, whether that part of the option must be bought
    kept: np.ndarray  # How many of the drawer's parts are kept for units, shape (n_parts,)
    # Units that would have a part of the drawer were it theirs alone: what they get hangs on the others.
    wishes: np.ndarray


def fitted_parts(options: Options, shares: Shares) -> list[tuple[int, int, int, bool]]:
    """Every part that a unit of the batch gets: the unit's row, the part's place on the shelf, how many, if bought."""
    return [
        (row, at, times, bool(shares.bought[name][row]))
        for row in range(len(shares.choice))
        for name, at, times in options.parts(shares.choice[row])
    ]


def share(
    options: Options, pick: np.ndarray, machine: np.ndarray, asks: np.ndarray,
    minutes: Callable[[np.ndarray], np.ndarray], buys: bool, apart: bool = False,
) -> Shares:  # fmt: skip
    """Share the drawer out over a batch; `apart` gives each unit what it wishes, as were it alone with the drawer.

    Parameters
    ----------
    options : Options
        Of the distinct machines.
    pick : numpy.ndarray of int, shape (n_machines,)
        Each machine's option were the drawer its own.
    machine : numpy.ndarray of int, shape (n_rows,)
        The machine of each unit.
    asks : numpy.ndarray of bool, shape (n_rows,)
        Units that are worked on now: neither held nor set aside.
    minutes : callable
        Elapsed minutes [min] of options, by position.
    buys : bool
        Whether the shop buys what the drawer lacks.
    """
    count = options.shelf.count
    choice = np.where(asks, pick[machine], -1)
    taken = np.flatnonzero(choice >= 0)
    used = np.zeros((len(machine), len(count)), dtype=int)
    used[taken] = options.uses[choice[taken]]
    drawer = count > 0
    wishes = np.asarray((used[:, drawer] > 0).any(axis=1))
    free = options.frame["buy"].to_numpy(dtype=int) == 0
    short = (used[taken][free[choice[taken]]].sum(axis=0) > count) & drawer
    if apart or not short.any():
        return _sources(options, choice, choice, count, wishes)
    wants = np.zeros(len(machine), dtype=bool)
    wants[taken] = (used[taken].sum(axis=1) > 0) & free[choice[taken]]
    rows = np.flatnonzero(wants)
    choice[rows] = _assign(options, machine[rows], minutes)
    given = choice.copy()
    uses = np.vstack([options.uses, np.zeros_like(count)])  # of no option, -1, none
    left = count - uses[given].sum(axis=0)
    for row in rows if buys else ():
        mine = left + uses[given[row]]
        choice[row] = _or_buy(options, machine[row], given[row], mine)
        left = mine - np.minimum(uses[choice[row]], mine)
    return _sources(options, choice, given, count, wishes)


def _assign(options: Options, machine: np.ndarray, minutes: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Give each unit one of its options that cost nothing, or none (-1), as the batch as a whole is best served."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_matrix, vstack

    frame, count = options.frame, options.shelf.count
    kinds, group = np.unique(machine, return_inverse=True)
    able = np.isin(frame["row"].to_numpy(), kinds) & frame["unusable"].eq(0).to_numpy() & frame["buy"].eq(0).to_numpy()
    at = np.flatnonzero(able)
    at = at[np.argsort(options.order[at], kind="stable")]
    uses = options.uses[at]
    # Of options that use the same parts only the unit's best can be taken.
    first = pd.DataFrame(uses).assign(row=frame["row"].to_numpy()[at]).drop_duplicates().index.to_numpy()
    at, uses = at[first], uses[first]
    of = np.searchsorted(kinds, frame["row"].to_numpy()[at])
    n, groups = len(at), len(kinds)
    level = frame["level"].to_numpy()[at]
    # Saved is what leaves comfortable or slow; who is very slow either way is not.
    saved = np.append((level <= SLOW).astype(float), np.zeros(groups))
    gain = (
        np.array([_GAIN[int(one)] for one in level]) - 100.0 * frame["dead"].to_numpy()[at]
        - frame["slow"].to_numpy()[at] - 2.0 * frame["roomy"].to_numpy()[at] - 3.0 * frame["unusual"].to_numpy()[at]
        - 0.1 * frame["rich"].to_numpy()[at]
    )  # fmt: skip
    lasts = minutes(at)
    lasts = np.nan_to_num(lasts, nan=0.0) + PART_MIN * frame["n_parts"].to_numpy()[at]
    each = coo_matrix((np.ones(n + groups), (np.append(of, np.arange(groups)), np.arange(n + groups))))
    size = np.bincount(group, minlength=groups).astype(float)
    parts = coo_matrix(np.vstack([uses, np.zeros((groups, len(count)))]).T)
    held = [LinearConstraint(each, size, size), LinearConstraint(parts, -np.inf, count.astype(float))]
    counts = np.zeros(n + groups)
    for goal in (saved, np.append(gain, np.zeros(groups)), np.append(-lasts, np.zeros(groups))):
        solved = milp(-goal, integrality=np.ones(n + groups), bounds=Bounds(0, np.inf), constraints=held)
        if solved.x is None:
            raise AdvisorError(f"The drawer could not be shared out: {solved.message}")
        counts = np.round(solved.x)
        best = float(goal @ counts)
        held.append(LinearConstraint(vstack([coo_matrix(goal)]), best - 1e-6 * max(1.0, abs(best)), np.inf))
    out = np.full(len(machine), -1)
    for number in range(groups):
        members = np.flatnonzero(group == number)
        weighed = [(int(at[one]), int(counts[one])) for one in np.flatnonzero(of == number) if counts[one]]
        weighed.sort(key=lambda one: options.order[one[0]])
        given = [position for position, times in weighed for _ in range(times)]
        out[members[: len(given)]] = given
    return out


def _or_buy(options: Options, machine: int, given: int, left: np.ndarray) -> int:
    """The better of the option that a unit was given and the best one for which is bought what the drawer, of which
    `left` is free for this unit, lacks.
    """
    columns = options.columns
    at = np.asarray(options.by_unit[machine])
    at = at[columns["unusable"][at] == 0]
    if not len(at):
        return given
    keys = [columns[name][at] for name in KEY]
    keys[KEY.index("buy")] = np.where(at == given, 0, (options.uses[at] > left).sum(axis=1))
    return int(at[np.lexsort(keys[::-1])[0]])


def _sources(
    options: Options, choice: np.ndarray, given: np.ndarray, count: np.ndarray, wishes: np.ndarray,
) -> Shares:  # fmt: skip
    """Take each chosen option's parts out of the drawer in the order of the batch, and buy what is gone; units that got
    what they were given come first, so that none of them loses a part to one that waits anyway.
    """
    left = count.tolist()
    bought = {name: np.zeros(len(choice), dtype=bool) for name in PART_COLUMNS}
    rows = np.flatnonzero(choice >= 0)
    rows = rows[options.columns["n_parts"][choice[rows]] > 0]
    waiting = []
    for row in rows[np.argsort(choice[rows] != given[rows], kind="stable")]:
        wanted = options.parts(choice[row])
        if all(left[which] >= number for _, which, number in wanted):
            for _, which, number in wanted:
                left[which] -= number
        else:
            waiting.append((row, wanted))
    for row, wanted in waiting:
        for name, which, number in wanted:
            if left[which] >= number:
                left[which] -= number
            else:
                bought[name][row] = True
    return Shares(choice, bought, count - left, wishes)
