"""The bench log as a DataFrame, and jobs from a DataFrame: the shape in which models learn from it."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from advisor import tables
from advisor.benchlog.store import OUTCOMES, BenchLog, Job
from advisor.errors import InputError

FACTS = ("maker", "model", "form_factor", "cpu", "ram_gib", "storage_kind", "storage_gib", "link_mbps")
"""Fields of the unit that stand on a log row, beside what was done."""


def phase_names() -> tuple[str, ...]:
    """Names of the phases, in order, from `datasets/timing/phases.csv`."""
    return tuple(tables.load("timing/phases").frame["phase"].astype(str))


def frame(log: BenchLog) -> pd.DataFrame:
    """Read every job of a log.

    Parameters
    ----------
    log : BenchLog

    Returns
    -------
    pandas.DataFrame
        A row a job, oldest first: job, asset_tag, date, technician, the facts of `FACTS` as scored, image, edition,
        parts, hands_on_min, elapsed_min [min], `<phase>_min` [min], outcome and reason (the latest known),
        predicted_hands_on_min, predicted_min, predicted_low_min, predicted_high_min [min], model, source.
    """
    rows = log.rows(
        "SELECT job.id AS job, job.asset_tag, job.done_on AS date, job.technician, unit.facts,"
        " coalesce(job.image, unit.image) AS image, coalesce(job.edition, unit.edition) AS edition, job.parts,"
        " job.hands_on_min, job.elapsed_min, unit.hands_on_min AS predicted_hands_on_min,"
        " unit.elapsed_min AS predicted_min, unit.elapsed_low_min AS predicted_low_min,"
        " unit.elapsed_high_min AS predicted_high_min, unit.model AS model_version, job.note, job.source"
        " FROM job LEFT JOIN unit ON unit.id = job.unit_id ORDER BY job.done_on, job.id"
    )
    names = [
        "job", "asset_tag", "date", "technician", "facts", "image", "edition", "parts", "hands_on_min", "elapsed_min",
        "predicted_hands_on_min", "predicted_min", "predicted_low_min", "predicted_high_min", "model_version", "note",
        "source",
    ]  # fmt: skip
    out = pd.DataFrame([tuple(row) for row in rows], columns=names)
    facts = pd.json_normalize([json.loads(text) if text else {} for text in out.pop("facts")])
    for name in FACTS:
        out[name] = facts.get(name, pd.NA)
    phases = pd.DataFrame(
        [tuple(row) for row in log.rows("SELECT job_id, phase, minutes FROM job_phase")],
        columns=["job", "phase", "minutes"],
    ).pivot(index="job", columns="phase", values="minutes")
    for name in phase_names():
        out[f"{name}_min"] = out["job"].map(phases[name]) if name in phases else pd.NA
    last = pd.DataFrame(
        [tuple(row) for row in log.rows("SELECT job_id, result, reason FROM outcome ORDER BY seen_on, id")],
        columns=["job", "outcome", "reason"],
    ).drop_duplicates("job", keep="last")
    return out.merge(last, on="job", how="left")


def jobs(rows: pd.DataFrame, source: str) -> list[Job]:
    """Make jobs of a sheet's rows.

    Parameters
    ----------
    rows : pandas.DataFrame
        Columns named as `frame` gives them; only asset_tag, date and one figure of minutes are needed.
    source : str
        Name of the sheet, kept with every job.

    Returns
    -------
    list of Job

    Raises
    ------
    InputError
        When a cell is no number of minutes or no outcome; the message names row, column and value.
    """
    phases = [name for name in phase_names() if f"{name}_min" in rows]
    out = []
    for number, row in enumerate(rows.to_dict("records"), start=1):
        outcome = _text(row, "outcome")
        if outcome is not None and outcome not in OUTCOMES:
            raise InputError(f"Row {number}, outcome: {outcome!r} is no outcome.", f"Outcomes: {', '.join(OUTCOMES)}.")
        minutes = {name: _minutes(row, f"{name}_min", number) for name in phases}
        out.append(
            Job(
                asset_tag=_text(row, "asset_tag") or "",
                done_on=_text(row, "date") or "",
                hands_on_min=_minutes(row, "hands_on_min", number),
                elapsed_min=_minutes(row, "elapsed_min", number),
                edition=_text(row, "edition"),
                image=_text(row, "image"),
                parts=_text(row, "parts"),
                technician=_text(row, "technician"),
                note=_text(row, "note"),
                phases={name: value for name, value in minutes.items() if value is not None},
                outcome=outcome,
                reason=_text(row, "reason"),
                source=source,
            )
        )
    return out


def _text(row: dict[Any, Any], name: str) -> str | None:
    value = row.get(name)
    return None if value is None or pd.isna(value) or not str(value).strip() else str(value).strip()


def _minutes(row: dict[Any, Any], name: str, number: int) -> float | None:
    text = _text(row, name)
    if text is None:
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise InputError(f"Row {number}, {name}: {text!r} is no number of minutes.", "Write it as 12.5") from error
