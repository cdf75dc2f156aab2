"""What a missing fact likely is, where size, year and model leave no doubt: 250 GB in a PC of 2008 means spinning."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

from advisor.columns import numbers, texts
from advisor.identify.traps import machine_texts, meets, processor_texts, traps
from advisor.tables import dicts

LIKELY_FIELDS = ("storage_kind", "ram_type", "ram_max_gib", "form_factor", "boot_mode")
"""Fields for which a likely value may be known."""

_GB_IN_GIB = 1e9 / 2**30
_NEAR, _EXACT = 0.02, 0.004
"""How far a disk's size may be from a label's, and how near it must be to be one as it stands, as a share; from memory:
disks hold up to a hundredth more than their label, and 119.2, which systems show of 128 GB, is not 120."""


@cache
def _rules() -> list[tuple[dict[str, str], tuple[float, ...]]]:
    """Rows of the table, each with its sizes [GB]."""
    rows = dicts("identify/likely")
    return [(row, tuple(float(size) for size in row["sizes_gb"].split(";") if size)) for row in rows]


def likely(units: pd.DataFrame, processors: pd.DataFrame, found: pd.DataFrame | None = None) -> pd.DataFrame:
    """Give likely values for facts that are missing.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, any)
        A Unit frame.
    processors : pandas.DataFrame, shape (n_units, 14)
        From `identify.processors`, same order.
    found : pandas.DataFrame, optional
        Their `traps`, where those are known already.

    Returns
    -------
    pandas.DataFrame, shape (n_units, 2 * len(LIKELY_FIELDS))
        Index as in `units`. For each field of `LIKELY_FIELDS` its likely value, NA where the unit states it or where
        there is doubt, and beside it, as '<field>_why', the reason with its source.

    Raises
    ------
    advisor.errors.TableError
        When a table is damaged.
    """
    n_units = len(units)
    values = {field: np.full(n_units, None, dtype=object) for field in LIKELY_FIELDS}
    why = {field: np.full(n_units, None, dtype=object) for field in LIKELY_FIELDS}
    open_ = {field: pd.isna(texts(units[field].astype("string"))) for field in LIKELY_FIELDS}

    def fill(field: str, rows: np.ndarray, value: object, reason: object) -> None:
        rows = rows & open_[field] & pd.isna(values[field])
        values[field][rows] = value[rows] if isinstance(value, np.ndarray) else value
        why[field][rows] = reason[rows] if isinstance(reason, np.ndarray) else reason

    found = traps(units, processors) if found is None else found
    for code, value, reason in _boot_modes(found):
        rows = np.zeros(n_units, dtype=bool)
        rows[found.loc[found["code"].eq(code), "row"].to_numpy()] = True
        fill("boot_mode", rows, value, reason)
    machines, cores = machine_texts(units), processor_texts(processors)
    year, size = numbers(processors["cpu_year"]), _labels(numbers(units["storage_gib"]) / _GB_IN_GIB)
    for rule, sizes in _rules():
        rows = open_[rule["field"]].copy()
        if rule["model"]:
            rows &= machines.having(rule["model"])
        if rows.any():
            rows &= meets(rule, machines, cores, year)
            if rule["year_to"]:
                rows &= np.isfinite(year)
            if sizes:
                rows &= np.any([np.abs(size - one) <= _NEAR * one for one in sizes], axis=0)
            fill(rule["field"], rows, rule["value"], f"{rule['reason']} ({rule['source']})")
    soldered = np.zeros(n_units, dtype=bool)
    soldered[found.loc[found["rules_out"].str.contains("memory"), "row"].to_numpy()] = True
    usual, because = _usual_memory(texts(processors["cpu_microarch"]))
    fill("ram_type", ~soldered & ~pd.isna(usual), usual, because)
    made = {}
    for field in LIKELY_FIELDS:
        made[field] = pd.array(values[field], dtype="string")
        made[f"{field}_why"] = pd.array(why[field], dtype="string")
    return pd.DataFrame(made, index=units.index)


def _usual_memory(cores: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The type of memory that most units with each core take, and the reason; None where no row tells."""
    kinds = {row["microarch"]: row for row in dicts("advice/memory_types")}
    usual = np.array([kinds[one]["type"] if one in kinds else None for one in cores], dtype=object)
    because = np.array(
        [f"most units with {one} take it ({kinds[one]['source']})" if one in kinds else None for one in cores],
        dtype=object,
    )  # fmt: skip
    return usual, because


def _labels(size: np.ndarray) -> np.ndarray:
    """Sizes as on labels [GB]: what a system shows, counting in GiB and writing GB, is brought to GB first."""
    known = np.array(sorted({one for _, sizes in _rules() for one in sizes}))
    exact = np.any(np.abs(size[:, None] - known) <= _EXACT * known, axis=1)
    return np.where(exact, size, size / _GB_IN_GIB)


def _boot_modes(found: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Codes of the traps that settle what the firmware starts, with the mode and the reason."""
    rows = zip(*(found[name] for name in ("code", "boot_mode", "reason", "source")), strict=True)
    firsts: dict[str, tuple[str, str, str]] = {}
    for code, mode, reason, source in rows:
        if mode:
            firsts.setdefault(code, (code, mode, f"{reason.partition(': ')[2]} ({source})"))
    return list(firsts.values())
