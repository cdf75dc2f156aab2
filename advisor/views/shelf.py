"""Keeping the triage queue between two sittings, so that a tag brings its unit back tomorrow."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from advisor.errors import InputError
from advisor.files import user_data, write_whole
from advisor.unit import Unit

SHELF_FORMAT = 1
"""Version of the file's layout; a newer one is left alone."""


class Kept(BaseModel):
    """One unit of the queue.

    Attributes
    ----------
    unit : Unit
    origin : str
        Where its facts are from, in words.
    unread : dict of str to str
        Field to why a capture could not read it.
    problems : dict of str to (str, str)
        Field to what was typed and what is wrong with it.
    made : bool
        Its sheet was made.
    logged : str
        What was logged, in words; '' for nothing.
    """

    model_config = ConfigDict(extra="ignore", validate_assignment=True)

    unit: Unit = Field(default_factory=Unit)
    origin: str = ""
    unread: dict[str, str] = Field(default_factory=dict)
    problems: dict[str, tuple[str, str]] = Field(default_factory=dict)
    made: bool = False
    logged: str = ""


class _File(BaseModel):
    format: Annotated[int, Field(ge=1, le=SHELF_FORMAT)] = SHELF_FORMAT
    units: list[Kept] = Field(default_factory=list)


class Shelf:
    """The file that the queue is kept in.

    Parameters
    ----------
    path : path-like, optional
        Default: `queue.json` in the user's data folder.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = Path(path) if path is not None else user_data() / "queue.json"

    def load(self) -> list[Kept]:
        """Read the queue.

        Returns
        -------
        list of Kept
            Empty when there is no file yet.

        Raises
        ------
        InputError
            When the file cannot be used; it is left as it is.
        """
        if not self.path.exists():
            return []
        try:
            return _File.model_validate_json(self.path.read_bytes()).units
        except (OSError, ValidationError) as error:
            raise InputError(
                f"The queue kept in {self.path} cannot be read, so the queue starts empty.",
                "Move that file away to keep it; the next unit added writes a new one.",
            ) from error

    def save(self, units: list[Kept]) -> None:
        """Write the queue, whole or not at all.

        Parameters
        ----------
        units : list of Kept

        Raises
        ------
        InputError
            When the folder cannot be written to.
        """
        rows = [one.model_dump(mode="json", exclude_defaults=True) for one in units]
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"The queue cannot be kept in {self.path.parent}: {error.strerror}.",
                "Set ADVISOR_HOME to a folder that you may write to.",
            ) from error
        write_whole(
            self.path, json.dumps({"format": SHELF_FORMAT, "units": rows}, ensure_ascii=False, separators=(",", ":"))
        )
