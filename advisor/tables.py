"""Tables of facts: a CSV beside a TOML that says where every column is from and what may stand in it."""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor.errors import TableError
from advisor.files import datasets, is_there, read_text, read_toml, user_data

if TYPE_CHECKING:
    import pandas as pd

TABLE_FORMAT = 1
"""Layout version of the `.meta.toml` files; a newer one is refused."""

KINDS = {
    "number": re.compile(r"[0-9]{1,12}(\.[0-9]{1,20})?([eE]-[0-9]{1,2})?"),
    "number above 0": re.compile(r"(?=[0-9.]*[1-9])[0-9]{1,12}(\.[0-9]{1,20})?([eE]-[0-9]{1,2})?"),
    "whole number": re.compile(r"[0-9]{1,9}"),
}
"""What a column of that kind may hold; a table has no use for a negative number or an infinity."""

_MEND = "Mend the file, or take it away; one that ships comes back with: pip install --force-reinstall bench-advisor"


@dataclass(frozen=True)
class Table:
    """A table and what is known of it."""

    # The rows: those shipped, then those of the user's own table of the same name; one of the user's takes the place of
    # a shipped one with the same key.
    frame: pd.DataFrame
    # Its meta file: title, source, date, licence, remake; columns: name to meaning, with its unit in square brackets.
    about: dict[str, Any]


@cache
def compiled(pattern: str) -> re.Pattern[str]:
    """An expression of a table, compiled once and only when asked for: of hundreds a unit needs a few."""
    return re.compile(pattern)


@cache
def meta(path: Path) -> dict[str, Any]:
    """Read a table's meta file.

    Parameters
    ----------
    path : pathlib.Path
        The `.meta.toml` file.

    Raises
    ------
    TableError
        When it is missing, cannot be parsed, lacks an entry, or is of a newer format.
    """
    content = read_toml(path, TableError, "Install the package again.")
    words = dict.fromkeys(("title", "source", "licence", "remake"), str)
    wanted: dict[str, type] = {"format": int, "date": object, "columns": dict, **words}
    wrong = [name for name, kind in wanted.items() if not isinstance(content.get(name), kind)]
    if wrong:
        raise TableError(f"{path} lacks {', '.join(wrong)}.", "Each table states all of these.")
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
        Such as 'identify/processors'. The user's own rows are read from `<user data folder>/tables/<name>.csv` when
        that file exists, need the same columns, and are held to the same checks.

    Returns
    -------
    Table
        Every column is text; an empty cell is NA. Callers convert what they need.

    Raises
    ------
    TableError
        When a file is missing or damaged; the message names file, line and column.
    """
    import pandas as pd

    about = meta(datasets() / f"{name}.meta.toml")
    cells = [[cell or None for cell in row] for row in rows(name)]
    frame = pd.DataFrame(cells, columns=list(about["columns"]), dtype="string")
    return Table(frame, about)


@cache
def rows(name: str) -> tuple[tuple[str, ...], ...]:
    """Rows of a table as plain text, checked; see `load`.

    Returns
    -------
    tuple of tuple of str
        Cells in the order of the meta file's columns, '' for an empty one.

    Raises
    ------
    TableError
    """
    path = datasets() / f"{name}.csv"
    about = meta(path.with_suffix(".meta.toml"))
    shipped = _read(path, about, shipped=True)
    of_user = own_file(name)
    if of_user is None:
        return tuple(shipped.values())
    added = _read(of_user, about)
    strangers = [key for key in added if key not in shipped] if about.get("closed") else []
    if strangers:
        raise TableError(
            f"{of_user}: {', '.join(strangers[0])!r} is no row of the table {name}, and nothing would read it.", _MEND
        )
    return tuple((shipped | added).values())


def dicts(name: str) -> list[dict[str, str]]:
    """Rows of a table by column; see `rows`."""
    columns = list(meta(datasets() / f"{name}.meta.toml")["columns"])
    return [dict(zip(columns, row, strict=True)) for row in rows(name)]


class Named(dict[str, Any]):
    """What a table's rows say by name; one that is asked for and not there is a damaged table.

    Parameters
    ----------
    name : str
        The table.
    """

    def __init__(self, name: str, content: Mapping[str, Any]) -> None:
        super().__init__(content)
        self.name = name

    def __missing__(self, key: str) -> Any:
        raise damaged(self.name, f"it has no row {key!r}")


def own_file(name: str) -> Path | None:
    """The user's own rows of a table; None when there are none."""
    path = user_data() / "tables" / f"{name}.csv"
    return path if is_there(path, TableError) else None


def damaged(name: str, what: object) -> TableError:
    """The error of a table whose cells are right one by one and wrong together; names the user's file if there is one.

    Parameters
    ----------
    what : object
        What is wrong, in words or as the exception that said so.
    """
    return TableError(f"{own_file(name) or datasets() / f'{name}.csv'} cannot be used: {what}.", _MEND)


def _read(path: Path, about: dict[str, Any], shipped: bool = False) -> dict[tuple[str, ...], tuple[str, ...]]:
    """Rows of one file by their key; that each shipped pattern compiles is for the tests, not for every start."""
    columns = list(about["columns"])
    lines = _lines(path, columns)
    checks, empty = about.get("checks", {}), set(about.get("may_be_empty", ()))
    for column, cells in zip(columns, zip(*(row for _, row in lines), strict=True), strict=False):
        wanted = checks.get(column)
        fits, accepted = _check(None if shipped and wanted == "pattern" else wanted)
        for cell in set(cells):
            # No text that anybody wrote has a NUL in it.
            if not (column in empty if not cell else cell.strip() and "\0" not in cell and fits(cell)):
                number = lines[cells.index(cell)][0]
                raise TableError(f"{path}, line {number}, column {column}: {cell[:60]!r} is not {accepted}.", _MEND)
    for group in about.get("rising", ()):
        places = [columns.index(column) for column in group]
        for number, row in lines:
            figures = [float(row[at]) for at in places]
            if figures != sorted(figures):
                raise TableError(f"{path}, line {number}: {', '.join(group)} do not rise.", _MEND)
    key = [columns.index(column) for column in about.get("key", columns)]
    found: dict[tuple[str, ...], tuple[str, ...]] = {}
    for number, row in lines:
        mark = tuple([row[at] for at in key])
        if mark in found:
            raise TableError(f"{path}, line {number}: a second row for {', '.join(mark)[:100]!r}.", _MEND)
        found[mark] = row
    return found


def _lines(path: Path, columns: list[str]) -> list[tuple[int, tuple[str, ...]]]:
    """Rows of a CSV under the right header, each with its line's number; lines that begin with # are passed by."""
    reader = csv.reader(io.StringIO(read_text(path, error=TableError, hint=_MEND), newline=""), strict=True)
    try:
        found = [(reader.line_num, tuple(row)) for row in reader if row and not row[0].startswith("#")]
    except csv.Error as error:
        raise TableError(f"{path}, line {reader.line_num}: {error}.", _MEND) from error
    header = list(found[0][1]) if found else []
    if header != columns:
        raise TableError(f"{path} has the columns {', '.join(header)[:500]}; it needs {', '.join(columns)}.", _MEND)
    for number, row in found[1:]:
        if len(row) != len(columns):
            raise TableError(f"{path}, line {number} has {len(row)} cells, not {len(columns)}.", _MEND)
    return found[1:]


def _check(wanted: str | list[str] | None) -> tuple[Callable[[str], object], str]:
    """What a cell has to pass, and that in words."""
    if wanted is None:
        return bool, "filled in"
    if isinstance(wanted, list):
        return set(wanted).__contains__, f"one of: {', '.join(wanted)}"
    if wanted == "pattern":
        return _is_pattern, "a regular expression"
    if wanted.startswith("row of "):
        other = wanted.removeprefix("row of ")
        return {row[0] for row in rows(other)}.__contains__, f"a row of the table {other}"
    shape = KINDS.get(wanted) or re.compile(wanted)
    return shape.fullmatch, f"a {wanted}" if wanted in KINDS else f"like {wanted}"


def _is_pattern(cell: str) -> bool:
    try:
        with warnings.catch_warnings(action="error", category=FutureWarning):
            return bool(re.compile(cell))
    except (re.error, OverflowError, RecursionError, FutureWarning):
        return False
