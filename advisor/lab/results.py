"""What campaigns write: JSON lines or CSV rows, added one by one and seen onto the disk, read back after any kill."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, Protocol, TypeVar

import pandas as pd
from pydantic import TypeAdapter, ValidationError

from advisor.errors import InputError
from advisor.files import append_whole, is_there, parse_json, read_text, write_whole


class DesignRow(Protocol):
    """A row of a design: has a name of its own, and says when it cannot be carried out."""

    @property
    def name(self) -> str:
        """Its name."""

    def check(self) -> None:
        """Refuse a plan that cannot be carried out (InputError)."""


P = TypeVar("P", bound=DesignRow)


def read_lines(path: Path) -> list[dict[str, Any]]:
    """Read JSON lines; one cut off by a kill at the end is passed over, and a missing file has none."""
    texts = read_text(path).split("\n") if is_there(path) else []
    lines: list[dict[str, Any]] = []
    for number, text in enumerate(texts, start=1):
        if not text.strip():
            continue
        try:
            line = parse_json(text, f"{path}, line {number}", hint="Take that line out.")
        except InputError:
            if number == len(texts):
                break
            raise
        if isinstance(line, dict):
            lines.append(line)
    return lines


def read_rows(path: Path, columns: Sequence[str]) -> list[dict[str, str]]:
    """Read CSV rows of exactly these columns as text; one cut off by a kill is left out, a missing file has none."""
    if not is_there(path):
        return []
    text = read_text(path)
    reader = csv.DictReader(io.StringIO(text[: text.rfind("\n") + 1], newline=""))
    if list(reader.fieldnames or []) != list(columns):
        raise InputError(f"{path} is another table.", "Name a new file, or one that such a campaign has written.")
    return list(reader)


def append_line(path: Path, line: Mapping[str, Any]) -> None:
    """Add a JSON line."""
    append_whole(path, json.dumps(line, ensure_ascii=False) + "\n")


def append_rows(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Add CSV rows, under a head when the file is new."""
    append_whole(path, _csv(columns, rows, head=False), _csv(columns, (), head=True))


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, Any]], *, head: bool) -> str:
    frame = pd.DataFrame(list(rows), columns=list(columns), dtype=object)
    return frame.to_csv(index=False, header=head, lineterminator="\n")


def write_rows(path: str | Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows as a CSV, whole; the first has the columns."""
    write_whole(path, _csv(list(rows[0]), rows, head=True))


def read_design(path: str | Path, kind: type[P]) -> list[P]:
    """Read a design: a CSV with the columns of a plan, a dataclass; those that have a default may be missing.

    InputError when it lacks a column, has a value that is no number or cannot be, or a name twice.
    """
    adapter = TypeAdapter(kind)
    wanted = [field.name for field in fields(kind)]  # type: ignore[arg-type]
    try:
        rows = list(csv.DictReader(io.StringIO(read_text(path), newline="")))
    except csv.Error as error:
        raise InputError(f"The design {path} cannot be read: {error}.") from error
    hint = f"Its columns are: {', '.join(wanted)}."
    if not rows:
        raise InputError(f"The design {path} lacks rows.", hint)
    plans: dict[str, P] = {}
    for number, row in enumerate(rows, start=1):
        values = {name: (row[name] or "").strip() for name in wanted if name in row}
        try:
            plan = adapter.validate_python(values)
        except ValidationError as error:
            wrong = error.errors()[0]
            column = wrong["loc"][0]
            if column not in values:
                raise InputError(f"The design {path} lacks {column}.", hint) from error
            said = f"{values[str(column)]!r} is no number"
            raise InputError(f"The design {path}, row {number}, column {column}: {said}.") from error
        plan.check()
        if plan.name in plans:
            raise InputError(f"The design {path} has {plan.name!r} twice.", "Each one needs a name of its own.")
        plans[plan.name] = plan
    return list(plans.values())
