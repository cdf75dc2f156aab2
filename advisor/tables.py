"""Tables of facts: a CSV beside a TOML that says where every column is from."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from advisor.errors import TableError
from advisor.files import datasets, user_data

TABLE_FORMAT = 1
"""Layout version of the `.meta.toml` files; a newer one is refused."""


@dataclass(frozen=True)
class Table:
    """A table and what is known of it.

    Attributes
    ----------
    name : str
        Path below `datasets/` without its ending, such as 'identify/processors'.
    frame : pandas.DataFrame
        The rows: those shipped, then those of the user's own table of the same name.
    title, source, date, licence, remake : str
        From the meta file: what it is, where from, as of when, under which terms, the command that remakes it.
    columns : dict of str to str
        Column name to meaning, with its unit in square brackets.
    """

    name: str
    frame: pd.DataFrame
    title: str
    source: str
    date: str
    licence: str
    remake: str
    columns: dict[str, str]


def meta(path: Path) -> dict[str, Any]:
    """Read a table's meta file.

    Parameters
    ----------
    path : pathlib.Path
        The `.meta.toml` file.

    Returns
    -------
    dict

    Raises
    ------
    TableError
        When it is missing, cannot be parsed, lacks an entry, or is of a newer format.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise TableError(f"{path} cannot be read: {error.strerror}.", "Install the package again.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"{path} is not TOML: {error}.", "Install the package again.") from error
    missing = {"format", "title", "source", "date", "licence", "remake", "columns"} - content.keys()
    if missing:
        raise TableError(f"{path} lacks {', '.join(sorted(missing))}.", "Each table states all of these.")
    if content["format"] > TABLE_FORMAT:
        raise TableError(
            f"{path} is of format {content['format']}; this version reads up to {TABLE_FORMAT}.",
            "Install a newer version of the package.",
        )
    return content


@cache
def load(name: str) -> Table:
    """Load a table by name, with the user's own rows of the same name added below.

    Parameters
    ----------
    name : str
        Such as 'identify/processors'. The user's own rows are read from
        `<user data folder>/tables/<name>.csv` when that file exists, and need the same columns.

    Returns
    -------
    Table
        Every column is text; an empty cell is NA. Callers convert what they need.

    Raises
    ------
    TableError
        When a file is missing, damaged, or its columns are not those stated.
    """
    path = datasets() / f"{name}.csv"
    about = meta(path.with_suffix(".meta.toml"))
    frame = _rows(path, list(about["columns"]))
    own = user_data() / "tables" / f"{name}.csv"
    if own.is_file():
        frame = pd.concat([frame, _rows(own, list(about["columns"]))], ignore_index=True)
    return Table(
        name=name, frame=frame, title=about["title"], source=about["source"], date=str(about["date"]),
        licence=about["licence"], remake=about["remake"], columns=dict(about["columns"]),
    )  # fmt: skip


def _rows(path: Path, columns: list[str]) -> pd.DataFrame:
    try:
        frame = pd.read_csv(path, dtype="string", keep_default_na=False, na_values=[""], comment="#")
    except (OSError, ValueError) as error:
        raise TableError(f"{path} cannot be read: {error}.", "Install the package again, or mend the file.") from error
    if list(frame.columns) != columns:
        raise TableError(f"{path} has columns {list(frame.columns)}; its meta file states {columns}.")
    return frame
