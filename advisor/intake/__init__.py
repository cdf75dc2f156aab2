"""Room intake: from a sheet as people keep it to units.

The calls that most people need::

    raw = advisor.intake.read("intake.csv")        # text cells, headers as found
    sheet = advisor.intake.understand(raw)         # .units, .problems, .notes, .columns, .extra
    print(sheet.report())

Memory counts in GiB (a typed 8 is 8 GiB), disks in GB of 10^9 byte unless the header or the cell says GiB.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from advisor.intake.understanding import Understood, understand

if TYPE_CHECKING:
    from advisor.intake.reading import read, read_bytes
    from advisor.intake.safety import safe_cell, safe_frame

__all__ = ["Understood", "read", "read_bytes", "safe_cell", "safe_frame", "understand"]


def __getattr__(name: str) -> Any:
    """Bring in the readers of files only where a file is read or written: a capture needs none."""
    from importlib import import_module

    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    home = "reading" if name.startswith("read") else "safety"
    return getattr(import_module(f"advisor.intake.{home}"), name)
