"""`advisor notebook`: the notebooks in the browser, on this machine alone."""

from __future__ import annotations

from typing import Annotated

import typer

from advisor.cli.screen import say
from advisor.cli.shared_options import ShopFile, option
from advisor.errors import ToolError

EXAMPLE = "Example:  advisor notebook --app"


def notebook(
    which: Annotated[
        str,
        typer.Argument(help="bench; or triage, batch, review, year: a notebook cell by cell, with --app a tab."),
    ] = "bench",
    app: Annotated[bool, option("The bench alone, without code cells.", "--app")] = False,
    shop: ShopFile = None,
    port: Annotated[int, option("Port on this machine; 0 takes a free one.", min=0, max=65535)] = 0,
    browser: Annotated[bool, option("Open the browser, or only print the address.", "--browser/--no-browser")] = True,
) -> None:
    """Open the bench in the browser, as a notebook or, with --app, without code cells; on this machine alone."""
    import signal

    from advisor.views import server

    def end(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, end)
    if shop is not None:
        from advisor.shop_file import read_shop

        read_shop(shop)
    planned = server.plan(which, app=app, port=port, shop=shop)
    if browser and not server.find_browser():
        raise ToolError(
            "No browser can be opened from here.", "Use --no-browser, and open the address that it prints yourself."
        )
    say("Starting; this takes some seconds.")
    process = server.start(planned)
    try:
        say(f"The view is at {planned.url}")
        say("It stays until you press Ctrl-C here. The address holds a key: do not pass it on.")
        if browser and not server.show(planned):
            say("The browser did not open: open the address in it yourself.")
        process.wait()
        raise ToolError("The notebook server has ended by itself.", f"Its messages are in {planned.log}.")
    except KeyboardInterrupt:
        say("Stopping.")
    finally:
        server.stop(process)
