"""What a model file may hold: its shape and the range of every figure, checked before anything is computed with it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictInt, StrictStr, ValidationError

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
Width = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=20)]
Overlap = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1, le=64)]
Count = Annotated[int, Field(strict=True, ge=0, le=10**9)]


class Kept(BaseModel):
    """A part of a model file; nothing in it is taken for something else."""

    model_config = ConfigDict(strict=True)


class KeptWidths(Kept):
    """Half-widths: `advisor.timing.conformal.Widths`."""

    overall: Width | None
    groups: dict[str, Width]
    rows: Count


class KeptCurve(Kept):
    """`advisor.timing.logpart.Curve`."""

    levels: Annotated[list[Share], Field(min_length=1)]
    factors: Annotated[list[Size], Field(min_length=1)]


class KeptLog(Kept):
    """`advisor.timing.logpart.LogPart`; what an older file lacks is as if nothing was learnt of it."""

    rows: Count
    invented: StrictBool
    hands_factor: Factor
    level: Log = 0.0
    widths: KeptWidths
    effects: dict[str, dict[str, Log]] = {}
    technicians: dict[str, Factor] = {}
    hands_sd: Width = 0.0
    paces: dict[str, dict[str, Factor]] = {}
    curve: KeptCurve | None = None
    first: StrictStr = ""
    last: StrictStr = ""
    effective_rows: Size | None = None
    half_life_days: Size = 0.0


class KeptPhase(Kept):
    """Coefficients of one phase."""

    overlap: Overlap
    terms: dict[str, Size]


class KeptSeen(Kept):
    """Conditions of the rehearsals."""

    columns: list[StrictStr]
    rows: list[list[StrictStr | Size | None]]


class KeptGate(Kept):
    """What the gate said of a version, as far as it is read again."""

    model_config = ConfigDict(strict=True, extra="allow")
    accepted: StrictBool | None = None
    median_serving: Figure | None = None
    median_candidate: Figure | None = None


class KeptAbout(Kept):
    """What is shown of a timing model, as far as it is read again."""

    model_config = ConfigDict(strict=True, extra="allow")
    rehearsals: Count = 0
    version: StrictStr = ""
    learnt: StrictStr = ""
    tables: StrictStr = ""
    made_with: dict[str, str] = {}
    gate: KeptGate = KeptGate()


class KeptTiming(Kept):
    """The file of a timing model."""

    format: StrictInt
    about: KeptAbout
    physics: dict[str, KeptPhase]
    level: Factor
    widths: KeptWidths
    log: KeptLog
    seen: KeptSeen


Kind = TypeVar("Kind", bound=Kept)


def read_kept(path: str | Path, kind: type[Kind], reads: int, remake: str) -> dict[str, Any]:
    """Read a model file whose shape and figures are right.

    Parameters
    ----------
    kind : type of Kept
        What it has to hold.
    reads : int
        Format that is read.
    remake : str
        Command that makes it anew, for the hint.

    Returns
    -------
    dict
        The file's content.

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
        kind.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise damaged(path, f"{where[:200]}: {first['msg']}", remake) from error
    return content


def damaged(path: str | Path, what: object, remake: str) -> TableError:
    """The error of a model file whose figures are right one by one and wrong together."""
    return TableError(f"The model {path} is damaged: {shortened(str(what))}.", f"Make it again with: {remake}")
