"""`advisor score`: an intake sheet in, the same rows with the advice out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import one_line, say

if TYPE_CHECKING:
    import pandas as pd

    from advisor.advice import Batch


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("score", help=HELP, epilog="Example:  advisor score intake.csv --out scored.csv")(score)


HELP = "Score an intake sheet (CSV, TSV or Excel): every row comes out, in order, with its advice."


def score(
    sheet: Annotated[Path, typer.Argument(help="Intake sheet; only a tag and a processor are needed on a row.")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Where the scored CSV goes; else a table is shown.")
    ] = None,
    shop: Annotated[
        Path | None, typer.Option(help="The shop's settings (TOML); else shop.toml in the user's data folder.")
    ] = None,
    parts: Annotated[
        Path | None, typer.Option("--parts", help="Where the drawer's list and the shopping list go (CSV).")
    ] = None,
    columns: Annotated[bool, typer.Option("--columns", help="Show how the columns were understood.")] = False,
    raw_text: Annotated[
        bool,
        typer.Option("--raw-text", help="Write cells as they are, even those a spreadsheet would run as a formula."),
    ] = False,
) -> None:
    """Score an intake sheet."""
    from advisor import intake
    from advisor.advice import assess
    from advisor.files import refuse_same, write_whole
    from advisor.shop_file import the_shop

    refuse_same(out, sheet, shop)
    refuse_same(parts, sheet, shop, out)
    settings = the_shop(shop)
    raw = intake.read(sheet)
    if columns:
        say(intake.understand(raw).report() + "\n")
    batch = assess(raw, settings)
    scored = batch.frame

    def written(path: Path, frame: pd.DataFrame) -> None:
        safe = frame if raw_text else intake.safe_frame(frame)
        write_whole(path, safe.to_csv(index=False))

    if out is not None:
        written(out, scored)
    else:
        say(table(batch))
    say(summary(scored))
    if out is not None:
        say(f"{len(scored)} rows written to {out}.")
    if parts is not None:
        written(parts, batch.drawer)
        say(f"Parts kept, and parts to buy, written to {parts}.")
    unreadable = scored["status"].eq("unreadable").sum()
    if unreadable:
        say(f"{unreadable} of {len(scored)} rows could not be read; see their column 'problem'.", err=True)
        raise typer.Exit(1)


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
        minutes = _minutes(unit["elapsed_min"], unit["elapsed_low_min"], unit["elapsed_high_min"])
        lines.append(
            f"{_text(batch.tags[row])[:9]:<10}{_text(unit['advice']):<18}{minutes:<17}{_text(unit['do_first'])}"
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
