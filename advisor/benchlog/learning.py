"""Learning: from the log to a version that is kept, and that serves only when the gate lets it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from advisor.benchlog import adaptive, frames
from advisor.benchlog.database import BenchLog
from advisor.benchlog.drift import Drift, unit_line, watch
from advisor.benchlog.gate import FEWEST_ROWS, Judgement, compare, gain_asked, newest_rows, rolling
from advisor.benchlog.jobs import LOGGED_HERE
from advisor.errors import InputError, TableError
from advisor.files import opened
from advisor.phrases import counted
from advisor.shop import Shop, default_shop
from advisor.timing.kept import plain
from advisor.timing.log import learn, read_log
from advisor.timing.logged import HALF_LIFE_DAYS, NEEDED, SOURCE_WEIGHTS, Logged, lay
from advisor.timing.logpart import LogPart
from advisor.timing.model import TimingModel, with_log
from advisor.timing.versions import SHIPPED, keep, models_folder, pointed, read_version, use, write_levels

NAMED = 8
"""Rows that cannot be learnt from that are named one by one."""


@dataclass(frozen=True)
class Lesson:
    """What one run of learning did."""

    version: str  # Name it is kept under; '' when there was nothing to learn from
    model: TimingModel  # The newly learnt model
    verdict: Judgement
    before: str  # Version that served
    laid: Logged  # What it was learnt from, and the rows left out
    folder: Path


def log_rows(path: str | Path) -> pd.DataFrame:
    """Read a bench log, SQLite or CSV, as rows to learn from.

    Returns
    -------
    pandas.DataFrame
        As `advisor.benchlog.frame` gives them; of an SQLite log also minutes_from ('stopwatch', 'typed' or 'sheet').

    Raises
    ------
    InputError, LogError
        When it cannot be read.
    """
    if not _is_log(path):
        return read_log(path)
    with BenchLog(path) as log:
        return rows_of(log)


def _is_log(path: str | Path) -> bool:
    """Whether a bench log is its own SQLite file, and no CSV."""
    with opened(path, lambda problem, hint: InputError(f"The bench log {problem}", hint)) as handle:
        return handle.read(16).startswith(b"SQLite format 3")


def rows_of(log: BenchLog) -> pd.DataFrame:
    """Rows of an open log, with where their minutes are from."""
    rows = frames.frame(log)
    timed = {row[0] for row in log.rows("SELECT DISTINCT asset_tag FROM stopwatch WHERE stopped_at IS NOT NULL")}
    here = rows["source"].astype("string").fillna("").eq(LOGGED_HERE).to_numpy(dtype=bool)
    watched = here & rows["asset_tag"].isin(timed).to_numpy()
    rows["minutes_from"] = np.select([watched, here], ["stopwatch", "typed"], "sheet")
    return rows


def learn_from(
    rows: pd.DataFrame, folder: Path | None = None, shop: Shop | None = None, *, base: TimingModel | None = None,
    half_life_days: float = HALF_LIFE_DAYS,
) -> Lesson:  # fmt: skip
    """Learn from a log, keep the version, and let it serve if the gate agrees.

    Parameters
    ----------
    rows : pandas.DataFrame
        See `advisor.timing.log.fit_log`.
    folder : pathlib.Path, optional
        Of the versions; the user's own when left out.
    base : TimingModel, optional
        Fitted on rehearsals; the one that ships when left out.
    half_life_days : float
        Age at which a unit counts half [d].

    Raises
    ------
    InputError
        When a needed column is missing, or the version cannot be written.
    """
    folder = models_folder() if folder is None else folder
    shop = default_shop() if shop is None else shop
    base = with_log(read_version(SHIPPED, folder) if base is None else base, LogPart())
    laid = lay(base, rows, shop) if len(rows) or set(NEEDED) <= set(rows.columns) else None
    before = pointed(folder)
    if laid is None or not len(laid):
        empty = lay(base, pd.DataFrame(columns=list(NEEDED)), shop) if laid is None else laid
        return Lesson("", base, Judgement(False, "no unit of the log can be learnt from"), before, empty, folder)
    verdict = _judge(base, laid, rows, before, folder, shop, half_life_days)
    part = learn(base, laid, half_life_days)
    model = with_log(base, part)
    sources = {kind: int(np.isclose(laid.weight, weight).sum()) for kind, weight in SOURCE_WEIGHTS.items()}
    notes = {"beside": before, "left_out": len(laid.problems), "sources": sources}
    name = keep(model, folder, plain(asdict(verdict)), notes)
    if verdict.accepted:
        use(name, folder)
    write_levels(adaptive.levels(rows), len(rows), folder)
    return Lesson(name, read_version(name, folder), verdict, before, laid, folder)


def _judge(
    base: TimingModel, laid: Logged, rows: pd.DataFrame, before: str, folder: Path, shop: Shop, half_life_days: float,
) -> Judgement:  # fmt: skip
    if len(laid) < FEWEST_ROWS:
        return Judgement(False, f"{len(laid)} units are too few to judge by; it takes {FEWEST_ROWS}")
    try:
        serving = replace(read_version(before, folder), levels={})
    except (InputError, TableError) as error:
        serving = read_version(SHIPPED, folder)
        cannot = f" ({error.message} The shipped model was judged in its place.)"
    else:
        cannot = ""
    beside = lay(serving, rows, shop)
    # The same units, in the same order: what is left out as a slip may differ between two models.
    shared = np.isin(laid.place, beside.place)
    laid, beside = laid.take(shared), beside.take(np.isin(beside.place, laid.place))
    until = pd.Timestamp(serving.log.last).timestamp() / 86_400 if serving.log.last else float("nan")
    count = newest_rows(laid, until)
    trial = rolling(base, laid, count, half_life_days=half_life_days)
    newest = beside.take(beside.newest(count))
    verdict = compare(newest.elapsed, newest.predicted(serving, serving.log), trial, gain_asked(serving.log))
    first, last = newest.span
    return replace(verdict, reason=verdict.reason + cannot, first=first, last=last)


def logged(log: BenchLog, jobs: list[int]) -> str:
    """What to say when units were logged; brings the adaptive levels up to date.

    Parameters
    ----------
    jobs : list of int
        Those just added, or changed.

    Returns
    -------
    str
        One line, '' when nothing was predicted for them.
    """
    rows = predictions(log)
    write_levels(adaptive.levels(rows), len(rows), models_folder(log.path))
    just_logged = rows[rows["job"].isin(jobs)]
    if not len(just_logged):
        return ""
    found = watch(rows)
    if len(just_logged) == 1:
        return unit_line(just_logged.iloc[0], found)
    return found.sentence() if found.drifting else ""


def predictions(log: BenchLog) -> pd.DataFrame:
    """What was predicted and what came, of the newest `adaptive.LOOKED_BACK` jobs that had a prediction.

    Returns
    -------
    pandas.DataFrame
        Oldest first: storage_kind, and all of `frames.COLUMNS` but the other facts, the note and the source.
    """
    columns = {name: sql for name, sql in frames.COLUMNS.items() if name not in ("facts", "note", "source")}
    rows = frames.selected(
        log, columns | {"storage_kind": "json_extract(unit.facts, '$.storage_kind')"},
        "job JOIN unit ON unit.id = job.unit_id"
        " WHERE unit.elapsed_low_min IS NOT NULL AND job.elapsed_min IS NOT NULL ORDER BY job.done_on DESC, job.id DESC"
        " LIMIT ?",
        (adaptive.LOOKED_BACK,),
    )  # fmt: skip
    return rows[::-1].reset_index(drop=True)


def phase_predictions(log: BenchLog) -> pd.DataFrame:
    """Minutes by phase beside those predicted, a row a job that has both: `PHASE_min`, `predicted_PHASE_min`."""
    long = frames.selected(
        log,
        {
            "job": "job_phase.job_id", "phase": "job_phase.phase", "actual": "job_phase.minutes",
            "predicted": "json_extract(one.value, '$.machine_min')",
        },
        "job_phase JOIN job ON job.id = job_phase.job_id JOIN unit ON unit.id = job.unit_id"
        " JOIN json_each(unit.phases) AS one WHERE json_extract(one.value, '$.phase') = job_phase.phase",
    )  # fmt: skip
    long = long.astype({"job": "int64"})
    predicted = long.pivot(index="job", columns="phase", values="predicted").add_prefix("predicted_")
    both = long.pivot(index="job", columns="phase", values="actual").join(predicted)
    return both.add_suffix("_min").reset_index()


def drift_of(path: str | Path) -> Drift:
    """Drift of a bench log, SQLite (phases included) or CSV; see `advisor.benchlog.drift.watch`."""
    if not _is_log(path):
        return watch(read_log(path))
    with BenchLog(path) as log:
        return watch(predictions(log).merge(phase_predictions(log), on="job", how="left"))


def lines(lesson: Lesson) -> list[str]:
    """A run of learning in words."""
    laid, part, verdict = lesson.laid, lesson.model.log, lesson.verdict
    out = []
    problems = laid.problems
    if len(problems):
        out.append(f"{counted(len(problems), 'row')} of the log left out:")
        for row in problems.head(NAMED).to_dict("records"):
            value = "" if row["value"] == "" else f" {str(row['value'])[:24]!r}"
            tag = row["asset_tag"] or "no tag"
            out.append(f"  row {int(row['place']) + 1} ({tag}), {row['column']}{value}: {row['problem']}")
        if len(problems) > NAMED:
            out.append(f"  and {len(problems) - NAMED} more.")
    if not lesson.version:
        return [*out, f"Nothing was learnt: {verdict.reason}. Version {lesson.before} serves."]
    out.append(
        f"Version {lesson.version} learnt from {part.rows} units, {part.first or 'day unknown'} to {part.last or '?'}, "
        f"worth {part.effective_rows:.0f} new ones (half-life {part.half_life_days:g} days)."
    )
    out.append(f"  Hands-on minutes: {part.hands_factor:.2f} times those of the tables.")
    for name, factor in part.technicians.items():
        by_phase = ", ".join(f"{phase} {largest:.2f}" for phase, largest in part.paces.get(name, {}).items())
        out.append(f"    technician {name}: {factor:.2f} times" + (f"; by phase: {by_phase}" if by_phase else ""))
    for kind, title in (("image", "Image"), ("model", "Model of PC")):
        largest = sorted(part.effects.get(kind, {}).items(), key=lambda item: -abs(item[1]))[:4]
        if largest:
            shares = ", ".join(f"{level} {100 * np.expm1(value):+.0f} %" for level, value in largest)
            out.append(f"  {title}, machine minutes beside the usual: {shares}.")
    if verdict.rows:
        out.append(
            f"On the newest {verdict.rows} units ({verdict.first} to {verdict.last}), each predicted by what was "
            "logged before it:"
        )
        out.append(f"  {'':<24}{'median error':>13}{'covered':>9}{'wide':>8}")
        for title, median, coverage, width in (
            (f"serving ({lesson.before})", verdict.median_serving, verdict.coverage_serving, verdict.width_serving),
            ("newly learnt", verdict.median_candidate, verdict.coverage_candidate, verdict.width_candidate),
        ):
            out.append(f"  {title:<24}{median:>12.1f}%{coverage:>8.0f}%{width:>7.2f}x")
        out.append(
            f"  {abs(verdict.gain_pct):.0f} % {'smaller' if verdict.gain_pct >= 0 else 'larger'} median error; "
            f"{verdict.nearer} units nearer, {verdict.farther} farther (by chance: {verdict.chance:.2g})."
        )
    if verdict.accepted:
        out.append(f"Accepted: {verdict.reason}. Version {lesson.version} serves now; back with: ")
        out[-1] += f"advisor learn --use {lesson.before}"
    else:
        out.append(f"Not accepted: {verdict.reason}. Version {lesson.before} goes on serving; ")
        out[-1] += f"{lesson.version} is kept."
    return out
