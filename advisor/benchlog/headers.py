"""Headers of old log sheets, to the fields of a job and, for the rest, of a unit."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pandas as pd

from advisor import intake
from advisor.benchlog.database import PREDICTED
from advisor.benchlog.frames import phase_names
from advisor.errors import InputError
from advisor.intake.headers import Mapped, Vocabulary, intake_words, plain
from advisor.tables import dicts
from advisor.unit import UNIT_COLUMNS

OWN = ("job", "source", "provenance", "model_version", *PREDICTED)
"""Columns that an exported log has beside."""


@cache
def vocabulary() -> Vocabulary:
    """Headers of a log sheet: those of a job, and those of an intake sheet for the unit's facts."""
    words, rows = intake_words(), dicts("benchlog/headers")
    known = {plain(row["header"]): row["field"] for row in rows}
    ranks = {plain(row["header"]): int(row["rank"]) for row in rows}
    merged = {**words.known, **known}
    units = dict.fromkeys(("min", "mins", "minutes", "minute"), "min") | dict.fromkeys(("h", "hr", "hrs", "hours"), "h")
    exact = words.exact - {"notes"} | set(known.values()) | set(OWN)
    return Vocabulary(merged, {**words.ranks, **ranks}, exact, {**words.units, **units})


def fields() -> tuple[str, ...]:
    """Fields that a column of a log sheet may be read as, beside those of a unit."""
    phases = tuple(f"{name}_min" for name in phase_names())
    return (
        "asset_tag", "date", "technician", "edition", "image", "parts", "hands_on_min", "elapsed_min", "started",
        "finished", "outcome", "reason", "note", *phases,
    )  # fmt: skip


def read_sheet(path: str | Path) -> pd.DataFrame:
    """Read a log sheet's cells: CSV, TSV or Excel, as `advisor.intake.read` does.

    Returns
    -------
    pandas.DataFrame
        Text cells under the headers found.
    """
    return intake.read(path, vocabulary())


def overridden(mapping: list[Mapped], columns: Mapping[str, str]) -> list[Mapped]:
    """Read columns as the person said, whatever their words would give."""
    headers = {one.header.casefold(): one.header for one in mapping}
    accepted = {*fields(), *UNIT_COLUMNS, ""}
    field_of: dict[str, str] = {}
    for header, name in columns.items():
        if header.casefold() not in headers:
            raise InputError(
                f"No column is headed {header!r}.", f"Headers: {', '.join(one[:40] for one in headers.values())}."
            )
        if name not in accepted:
            raise InputError(f"{name!r} is no field of a log sheet.", f"Fields: {', '.join(fields())}.")
        field_of[headers[header.casefold()]] = name
    taken = {name for name in field_of.values() if name}
    out = []
    for one in mapping:
        if one.header in field_of:
            out.append(Mapped(one.header, field_of[one.header] or None, "as you said", one.unit))
        elif one.field in taken:
            out.append(Mapped(one.header, None, f"another column was said to be {one.field}; left aside"))
        else:
            out.append(one)
    return out
