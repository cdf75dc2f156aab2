"""Settings of which one value counts, however often they are written: the last, or the first."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterator

from advisor.handover.rules import LookRule
from advisor.handover.tree import Tree

_SECTION = re.compile(r"\[(.+)\]\s*$")
_PAIR = re.compile(r"([A-Za-z][\w.-]*)\s*(?:=|\s)\s*(.*?)\s*$")
_QUOTED = re.compile(r'^"(.*)"$')


def found(tree: Tree, rule: LookRule) -> list[str]:
    """Files whose value of a setting counts, and is one that the rule names.

    The rule's pattern is 'last:SECTION/(KEY=VALUE|KEY=VALUE)' or 'first:…', each part a regular expression.
    """
    which, _, rest = rule.pattern.partition(":")
    opening = rest.find("/(")
    # Section and the rest are parted before a bracket of alternatives, else before the key.
    parted = opening if opening >= 0 else rest.rfind("/", 0, rest.find("=") if "=" in rest else None)
    section, wanted = rest[:parted], rest[parted + 1 :]
    counts: dict[tuple[str, str], tuple[str, str]] = {}
    for path in _files(tree, rule.where):
        for at, key, value in _values(tree.text(path)):
            if re.fullmatch(section, at, re.IGNORECASE) and (which == "last" or (at, key) not in counts):
                counts[at, key] = (path, value)
    fits = re.compile(wanted, re.IGNORECASE)
    broken = {path for (_, key), (path, value) in counts.items() if fits.match(f"{key}={value}")}
    # Links followed inside the root: what edits the path from outside would follow them out of it.
    return sorted(tree.real(path) or path for path in broken)


def _files(tree: Tree, where: tuple[str, ...]) -> Iterator[str]:
    """Files in the order in which a program reads them."""
    for one in where:
        folder, _, name = one.rpartition("/")
        if "*" not in one:
            yield one
        else:
            yield from (f"{folder}/{each}" for each in fnmatch.filter(tree.names(folder), name))


def _values(text: str) -> Iterator[tuple[str, str, str]]:
    section = ""
    for line in text.split("\n"):
        line = line.strip()
        if not line or line[0] in "#;":
            continue
        if head := _SECTION.match(line):
            section = head[1]
        elif section.casefold() != "match" and (pair := _PAIR.match(line)):
            if pair[1].casefold() == "match":
                section = "match"
                continue
            yield section, pair[1].casefold(), _QUOTED.sub(r"\1", pair[2])
