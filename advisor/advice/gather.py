"""From understood units to the facts that the decision rests on."""

from __future__ import annotations

import numpy as np
import pandas as pd

from advisor import drivers, editions, identify
from advisor.advice.facts import CONDITION_COLUMNS, Facts, weigh
from advisor.editions.gates import ASSUMED_FROM
from advisor.intake.notes import conditions as conditions_of
from advisor.shop import Shop

if not hasattr(identify, "traps"):  # XXX until landed
    from advisor.advice import _shim

    identify.traps, identify.likely = _shim.traps, _shim.likely

PART_KINDS = ("memory", "ssd", "wireless")


def gather(units: pd.DataFrame, problems: pd.DataFrame, twice: np.ndarray, shop: Shop) -> Facts:
    """Ask every room below about the units.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
        A Unit frame.
    problems : pandas.DataFrame
        From intake: row (1-based), column, value, problem, accepted.
    twice : numpy.ndarray of bool, shape (n_units,)
    shop : Shop

    Returns
    -------
    Facts
    """
    units = units.reset_index(drop=True)
    processors = identify.processors(units).reset_index(drop=True)
    traps = identify.traps(units, processors)
    units, likely = _likely(units, processors, traps)
    verdicts = drivers.assess(units, shop.images)
    support, trouble = weigh(verdicts.kinds, len(units), shop)
    drawn = editions.drawing(units, processors)
    said = conditions_of(units)
    conditions = pd.concat(
        [one[list(CONDITION_COLUMNS)] for one in (said, _foreign(processors), traps)], ignore_index=True
    )
    conditions["effect"] = conditions["effect"].replace("none", "").fillna("")
    ruled_out = {kind: np.zeros(len(units), dtype=bool) for kind in PART_KINDS}
    extra = np.zeros(len(units))
    for found in (said, traps):
        for row, kinds in zip(found["row"], found["rules_out"], strict=True):
            for kind in str(kinds).split(";"):
                if kind.strip() in ruled_out:
                    ruled_out[kind.strip()][int(row)] = True
    np.maximum.at(extra, traps["row"].to_numpy(dtype=int), traps["extra_min"].to_numpy(dtype=float))
    return Facts(
        shop=shop, units=units, processors=processors, drawing=drawn["drawing"],
        assumed_drawing=drawn["drawing_from"].eq(ASSUMED_FROM).fillna(False).to_numpy(dtype=bool),
        problems=problems, devices=verdicts.devices, support=support, trouble=trouble, conditions=conditions,
        ruled_out=ruled_out, extra_min=extra, likely=likely, twice=twice,
    )  # fmt: skip


def _foreign(processors: pd.DataFrame) -> pd.DataFrame:
    """Processors of another architecture, which no image starts."""
    problem = processors["cpu_problem"].astype("string").fillna("")
    rows = np.flatnonzero(problem.str.contains("is not an x86 processor", regex=False).to_numpy(dtype=bool))
    return pd.DataFrame(
        {
            "row": rows, "code": "other-architecture", "severity": "stop", "effect": "set aside",
            "title": "Processor of another architecture", "reason": problem.iloc[rows].to_numpy(),
            "action": "None of the images starts on it; pass it to somebody who has one that does.",
            "source": "Debian Installation Guide, section 2.1.1 (table of architectures)",
        },
        columns=list(CONDITION_COLUMNS),
    )  # fmt: skip


def _likely(units: pd.DataFrame, processors: pd.DataFrame, traps: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fill in what size, year and model leave no doubt of, and say so."""
    found = identify.likely(units, processors)
    modes = traps[traps["boot_mode"].fillna("").ne("")]
    some = modes[units["boot_mode"].iloc[modes["row"].to_numpy(dtype=int)].isna().to_numpy()]
    more = pd.DataFrame(
        {"row": some["row"], "column": "boot_mode", "value": some["boot_mode"], "reason": some["reason"]}
    )
    found = pd.concat([found[["row", "column", "value", "reason"]], more], ignore_index=True)
    out = units.copy()
    for column, rows in found.groupby("column", sort=False):
        at = rows["row"].to_numpy(dtype=int)
        values = pd.Series(rows["value"].to_numpy(), index=at).astype(out[column].dtype)
        out.loc[at, column] = values
    return out, found
