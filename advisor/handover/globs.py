"""Patterns of paths, tried all at once while a tree is walked."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache, cached_property

HOMES = ("home/*", "root", "etc/skel")
"""Where homes lie; what '{home}' stands for."""

DATA = (
    "home", "root", "etc", "srv", "opt", "var/lib", "var/spool", "var/backups", "var/www", "var/tmp", "tmp", "mnt",
    "media", "usr/local", "boot",
)  # fmt: skip
"""Where data lie that no package brought; what '{data}' stands for."""

SANDBOX = {".config/": "config/", ".local/share/": "data/", ".cache/": "cache/"}
"""Folders of the XDG base directories, and their names below ~/.var/app/ID (docs.flatpak.org: sandboxed homes)."""


def expand(pattern: str, homes: Iterable[str] = HOMES) -> list[str]:
    """Patterns that one pattern of a rule stands for: '~/' at its start is any folder, for names that only a home
    holds; '{home}' is each home, '{data}' each folder of data; '**' is any number of folders, '*' any name, '[!x]' as
    fnmatch has it.
    """
    if pattern.startswith("~/"):
        rest = pattern[2:]
        inner = [
            f"**/.var/app/*/{there}{rest[len(here) :]}" for here, there in SANDBOX.items() if rest.startswith(here)
        ]
        return [f"**/{rest}", *inner]
    for macro, places in (("{home}", homes), ("{data}", DATA)):
        if pattern.startswith(macro):
            return [place + pattern[len(macro) :] for place in places]
    return [pattern]


@dataclass
class _Step:
    """What may follow at one place of the patterns."""

    names: dict[str, _Step] = field(default_factory=dict)
    endings: dict[str, _Step] = field(default_factory=dict)
    shapes: dict[str, tuple[Callable[[str], object], _Step]] = field(default_factory=dict)
    anything: _Step | None = None
    deeper: _Step | None = None
    ends: set[str] = field(default_factory=set)

    @cached_property
    def sieve(self) -> Callable[[str], object]:
        """Whether a name may have any of the shapes; most have none, and are not tried one by one."""
        return re.compile("|".join(map(fnmatch.translate, self.shapes))).match


class Globs:
    """Many patterns, each with a mark.

    Parameters
    ----------
    patterns : iterable of (str, str)
        Pattern, expanded, and mark.
    """

    def __init__(self, patterns: Iterable[tuple[str, str]]) -> None:
        self._start = _Step()
        for pattern, mark in patterns:
            step = self._start
            # What is in a folder is meant, not the folder.
            for part in (f"{pattern}/*" if pattern.endswith("**") else pattern).split("/"):
                step = _following(step, part)
            step.ends.add(mark)

    def start(self) -> list[_Step]:
        """Places that hold at the root."""
        return _closed([self._start])

    def advance(self, steps: list[_Step], name: str) -> tuple[list[_Step], set[str]]:
        """Places that hold one name further, and the marks whose pattern ends there."""
        found: list[_Step] = []
        endings = [name[at:] for at, letter in enumerate(name) if letter == "."]
        for step in steps:
            if (following := step.names.get(name)) is not None:
                found.append(following)
            if step.endings:
                found += [step.endings[ending] for ending in endings if ending in step.endings]
            if step.anything is not None:
                found.append(step.anything)
            if step.shapes and step.sieve(name):
                found += [following for fits, following in step.shapes.values() if fits(name)]
            if step.deeper is step:
                found.append(step)
        if not found:
            return found, set()
        ends: set[str] = set()
        found = _closed(found)
        for step in found:
            ends |= step.ends
        return found, ends


def _following(step: _Step, part: str) -> _Step:
    if part == "**":
        if step.deeper is None:
            step.deeper = _Step()
            step.deeper.deeper = step.deeper
        return step.deeper
    if part == "*":
        step.anything = step.anything or _Step()
        return step.anything
    if not any(sign in part for sign in "*?["):
        return step.names.setdefault(part, _Step())
    if part.startswith("*.") and not any(sign in part[1:] for sign in "*?["):
        return step.endings.setdefault(part[1:], _Step())
    if part not in step.shapes:
        step.shapes[part] = (_shape(part), _Step())
    return step.shapes[part][1]


@cache
def _shape(part: str) -> Callable[[str], object]:
    """Whether a name has a shape."""
    return re.compile(fnmatch.translate(part), re.DOTALL).match


def _closed(steps: list[_Step]) -> list[_Step]:
    """The places, and those that '**' for no folder at all leads to; each once."""
    found = {id(step): step for step in steps}
    for step in steps:
        if step.deeper is not None:
            found.setdefault(id(step.deeper), step.deeper)
    return list(found.values())
