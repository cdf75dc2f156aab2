"""Check driver tables against kmod's own library on the same kernel's packages."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from advisor.drivers import table_files
from advisor.drivers.packing import BY_BUS
from advisor.drivers.table import DriverTable, table_of
from advisor.errors import TableError
from advisor.lab.tables import build, modtree
from advisor.lab.tables.arrays import driver_arrays
from advisor.lab.tables.oracle import Kmod, index_tree
from advisor.lab.workplace import run

UNKNOWN_IDS = 2000
"""Random ids that match nothing, a kernel."""
RANDOM_SUBSYSTEMS = 500
"""Known devices with random subsystem ids, a kernel."""
FIRMWARE_MODULES = 50
"""Modules whose firmware lists are compared with modinfo's."""


@dataclass
class CheckReport:
    """What a check found: look-ups by what they were, (modalias, ours, kmod's) that differ, firmware lists, notes."""

    kernel: str
    version: str
    queries: dict[str, int] = field(default_factory=dict)
    wrong: list[tuple[str, list[str], list[str]]] = field(default_factory=list)
    firmware: int = 0
    firmware_wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Nothing differs."""
        return not self.wrong and not self.firmware_wrong


def concrete(pattern: str, chance: random.Random) -> str:
    """Make a modalias that an alias pattern matches: wildcards by chance, brackets by one of their letters."""
    layout = BY_BUS.get(pattern.partition(":")[0])
    found = layout.shape.match(pattern) if layout else None
    if layout is None or found is None:
        return _letters(pattern, 3, chance)
    out = [layout.bus, ":"]
    for part, text in zip(layout.parts, found.groups(), strict=True):
        fixed = len(re.sub(r"\[[^]]*\]", "x", text).replace("*", ""))
        digits = _letters(text, part.digits - fixed, chance)
        wild = part.digits - part.bits // 4
        out += [part.tag, "0" * wild + digits[wild:] if text == "*" else digits]
    return "".join(out)


def _letters(pattern: str, stars: int, chance: random.Random) -> str:
    def letter(match: re.Match[str]) -> str:
        token = match[0]
        if token == "*":
            return "".join(chance.choice("0123456789ABCDEF") for _ in range(stars))
        if token == "?":
            return chance.choice("0123456789ABCDEF")
        body = re.sub(
            r"(.)-(.)", lambda ends: "".join(chr(c) for c in range(ord(ends[1]), ord(ends[2]) + 1)), token[1:-1]
        )
        return chance.choice(body)

    return re.sub(r"\*|\?|\[[^]]*\]", letter, pattern)


def unknown_ids(count: int, chance: random.Random) -> list[str]:
    """Modaliases of random PCI and USB ids, almost all of which no module knows."""
    anything = [f"{bus}:" + "".join(f"{part.tag}*" for part in BY_BUS[bus].parts) for bus in ("usb", "pci")]
    return [concrete(anything[number % 2], chance) for number in range(count)]


def random_subsystems(aliases: Sequence[str], count: int, chance: random.Random) -> list[str]:
    """Modaliases of PCI devices that some alias names, with random subsystem ids and classes."""
    named = [match[0] for alias in aliases if (match := re.match(r"pci:v0000\w{4}d0000\w{4}sv", alias))]
    return [concrete(f"{chance.choice(named)}*sd*bc*sc*i*", chance) for _ in range(count if named else 0)]


def questions(tree: modtree.ModuleTree) -> dict[str, list[str]]:
    """Look-ups to compare, by what they are: one for every alias, ids that nothing knows, random subsystems."""
    chance = random.Random(1)
    aliases = sorted({alias for module in tree.modules for alias in module.aliases})
    out: dict[str, list[str]] = {}
    for alias in aliases:
        bus = alias.partition(":")[0].rstrip("*") if ":" in alias else "other"
        out.setdefault(bus if bus in BY_BUS or bus == "acpi" else "other", []).append(concrete(alias, chance))
    out["unknown ids"] = unknown_ids(UNKNOWN_IDS, chance)
    out["random subsystems"] = random_subsystems(aliases, RANDOM_SUBSYSTEMS, chance)
    return out


def compare(table: DriverTable, kmod: Kmod, asked: dict[str, list[str]], report: CheckReport) -> None:
    """Compare module sets, and add what differs to the report."""
    for what, aliases in asked.items():
        ours = table.resolve(aliases)
        theirs = kmod.resolve(aliases)
        report.queries[what] = report.queries.get(what, 0) + len(aliases)
        report.wrong += [row for row in zip(aliases, ours, theirs, strict=True) if row[1] != row[2]]


def compare_firmware(table: DriverTable, tree: modtree.ModuleTree, report: CheckReport) -> None:
    """Compare firmware lists of some modules with what modinfo prints."""
    program = modtree.kmod_program("modinfo")
    naming = sorted(module.name for module in tree.modules if module.firmware and not module.builtin)
    for name in random.Random(1).sample(naming, min(FIRMWARE_MODULES, len(naming))):
        said = run([program, "-b", str(tree.folder.parents[2]), "-k", tree.version, "-F", "firmware", name])
        report.firmware += 1
        if sorted(set(said.split("\n")) - {""}) != table.firmware(name):
            report.firmware_wrong.append(name)


def check_kernel(name: str, cache: Path, say: Callable[[str], None]) -> CheckReport:
    """Fetch a kernel's packages, and compare a table built of them, and the stored one, with kmod."""
    root, _packages, source = build.unpack_kernel(build.RECIPES[name], cache, say)
    tree = modtree.read(root)
    say(f"{name}: depmod")
    folder = index_tree(root, tree.version)
    report = CheckReport(name, tree.version, notes=list(source.warnings))
    fresh = table_of(name, tree.version, driver_arrays(tree))
    with Kmod(folder) as kmod:
        say(f"{name}: comparing")
        asked = questions(tree)
        compare(fresh, kmod, asked, report)
        try:
            stored = table_files.load(name)
        except TableError as error:
            report.notes.append(f"stored table: {error}")
            return report
        if stored.version == tree.version:
            compare(stored, kmod, {f"{what}, stored table": aliases for what, aliases in asked.items()}, report)
        else:
            changed = build.changes(stored, fresh)
            report.notes.append(
                f"the stored table is of {stored.version}, the archive now has {tree.version}: "
                f"{changed['aliases_added']} aliases more, {changed['aliases_gone']} fewer"
            )
    compare_firmware(fresh, tree, report)
    return report


def told(report: CheckReport) -> str:
    """Say what a check found."""
    total = sum(report.queries.values())
    counts = ", ".join(f"{count} {what}" for what, count in report.queries.items() if "stored" not in what)
    lines = [
        f"{report.kernel}, kernel {report.version}: {total} look-ups compared with libkmod, {len(report.wrong)} differ",
        f"  {counts}",
        f"  {report.firmware} firmware lists compared with modinfo, {len(report.firmware_wrong)} differ",
    ]
    if any("stored" in what for what in report.queries):
        lines.append("  the stored table was compared too")
    lines += [f"  note: {note}" for note in report.notes]
    lines += [
        f"  {alias}: ours {' '.join(a) or 'none'}, libkmod's {' '.join(b) or 'none'}"
        for alias, a, b in report.wrong[:20]
    ]
    lines += [f"  firmware of {name} differs" for name in report.firmware_wrong]
    return "\n".join(lines)
