"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer


def a_file(meaning: str, *names: str, **more: Any) -> Any:
    """An option that names a file."""
    return typer.Option(*names, metavar="FILE", help=meaning, **more)


ShopFile = Annotated[
    Path | None, typer.Option("--shop", help="The shop's settings (TOML); else shop.toml in the user's data folder.")
]
LogFile = Annotated[
    Path | None, typer.Option("--log", envvar="ADVISOR_LOG", help="The bench log's file; else the user's own.")
]
