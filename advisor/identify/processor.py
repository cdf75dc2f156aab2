"""Processors of a Unit frame: names, signatures and flags brought together."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache

import pandas as pd

from advisor.columns import distinct, texts
from advisor.identify.agree import Answer, of_rows
from advisor.identify.catalogue import catalogue
from advisor.identify.level import level_of_flags
from advisor.identify.resolve import from_text

_DTYPES = {"str | None": "string", "int | None": "Int64", "float | None": "Float64"}

COLUMNS: dict[str, str] = {f"cpu_{one.name}": _DTYPES[str(one.type)] for one in fields(Answer) if one.name != "exact"}
"""Columns of the answer and their dtypes."""

_FACTS = ("cpu", "cpu_vendor", "cpu_family", "cpu_model", "cpu_stepping", "cpu_flags", "cpu_cores", "cpu_threads")
_VENDORS = {
    "genuineintel": "Intel", "intel": "Intel", "authenticamd": "AMD", "amd": "AMD", "centaurhauls": "VIA", "via": "VIA",
}  # fmt: skip


def processors(units: pd.DataFrame) -> pd.DataFrame:
    """Identify the processor of every unit.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, any)
        A Unit frame; any of the columns cpu, cpu_vendor, cpu_family, cpu_model, cpu_stepping, cpu_flags, cpu_cores
        and cpu_threads is used when present.

    Returns
    -------
    pandas.DataFrame, shape (n_units, 19)
        Index as in `units`; see `COLUMNS`. cpu_speed is single-thread speed relative to an Intel Core i5-6300U (1.0),
        cpu_speed_low and cpu_speed_high its 80 % spread. cpu_graphics is 'none' where the processor has none. What is
        ambiguous is NA and named in cpu_problem; between which ends it lies stand in the columns ending in least and
        most, where the name leaves several processors open. Captured flags decide the level, captured cores and
        threads win.

    Raises
    ------
    advisor.errors.TableError
        When a table of processors is damaged.
    """
    facts = units.reindex(columns=list(_FACTS))
    combined, first = distinct((facts[name] for name in _FACTS), len(units))
    some = facts.iloc[first]
    answers = [_one(*values) for values in zip(*(texts(some[name]) for name in _FACTS), strict=True)]
    made = {}
    for column, dtype in COLUMNS.items():
        answered = [getattr(answer, column.removeprefix("cpu_")) for answer in answers]
        values = pd.array(answered, dtype=dtype)  # type: ignore[call-overload]
        made[column] = values.take(combined)
    return pd.DataFrame(made, index=units.index)


def _one(
    text: object, vendor: object, family: object, model: object, stepping: object, flags: object, cores: object,
    threads: object,
) -> Answer:  # fmt: skip
    named = from_text(str(text)) if text else Answer(problem="no processor given")
    answer = named
    maker = _VENDORS.get(str(vendor).strip().lower(), "") if vendor else (named.vendor or "")
    if family is not None and model is not None:
        answer = _with_signature(
            named, maker, int(str(family)), int(str(model)), None if stepping is None else int(str(stepping))
        )
    if flags:
        level = level_of_flags(str(flags))
        if level:
            answer = replace(answer, level=level, source=_join(answer.source, "level from the feature flags"))
    if cores is not None:
        answer = replace(answer, cores=int(str(cores)))
    if threads is not None:
        answer = replace(answer, threads=int(str(threads)))
    return answer


def _join(first: str | None, second: str) -> str:
    return f"{first}; {second}" if first else second


def _with_signature(named: Answer, maker: str, family: int, model: int, stepping: int | None) -> Answer:
    found = signature(maker, family, model, stepping)
    if found is None:
        note = f"family {family}, model {model} of {maker or 'an unknown maker'} is in no table"
        return replace(named, problem=_join(named.problem, note))
    microarch, also, source = found
    if named.exact and named.microarch in (microarch, *also):
        return replace(named, source=_join(named.source, "agrees with family, model and stepping"))
    kin = _kin(microarch)
    if named.exact:
        note = (
            f"the name says {named.name} ({named.microarch}), but family {family}, model {model} is {microarch};"
            " the numbers were believed"
        )
        return replace(kin, vendor=maker, problem=note, source=f"family, model and stepping; {source}")
    if named.microarch in (microarch, *also):
        return replace(named, source=_join(named.source, f"family, model and stepping; {source}"))
    narrow = replace(kin, vendor=maker or kin.vendor, source=f"family, model and stepping; {source}")
    if named.name:
        narrow = replace(narrow, name=named.name)
    return replace(narrow, problem=named.problem)


def signature(
    vendor: str, family: int, model: int, stepping: int | None = None
) -> tuple[str, tuple[str, ...], str] | None:
    """Find the microarchitecture of a family, model and stepping.

    Parameters
    ----------
    vendor : str
        'Intel', 'AMD' or 'VIA'.
    family, model : int
        Display family and model, as /proc/cpuinfo shows them.

    Returns
    -------
    tuple or None
        Microarchitecture, others that carry the same numbers, source of the row; None when no row fits.
    """
    rows = [
        row for row in catalogue().signatures
        if row["vendor"] == vendor and int(row["family"]) == family
        and int(row["model_low"]) <= model <= int(row["model_high"])
    ]  # fmt: skip
    first = next(
        (row for row in rows if stepping is None or int(row["stepping_low"]) <= stepping <= int(row["stepping_high"])),
        None,
    )
    if first is None:
        return None
    also = first["also"].split(";") if first["also"] else []
    if stepping is None:
        also += [row["microarch"] for row in rows[1:]]
    return first["microarch"], tuple(also), first["source"]


@lru_cache(maxsize=200)
def _kin(microarch: str) -> Answer:
    """What all processors of one microarchitecture share."""
    tables = catalogue()
    core, rows = tables.microarchs[microarch], tables.by_microarch.get(microarch)
    agreed = of_rows(tuple(rows), "") if rows else Answer(level=core["level"] or None)
    return Answer(
        vendor=core["vendor"], microarch=microarch, year=int(core["year"]), level=agreed.level, speed=agreed.speed,
        speed_low=agreed.speed_low, speed_high=agreed.speed_high,
    )  # fmt: skip
