"""The bench log as a DataFrame: the shape in which models learn from it, and in which it is exported."""

from __future__ import annotations

import json

import pandas as pd

from advisor import tables
from advisor.benchlog.database import BenchLog, LogError
from advisor.intake.safety import guarded, safe_frame

FACTS = ("maker", "model", "form_factor", "cpu", "ram_gib", "storage_kind", "storage_gib", "link_mbps")
"""Fields of the unit that stand on a log row, beside what was done."""


def phase_names() -> tuple[str, ...]:
    """Names of the phases, in order, from `datasets/timing/phases.csv`."""
    return tuple(tables.load("timing/phases").frame["phase"].astype(str))


def frame(log: BenchLog) -> pd.DataFrame:
    """Read every job of a log.

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
    try:
        facts = [json.loads(text) if isinstance(text, str) else {} for text in out.pop("facts")]
    except ValueError as error:
        raise LogError(
            f"The bench log {log.path} is damaged: facts of a unit are no JSON.", "Run: advisor log check --repair"
        ) from error
    for name in FACTS:
        out[name] = [one.get(name) if isinstance(one, dict) else None for one in facts]
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
