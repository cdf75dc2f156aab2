"""Capture files: read with suspicion, written whole."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from advisor.capture.compose import valid
from advisor.capture.machine import clean
from advisor.errors import CaptureError
from advisor.files import read_whole, refuse_large, write_whole
from advisor.unit import CAPTURE_FORMAT, Capture

LARGEST_CAPTURE = 5 << 20
"""Largest capture file that is read [bytes]; a real one has some 10 KB."""

_FILE = "Name the file that the capture was written to."
_AGAIN = "Take the capture again: advisor capture --out FILE"


def read_capture(path: str | os.PathLike[str]) -> Capture:
    """Read a capture file.

    Returns
    -------
    advisor.unit.Capture
        Unknown fields are ignored; a value that is not valid is dropped and named in `unread`.

    Raises
    ------
    CaptureError
        When the file is missing, too large, no JSON, no capture, or of a newer format.
    """
    return from_bytes(read_whole(path, LARGEST_CAPTURE, CaptureError, _FILE), str(clean(str(path), 200)))


def from_bytes(content: bytes, shown: str) -> Capture:
    """Make a capture of a file's bytes; see `read_capture`. Messages name it as shown."""
    refuse_large(content, shown, LARGEST_CAPTURE, CaptureError)
    if not content.strip():
        raise CaptureError(f"{shown} is empty.", _AGAIN)
    try:
        content_read = json.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise CaptureError(f"{shown} is not text, so it is no capture.", _AGAIN) from error
    except json.JSONDecodeError as error:
        cut = error.pos >= len(error.doc.rstrip()) or error.msg.startswith("Unterminated")
        reason = "is cut short" if cut else "is not JSON"
        raise CaptureError(
            f"{shown} {reason} (line {error.lineno}, column {error.colno}: {error.msg}).",
            "A listing or the script's text is read with: advisor capture --from FILE",
        ) from error
    except (ValueError, RecursionError) as error:
        raise CaptureError(f"{shown} is not JSON that a capture could be.", _AGAIN) from error
    return from_json(content_read, shown)


def from_json(content: Any, name: str) -> Capture:
    """Make a capture of parsed JSON.

    Parameters
    ----------
    name : str
        Where it is from, for messages.

    Raises
    ------
    CaptureError
        When it is no capture, or of a newer format.
    """
    if not isinstance(content, dict) or not isinstance(content.get("unit"), dict):
        raise CaptureError(f"{name} is JSON, but no capture: it has no 'unit'.", _AGAIN)
    form = content.get("format", CAPTURE_FORMAT)
    if isinstance(form, bool) or not isinstance(form, int) or form < 1:
        raise CaptureError(f"{name} states no format number, so it is no capture.", _AGAIN)
    if form > CAPTURE_FORMAT:
        raise CaptureError(
            f"{name} was made by a newer version: its format is {form}, this version reads up to {CAPTURE_FORMAT}.",
            "Install a newer version of the advisor here, or take the capture again with this one.",
        )
    unit, refused = valid(content["unit"])
    unread = content.get("unread")
    reasons = {
        field: reason
        for key, value in (list(unread.items())[:200] if isinstance(unread, dict) else [])
        if isinstance(value, str) and (field := clean(str(key), 60)) and (reason := clean(value, 300))
    }
    return Capture(
        format=CAPTURE_FORMAT,
        taken_at=clean(content["taken_at"], 40) if isinstance(content.get("taken_at"), str) else None,
        taken_by=clean(content["taken_by"], 100) if isinstance(content.get("taken_by"), str) else None,
        unit=unit,
        unread=reasons | refused,
    )


def write_capture(capture: Capture, path: str | os.PathLike[str]) -> Path:
    """Write a capture file, whole or not at all.

    Raises
    ------
    advisor.errors.InputError
        When it cannot be written.
    """
    return write_whole(path, as_text(capture))


def as_text(capture: Capture) -> str:
    """A capture as the JSON text that `write_capture` writes: known facts, and what could not be read."""
    content = capture.model_dump(mode="json")
    content["unit"] = {name: value for name, value in content["unit"].items() if value is not None}
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"
