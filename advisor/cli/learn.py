"""`advisor learn`: judge the timing model, and fit it on rehearsals and a bench log."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("learn", epilog="Example:  advisor learn --report")(learn)


def learn(
    report: Annotated[bool, typer.Option("--report", help="Print how good the times are.")] = False,
    rehearsals: Annotated[
        Path | None, typer.Option(help="Rehearsals to learn from; those that ship when left out.", metavar="FILE")
    ] = None,
    log: Annotated[
        Path | None, typer.Option(help="A bench log (CSV) that corrects what rehearsals say.", metavar="FILE")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Fit the timing model and write it to this file.", metavar="FILE")
    ] = None,
) -> None:
    """Judge the timing model, or fit it.

    --report leaves out each class of disk, each edition and each level of processor in turn, fits the model on the
    rest and times what was left out, beside simple baselines. It takes about a minute.

    --out fits the model on the rehearsals, and on the bench log where one is named, and writes it as plain JSON.
    """
    from advisor.errors import InputError

    if not report and out is None:
        raise InputError(
            "Nothing to do: neither --report nor --out was given.",
            "Say what is wanted, such as: advisor learn --report",
        )
    from advisor.timing import fit, read_rehearsals, serving_model

    data = read_rehearsals(rehearsals)
    if report:
        from advisor.timing.report import judge, lines

        basis = serving_model().basis if rehearsals is None else f"from {len(data)} rehearsals"
        for line in lines(judge(data, basis=basis)):
            typer.echo(line)
    if out is not None:
        from advisor.timing.log import read_log

        model = fit(data, None if log is None else read_log(log))
        model.save(out)
        typer.echo(f"Wrote {out}: times {model.basis}.")
