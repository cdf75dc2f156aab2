"""`advisor score`: an intake sheet in, the same rows with the advice out; a large one piece by piece."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import cell, say
from advisor.cli.shared_options import ShopFile, option
from advisor.phrases import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import pandas as pd

    from advisor.advice import Batch
    from advisor.shop import Shop

LARGE = 1 << 20
LARGE_WITH_LISTS = 4 << 20
"""Size of a sheet from which it is scored piece by piece [byte]; with --parts or --columns, which need it whole."""


EXAMPLE = "Example:  advisor score intake.csv --out scored.csv"


def score(
    sheet: Annotated[Path, typer.Argument(help="Intake sheet; only a tag and a processor are needed on a row.")],
    out: Annotated[
        Path | None,
        option("Where the scored rows go: .csv, .csv.gz, .csv.zst or .parquet; else a table is shown.", "--out", "-o"),
    ] = None,
    shop: ShopFile = None,
    parts: Annotated[Path | None, option("Where the drawer's list and the shopping list go (CSV).")] = None,
    columns: Annotated[bool, option("Show how the columns were understood.", "--columns")] = False,
    raw_text: Annotated[
        bool,
        option("Write cells as they are, even those a spreadsheet would run as a formula.", "--raw-text"),
    ] = False,
    resume: Annotated[bool, option("Go on where a run to the same --out was killed.", "--resume")] = False,
    cluster: Annotated[str | None, option("Address of a Dask scheduler whose workers score.")] = None,
    local_cluster: Annotated[int | None, option("So many Dask workers on this machine score.", min=1)] = None,
) -> None:
    """Score an intake sheet (CSV, TSV or Excel; CSV also with gzip or zstd, Parquet): every row comes out, in
    order, with its advice."""
    from advisor.errors import InputError
    from advisor.files import refuse_same
    from advisor.shop_file import the_shop

    refuse_same(out, sheet, shop)
    refuse_same(parts, sheet, shop, out)
    if out is not None and parts is not None and os.path.realpath(out) == os.path.realpath(parts):
        raise InputError(f"--out and --parts both name {out}.", "Name two files.")
    settings = the_shop(shop)
    whole = parts is not None or columns
    if not _large(sheet, out, resume or bool(cluster or local_cluster), LARGE_WITH_LISTS if whole else LARGE):
        _at_once(sheet, out, settings, parts, columns, raw_text)
    elif out is None or whole:
        raise InputError(
            "Such a sheet is scored piece by piece, so that it needs --out, and --parts and --columns do not go.",
            "Score a CSV of less than 4 MiB for these.",
        )
    else:
        _in_pieces(sheet, out, settings, raw_text, resume, cluster, local_cluster)


def _at_once(sheet: Path, out: Path | None, shop: Shop, parts: Path | None, columns: bool, raw_text: bool) -> None:
    from advisor import intake
    from advisor.advice import assess
    from advisor.files import write_whole

    def written(path: Path, frame: pd.DataFrame) -> None:
        safe = frame if raw_text else intake.safe_frame(frame)
        write_whole(path, safe.to_csv(index=False))

    raw = intake.read(sheet)
    if columns:
        say(intake.understand(raw).report() + "\n")
    batch = assess(raw, shop)
    scored = batch.frame
    if out is not None:
        written(out, scored)
    else:
        say(table(batch))
    say(summary(scored))
    if out is not None:
        say(f"{counted(len(scored), 'row')} written to {out}.")
    if parts is not None:
        written(parts, batch.drawer)
        say(f"Parts kept, and parts to buy, written to {parts}.")
    _end(scored)


def _end(scored: pd.DataFrame) -> None:
    unreadable = scored["status"].eq("unreadable").sum()
    if unreadable:
        say(f"{unreadable} of {len(scored)} rows could not be read; see their column 'problem'.", err=True)
        raise typer.Exit(1)


def _large(sheet: Path, out: Path | None, asked: bool, large: int) -> bool:
    """Whether a sheet is scored piece by piece: asked for, compressed, Parquet, or of so many bytes and not Excel."""
    from advisor.bulk.source import GZIP, PARQUET, ZSTD
    from advisor.files import opened
    from advisor.intake.encoding import ZIP

    with opened(sheet) as file:
        start, size = file.read(4), file.seek(0, 2)
    if asked or start in (ZSTD, PARQUET) or start.startswith(GZIP):
        return True
    if out is not None and out.suffix in (".gz", ".zst", ".parquet"):
        return True
    return out is not None and size >= large and start != ZIP


def _in_pieces(
    sheet: Path, out: Path, shop: Shop, raw_text: bool, resume: bool, cluster: str | None, workers: int | None
) -> None:
    from advisor import bulk

    with contextlib.ExitStack() as stack:
        executor = None
        if cluster or workers:
            from advisor.bulk.cluster import executor_of

            executor = stack.enter_context(executor_of(cluster, workers))
        progress = stack.enter_context(_progress())
        outcome = bulk.score_sheet(
            sheet, out, shop, raw_text=raw_text, resume=resume, executor=executor, progress=progress
        )
    say(summary(outcome.counted))
    say(f"{counted(len(outcome.counted), 'row')} written to {out}.")
    _end(outcome.counted)


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[int, int], None] | None]:
    """A bar with the time left, on a terminal alone."""
    if not sys.stderr.isatty():
        yield None
        return
    with typer.progressbar(length=1000, label="scored", file=sys.stderr, show_eta=True) as bar:

        def told(done: int, every: int) -> None:
            bar.update(int(1000 * done / max(every, 1)) - bar.pos)

        yield told


def summary(scored: pd.DataFrame) -> str:
    """Sum a scored batch up by advice.

    Returns
    -------
    str
        Lines: advice, units, hands-on hours, elapsed hours.
    """
    from advisor.unit import Advice

    lines = [f"{'advice':<20}{'units':>6}{'hands-on h':>12}{'elapsed h':>11}"]
    for advice in Advice:
        rows = scored[scored["advice"].eq(advice)]
        if len(rows):
            hands, elapsed = rows["hands_on_min"].sum() / 60, rows["elapsed_min"].sum() / 60
            lines.append(f"{advice:<20}{len(rows):>6}{hands:>12.1f}{elapsed:>11.1f}")
    hands, elapsed = scored["hands_on_min"].sum() / 60, scored["elapsed_min"].sum() / 60
    lines.append(f"{'all':<20}{len(scored):>6}{hands:>12.1f}{elapsed:>11.1f}")
    return "\n".join(lines)


def table(batch: Batch, limit: int = 60) -> str:
    """Show a scored batch in a terminal, a line a unit; the rest beyond `limit` is counted."""
    scored = batch.scored
    lines = [f"{'tag':<10}{'advice':<18}{'min (80 %)':<17}{'first thing to do'}"]
    for row in range(min(limit, len(scored))):
        unit = scored.iloc[row]
        middle, low, high = (cell(unit[f"elapsed_{one}min"], ".0f") for one in ("", "low_", "high_"))
        minutes = middle if middle == "-" else f"{middle} ({low} to {high})"
        lines.append(f"{cell(batch.tags[row])[:9]:<10}{cell(unit['advice']):<18}{minutes:<17}{cell(unit['do_first'])}")
    if len(scored) > limit:
        lines.append(f"... and {len(scored) - limit} more; write them out with --out.")
    return "\n".join(lines) + "\n"
