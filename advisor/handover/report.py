"""What the check found: findings, what was not judged, and both in words."""

from __future__ import annotations

import json
import os
import re
import shlex
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from advisor.errors import InputError
from advisor.files import read_text
from advisor.handover.rules import LookRule, Weight, every
from advisor.handover.tree import above

MOST_COMMANDS = 3
"""Paths up to which a mend is written for each; more get the first, and a word."""

MOST_SHOWN = 6
"""Paths of a finding that are shown in words."""

MOST_ON_SHEET = 9
"""Lines that the sheet's section of checks has room for."""

LARGEST_RESULT = 64 << 20
"""Largest result that is read back [bytes]."""

PARTS = {
    "left": "Nothing left behind",
    "giver": "The giver's data",
    "skel": "The skeleton",
    "place": "Works at the recipient's",
    "works": "It will work",
}
"""The parts of the check, as the rules' table names them, and their titles."""


@dataclass(frozen=True)
class Finding:
    """One rule that is broken, and where."""

    rule: str
    severity: Weight
    paths: tuple[str, ...]  # Relative to the root, sorted
    why: str
    mend: str
    title: str
    part: str

    def as_json(self) -> dict[str, Any]:
        """Rule, severity, paths, why and mend, as plain data."""
        return {
            "rule": self.rule, "severity": str(self.severity), "paths": list(self.paths), "why": self.why,
            "mend": self.mend,
        }  # fmt: skip


@dataclass(frozen=True)
class Report:
    """The result of one check."""

    root: str
    findings: tuple[Finding, ...]  # The gravest first
    unseen: Mapping[str, str]  # Paths that could not be looked into, and why
    not_judged: tuple[str, ...]  # What the check could not say anything of, in words
    waived: Mapping[str, str]  # Rules that the shop does not ask, and its reasons

    @property
    def must(self) -> int:
        """How many findings must be mended before the unit leaves."""
        return sum(one.severity is Weight.MUST for one in self.findings)

    @property
    def exit_code(self) -> int:
        """0 clean, 1 something to mend, 2 nothing to mend found, but not all could be looked into."""
        if any(one.severity is not Weight.KNOW for one in self.findings):
            return 1
        return 2 if self.unseen else 0

    def json(self) -> str:
        """The findings, one object a line of a JSON array."""
        lines = ",\n".join(json.dumps(one.as_json()) for one in self.findings)
        return f"[\n{lines}\n]" if lines else "[]"

    def headline(self) -> str:
        """The outcome in a sentence."""
        counts = Counter(one.severity for one in self.findings)
        if not self.findings:
            found = "Clean: nothing found"
        else:
            found = "Found: " + ", ".join(f"{counts[one]} {one}" for one in Weight if counts[one])
        return found + (f"; {len(self.unseen)} paths could not be looked into" if self.unseen else "") + "."

    def lines(self, width: int = 100) -> list[str]:
        """All of it in words, findings by severity and part.

        Parameters
        ----------
        width : int
            Columns.
        """
        out = [f"Hand-over check of {self.root}: {self.headline()}"]
        for severity in Weight:
            for finding in (one for one in self.findings if one.severity is severity):
                out += ["", f"{str(severity).upper()}  {finding.title}  ({finding.rule})"]
                out += [f"    {shown(path)}" for path in finding.paths[:MOST_SHOWN]]
                if len(finding.paths) > MOST_SHOWN:
                    out.append(f"    and {len(finding.paths) - MOST_SHOWN} more")
                out += [f"  why   {finding.why}", *(f"  mend  {line}" for line in finding.mend.splitlines())]
        out += [""] if self.unseen or self.not_judged or self.waived else []
        out += [f"Not looked into: {shown(path)} ({why})" for path, why in sorted(self.unseen.items())[:MOST_SHOWN]]
        out += [f"Not judged: {one}" for one in self.not_judged]
        out += [f"Waived by the shop: {rule}, because {why}" for rule, why in self.waived.items()]
        return out

    def summary(self) -> list[str]:
        """One line a finding, for a screen or the sheet."""
        return [
            f"{one.severity}: {one.title}: {shown(one.paths[0])}"
            + (f" and {len(one.paths) - 1} more" if one.paths[1:] else "")
            for one in self.findings
        ]

    def sheet_lines(self) -> tuple[str, ...]:
        """The section of the sheet: the outcome, then a line a finding, the gravest first, as many as fit."""
        lines = [f"Hand-over check: {self.headline()}", *self.summary()]
        if len(lines) > MOST_ON_SHEET:
            lines = [*lines[: MOST_ON_SHEET - 1], f"and {len(lines) - MOST_ON_SHEET + 1} more: see the result"]
        return tuple(lines)


def shown(path: str) -> str:
    """A path as a line may show it: with a sign in it that breaks a line, is not seen or is no letter, as `quoted`."""
    return path if path.isprintable() else quoted(path)


def quoted(path: str) -> str:
    """A path as one word for a shell, on one line and without signs that a terminal obeys or does not show.

    Those are written by their bytes, as $'...' has it (bash(1), QUOTING; POSIX.1-2024, XCU 2.2.4): whatever stands in
    a name, a line that is copied is the whole command, and is about that name.
    """
    if path.isprintable():
        return shlex.quote(path)
    plain = (chr(one) if 32 <= one < 127 and one not in b"\\'" else f"\\x{one:02x}" for one in os.fsencode(path))
    return f"$'{''.join(plain)}'"


def finding(
    rule: LookRule, paths: Iterable[str], root: str, packages: str = "NAME", mounted: Mapping[str, str] | None = None
) -> Finding:
    """Make a finding of a rule and its paths.

    `packages` are those that a mend installs, `mounted` says for a path where the disk is mounted on which it lies.
    """
    some = tuple(sorted(paths))
    commands = []
    # What lies in a folder that is deleted is gone with it.
    gone = set(some) if rule.mend.startswith("rm -r") else set[str]()
    apart = [one for one in some if gone.isdisjoint(above(one))]
    for path in apart[:MOST_COMMANDS]:
        disk = (mounted or {}).get(path)
        if disk:
            commands.append(f"umount {quoted(os.path.join(root, disk))}   # unless that disk is the unit's; if it is:")
        words = {"{path}": quoted(os.path.join(root, path)), "{root}": quoted(root), "{packages}": packages}
        # All at once: a name may hold what stands for another.
        commands.append("".join(words.get(part, part) for part in re.split(r"(\{\w+\})", rule.mend)))
    commands = list(dict.fromkeys(commands))
    if len(apart) > MOST_COMMANDS and "{path}" in rule.mend:
        commands.append(f"and likewise for {len(apart) - MOST_COMMANDS} more")
    return Finding(rule.id, rule.severity, some, rule.why, "\n".join(commands), rule.title, rule.part)


def ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings, the gravest first, then in the order of the parts."""
    grave, parts = list(Weight), list(PARTS)
    return tuple(sorted(findings, key=lambda one: (grave.index(one.severity), parts.index(one.part), one.rule)))


def read_json(path: str) -> Report:
    """Read back what `advisor handover --json` wrote; InputError when it is no such result."""
    hint, rules = "Make it with: advisor handover --json", {rule.id: rule for rule in every()}
    try:
        content = json.loads(read_text(path, LARGEST_RESULT, InputError, hint))
        findings = [
            Finding(
                one["rule"], Weight(one["severity"]), tuple(map(str, one["paths"])), str(one["why"]),
                str(one["mend"]), rules[one["rule"]].title, rules[one["rule"]].part,
            )
            for one in content
        ]  # fmt: skip
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path} is no result of a hand-over check.", hint) from error
    when = time.strftime("%Y-%m-%d")
    return Report(path, ordered(findings), {}, (f"read from {path} on {when}",), {})
