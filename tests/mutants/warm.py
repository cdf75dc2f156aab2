"""Make a change in what a process has loaded, so that a child of a warm process need not load everything anew."""

from __future__ import annotations

import functools
import gc
from types import CodeType, FunctionType
from typing import Any

UPWARDS = ("identify", "drivers", "editions", "timing", "comfort", "advice")
"""Rooms in the order of the line through the house: what one remembers hangs on those before it alone."""

OPTIMIZED = 1
"""Flag of a function's code, which a module's or a class's lacks (inspect.CO_OPTIMIZED)."""


def _inner(code: CodeType) -> list[CodeType]:
    return [one for one in code.co_consts if isinstance(one, CodeType)]


def _place(code: CodeType) -> tuple[Any, ...]:
    return code.co_qualname, code.co_firstlineno, *list(code.co_positions())[1:2]


def pairs(old: CodeType, new: CodeType) -> dict[tuple[Any, ...], CodeType] | None:
    """Pair functions by their old place; None where more than the inside of functions has changed."""
    if old.co_flags & OPTIMIZED:
        return {_place(old): new} if old.co_freevars == new.co_freevars else None

    def own(code: CodeType) -> tuple[Any, ...]:
        return code.co_code, code.co_names, [one for one in code.co_consts if not isinstance(one, CodeType)]

    if own(old) != own(new):
        return None
    found: dict[tuple[Any, ...], CodeType] = {}
    for before, after in zip(_inner(old), _inner(new), strict=True):
        some = pairs(before, after)
        if some is None:
            return None
        found |= some
    return found


def swap(path: str, old: bytes, new: bytes) -> bool:
    """Give loaded functions of a module their changed bodies; False where that cannot be done."""
    before, after = (compile(text, path, "exec", dont_inherit=True) for text in (old, new))
    found = pairs(before, after)
    if not found:
        return False
    gc.unfreeze()  # what is spared from the collector is not listed
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename.endswith(path):
            one.__code__ = found.get(_place(one.__code__), one.__code__)
    return True


def forget(room: str) -> None:
    """Empty the memories of a room's functions and of all that build on them."""
    below = ("tables", "files", *UPWARDS[: UPWARDS.index(room)])
    gc.unfreeze()
    for one in gc.get_objects():
        if isinstance(one, functools._lru_cache_wrapper):
            top, _, rest = str(one.__module__).partition(".")
            if top == "advisor" and rest.partition(".")[0] not in below:
                one.cache_clear()
