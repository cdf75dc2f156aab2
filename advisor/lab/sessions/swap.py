"""Room for memory to be moved out to in a measured session: a file on its disk, or compressed memory."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path

from advisor.lab.groups import Groups
from advisor.lab.workplace import SWAP_NOTE, SWAPPINESS, run, swap_off

SWAP_MIB = 1024
"""Size of the swap that an installer makes when nobody asks for another; from memory."""

ZRAM_SHARE = 0.5
"""Compressed swap, as a share of the memory that the machine has; common practice, no source."""


class Swap(StrEnum):
    """Where a session's memory may be moved to."""

    NONE = ""
    DISK = "disk"
    ZRAM = "zram"


@contextmanager
def swapping(kind: Swap, root: Path, group: Groups, memory_mib: float) -> Iterator[None]:
    """Give a session swap while it runs, a file in its tree or compressed memory; other work leaves it alone."""
    if kind is Swap.NONE:
        yield
        return
    if kind is Swap.DISK:
        place = str(root / "swapfile")
        run(["fallocate", "-l", f"{SWAP_MIB}M", place])
        os.chmod(place, 0o600)
    else:
        place = run(["zramctl", "--find", "--size", f"{int(memory_mib * ZRAM_SHARE)}M"]).strip()
    (root.parent / SWAP_NOTE).write_text(f"{place}\n{SWAPPINESS.read_text().strip()}\n")
    try:
        SWAPPINESS.write_text("0")
        group.swap_out()
        run(["mkswap", place])
        run(["swapon", place])
        yield
    finally:
        swap_off(root.parent)
