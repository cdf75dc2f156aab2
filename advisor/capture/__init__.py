"""Room capture: the facts of one unit, from the machine itself, from listings of it, or from a capture file.

`advisor.capture()` reads the machine it runs on; the functions below do the same with more say.
"""

from __future__ import annotations

import os
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from advisor.capture.capture_file import read_capture as read_capture
    from advisor.capture.capture_file import write_capture as write_capture
    from advisor.capture.listings import read_listings as read_listings
    from advisor.capture.live import take as take
    from advisor.unit import Unit

_HOMES = {
    "take": "advisor.capture.live",
    "read_capture": "advisor.capture.capture_file",
    "write_capture": "advisor.capture.capture_file",
    "read_listings": "advisor.capture.listings",
}


def probe(root: str | os.PathLike[str] = "/", *, identifiers: bool = False, speed: bool = False) -> Unit:
    """Read the facts of a machine. Nothing is written to it.

    Parameters
    ----------
    root : path-like
        '/' for the machine this runs on, else the folder of a recorded one.
    identifiers : bool
        Put serial numbers and network addresses in the notes; they are left out otherwise.
    speed : bool
        Measure decompression [MiB/s] and, as root, reads of the internal disk; at most 10 s.

    Returns
    -------
    advisor.unit.Unit
        None where a fact could not be read; `take` also says why.

    Raises
    ------
    advisor.errors.CaptureError
        When the root holds no machine.
    """
    from advisor.capture.live import take

    return take(root, identifiers=identifiers, speed=speed).unit


def __getattr__(name: str) -> Any:
    import importlib

    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'advisor.capture' has no attribute {name!r}")


class _Callable(ModuleType):
    __call__ = staticmethod(probe)


sys.modules[__name__].__class__ = _Callable
