"""Correcting one fact of a unit from what a person typed, by the same reading that an intake sheet gets."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd
from pydantic import ValidationError

from advisor.errors import AdvisorError
from advisor.unit import INTAKE_COLUMNS, UNIT_COLUMNS, Unit, choices, unit_of


def _named(start: str) -> tuple[str, ...]:
    """Fields of the Unit whose names begin so."""
    return tuple(name for name in UNIT_COLUMNS if name.startswith(start))


FOLLOWS: dict[str, tuple[str, ...]] = {
    "cpu": (*_named("cpu_"), "decompress_mib_s"),
    "storage_kind": ("storage_model", "storage_mode", "storage_health_pct", *_named("disk_")),
    "ram_gib": ("ram_modules",),
}
"""Facts that were read off the old part and say nothing of the one that is typed in its place."""

YES_NO = {"yes": True, "no": False}


@dataclass(frozen=True)
class Correction:
    """What came of one correction."""

    unit: Unit  # The unit afterwards; unchanged when there is a problem
    problem: str = ""  # What was not understood and what is accepted; '' when all is well
    also: tuple[str, ...] = ()  # Other fields that the same words filled, or that fell away with the old value


def correct(unit: Unit, field: str, typed: str) -> Correction:
    """Put a typed value in place of a fact.

    Parameters
    ----------
    field : str
        A field of the Unit.
    typed : str
        As a person writes it; blank means unknown.
    """
    allowed = choices(field)
    typed = typed.strip()
    if field == "storage_gib" and re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?", typed):
        # As it stands on the label: makers count in thousands.
        typed += " GB"
    if not typed or typed.casefold() == "unknown":
        found: dict[str, object] = {field: None}
    elif allowed:
        if typed not in allowed:
            return Correction(unit, f"{typed!r} is none of: {', '.join(allowed)}.")
        found = {field: YES_NO.get(typed, typed)}
    elif field in INTAKE_COLUMNS:
        read = _as_intake(field, typed, unit)
        if isinstance(read, str):
            return Correction(unit, read)
        # '240 ssd' names size and kind at once: what else the words say is taken where nothing is known yet, and where
        # what was known was the old part's ('2x4 GB' for 2 GiB: its modules).
        follows = FOLLOWS.get(field, ())
        found = {one: value for one, value in read.items() if one in (field, *follows) or getattr(unit, one) is None}
    else:
        found = {field: typed}
    before = unit.model_dump(mode="json")
    after = before | found
    changed = after[field] != before[field]
    fallen = [name for name in FOLLOWS.get(field, ()) if changed and before[name] is not None and name not in found]
    after |= dict.fromkeys(fallen, None)
    try:
        corrected = Unit.model_validate(after)
    except ValidationError as error:
        return Correction(unit, f"{typed!r} is not accepted: {error.errors()[0]['msg'].lower()}.")
    return Correction(corrected, "", tuple(name for name in [*found, *fallen] if name != field))


def _as_intake(field: str, typed: str, unit: Unit) -> dict[str, object] | str:
    """Read one cell as intake would: the facts it gives, or what is wrong with it."""
    from advisor import intake

    cells = {"asset_tag": "unit", "cpu": "", field: typed}
    if field == "storage_gib" and unit.storage_kind:
        cells["storage_kind"] = str(unit.storage_kind)  # read together: a size alone says nothing of the kind of disk
    try:
        understood = intake.understand(pd.DataFrame({name: [value] for name, value in cells.items()}))
    except AdvisorError as error:
        return str(error)
    facts = unit_of(understood.units, 0).model_dump(mode="json")
    if facts[field] is None:
        problems = understood.problems[understood.problems["column"].eq(field)]
        if len(problems):
            first = problems.iloc[0]
            return f"{first['problem']}; accepted: {first['accepted']}."
        return f"{typed!r} was not understood."
    return {
        name: value
        for name, value in facts.items()
        if value is not None and (name != "asset_tag" or field == "asset_tag")
    }
