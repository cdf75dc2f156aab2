"""`advisor score`: an intake sheet in, the same rows with the advice out."""

from __future__ import annotations

import os
import signal
import sys
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import repeat
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import one_line, say
from advisor.errors import ToolError

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from advisor.shop import Shop

CHUNK_ROWS = 10_000
"""Rows scored at a time: small enough for the progress bar to move, large enough to be quick."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("score", help=HELP, epilog="Example:  advisor score intake.csv --out scored.csv")(score)


HELP = "Score an intake sheet (CSV, TSV or Excel): every row comes out, in order, with its advice."


def score(
    sheet: Annotated[Path, typer.Argument(help="Intake sheet; only a tag and a processor are needed on a row.")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Where the scored CSV goes; else a table is shown.")
    ] = None,
    shop: Annotated[Path | None, typer.Option(help="The shop's settings (TOML).")] = None,
    columns: Annotated[bool, typer.Option("--columns", help="Show how the columns were understood.")] = False,
    raw_text: Annotated[
        bool,
        typer.Option("--raw-text", help="Write cells as they are, even those a spreadsheet would run as a formula."),
    ] = False,
) -> None:
    """Score an intake sheet."""
    from advisor import intake
    from advisor.files import refuse_same, write_whole
    from advisor.shop import default_shop
    from advisor.shop_file import read_shop

    refuse_same(out, sheet, shop)
    settings = read_shop(shop) if shop else default_shop()
    raw = intake.read(sheet)
    if columns:
        say(intake.understand(raw).report() + "\n")
    scored = score_in_chunks(raw, settings)
    if out is not None:
        safe = scored if raw_text else intake.safe_frame(scored)
        write_whole(out, safe.to_csv(index=False))
    else:
        say(table(scored))
    say(summary(scored))
    if out is not None:
        say(f"{len(scored)} rows written to {out}.")
    unreadable = scored["status"].eq("unreadable").sum()
    if unreadable:
        say(f"{unreadable} of {len(scored)} rows could not be read; see their column 'problem'.", err=True)
        raise typer.Exit(1)


def score_in_chunks(raw: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Score a sheet a chunk at a time behind a progress bar.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_rows, any)
    shop : Shop

    Returns
    -------
    pandas.DataFrame, shape (n_rows, any + scored columns)
    """
    import pandas as pd

    from advisor import intake

    chunks = list(intake.in_pieces(raw, CHUNK_ROWS))
    pieces: list[pd.DataFrame] = []
    with open(os.devnull, "w") as nowhere:
        screen = sys.stderr if sys.stderr.isatty() else nowhere
        with typer.progressbar(length=len(raw), label="Scoring", file=screen, width=32) as bar:
            for piece in _in_order(chunks, shop):
                pieces.append(piece)
                bar.update(len(piece))
    return pd.concat(pieces, ignore_index=True)


def _score_chunk(chunk: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    from advisor.advice import assess

    return assess(chunk, shop).scored


def _in_order(chunks: list[pd.DataFrame], shop: Shop) -> Iterator[pd.DataFrame]:
    """Score chunks, on all processors when there are several, and give them back in order."""
    workers = min(len(os.sched_getaffinity(0)), len(chunks))
    if workers < 2:
        yield from (_score_chunk(chunk, shop) for chunk in chunks)
        return
    # Ctrl+C reaches every process of the terminal; only this one is to say so.
    with ProcessPoolExecutor(workers, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN)) as pool:
        try:
            yield from pool.map(_score_chunk, chunks, repeat(shop))
        except BrokenProcessPool as error:
            raise ToolError(
                "A process that scored some of the rows was ended from outside, perhaps for want of memory.",
                "Close other programs, or score the sheet in smaller parts.",
            ) from error
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def summary(scored: pd.DataFrame) -> str:
    """Sum a scored batch up by advice.

    Parameters
    ----------
    scored : pandas.DataFrame

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


def table(scored: pd.DataFrame, limit: int = 60) -> str:
    """Show a scored batch in a terminal, a line a unit.

    Parameters
    ----------
    scored : pandas.DataFrame
    limit : int, default 60
        Most rows shown; the rest is counted.

    Returns
    -------
    str
    """
    from advisor import intake

    tags = list(intake.understand(scored).units["asset_tag"].fillna("-"))
    lines = [f"{'tag':<10}{'advice':<18}{'edition':<12}{'image':<20}{'min (80 %)':<18}why"]
    for row in range(min(limit, len(scored))):
        unit = scored.iloc[row]
        minutes = _minutes(unit["elapsed_min"], unit["elapsed_low_min"], unit["elapsed_high_min"])
        lines.append(
            f"{_text(tags[row])[:9]:<10}{_text(unit['advice']):<18}{_text(unit['edition']):<12}"
            f"{_text(unit['image_used'])[:19]:<20}{minutes:<18}{_text(unit['reasons'])[:110]}"
        )
    if len(scored) > limit:
        lines.append(f"... and {len(scored) - limit} more; write them out with --out.")
    return "\n".join(lines) + "\n"


def _text(value: str | float | None) -> str:
    import pandas as pd

    return "-" if pd.isna(value) or value == "" else one_line(value)


def _minutes(middle: float, low: float, high: float) -> str:
    import pandas as pd

    return "-" if pd.isna(middle) else f"{middle:.0f} ({low:.0f} to {high:.0f})"
