"""`advisor log`: record what really happened, by hand, by stopwatch or from an old spreadsheet."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import cell, one_line, say
from advisor.cli.shared_options import LogFile, a_file, option
from advisor.phrases import counted

if TYPE_CHECKING:
    from advisor.benchlog import BenchLog

log_app = typer.Typer(help="Record what really happened on the bench.", no_args_is_help=True)

Tag = Annotated[str, typer.Argument(help="The unit's asset tag.")]


def _open(path: Path | None, *, make: bool = False) -> BenchLog:
    """Open the log; only what adds to it makes one."""
    from advisor.benchlog import BenchLog

    return BenchLog(path, make=make, on_wait=lambda text: say(text, err=True))


def _nothing(path: Path | None) -> bool:
    """Say that there is no log, which is no error for whoever only looks."""
    from advisor.benchlog import default_path
    from advisor.files import is_there

    there = is_there(path or default_path())
    if not there:
        say(f"There is no bench log at {path or default_path()} yet: nothing is logged.")
    return not there


@log_app.command("add", epilog="Example:  advisor log add OM-1003 --hands-on 31 --elapsed 96 --outcome fine")
def add(
    tag: Tag,
    hands_on: Annotated[float | None, option("Hands-on minutes.")] = None,
    elapsed: Annotated[float | None, option("Elapsed minutes in the slot.")] = None,
    phase: Annotated[list[str] | None, option("PHASE=MINUTES; may be given several times.")] = None,
    day: Annotated[str | None, option("Day, YYYY-MM-DD; else today.", "--date")] = None,
    edition: Annotated[str | None, option("Edition installed, when not the one advised.")] = None,
    image: Annotated[str | None, option("Image used, when not the one advised.")] = None,
    parts: Annotated[str | None, option("Parts fitted.")] = None,
    technician: Annotated[str | None, option("Who did it; initials are enough.")] = None,
    outcome: Annotated[str | None, option("At the first-boot check: fine, slow or returned.")] = None,
    reason: Annotated[str | None, option("Why it was not fine.")] = None,
    note: Annotated[str | None, option("Anything else.")] = None,
    despite: Annotated[
        str | None, option("Why it leaves although its hand-over check has something that must be mended.")
    ] = None,
    log: LogFile = None,
) -> None:
    """Log a unit that is done. Stopwatch minutes of the unit are added by themselves."""
    from advisor.benchlog import Job, default_path
    from advisor.benchlog.jobs import check, tidied
    from advisor.benchlog.laps import watches
    from advisor.files import is_there

    typed = _phases(phase or [])
    given = Job(
        asset_tag=tag, done_on=day or date.today().isoformat(), hands_on_min=hands_on, elapsed_min=elapsed,
        edition=edition, image=image, parts=parts, technician=technician, note=note, phases=typed, outcome=outcome,
        reason=reason, despite=despite,
    )  # fmt: skip
    if hands_on is not None or elapsed is not None or typed or not is_there(log or default_path()):
        # Before a log is made for it; only a log that is there may have minutes of stopwatches.
        check(tidied(given))
    with _open(log, make=True) as book:
        phases = {**watches(book, tag).timed(), **typed}
        job = replace(given, phases=phases)
        [number] = book.add_jobs([job])
        sentence = _said(book, [number])
    timed = ", ".join(f"{name} {minutes:.1f}" for name, minutes in phases.items())
    say(f"Logged {tag} as job {number}." + (f" Minutes by phase: {timed}." if timed else ""))
    if sentence:
        say(sentence)


def _said(book: BenchLog, jobs: list[int]) -> str:
    """How the jobs fell beside what was predicted; a job that is written stays so whatever becomes of this."""
    from advisor.benchlog.learning import logged
    from advisor.errors import AdvisorError

    try:
        return logged(book, jobs)
    except AdvisorError as error:
        return f"Intervals were not brought up to date: {error}"


def _phases(given: list[str]) -> dict[str, float]:
    from advisor.benchlog import phase_names
    from advisor.errors import InputError

    out = {}
    for text in given:
        name, _, minutes = text.partition("=")
        if name not in phase_names():
            raise InputError(f"--phase {text}: {name!r} is no phase.", f"Phases: {', '.join(phase_names())}.")
        try:
            out[name] = float(minutes.replace(",", "."))
        except ValueError as error:
            raise InputError(
                f"--phase {text}: {minutes!r} is no number of minutes.", "Write --phase copy=12.5"
            ) from error
    return out


@log_app.command("edit", epilog="Example:  advisor log edit 12 --elapsed 104 --note 'clock was wrong'")
def edit(
    job: Annotated[int, typer.Argument(help="Number of the job, as `advisor log list` shows it.")],
    hands_on: Annotated[float | None, option("Hands-on minutes.")] = None,
    elapsed: Annotated[float | None, option("Elapsed minutes in the slot.")] = None,
    day: Annotated[str | None, option("Day, YYYY-MM-DD.", "--date")] = None,
    edition: Annotated[str | None, option("Edition installed.")] = None,
    note: Annotated[str | None, option("Anything else.")] = None,
    log: LogFile = None,
) -> None:
    """Correct a job; what stood before is kept."""
    given = {"hands_on_min": hands_on, "elapsed_min": elapsed, "done_on": day, "edition": edition, "note": note}
    with _open(log) as book:
        book.edit_job(job, **{name: value for name, value in given.items() if value is not None})
        _said(book, [job])
    say(f"Job {job} changed; the former values stay in the history.")


@log_app.command("outcome", epilog="Example:  advisor log outcome 12 returned --reason 'Wi-Fi drops' --later")
def outcome(
    job: Annotated[int, typer.Argument(help="Number of the job.")],
    result: Annotated[str, typer.Argument(help="fine, slow or returned.")],
    reason: Annotated[str | None, option("Why.")] = None,
    later: Annotated[bool, option("Heard of later, not at the first-boot check.", "--later")] = False,
    day: Annotated[str | None, option("Day, YYYY-MM-DD; else today.", "--date")] = None,
    log: LogFile = None,
) -> None:
    """Say how a unit fared."""
    with _open(log) as book:
        book.add_outcome(job, result, reason, "later" if later else "first-boot check", day or date.today().isoformat())
    say(f"Job {job}: {result}.")


@log_app.command("start", epilog="Example:  advisor log start OM-1003 copy")
def start(tag: Tag, phase: Annotated[str, typer.Argument(help="Phase, as in the sheet.")], log: LogFile = None) -> None:
    """Start a unit's stopwatch for a phase; several may run at once, and a restart does not stop them."""
    _phases([f"{phase}=0"])
    with _open(log, make=True) as book:
        book.start(tag, phase)
    say(f"{tag}, {phase}: running.")


@log_app.command("stop", epilog="Example:  advisor log stop OM-1003 copy")
def stop(tag: Tag, phase: Annotated[str, typer.Argument(help="Phase.")], log: LogFile = None) -> None:
    """Stop a unit's stopwatch for a phase."""
    with _open(log) as book:
        minutes = book.stop(tag, phase)
    say(f"{tag}, {phase}: {minutes:.1f} min.")


@log_app.command("running", epilog="Example:  advisor log running")
def running(log: LogFile = None) -> None:
    """List the stopwatches that run."""
    from advisor.benchlog import minutes_between, now

    if _nothing(log):
        return
    with _open(log) as book:
        rows = book.running()
    for row in rows:
        say(f"{one_line(row['asset_tag']):<14}{row['phase']:<12}{minutes_between(row['started_at'], now()):>7.1f} min")
    if not rows:
        say("No stopwatch runs.")


@log_app.command("list", epilog="Example:  advisor log list --last 20")
def listing(last: Annotated[int, option("How many of the newest.", min=1)] = 20, log: LogFile = None) -> None:
    """List the newest jobs beside what was predicted."""
    if _nothing(log):
        return
    from advisor import benchlog

    with _open(log) as book:
        rows = benchlog.frame(book).tail(last)
    say(f"{'job':>5}  {'date':<11}{'tag':<14}{'edition':<12}{'hands-on':>9}{'elapsed':>9}{'predicted':>11}  outcome")
    for row in rows.itertuples(index=False):
        say(
            f"{row.job:>5}  {row.date:<11}{one_line(row.asset_tag)[:13]:<14}{cell(row.edition):<12}"
            f"{cell(row.hands_on_min, '.0f'):>9}{cell(row.elapsed_min, '.0f'):>9}{cell(row.predicted_min, '.0f'):>11}"
            f"  {cell(row.outcome)}"
        )
    say(f"{counted(len(rows), 'job')} shown.")


@log_app.command("import", epilog="Example:  advisor log import old-jobs.xlsx --dates dmy --dry-run")
def import_sheet(
    sheet: Annotated[Path, typer.Argument(help="Old log sheet (CSV, TSV or Excel), or an exported log.")],
    dates: Annotated[
        str | None, option("How it writes dates in numbers: dmy, mdy or ymd; else ambiguous ones are named.")
    ] = None,
    unit: Annotated[str | None, option("What numbers without a unit count: min or h.")] = None,
    column: Annotated[list[str] | None, option("HEADER=FIELD, over what its words would give; several times.")] = None,
    dry_run: Annotated[bool, option("Say what would be written; write nothing.", "--dry-run")] = False,
    log: LogFile = None,
) -> None:
    """Take over the jobs of an old sheet. Rows that the log has already are not written twice."""
    from advisor import benchlog
    from advisor.benchlog import headers, importing, sheets

    if unit not in (None, "min", "h"):
        raise _wrong("--unit", str(unit), "min or h")
    if dates is not None and dates not in tuple(sheets.Order):
        raise _wrong("--dates", dates, ", ".join(sheets.Order))
    found = sheets.understand(
        headers.read_sheet(sheet), sheet.name, dates=sheets.Order(dates) if dates else None, unit=unit or "",
        columns=_pairs(column or []),
    )  # fmt: skip
    say(found.report())
    path = log or benchlog.default_path()
    if (dry_run or not found.rows) and not path.exists():
        result = importing.import_rows(None, found.rows)
    else:
        with _open(log, make=True) as book:
            result = importing.import_rows(book, found.rows, write=not dry_run)
    bad = found.length - len(found.rows)
    for line in importing.words(result, found.rows, dry_run):
        say(line)
    if bad:
        say(f"{bad} of {found.length} rows were not taken; mend them as said above and import again.", err=True)
        raise typer.Exit(1)


def _pairs(given: list[str]) -> dict[str, str]:
    out = {}
    for text in given:
        header, equals, name = text.rpartition("=")
        if not equals:
            raise _wrong("--column", text, "HEADER=FIELD, such as 'Total=elapsed_min'")
        out[header.strip()] = name.strip()
    return out


def _wrong(option: str, value: str, accepted: str) -> Exception:
    from advisor.errors import InputError

    return InputError(f"{option} {value}: not understood.", f"Accepted: {accepted}.")


@log_app.command("export", epilog="Example:  advisor log export jobs.csv")
def export(
    out: Annotated[Path, typer.Argument(help="File to write, ending in .csv, .parquet, .sqlite or .duckdb.")],
    scored: Annotated[Path | None, a_file("A scored CSV, to stand beside it in the same database.")] = None,
    log: LogFile = None,
) -> None:
    """Write every job to a CSV, or to a database that other programs read.

    A database has the tables job, scored and column_meaning, which says what each column holds, and the views
    unit_year, cost_by_model, part_that_would_have_paid and misses. Parquet and DuckDB need the extra 'many'.
    """
    from advisor import benchlog, intake
    from advisor.benchlog import exported
    from advisor.benchlog.frames import as_csv
    from advisor.files import refuse_same, write_whole

    refuse_same(out, log or benchlog.default_path(), scored)
    with _open(log) as book:
        rows = benchlog.frame(book)
    if out.suffix.lower() in exported.ENDINGS:
        exported.write(out, rows, None if scored is None else intake.read(scored))
    elif scored is not None:
        raise _wrong("--scored", str(scored), f"with a database: a name that ends in {', '.join(exported.ENDINGS[1:])}")
    else:
        write_whole(out, as_csv(rows))
    say(f"{counted(len(rows), 'job')} written to {out}.")


@log_app.command("check", epilog="Example:  advisor log check --repair")
def check(
    repair: Annotated[bool, option("Save what is readable into a new file.", "--repair")] = False,
    log: LogFile = None,
) -> None:
    """Examine the bench log's file; with --repair save what is readable and keep the damaged file beside it."""
    from advisor.benchlog import default_path, rescue

    path = log or default_path()
    health = rescue.examine(path)
    counts = ", ".join(f"{count} {name}" for name, count in health.counts.items())
    if health.sound:
        say(f"{path} is sound: {counts}.")
        return
    say(f"{path} is damaged: {'; '.join(health.problems[:5])}", err=True)
    if not repair:
        say("Run `advisor log check --repair` to save what is readable.", err=True)
        raise typer.Exit(2)
    kept, saved, lost = rescue.repair(path)
    for name, count in saved.items():
        say(f"{name}: {counted(count, 'row')} saved" + (f", {lost[name]} not readable" if lost[name] else ""))
    say(f"The damaged file is kept as {kept}.")
