"""The script's text file: lines of 'PATH = text', 'PATH := hex', 'PATH -> PATH', 'PATH ! reason' and 'PATH/'."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from advisor.capture.listings.kinds import ListingKind, Section
from advisor.capture.machine import Attempt, RecordedMachine
from advisor.capture.machine_facts import MachineFacts
from advisor.errors import CaptureError

RECORDING_FORMAT = 1
"""Version of the recording's layout; a newer one is refused."""

FIRST = "bench-advisor recording "
LAST = "bench-advisor recording ends"
MOST_PATHS = 20_000
"""Paths kept of one recording; a real one has one or two thousand."""
_LONGEST_PATH = 400

_LINE = re.compile(r"(/(?:sys|proc|run)(?:/[^\s/]{1,200}){0,25}) (=|:=|->|!)(?: |\Z)")
_FOLDER = re.compile(r"(/(?:sys|proc|run)(?:/[^\s/]{1,200}){0,25})/\Z")


def machine(lines: Iterable[str]) -> tuple[RecordedMachine, bool]:
    """Make a machine of a recording.

    Returns
    -------
    whole : bool
        The last line was there.

    Raises
    ------
    CaptureError
        When the recording is of a newer format.
    """
    texts: dict[str, list[bytes]] = {}
    links: dict[str, str] = {}
    refused: dict[str, Attempt] = {}
    folders: list[str] = []
    whole = False
    for line in lines:
        if line.startswith(FIRST):
            _check_format(line)
            whole = whole or line.strip() == LAST
            continue
        if len(texts) + len(links) + len(folders) > MOST_PATHS:
            break
        found = _LINE.match(line[:_LONGEST_PATH])
        if not found:
            folder = _FOLDER.match(line[:_LONGEST_PATH])
            if folder:
                folders.append(folder[1])
            continue
        path, kind = found[1], found[2]
        rest = line[found.end() :]
        if kind == "=":
            texts.setdefault(path, []).append(rest.encode("utf-8", "replace") + b"\n")
        elif kind == ":=":
            try:
                texts.setdefault(path, []).append(bytes.fromhex(rest))
            except ValueError:
                continue
        elif kind == "->":
            target = rest.strip()
            if target.startswith("/") and len(target) < _LONGEST_PATH:
                links[path] = target
        else:
            refused[path] = Attempt.ROOT if rest.strip() == "needs root" else Attempt.BROKEN
    files = {path: b"".join(parts) for path, parts in texts.items()}
    return RecordedMachine(files, links, refused, folders), whole


def _check_format(line: str) -> None:
    word = line[len(FIRST) :].strip()
    if word == "ends":
        return
    if not (word.isascii() and word.isdigit() and len(word) < 6):
        raise CaptureError("The recording states no format number.", "Run the script again: advisor capture --script")
    if int(word) > RECORDING_FORMAT:
        raise CaptureError(
            f"The recording was made by a newer version: its format is {word}, this version reads up to "
            f"{RECORDING_FORMAT}.",
            "Install a newer version of the advisor here, or use the script that this one prints.",
        )


def read(section: Section) -> MachineFacts:
    """Run the probes on a recording."""
    from advisor.capture.live import gather

    found, whole = machine(section.lines)
    facts = gather(found)
    if whole or not any(line.startswith(FIRST) for line in section.lines):
        return facts
    return replace(facts, care={**facts.care, "recording": "the recording is cut short: its last line is missing"})


NAME = "the script's recording"
_STARTS = re.compile(f"{_LINE.pattern}|{_FOLDER.pattern}|{re.escape(FIRST)}")

RECORDING = ListingKind(NAME, _STARTS.match, lambda line, lines: not line.strip(), read)
