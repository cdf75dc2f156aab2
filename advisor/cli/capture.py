"""`advisor capture`: the facts of a unit, from the machine itself, from listings of it, or from a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from advisor.errors import InputError


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("capture")(capture)


def capture(
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Write the capture to this file (JSON).")] = None,
    root: Annotated[Path, typer.Option(help="Read a recorded machine below this folder.")] = Path("/"),
    tag: Annotated[str | None, typer.Option(help="The shop's own tag of the unit.")] = None,
    speed: Annotated[
        bool, typer.Option("--speed", help="Measure decompression and disk reads (10 s at most).")
    ] = False,
    identifiers: Annotated[
        bool, typer.Option("--identifiers", help="Keep serial numbers and network addresses; left out otherwise.")
    ] = False,
) -> None:
    """Read the facts of a unit; nothing is written to the machine looked at.

    Without options: this machine, in words. Root adds memory slots and disk health; what could not be read is said.

    Example: advisor capture --out unit-017.json --tag 017
    """
    from advisor.capture.live import take
    from advisor.capture.store import write_capture
    from advisor.capture.summary import text

    found = take(root, identifiers=identifiers, speed=speed, tag=tag)
    if out is None:
        typer.echo(text(found), nl=False)
        return
    if out.is_dir():
        raise InputError(f"{out} is a folder.", "Name a file, such as unit-017.json.")
    write_capture(found, out)
    typer.echo(f"{out} written.")
