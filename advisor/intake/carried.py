"""Columns that a sheet brings along, kept beside those that scoring adds, under names that no other column has."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence

import pandas as pd

OWN = "own_"
"""Put before the name of a sheet's own column where scoring adds one of that name."""


def free(name: str, taken: Collection[str]) -> str:
    """A name that is not taken yet: with a number behind where it is."""
    numbered = (f"{name} ({number})" for number in itertools.count(2))
    return name if name not in taken else next(one for one in numbered if one not in taken)


def carried(raw: pd.DataFrame, added: Sequence[str]) -> pd.DataFrame:
    """Give the sheet's columns names that can stand beside those added.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_rows, any)
    added : sequence of str
        Names of the columns that scoring adds.

    Returns
    -------
    pandas.DataFrame, shape (n_rows, any)
        The same cells, with a default index. A column named as an added one has 'own_' before its name, and a number
        behind where that is taken. Only when the sheet has every added column is it the outcome of an earlier
        scoring, and those columns are left out, as they are made anew.
    """
    names = [str(name) for name in raw.columns]
    made_anew = set(added) if set(added) <= set(names) else set()
    stay = [place for place, name in enumerate(names) if name not in made_anew]
    taken = {*added, *(names[place] for place in stay)}
    out = raw.iloc[:, stay].reset_index(drop=True)
    final: list[object] = []
    used: set[str] = set()
    for place in stay:
        name, header = names[place], raw.columns[place]
        if name in added or name in used:
            header = free(f"{OWN}{name}" if name in added else name, taken | used)
        used.add(str(header))
        final.append(header)
    out.columns = pd.Index(final)
    return out
