"""Models with a trap of their own: glued bodies, soldered or unusual disks, firmware that starts little."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from advisor.columns import distinct, numbers, runs, typed, words
from advisor.tables import compiled, dicts
from advisor.unit import worst_first

TRAP_COLUMNS: dict[str, str] = {
    "row": "int64", "code": "string", "severity": "string", "effect": "string", "title": "string", "reason": "string",
    "action": "string", "source": "string", "rules_out": "string", "disk_form": "string", "boot_mode": "string",
    "extra_min": "Float64",
}  # fmt: skip
"""Columns of the answer and their dtypes."""


@cache
def _traps() -> list[tuple[dict[str, str], dict[str, str]]]:
    """Rows of the table of models, each with the kind that it points to."""
    kinds = {row["code"]: row for row in dicts("identify/trap_kinds")}
    return [(row, kinds[row["code"]]) for row in dicts("identify/traps")]


class Texts(NamedTuple):
    """What units are called, each distinct text once."""

    codes: np.ndarray  # Position in `texts` of each unit's text, shape (n_units,)
    texts: list[str]

    @classmethod
    def of(cls, *columns: pd.Series[str], between: str = " ", lower: bool = True) -> Texts:
        """Join columns, unknown ones left out."""
        words = [column.to_numpy(dtype=object, na_value="") for column in columns]
        joined = np.array([between.join(map(str, row)) for row in zip(*words, strict=True)], dtype=object)
        codes, texts = pd.factorize(joined)
        return cls(np.asarray(codes), [" ".join(str(text).lower().split()) if lower else str(text) for text in texts])

    def having(self, *patterns: str) -> np.ndarray:
        """Units whose text holds all of these patterns."""
        hit = np.array([all(compiled(pattern).search(text) for pattern in patterns) for text in self.texts], dtype=bool)
        return hit[self.codes]


def machine_texts(units: pd.DataFrame) -> Texts:
    """Maker and model of every unit, as far as there are such columns, as one text in small letters."""
    return Texts.of(words(units, "maker"), words(units, "model"))


def processor_texts(processors: pd.DataFrame) -> Texts:
    """Name, core and generation of every processor that `identify.processors` found, as one text."""
    names = ("cpu_name", "cpu_microarch", "cpu_generation")
    return Texts.of(*(processors[name] for name in names), between=" | ", lower=False)


def meets(rule: dict[str, str], machines: Texts, cores: Texts, year: np.ndarray) -> np.ndarray:
    """Units that a row's processor, years and exceptions hold for; an unknown year is before none."""
    rows = np.ones(len(year), dtype=bool)
    if rule["processor"]:
        rows &= cores.having(rule["processor"])
    if rule["unless"]:
        rows &= ~machines.having(rule["unless"])
    if rule["year_from"]:
        rows &= year >= float(rule["year_from"])
    if rule["year_to"]:
        rows &= ~(year > float(rule["year_to"]))
    return rows


def traps(units: pd.DataFrame, processors: pd.DataFrame) -> pd.DataFrame:
    """Find the traps of every unit's model and processor.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, any)
        A Unit frame; maker and model are read.
    processors : pandas.DataFrame, shape (n_units, 14)
        From `identify.processors`, same order.

    Returns
    -------
    pandas.DataFrame
        A row a trap, each code once a unit, sorted by unit, worst first: row (position of the unit, from 0), code,
        severity (stop, act, note), effect (set aside, hold, none), title, reason, action, source, rules_out (kinds of
        part that cannot be fitted, ';' between: memory, ssd), disk_form (1.8-inch, pata, soldered, maker's own, flash
        module, or ''), boot_mode (what the firmware starts where the model leaves no doubt, or ''), extra_min
        (hands-on minutes that it adds, 0 for none [min]).

    Raises
    ------
    advisor.errors.TableError
        When a table of traps is damaged.
    """
    machines, cores = machine_texts(units), processor_texts(processors)
    year = numbers(processors["cpu_year"])
    # Units of one model with one processor have the same traps: each such pair is judged once.
    pairs, first = distinct((machines.codes, cores.codes), len(units))
    each = _of_pairs(Texts(machines.codes[first], machines.texts), Texts(cores.codes[first], cores.texts), year[first])
    counts = np.bincount(each["row"], minlength=len(first))
    rows, places = runs((np.cumsum(counts) - counts)[pairs], counts[pairs])
    return each.iloc[places].assign(row=rows).reset_index(drop=True)


def _of_pairs(machines: Texts, cores: Texts, year: np.ndarray) -> pd.DataFrame:
    """Traps of distinct pairs of model and processor, sorted, worst first."""
    found: list[tuple[object, ...]] = []
    for trap, kind in _traps():
        machine = [trap[name] for name in ("maker", "model") if trap[name]]
        hit = machines.having(*machine)
        if not hit.any():
            continue
        hit &= meets(trap, machines, cores, year)
        source = kind["source"] if kind["source"] == trap["source"] else f"{trap['source']}; kind: {kind['source']}"
        for row in np.flatnonzero(hit).tolist():
            named = "this model" if machine else cores.texts[cores.codes[row]].partition(" | ")[0][:60]
            found.append((
                row, kind["code"], kind["severity"], kind["effect"], kind["title"],
                f"{named or 'its processor'}: {kind['reason']}", kind["action"], source,
                kind["rules_out"], trap["disk_form"] or kind["disk_form"], kind["boot_mode"],
                float(trap["extra_min"] or kind["extra_min"] or 0),
            ))  # fmt: skip
    return worst_first(typed(found, TRAP_COLUMNS)).drop_duplicates(["row", "code"])
