"""The bench log as a DataFrame: the shape in which models learn from it, and in which it is exported."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from advisor.benchlog.database import PREDICTED, BenchLog, LogError
from advisor.intake.safety import guarded, safe_frame
from advisor.timing.hands import phase_table

FACTS = ("maker", "model", "form_factor", "cpu", "ram_gib", "storage_kind", "storage_gib", "link_mbps")
"""Fields of the unit that stand on a log row, beside what was done."""


def phase_names() -> tuple[str, ...]:
    """Names of the phases, in order, from `datasets/timing/phases.csv`."""
    return phase_table().names


COLUMNS = {
    "job": "job.id", "asset_tag": "job.asset_tag", "date": "job.done_on", "technician": "job.technician",
    "facts": "unit.facts", "image": "coalesce(job.image, unit.image)",
    "edition": "coalesce(job.edition, unit.edition)", "parts": "job.parts", "hands_on_min": "job.hands_on_min",
    "elapsed_min": "job.elapsed_min", **{name: f"unit.{own}" for name, own in PREDICTED.items()},
    "model_version": "unit.model", "note": "job.note",
    "source": "job.source",
}  # fmt: skip
"""Columns of a job as a frame has them, and what they are in SQL, beside the unit as it was scored."""


def selected(
    log: BenchLog, columns: Mapping[str, str], of: str, values: tuple[Any, ...] = ()
) -> pd.DataFrame:  # fmt: skip
    """Rows of a log as a frame: the SQL of each of its columns, and what comes after FROM."""
    rows = log.rows(f"SELECT {', '.join(columns.values())} FROM {of}", values)
    return pd.DataFrame([tuple(row) for row in rows], columns=list(columns))


def frame(log: BenchLog) -> pd.DataFrame:
    """Read every job of a log.

    Returns
    -------
    pandas.DataFrame
        A row a job, oldest first: job, asset_tag, date, technician, the facts of `FACTS` as scored, image, edition,
        parts, hands_on_min, elapsed_min [min], `<phase>_min` [min], outcome and reason (the latest known),
        predicted_hands_on_min, predicted_min, predicted_low_min, predicted_high_min [min], model, source.
    """
    out = selected(log, COLUMNS, "job LEFT JOIN unit ON unit.id = job.unit_id ORDER BY job.done_on, job.id")
    try:
        facts = [json.loads(text) if isinstance(text, str) else {} for text in out.pop("facts")]
    except ValueError as error:
        raise LogError(
            f"The bench log {log.path} is damaged: facts of a unit are no JSON.", "Run: advisor log check --repair"
        ) from error
    for name in FACTS:
        out[name] = [one.get(name) if isinstance(one, dict) else None for one in facts]
    timed = selected(log, {"job": "job_id", "phase": "phase", "minutes": "minutes"}, "job_phase")
    phases = timed.pivot(index="job", columns="phase", values="minutes")
    for name in phase_names():
        out[f"{name}_min"] = out["job"].map(phases[name]) if name in phases else pd.NA
    seen = selected(
        log, {"job": "job_id", "outcome": "result", "reason": "reason"}, "outcome ORDER BY seen_on, id"
    )  # fmt: skip
    return out.merge(seen.drop_duplicates("job", keep="last"), on="job", how="left")


def as_csv(rows: pd.DataFrame) -> str:
    """Write the rows of a log so that an import reads back exactly what they say.

    Parameters
    ----------
    rows : pandas.DataFrame
        As `frame` gives them.

    Returns
    -------
    str
        Cells that a spreadsheet would run as a formula have an apostrophe before them.
    """
    # CR LF, as RFC 4180 has it: the csv module then quotes cells that hold either.
    return str(safe_frame(rows, guarded).to_csv(index=False, lineterminator="\r\n"))
