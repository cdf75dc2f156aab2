"""`advisor plan`: the day's bench for a sheet of units."""

from __future__ import annotations

import signal
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import one_line, say
from advisor.cli.shared_options import ShopFile, a_file, option
from advisor.errors import InputError

if TYPE_CHECKING:
    from advisor.advice import Batch
    from advisor.plan import Plan


EXAMPLE = "Example:  advisor plan intake.csv --shop shop.toml --out day.pdf"


def plan(
    sheet: Annotated[Path, typer.Argument(help="Intake sheet (CSV, TSV or Excel).")],
    out: Annotated[
        Path | None,
        option("File ending in .pdf (a page), .svg, .csv, .ics (calendar) or .txt.", "--out", "-o"),
    ] = None,
    shop: ShopFile = None,
    day: Annotated[str | None, option("Such as 2026-11-30; else today.", "--day", metavar="DATE")] = None,
    quantile: Annotated[float, option("Plan so that this share of units stays within its minutes.")] = 0.7,
    delivery: Annotated[
        str | None, option("When parts that must be bought arrive, such as 13:00.", metavar="TIME")
    ] = None,
    stick: Annotated[
        Path | None, option("Fetch the packages that units need into this folder, with apt.", metavar="DIR")
    ] = None,
    before: Annotated[
        Path | None, a_file("Plan the rest of a day anew: the plan as it was, a CSV made by --out.", "--from")
    ] = None,
    now: Annotated[str | None, option("With --from; else the clock's time.", metavar="TIME")] = None,
    gone: Annotated[list[str] | None, option("With --from: a unit that fell out.", metavar="TAG")] = None,
    log: Annotated[Path | None, option("With --from: the bench log; else the user's own.", "--log")] = None,
    seconds: Annotated[float, option("For the search [s].", "--seconds", min=1)] = 20.0,
) -> None:
    """Plan a day at the bench for an intake sheet: what to start when, by whom, in which slot; the sheet's own
    columns 'due' (a day or a time) and 'priority' (high, normal, low) are heeded."""
    from advisor import intake
    from advisor.advice import assess
    from advisor.files import refuse_same
    from advisor.plan import plan_day
    from advisor.plan.hours import time_of_day
    from advisor.plan.written import save, way
    from advisor.shop_file import the_shop

    refuse_same(out, sheet, shop, before)
    if out is not None:
        way(out)
    when, arrives = _day(day), None if delivery is None else time_of_day(delivery)
    batch = assess(intake.read(sheet), the_shop(shop))
    # The search looks at no request to end, and there is nothing to put away.
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    if before is not None:
        made = rest_of_day(batch, before, quantile, now, gone or [], log, seconds)
    else:
        made = plan_day(batch, when, quantile=quantile, delivery=arrives, seconds=seconds)
    say(made.summary())
    if made.to_prepare:
        say("\nThe evening before:\n" + "\n".join(f"[ ] {one_line(line)}" for line in made.to_prepare))
    if out is None:
        say("\n" + table(made))
    else:
        save(made, out)
        say(f"Wrote {out}.")
    problems = made.problems + (fetched(made, stick) if stick is not None else [])
    if problems:
        raise typer.Exit(1)


def rest_of_day(
    batch: Batch, before: Path, quantile: float, now: str | None, gone: list[str], log: Path | None, seconds: float
) -> Plan:
    """Plan the rest of a day by the stopwatches, and say what changes."""
    from advisor.benchlog import BenchLog, default_path
    from advisor.plan import again
    from advisor.plan.hours import typed_time

    old = again.read_plan(before, batch, quantile)
    clock = typed_time(old.day, now or "")
    with BenchLog(log or default_path()) as book:
        made, changes, begun, done = again.rest_of_day(old, clock, book, gone, seconds)
    say(f"{begun} units begun, {done} logged today. Changes: {len(changes) or 'none'}.")
    for one in changes:
        say(f"  {one_line(one.tag)}: {one.words}")
    return made


def fetched(plan: Plan, folder: Path) -> list[str]:
    """Fetch the plan's packages, and say what came of it; what could not be fetched."""
    from advisor.plan.evening import fetch

    files, problems = fetch(plan.evening.packages, folder)
    size = sum(one.stat().st_size for one in files) / 2**20
    say(f"{len(files)} packages in {folder}, {size:.1f} MiB" + (", with SHA256SUMS." if files else "."))
    for line in problems:
        say(line, err=True)
    return problems


def _day(text: str | None) -> date:
    try:
        return date.today() if text is None else date.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(f"--day {text!r} is no day.", "Write it as 2026-11-30.") from error


def table(plan: Plan) -> str:
    """The timetable for a terminal, a line a visit."""
    from advisor.plan.day import tuples

    lines = [f"{'start':<7}{'end':<7}{'technician':<16}{'slot':<6}{'unit':<14}what"]
    lines += [
        f"{row.start:%H:%M}  {row.end:%H:%M}  {one_line(row.technician)[:15]:<16}{row.slot:<6}"
        f"{one_line(row.tag)[:13]:<14}{row.what}"
        for row in tuples(plan.frame)
    ]
    return "\n".join(lines)
