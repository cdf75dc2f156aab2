"""From understood units to the facts that the decision rests on."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from advisor import drivers, editions, identify
from advisor.advice.facts import CONDITION_COLUMNS, Facts, weigh
from advisor.columns import among, texts
from advisor.editions.drawing import FROM_YEAR
from advisor.identify.likely import likely
from advisor.identify.traps import traps
from advisor.intake.notes import conditions as conditions_of
from advisor.shop import PartKind, Shop
from advisor.timing import operations
from advisor.unit import Advice, Severity, StorageKind

DISK_GOES_OUT = ("disk-failing", "disk-password")
"""Conditions under which a disk counts as worn out; common practice, no source."""

DISK_CARDS = ("msata", "m.2")
"""Forms of a SATA disk that sits in a slot of its own and leaves no room for a 2.5-inch one."""

_REPLACED_FIRMWARE = re.compile(
    r"\b(?:uefi|full|other|new|own|custom|free)\b[\w ]{0,20}\b(?:firmware|rom|bios)\b[\w ]{0,20}"
    r"\b(?:written|flashed|installed|fitted|in place)\b"
    r"|\b(?:firmware|rom|bios)\b[\w ]{0,20}\b(?:was|is|already|been)\b[\w ]{0,10}\b(?:replaced|flashed|written)\b",
    re.IGNORECASE,
)

TAKEN_AS_LIKELY = ("storage_kind", "form_factor", "boot_mode")
"""Missing facts that a likely value stands for; likely types and limits of memory are only ever looked for."""


def gather(units: pd.DataFrame, problems: pd.DataFrame, twice: np.ndarray, shop: Shop) -> Facts:
    """Ask every room below about the units of a Unit frame; `problems` are intake's, `twice` marks equal tags."""
    units = units.reset_index(drop=True)
    processors = identify.processors(units).reset_index(drop=True)
    found = traps(units, processors)
    trapped = _still_trapped(found, units)
    # What a sheet calls the memory, and how much the firmware says it takes, are told apart from what the board takes.
    unsaid = pd.array([pd.NA] * len(units), dtype="string")
    probable = likely(units.assign(ram_type=unsaid, ram_max_gib=unsaid), processors, found)
    units, taken = _taken(units, probable)
    verdicts = drivers.assess(units, shop.images)
    support, trouble = weigh(verdicts.kinds, len(units), shop)
    drawn = editions.drawing(units, processors)
    said = conditions_of(units)
    stated = [one[list(CONDITION_COLUMNS)] for one in (said, _foreign(processors), trapped) if len(one)]
    conditions = pd.concat(stated, ignore_index=True) if stated else said.copy()
    # The processor's own name says it with a source; a cell that says the same adds nothing.
    conditions = conditions.drop_duplicates(["row", "code"], keep="last", ignore_index=True)
    conditions["effect"] = conditions["effect"].replace("none", "").fillna("")
    ruled_out: dict[str, np.ndarray] = {kind: np.zeros(len(units), dtype=bool) for kind in PartKind}
    extra = np.zeros(len(units))
    for each in (said, trapped):
        for row, kinds in zip(each["row"], each["rules_out"], strict=True):
            for kind in str(kinds).split(";"):
                if kind.strip() in ruled_out:
                    ruled_out[kind.strip()][int(row)] = True
    np.maximum.at(extra, trapped["row"].to_numpy(dtype=int), trapped["extra_min"].to_numpy(dtype=float))
    goes_out = conditions["row"][conditions["code"].isin(DISK_GOES_OUT)].to_numpy(dtype=int)
    units.loc[np.unique(goes_out), "storage_health_pct"] = 0.0
    return Facts(
        shop=shop, units=units, processors=processors, drawing=drawn["drawing"],
        assumed_drawing=drawn["drawing_from"].eq(FROM_YEAR).fillna(False).to_numpy(dtype=bool),
        problems=problems, devices=verdicts, support=support, trouble=trouble, conditions=conditions,
        ruled_out=ruled_out, extra_min=extra, box=_box(units, trapped), likely=taken, twice=twice,
        disk_card=_disk_card(units, trapped), likely_memory=texts(probable["ram_type"]),
        likely_most=pd.to_numeric(probable["ram_max_gib"]).to_numpy(dtype=float, na_value=np.nan),
    )  # fmt: skip


def _box(units: pd.DataFrame, trapped: pd.DataFrame) -> np.ndarray:
    """How each unit is opened: by the trap of its model that takes longest, else by its kind of box."""
    out = np.array(units["form_factor"].astype("string").fillna(""), dtype=object)
    told = trapped[trapped["code"].isin(operations.boxes())]
    took = operations.opening_min(told["code"].to_numpy(dtype=object))[:, 0] if len(told) else np.empty(0)
    rows, codes = told["row"].tolist(), told["code"].tolist()
    for at in np.argsort(took, kind="stable").tolist():
        out[rows[at]] = codes[at]
    return out


def _disk_card(units: pd.DataFrame, trapped: pd.DataFrame) -> np.ndarray:
    """Form of the card that is each unit's SATA disk, by its model; '' for none, or where a spinning disk has room."""
    out = np.full(len(units), "", dtype=object)
    cards = trapped[trapped["disk_form"].isin(DISK_CARDS)]
    out[cards["row"].to_numpy(dtype=int)] = cards["disk_form"].to_numpy(dtype=object)
    out[among(texts(units["storage_kind"]), (StorageKind.HDD, StorageKind.HYBRID))] = ""
    return out


def _still_trapped(trapped: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Leave out the firmware of a ChromeOS device where the notes say that another was written."""
    freed = units["notes"].str.contains(_REPLACED_FIRMWARE).fillna(False).to_numpy(dtype=bool)
    return trapped[~(trapped["code"].eq("write-protect").to_numpy() & freed[trapped["row"].to_numpy(dtype=int)])]


def _foreign(processors: pd.DataFrame) -> pd.DataFrame:
    """Processors of another architecture, which no image starts."""
    problem = processors["cpu_problem"]
    rows = np.flatnonzero(["is not an x86 processor" in (said or "") for said in texts(problem)])
    return pd.DataFrame(
        {
            "row": rows, "code": "other-architecture", "severity": str(Severity.STOP), "effect": str(Advice.SET_ASIDE),
            "title": "Processor of another architecture", "reason": problem.iloc[rows].to_numpy(),
            "action": "None of the images starts on it; pass it to somebody who has one that does.",
            "source": "Debian Installation Guide, section 2.1.1 (table of architectures)",
        },
        columns=list(CONDITION_COLUMNS),
    )  # fmt: skip


def _taken(units: pd.DataFrame, found: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fill in what size, year and model leave no doubt of, as `likely` found it, and say so."""
    out, told = units.copy(), []
    for column in TAKEN_AS_LIKELY:
        rows = np.flatnonzero(found[column].notna().to_numpy())
        if len(rows):
            values = found[column].iloc[rows].to_numpy(dtype=object)
            out.loc[rows, column] = values
            reasons = zip(rows.tolist(), values, found[f"{column}_why"].iloc[rows], strict=True)
            told += [(row, f"{column.replace('_', ' ')} taken as {value}: {why}") for row, value, why in reasons]
    return out, pd.DataFrame(told, columns=["row", "reason"]).astype({"row": "int64"})
