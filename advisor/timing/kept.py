"""What a model file may hold: the range of every figure, checked before anything is computed with it.

The records of a model carry these types in their own fields; a file is checked against them as it is read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import Field, TypeAdapter, ValidationError, WrapValidator

from advisor.errors import TableError
from advisor.files import read_json, shortened

LARGEST_MODEL = 16 << 20
"""Largest model file that is read [bytes]; a real one has some 60 KB."""

Figure = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e15, le=1e15)]
Size = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e15)]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
Factor = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1e3)]
Log = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-20, le=20)]
"""A natural logarithm of a ratio; its exponential stays a number."""
Taught = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-5, le=5)]
Pace = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.01, le=100)]
Middle = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.1, le=10)]
Coefficient = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e8)]
"""What a log teaches (as a logarithm, and of hands), the middle of what a fit leaves, and a coefficient of the physics:
ends that seconds written as minutes stay within, and minutes that nobody could believe do not; no source."""
Width = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=20)]
Overlap = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1, le=64)]
Count = Annotated[int, Field(strict=True, ge=0, le=10**9)]

OrInfinite = WrapValidator(lambda value, check: math.inf if value is None else check(value))
"""JSON has no infinity: it is null."""

AsItIs = WrapValidator(lambda value, check: check(value) and value)
"""What is checked as far as it is read again, and kept whole."""


def stating(*names: str) -> WrapValidator:
    """A record of which these fields stand in the file, though they have a default; all of them for none."""

    def checked(value: Any, check: Any) -> Any:
        found = check(value)
        asked = names or tuple(one.name for one in fields(found))
        if lacking := [name for name in asked if name not in value]:
            raise ValueError(f"it lacks {', '.join(lacking)}")
        return found

    return WrapValidator(checked)


Whole = stating()

Kind = TypeVar("Kind")


def read_kept(path: str | Path, kind: type[Kind], reads: int, remake: str) -> Kind:
    """Read a model file whose shape and figures are right.

    Parameters
    ----------
    kind : type
        What it has to hold.
    reads : int
        Format that is read.
    remake : str
        Command that makes it anew, for the hint.

    Raises
    ------
    TableError
        When it cannot be read, is of another format, or is damaged; the message names the file and what is wrong.
    """
    hint = f"Make it again with: {remake}"
    content = read_json(path, LARGEST_MODEL, TableError, hint)
    form = content.get("format")
    if isinstance(form, int) and form != reads:
        newer = "Install a newer version of the package. Or: " if form > reads else ""
        raise TableError(f"The model {path} is of format {form}; this version reads {reads}.", newer + hint)
    try:
        return TypeAdapter(kind).validate_python(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise damaged(path, f"{where[:200]}: {first['msg']}", remake) from error


def damaged(path: str | Path, what: object, remake: str) -> TableError:
    """The error of a model file whose figures are right one by one and wrong together."""
    return TableError(f"The model {path} is damaged: {shortened(str(what))}.", f"Make it again with: {remake}")


def plain(value: Any, digits: int = 17) -> Any:
    """A record, or a part of one, as JSON holds it, its figures to so many digits; what is not finite is null."""
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.{digits}g}") if np.isfinite(value) else None
    if isinstance(value, np.generic):
        return value.item()
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {name: plain(one, digits) for name, one in value.items()}
    if isinstance(value, (Sequence, np.ndarray)) and not isinstance(value, str):
        return [plain(one, digits) for one in value]
    return value
