"""A unit's disk in a dock: what the partitions beside the mounted root still hold. They are only ever read."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from advisor.handover import contents
from advisor.handover.tree import Tree

LIMIT_S = 30
"""Longest that a look at one partition's signature may take [s]."""

_NAMES = ("UUID", "PART_ENTRY_UUID", "LABEL", "PART_ENTRY_NAME")
"""By which fstab(5) and crypttab(5) may name a partition, as blkid(8) gives them."""

_DEVICE = r"/dev/(?:[shv]d[a-z]+|nvme\d+n\d+p|mmcblk\d+p)"


def found(tree: Tree) -> dict[str, list[str]] | None:
    """Rules that partitions of the docked disk break; None when the root is no mounted disk beside this machine's own.

    Returns
    -------
    dict of str to list of str, or None
        'old-partition' and 'swap-partition' to devices of this machine.
    """
    partitions = _partitions_of(tree.root)
    disks = {one.parent for one in partitions}
    own = {one.parent for one in _partitions_of("/")}
    if tree.root == "/" or not disks or disks & own or shutil.which("blkid") is None:
        return None
    tables = tree.text("etc/fstab") + "\n" + tree.text("etc/crypttab")
    broken: dict[str, list[str]] = {"old-partition": [], "swap-partition": []}
    for place in sorted(one.parent for disk in disks for one in disk.glob("*/partition")):
        device = f"/dev/{place.name}"
        if place in partitions:
            continue
        if not os.access(device, os.R_OK):
            tree.unseen[device] = "may not be read"
        elif rule := _judged(place, tables):
            broken[rule].append(device)
    return broken


def _judged(place: Path, tables: str) -> str | None:
    """The rule that one partition breaks."""
    device = f"/dev/{place.name}"
    signature = _signature(device)
    if signature.get("TYPE") in ("swap", "swsuspend", "swap_old"):
        return "swap-partition" if _swap_holds(device) else None
    number = (place / "partition").read_text().strip()
    lines = [line for line in tables.split("\n") if not line.lstrip().startswith("#")]
    named = any(signature[name] in line for name in _NAMES if signature.get(name) for line in lines)
    named |= any(re.match(rf"\s*(\S+\s+)?{_DEVICE}{number}\s", line) for line in lines)
    return "old-partition" if signature.get("TYPE") and not named else None


def _signature(device: str) -> dict[str, str]:
    """What blkid(8) reads on a device itself, past its cache; nothing where it is not to be had."""
    with suppress(OSError, subprocess.SubprocessError):
        done = subprocess.run(
            ["blkid", "-p", "-o", "export", device], stdin=subprocess.DEVNULL, capture_output=True, text=True,
            errors="replace", timeout=LIMIT_S, check=False,
        )  # fmt: skip
        return dict(line.partition("=")[::2] for line in done.stdout.replace("\\ ", " ").splitlines() if "=" in line)
    return {}


def _swap_holds(device: str) -> bool:
    with suppress(OSError), open(device, "rb", buffering=0) as file:
        size = file.seek(0, os.SEEK_END)
        return contents.swap_holds(lambda start, most: os.pread(file.fileno(), most, start), size)
    return False


def _partitions_of(root: str) -> set[Path]:
    """Partitions, as sysfs has them, that a mount point's file system lies on, volumes and encryption followed."""
    waiting, partitions = [*_source(root)], set()
    while waiting:
        place = waiting.pop()
        if (place / "partition").exists():
            partitions.add(place)
        waiting += [one.resolve() for one in place.glob("slaves/*")]
    return partitions


def _source(root: str) -> Iterator[Path]:
    """The device mounted at a folder, by proc_pid_mountinfo(5); of several mounts there the last counts."""
    device = ""
    with suppress(OSError):
        for line in os.fsdecode(Path("/proc/self/mountinfo").read_bytes()).split("\n"):
            before, parted, after = line.partition(" - ")
            if not parted:
                continue
            point = re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal[1], 8)), before.split()[4])
            device = after.split()[1] if point == root else device
    with suppress(OSError):
        number = os.stat(device).st_rdev
        yield Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}").resolve(strict=True)
