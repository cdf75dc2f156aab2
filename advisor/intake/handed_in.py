"""Files that a person hands in, by upload or in a watched folder: what each is, decided by its content."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from advisor.errors import InputError
from advisor.intake.encoding import ZIP
from advisor.unit import Capture

MOST_BYTES = 64 * 2**20
"""Largest file taken [bytes]."""

LARGEST_JSON = 5 * 2**20
"""Largest JSON looked into to tell a listing from a capture [bytes]."""

SHEET_SUFFIXES = frozenset({".csv", ".tsv", ".tab", ".xlsx", ".xlsm", ".xls", ".ods"})
WATCHED_SUFFIXES = frozenset({".json", ".txt"})
"""What counts as a capture in a watched folder."""


@dataclass(frozen=True)
class Sheet:
    """An intake sheet handed in."""

    name: str  # File name
    raw: pd.DataFrame  # Its cells as text


def shown_name(name: str) -> str:
    """Take the last part of a file name as text for the screen; it is never used as a path."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(one for one in last if one.isprintable())[:120] or "the file"


def read_file(name: str, content: bytes) -> list[Capture] | Sheet:
    """Read a file handed in: a capture, a listing or an intake sheet.

    Parameters
    ----------
    name : str
        File name, for messages and for what its ending says.

    Returns
    -------
    list of Capture, or Sheet
        A capture for each machine.

    Raises
    ------
    AdvisorError
        When it is empty, too large, or none of the three; says what is accepted.
    """
    shown = shown_name(name)
    suffix = Path(shown).suffix.lower()
    if len(content) > MOST_BYTES:
        raise InputError(
            f"{shown} is larger than {MOST_BYTES >> 20} MiB.", "Hand in the capture or the intake sheet alone."
        )
    if not content.strip():
        raise InputError(f"{shown} is empty.", "Save it again, or capture the unit again.")
    if suffix in SHEET_SUFFIXES or content.startswith(ZIP):
        from advisor import intake

        return Sheet(shown, intake.read_bytes(content, shown))
    from advisor.capture.capture_file import from_bytes
    from advisor.capture.listings import machines_of

    if suffix == ".json" and not _is_json_listing(content):
        return [from_bytes(content, shown)]
    return machines_of(content, shown)


def read_pasted(text: str) -> list[Capture] | Sheet:
    """Read pasted text: rows of a sheet where its first line has headers, else a capture or listings."""
    from advisor.intake.headers import recognised

    first = text.strip().splitlines()[0] if text.strip() else ""
    separator = max("\t;,", key=first.count)
    table = first.count(separator) > 0 and recognised(first.split(separator)) >= 2
    name = "pasted.csv" if table else "pasted.json" if first.startswith("{") else "pasted.txt"
    return read_file(name, text.encode())


def _is_json_listing(content: bytes) -> bool:
    """Tell whether JSON is a tool's listing (as of `lsblk -J`) and not a capture that may be damaged."""
    if len(content) > LARGEST_JSON:
        return False
    try:
        parsed = json.loads(content)
    except (ValueError, RecursionError):
        return False
    return isinstance(parsed, dict) and not {"unit", "format"} & set(parsed)


@dataclass(frozen=True)
class FoundFile:
    """A file met in a watched folder."""

    path: Path
    stamp: tuple[int, int]  # Time of its last change and its size; a file is read again when they differ


def scan(folder: Path, seen: dict[str, tuple[int, int]]) -> list[FoundFile]:
    """Find the captures in a folder that were not read yet, oldest first.

    Parameters
    ----------
    folder : pathlib.Path
        Links in it are not followed, folders below it not entered.
    seen : dict
        File name to the stamp under which it was read.

    Raises
    ------
    InputError
        When the folder cannot be read.
    """
    found = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                capture = Path(entry.name).suffix.lower() in WATCHED_SUFFIXES and not entry.name.startswith(".")
                if capture and entry.is_file(follow_symlinks=False):
                    status = entry.stat(follow_symlinks=False)
                    stamp = (status.st_mtime_ns, status.st_size)
                    if 0 < status.st_size <= MOST_BYTES and seen.get(entry.name) != stamp:
                        found.append(FoundFile(Path(entry.path), stamp))
    except OSError as error:
        raise InputError(
            f"The folder {folder} cannot be read: {error.strerror}.",
            "Put the stick in again, or choose another folder.",
        ) from error
    return sorted(found, key=lambda one: (one.stamp[0], one.path.name))
