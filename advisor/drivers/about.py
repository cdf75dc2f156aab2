"""The meta file beside a driver, firmware or id table: what it may hold, as far as it is read again."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from advisor.errors import TableError
from advisor.files import read_toml

Count = Annotated[int, Field(strict=True, ge=0, le=10**12)]


class _Said(BaseModel):
    model_config = ConfigDict(strict=True, extra="allow")


class _Package(_Said):
    name: str
    version: str
    architecture: str
    area: str
    size: Count
    sha256: str


class _Changes(_Said):
    since: str
    built: str
    aliases_added: Count
    aliases_gone: Count
    modules_added: list[str]
    modules_gone: list[str]


class _About(_Said):
    format: Count
    title: str
    source: str
    date: str | date
    licence: str
    remake: str
    sha256: str
    version: str = ""
    firmware: str = ""
    modules: Count = 0
    aliases: Count = 0
    files: Count = 0
    notes: list[str] = Field(default_factory=list)
    packages: list[_Package] = Field(default_factory=list)
    changes: _Changes | None = None


def read_about(file: Path, newest: int, hint: str) -> dict[str, Any]:
    """Read a meta file up to format `newest`; TableError, with how the table is made again, when it cannot be read."""
    content = read_toml(file, TableError, hint)
    form = content.get("format")
    if isinstance(form, int) and form > newest:
        raise TableError(
            f"{file} is of format {form}; this version reads up to {newest}.",
            f"Install a newer version of the package. Or: {hint}",
        )
    try:
        _About.model_validate(content)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise TableError(f"{file}, {'.'.join(map(str, first['loc']))[:200]}: {first['msg']}.", hint) from error
    return content
