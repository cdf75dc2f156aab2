"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer


def option(meaning: str, *names: str, **more: Any) -> Any:
    """An option: what it means, its names where they are not the parameter's own, and what else typer is to know."""
    return typer.Option(*names, help=meaning, **more)


def a_file(meaning: str, *names: str, **more: Any) -> Any:
    """An option that names a file."""
    return option(meaning, *names, metavar="FILE", **more)


ShopFile = Annotated[
    Path | None, option("The shop's settings (TOML); else shop.toml in the user's data folder.", "--shop")
]
LogFile = Annotated[Path | None, option("The bench log's file; else the user's own.", "--log", envvar="ADVISOR_LOG")]
