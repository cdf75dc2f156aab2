"""`advisor notebook`: the notebooks in the browser, on this machine alone."""

from __future__ import annotations

from typing import Annotated

import typer

HELP = "Open the triage view in the browser, as a notebook or, with --app, without code cells; on this machine alone."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("notebook", help=HELP, epilog="Example:  advisor notebook --app")(notebook)


def notebook(
    which: Annotated[str, typer.Argument(help="triage, batch or review.")] = "triage",
    app: Annotated[bool, typer.Option("--app", help="The view alone, without code cells.")] = False,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.", min=0, max=65535)] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser, or only print the address.")
    ] = True,
) -> None:
    """Start a notebook server on loopback behind a token, and open the view."""
    import signal
    import webbrowser

    from advisor.views import server

    planned = server.plan(which, app=app, port=port)
    typer.echo("Starting; this takes some seconds.")
    process = server.start(planned)

    def end(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    try:
        opened = browser and server.find_browser() and webbrowser.open(planned.url)
        typer.echo(("In the browser: " if opened else "Open this address in a browser on this machine: ") + planned.url)
        typer.echo("It stays until you press Ctrl-C here. The address holds a key: do not pass it on.")
        process.wait()
    except KeyboardInterrupt:
        typer.echo("Stopping.")
    finally:
        server.stop(process)
