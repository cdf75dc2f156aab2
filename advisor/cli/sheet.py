"""`advisor sheet`: the one-page printout of a unit, from a capture or a row of an intake sheet."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from advisor.cli.screen import say
from advisor.cli.shared_options import ShopFile, a_file, option
from advisor.errors import InputError
from advisor.files import is_there, refuse_same
from advisor.phrases import counted

if TYPE_CHECKING:
    import pandas as pd

    from advisor.advice import Batch

PAPER_WIDTH = 100
"""Columns of the text where it is not shown in a terminal."""

EXAMPLE = (
    "Example:  advisor sheet unit-017.json --out unit-017.pdf; at the unit: advisor sheet --here --out unit-017.pdf"
)


def sheet(
    unit: Annotated[
        str | None, typer.Argument(metavar="UNIT", help="A capture (JSON); or, with --csv, the asset tag of a row.")
    ] = None,
    out: Annotated[
        Path | None, option("File ending in .pdf, .html or .txt; else it is shown here.", "--out", "-o")
    ] = None,
    here: Annotated[bool, option("The unit is this machine: it is captured first.", "--here")] = False,
    csv: Annotated[Path | None, option("Take the unit from this intake sheet.", "--csv")] = None,
    tag: Annotated[str | None, option("Asset tag of the row; with a capture or --here, the tag to print.")] = None,
    every: Annotated[bool, option("A sheet for every row of the intake sheet.", "--all")] = False,
    shop: ShopFile = None,
    steps: Annotated[
        bool, option("The steps of each phase with their seconds, for a newcomer; as text.", "--steps")
    ] = False,
    width: Annotated[int | None, option("Columns of the text; else the terminal's.", min=40)] = None,
    handover: Annotated[Path | None, a_file("Fill in the hand-over checks from advisor handover --json.")] = None,
) -> None:
    """Print the one-page sheet of a unit: advice, what to have at hand, phases with minutes, hand-over checks,
    cautions."""
    from advisor.advice import assess
    from advisor.shop_file import the_shop

    if out is not None:
        from advisor.sheet import ENDINGS

        if out.suffix.lower() not in ENDINGS:
            raise InputError(f"--out {out} does not say what to write.", "Let its name end in .pdf, .html or .txt.")
        refuse_same(out, unit, csv, shop, handover)
    if handover is not None and every:
        raise InputError("--handover is the result of one unit.", "Name the unit instead of --all.")
    if here and (csv is not None or unit is not None or every):
        raise InputError("--here is this machine; another unit is named beside it.", "Leave out one of them.")
    settings = the_shop(shop)
    frame, wanted = _asked(unit, tag, csv, here=here, every=every)
    batch = assess(frame, settings)
    some = range(len(batch)) if wanted is None else rows_with(batch, wanted, csv)
    if steps:
        print_steps(batch, some, out)
        return
    checks = None
    if handover is not None:
        from advisor.handover.script import read_result

        checks = read_result(handover).sheet_lines()
    unreadable = print_sheets(batch, some, out, width, checks)
    if unreadable:
        say(f"{unreadable} of {len(some)} rows could not be read; their sheets say why.", err=True)
        raise typer.Exit(1)


def _asked(
    unit: str | None, tag: str | None, csv: Path | None, *, here: bool, every: bool
) -> tuple[pd.DataFrame, str | None]:
    """The units that are asked for, and the tag of the one that is wanted of a sheet; None for all."""
    if here:
        from advisor.capture.live import take
        from advisor.unit import frame as frame_of

        return frame_of([take(tag=tag).unit]), None
    if csv is not None:
        return _intake_rows(csv), None if every else _one_tag(unit, tag)
    if unit is not None and not every:
        return capture_frame(Path(unit), tag), None
    raise InputError(
        "Say which unit: a capture file, --here, or --csv with a tag or --all.", "advisor sheet --help shows examples."
    )


def print_steps(batch: Batch, some: Sequence[int], out: Path | None) -> None:
    """Print the steps of some rows; to a file that ends in .txt, or here."""
    from advisor.advice.unfold import step_lines
    from advisor.files import write_whole

    if out is not None and out.suffix.lower() != ".txt":
        raise InputError(f"--steps are written as text, not as {out.suffix}.", "Let the name of --out end in .txt.")
    text = "\n".join("\n".join([*step_lines(batch, row), ""]) for row in some)
    if out is None:
        say(text)
    else:
        write_whole(out, text)
        say(f"Wrote {out}.")


def _one_tag(unit: str | None, tag: str | None) -> str:
    if unit is not None and tag is not None and unit != tag:
        raise InputError(f"Two tags are named: {unit!r} and {tag!r}.", "Name one of them.")
    one = tag if tag is not None else unit
    if one is None:
        raise InputError("With --csv, say which row.", "Name its asset tag, or use --all.")
    return one


def _intake_rows(csv: Path) -> pd.DataFrame:
    from advisor import intake

    raw = intake.read(csv)
    if not len(raw):
        raise InputError("The intake sheet has no rows.", "Add a row with an asset tag and a processor.")
    return raw


def rows_with(batch: Batch, tag: str, csv: Path | None) -> list[int]:
    """Find the rows of an intake sheet that have a tag: they are judged with all others, with which they share parts.

    Parameters
    ----------
    tag : str
        Asset tag, capitals and space around it ignored.

    Returns
    -------
    list of int
        Their positions; more than one when a tag stands on several.

    Raises
    ------
    InputError
        When no row has the tag; the message names tags like it.
    """
    found = batch.rows_of(tag)
    if not found:
        import difflib

        known = [str(one).strip() for one in batch.understood.units["asset_tag"].dropna()]
        like = difflib.get_close_matches(tag, known, n=3, cutoff=0.6)
        hint = f"Like it: {', '.join(like)}." if like else f"Its tags begin with {', '.join(known[:3])}."
        raise InputError(f"No row of {csv} has the asset tag {tag!r}.", hint if known else "The sheet names no tag.")
    return found


def capture_frame(path: Path, tag: str | None) -> pd.DataFrame:
    """Take a capture as a Unit frame of one row.

    Parameters
    ----------
    tag : str or None
        Asset tag to use in place of the capture's own.

    Raises
    ------
    InputError, CaptureError
        When there is no such file, or it is no capture.
    """
    from advisor import capture
    from advisor.unit import frame

    if path.suffix.lower() in (".csv", ".tsv", ".xlsx"):
        raise InputError(f"{path} is an intake sheet, not a capture.", f"Use: advisor sheet TAG --csv {path}")
    if not is_there(path):
        raise InputError(
            f"There is no capture file {path}.", "Name a file made by advisor capture --out, or a tag with --csv."
        )
    unit = capture.read_capture(path).unit
    return frame([unit.model_copy(update={"asset_tag": tag}) if tag else unit])


def print_sheets(
    batch: Batch, some: Sequence[int], out: Path | None, width: int | None, checks: tuple[str, ...] | None = None
) -> int:
    """Print the sheets of some rows of a batch.

    Parameters
    ----------
    some : sequence of int
        Positions of the rows.
    out : pathlib.Path or None
        Where to; None shows text.
    width : int or None
        Columns of the text.
    checks : tuple of str, optional
        Lines in place of the hand-over checks.

    Returns
    -------
    int
        How many of these rows could not be read.
    """
    from advisor.files import write_whole
    from advisor.sheet import render_text, written
    from advisor.unit import Status

    sheets = [replace(batch[at], checks=checks) if checks is not None else batch[at] for at in some]
    if out is None:
        columns = width or (shutil.get_terminal_size().columns if sys.stdout.isatty() else PAPER_WIDTH)
        plain = not (sys.stdout.encoding or "").lower().replace("-", "").startswith("utf")
        for number, one in enumerate(sheets):
            say(("\n" if number else "") + render_text(one, columns, ascii_only=plain), nl=False)
    else:
        write_whole(out, written(sheets, out, width or PAPER_WIDTH))
        say(f"{out} written: {counted(len(sheets), 'sheet')}.")
    return int(batch.standing["status"].eq(Status.UNREADABLE).to_numpy()[batch.case][list(some)].sum())
