"""Captures from text: the script's recording, and listings that technicians already have, pasted anyhow."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from functools import reduce
from pathlib import Path
from typing import Any

from advisor.capture.capture_file import from_json
from advisor.capture.compose import compose
from advisor.capture.listings import blocks, cpu, smart, udevdb
from advisor.capture.listings.kinds import ListingKind, Section
from advisor.capture.listings.ledger import left, missing, told, told_of
from advisor.capture.listings.merge import differ, machines, merge
from advisor.capture.listings.sections import BROKEN, Listings, split
from advisor.capture.machine import clean
from advisor.capture.machine_facts import MachineFacts
from advisor.errors import CaptureError
from advisor.files import read_whole, refuse_large
from advisor.unit import Capture

LARGEST_LISTING = 8 << 20
"""Largest listing that is read [bytes]; all listings of one unit together have about 1 MB."""

MOST_LINES = 100_000
"""Lines of one text that are read; a whole PC has up to some 20,000, most of them its udev database's (from memory)."""
MOST_PARTS = 300
"""Listings of one text that are read; the rest is left, and said."""
MOST_FILES = 500
"""Files of a folder that are read."""

ACCEPTED = (
    "What is read: the text of the script that `advisor capture --script` prints, and the output of lspci, lsusb, "
    "lscpu, cat /proc/cpuinfo, free, lsblk, dmidecode, smartctl, nvme smart-log, upower, edid-decode, dmesg, "
    "journalctl -k and udevadm info --export-db. Best: lspci -nnk."
)
__all__ = ["ACCEPTED", "LARGEST_LISTING", "missing", "read_files", "read_listings", "read_machines"]


def read_listings(source: str | os.PathLike[str]) -> Capture:
    """Make a capture of listings of one machine.

    Parameters
    ----------
    source : str or path-like
        A path; or, when a str holds a line break, the text itself.

    Returns
    -------
    advisor.unit.Capture
        What the listings say; what they do not is in `unread`, and what became of each part of the text in `ledger`.
        A capture file is read as such.

    Raises
    ------
    CaptureError
        When it cannot be read, is binary or too large, holds no listing that is known, is of a newer format, or holds
        listings of two machines.
    """
    found = read_machines(source)
    if len(found) > 1:
        raise CaptureError(
            f"The listings are of two machines or more: they name two {found[1].unread.get('machine', 'of them')}.",
            "Hand in the listings of one unit at a time.",
        )
    return found[0]


def read_machines(source: str | os.PathLike[str]) -> list[Capture]:
    """Make a capture of each machine that a text holds listings of.

    Parameters
    ----------
    source : str or path-like
        As of `read_listings`.

    Returns
    -------
    list of advisor.unit.Capture
        At least one, in order of appearance.

    Raises
    ------
    CaptureError
        As `read_listings`, but for several machines.
    """
    if isinstance(source, str) and "\n" in source:
        return _read([("", source)], "The text")
    return machines_of(read_whole(source, LARGEST_LISTING, CaptureError), str(clean(str(source), 200)))


def machines_of(content: bytes, shown: str) -> list[Capture]:
    """Make a capture of each machine that a file's bytes hold listings of; see `read_machines`."""
    refuse_large(content, shown, LARGEST_LISTING, CaptureError)
    return _read([("", decode(content, shown))], shown)


def read_files(paths: Iterable[Path], text: str = "") -> list[Capture]:
    """Make captures of several files, folders of files, and a text.

    Parameters
    ----------
    paths : iterable of pathlib.Path
        Of a folder all its files are read, without those in folders below it.
    text : str
        Such as what came by standard input.

    Returns
    -------
    list of advisor.unit.Capture
        One for each machine.

    Raises
    ------
    CaptureError
        As `read_machines`; a file of a folder that is no text is named in `ledger` instead.
    """
    files = [one for path in paths for one in _files(path)]
    if len(files) == 1 and not text:
        return read_machines(files[0][0])
    room, texts, refused = LARGEST_LISTING, [("standard input", text)] if text else [], list[tuple[Section, str]]()
    for path, of_folder in files:
        name = str(clean(path.name, 80))
        try:
            content = read_whole(path, room, CaptureError)
            texts.append((name, decode(content, str(clean(str(path), 200)))))
            room -= len(content)
        except CaptureError as error:
            if not of_folder:
                raise
            refused.append((Section(source=name), f"left, {error.message}"))
    return _read(texts, "The text of the files together", refused)


def _files(path: Path) -> list[tuple[Path, bool]]:
    if not path.is_dir():
        return [(path, False)]
    inside = sorted(one for one in path.iterdir() if one.is_file() and not one.name.startswith("."))
    if not inside:
        raise CaptureError(
            f"{clean(str(path), 200)} is a folder without files.", "Name a file, or a folder with listings."
        )
    return [(one, True) for one in inside[:MOST_FILES]]


def decode(content: bytes, name: str) -> str:
    """Turn a file's bytes (UTF-8, UTF-16 with its mark) into text, CaptureError when they are none."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16", "replace")
    if b"\0" in content:
        raise CaptureError(f"{name} is not text, so it holds no listing.", ACCEPTED)
    return content.decode("utf-8-sig", "replace")


def _read(texts: list[tuple[str, str]], name: str, refused: Iterable[tuple[Section, str]] = ()) -> list[Capture]:
    if sum(len(text) for _, text in texts) > LARGEST_LISTING or sum(t.count("\n") for _, t in texts) > MOST_LINES:
        raise CaptureError(
            f"{name} has more than {LARGEST_LISTING >> 20} MiB or {MOST_LINES} lines, so it was not read.",
            "Hand in the listings of one unit alone.",
        )
    if not any(text.strip() for _, text in texts):
        raise CaptureError(f"{name} is empty.", ACCEPTED)
    found = Listings()
    for source, text in texts:
        part = split(text, source)
        found.sections += part.sections
        found.left += part.left
    whole = [kind for kind, _ in found.sections if isinstance(kind, dict) and "unit" in kind]
    if whole:
        if len(found.sections) > 1:
            raise CaptureError(f"{name} holds a capture among other listings.", "Hand in the capture file alone.")
        return [from_json(whole[0], name)]
    return _captures(found, name, refused)


def _captures(found: Listings, name: str, refused: Iterable[tuple[Section, str]]) -> list[Capture]:
    from advisor import __version__

    entries = [*((part, left(part)) for part in found.left), *refused]
    entries += [(part, f"left, more than {MOST_PARTS} listings") for _, part in found.sections[MOST_PARTS:]]
    parts: list[MachineFacts] = []
    # What udev keeps of maker and model has lost its blanks, so the others go first.
    for kind, section in sorted(found.sections[:MOST_PARTS], key=lambda one: one[0] is udevdb.UDEV):
        title, facts = _facts(kind, section)
        entries.append((section, told_of(title, facts)))
        if facts != MachineFacts():
            parts.append(replace(facts, source=title))
    if not parts:
        raise CaptureError(f"{name} holds no listing that is known.", ACCEPTED)
    ledger, groups = told(entries), machines(parts)
    out = []
    for group in groups:
        facts = reduce(merge, group)
        care = dict(facts.care)
        if any(one.command == BROKEN for one in found.left):
            care["listing"] = f"{BROKEN}, so it was left out"
        if other := next((why for one in groups[0] for two in group if (why := differ(one, two))), ""):
            care["machine"] = other
        by = f"advisor {__version__}, from {', '.join(dict.fromkeys(part.source for part in group))}"
        told_too = {"ledger": ledger, "firmware": list(facts.firmware)}
        out.append(compose(replace(facts, care=care), by).model_copy(update=told_too))
    return out


def _facts(kind: ListingKind | dict[str, Any], section: Section) -> tuple[str, MachineFacts]:
    if isinstance(kind, ListingKind):
        return kind.name, kind.read(section)
    if "lscpu" in kind:
        return "lscpu -J", cpu.read_lscpu_json(kind["lscpu"])
    if "blockdevices" in kind:
        return "lsblk -J", blocks.read_rows(kind["blockdevices"])
    if {"smartctl", "ata_smart_attributes", "nvme_smart_health_information_log"} & set(kind):
        return "smartctl -j", smart.read_json(kind)
    if {"name", "size"} <= set(kind):  # a row of a listing that was cut short
        return "lsblk -J", blocks.read_rows([kind])
    return "JSON", MachineFacts()
