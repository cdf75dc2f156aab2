"""Captures from text: the script's recording, and listings that technicians already have, alone or several together."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from advisor.capture.compose import compose
from advisor.capture.facts import Facts
from advisor.capture.listings import buses, dmi, numbers, recording, udevdb
from advisor.capture.listings.merge import merge
from advisor.capture.listings.split import Kind, Section, split
from advisor.capture.machine import clean
from advisor.capture.store import from_json
from advisor.errors import CaptureError
from advisor.files import read_whole
from advisor.unit import Capture

LARGEST_LISTING = 8 << 20
"""Largest listing that is read [bytes]; all listings of one unit together have about 1 MB."""

MOST_LINES = 300_000

ACCEPTED = (
    "What is read: the text of the script that `advisor capture --script` prints, and the output of lspci -nn, "
    "lspci -nnk, lsusb, cat /proc/cpuinfo, lscpu, lscpu -J, lsblk -J, dmidecode and udevadm info --export-db."
)

_READERS = {
    Kind.RECORDING: recording.read,
    Kind.UDEV: udevdb.read,
    Kind.LSPCI: buses.read_pci,
    Kind.LSUSB: buses.read_usb,
    Kind.CPUINFO: numbers.read_cpuinfo,
    Kind.MEMINFO: numbers.read_meminfo,
    Kind.LSCPU: numbers.read_lscpu,
    Kind.DMIDECODE: dmi.read,
}


def read_listings(source: str | os.PathLike[str]) -> Capture:
    """Make a capture of listings of one machine.

    Parameters
    ----------
    source : str or path-like
        A path; or, when a str holds a line break, the text itself.

    Returns
    -------
    advisor.unit.Capture
        What the listings say; what they do not is in `unread`. A capture file is read as such.

    Raises
    ------
    CaptureError
        When it cannot be read, is binary or too large, holds no listing that is known, is of a newer format, or holds
        listings of two machines.
    """
    if isinstance(source, str) and "\n" in source:
        return _read(source, "The text")
    shown = str(clean(str(source), 200))
    return _read(decode(read_whole(source, LARGEST_LISTING, CaptureError), shown), shown)


def read_files(paths: list[Path]) -> Capture:
    """Make a capture of several files about one machine.

    Parameters
    ----------
    paths : list of pathlib.Path

    Returns
    -------
    advisor.unit.Capture

    Raises
    ------
    CaptureError
        As `read_listings`.
    """
    if len(paths) == 1:
        return read_listings(paths[0])
    left, texts = LARGEST_LISTING, []
    for path in paths:
        content = read_whole(path, left, CaptureError)
        left -= len(content)
        texts.append(decode(content, str(clean(str(path), 200))))
    return _read("\n".join(texts), "The text of the files together")


def decode(content: bytes, name: str) -> str:
    """Turn a file's bytes into text.

    Parameters
    ----------
    content : bytes
        UTF-8, or UTF-16 with its byte order mark; other bytes of single-byte encodings become a replacement mark.
    name : str
        For the message.

    Returns
    -------
    str

    Raises
    ------
    CaptureError
        When it is no text.
    """
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16", "replace")
    if b"\0" in content:
        raise CaptureError(f"{name} is not text, so it holds no listing.", ACCEPTED)
    return content.decode("utf-8-sig", "replace")


def _read(text: str, name: str) -> Capture:
    if len(text) > LARGEST_LISTING or text.count("\n") > MOST_LINES:
        raise CaptureError(
            f"{name} has more than {LARGEST_LISTING >> 20} MiB or {MOST_LINES} lines, so it was not read.",
            "Hand in the listings of one unit alone.",
        )
    if not text.strip():
        raise CaptureError(f"{name} is empty.", ACCEPTED)
    sections, cut = split(text)
    whole = [said for section in sections if section.kind is Kind.JSON for said in [section.json] if _is_capture(said)]
    if whole:
        if len(sections) > 1:
            raise CaptureError(f"{name} holds a capture among other listings.", "Hand in the capture file alone.")
        return from_json(whole[0], name)
    # What udev keeps of maker and model has lost its blanks, so the others go first.
    ordered = sorted(sections, key=lambda section: section.kind is Kind.UDEV)
    parts = [part for section in ordered for part in _parts(section)]
    parts = [part for part in parts if part != Facts()]
    if not parts:
        raise CaptureError(f"{name} holds no listing that is known.", ACCEPTED)
    facts = merge(parts)
    if cut:
        facts = Facts(**{**vars(facts), "care": {**facts.care, "listing": cut}})
    from advisor import __version__

    kinds = ", ".join(dict.fromkeys(str(section.kind) for section in sections))
    return compose(facts, f"advisor {__version__}, from {kinds}")


def _is_capture(said: Any) -> bool:
    return isinstance(said, dict) and "unit" in said


def _parts(section: Section) -> list[Facts]:
    if section.kind is not Kind.JSON:
        return [_READERS[section.kind](section.lines)]
    said = section.json
    if not isinstance(said, dict):
        return []
    parts = []
    if "lscpu" in said:
        parts.append(numbers.read_lscpu_json(said["lscpu"]))
    if "blockdevices" in said:
        parts.append(numbers.read_lsblk(said["blockdevices"]))
    return parts
