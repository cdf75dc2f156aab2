"""Which firmware a device needs on an image, how badly, and which packages would bring it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from advisor.drivers import small_tables
from advisor.drivers.firmware import FirmwareTable
from advisor.drivers.kinds import Kind
from advisor.drivers.matching import fnmatch
from advisor.drivers.spec import Spec
from advisor.drivers.table import DriverTable

_VERSIONED = re.compile(r"(?:.*/)?(iwlwifi-.+?)-c?(\d+)\.ucode")


class Lack(StrEnum):
    """What the lack of a firmware does to a device."""

    BLOCKS = "blocks"
    DEGRADES = "degrades"
    OPTIONAL = "optional"


@dataclass(frozen=True)
class FirmwareRule:
    """How badly a module needs its firmware, and where that is from."""

    severity: Lack
    effect: str
    source: str


@dataclass(frozen=True)
class Firmware:
    """What is to be said of one module's firmware on one image."""

    module: str
    named: int  # Files (or groups of versions of one file) that the module names and this device may ask for
    certain: bool  # The files are known to be this device's own; False when the module names files for several chips
    carried: tuple[str, ...]  # Packages of the image that ship such files
    missing: tuple[str, ...]  # Packages to add, as few as will do
    unshipped: int  # Files that no package of the suite ships
    rule: FirmwareRule

    @property
    def nowhere(self) -> bool:
        """No package of the suite ships any of the files."""
        return self.named > 0 and self.unshipped == self.named


@lru_cache(maxsize=1)
def rules() -> dict[str, FirmwareRule]:
    """Severity by module, from datasets/drivers/severity.csv."""
    return {
        row["module"]: FirmwareRule(Lack(row["severity"]), row["effect"], row["source"])
        for row in small_tables.rows("severity")
    }


def rule_of(module: str, kind: Kind) -> FirmwareRule:
    """How badly a module needs the firmware it names; a module without a row is assumed to need it."""
    found = rules().get(module)
    if found is not None:
        return found
    severity = Lack.BLOCKS if kind in (Kind.WIRELESS, Kind.BLUETOOTH) else Lack.DEGRADES
    return FirmwareRule(severity, "how badly it needs it is not in the table; taken as " + severity, "assumed")


@dataclass(frozen=True)
class _ChipRow:
    """A row of datasets/drivers/chips.csv or chips_kernel.csv: the files one chip of a module's many asks for.

    A pattern that begins with '+' is asked for although the module does not name it.
    """

    ids: frozenset[tuple[str, int, int]]
    vendor: tuple[str, int] | None
    name: re.Pattern[str] | None
    files: tuple[str, ...]
    rule: FirmwareRule | None
    every: bool


@lru_cache(maxsize=1)
def _parts() -> dict[str, list[_ChipRow]]:
    out: dict[str, list[_ChipRow]] = {}
    for row in small_tables.rows("chips_kernel") + small_tables.rows("chips"):
        listed = small_tables.ids_in(row["ids"])
        part = _ChipRow(
            frozenset(one for one in listed if one[2] >= 0),
            next((one[:2] for one in listed if one[2] < 0), None),
            re.compile(row["name"], re.IGNORECASE) if row["name"] else None,
            tuple(small_tables.parts(row["files"])),
            FirmwareRule(Lack(row["severity"]), row["effect"], row["source"]) if row["severity"] else None,
            row["ids"] == "*",
        )
        out.setdefault(row["module"], []).append(part)
    return out


def part_of(module: str, spec: Spec) -> _ChipRow | None:
    """The row that says which files this device's chip asks a module for, None when no row does.

    A row that names the id goes before one that goes by the maker and the name, and that before one for any device.
    """
    rows = _parts().get(module, ())
    for part in rows:
        if (spec.bus, spec.vendor, spec.device) in part.ids:
            return part
    for part in rows:
        if part.vendor == (spec.bus, spec.vendor) and (part.name is None or part.name.search(spec.name)):
            return part
    return next((part for part in rows if part.every), None)


def knows(table: DriverTable, module: str, spec: Spec) -> bool:
    """Whether a module that takes a whole class knows this chip: it names files for it, or the chip asks for none."""
    part = part_of(module, spec)
    return part is None or not part.files or bool(files(table, module, part.files))


def _family(path: str) -> str:
    parts = path.split("/")
    if path.startswith("kernel/drivers/net/wireless/"):
        return "/".join(parts[:5])
    if path.startswith("kernel/sound/soc/"):
        return "/".join(parts[:4])
    return path


@lru_cache(maxsize=4096)
def files(table: DriverTable, module: str, patterns: tuple[str, ...] | None = None) -> tuple[str, ...]:
    """Firmware files of a module, with those named by modules of its own family that it depends on; those that fit some
    patterns, which may add others ('+').
    """
    seen: set[str] = set()
    wanted: set[str] = set()
    family = _family(table.paths[table.numbers[module]]) if module in table.numbers else ""
    todo = [module]
    while todo:
        name = todo.pop()
        if name in seen or name not in table.numbers or _family(table.paths[table.numbers[name]]) != family:
            continue
        seen.add(name)
        wanted.update(table.firmware(name))
        todo += table.depends(name)
    if patterns is None:
        return tuple(sorted(wanted))
    fitting = [name for name in sorted(wanted) if any(_fits(one, name) for one in patterns)]
    return (*fitting, *(one[1:] for one in patterns if one.startswith("+")))


def _version(name: str) -> tuple[str, int]:
    """Stem and version of an iwlwifi image; of any other file its name, and -1."""
    match = _VERSIONED.fullmatch(name)
    return (match[1], int(match[2])) if match else (name, -1)


def _groups(names: Iterable[str]) -> dict[str, list[str]]:
    """Files of which any one will do: the versions of one iwlwifi image."""
    out: dict[str, list[str]] = {}
    for name in names:
        out.setdefault(_version(name)[0], []).append(name)
    return out


def _fits(pattern: str, name: str) -> bool:
    """Whether a pattern fits a file's path, or its name where the pattern has no folder."""
    return fnmatch(pattern, name) or ("/" not in pattern and fnmatch(pattern, name.rpartition("/")[2]))


@lru_cache(maxsize=16_384)
def shipping(
    table: DriverTable, firmware: FirmwareTable, module: str, files_named: tuple[str, ...] | None
) -> tuple[frozenset[str], ...]:
    """Packages that ship each of the files (or groups of versions) a module may ask for, an empty set for none."""
    out = []
    for _, group in sorted(_groups(files(table, module, files_named)).items()):
        found = {package for name in group for package in firmware.shipped(name)}
        if not found and len(group) == 1 and _VERSIONED.fullmatch(group[0]):
            found = _older(firmware, group[0])
        out.append(frozenset(found))
    return tuple(out)


def _older(firmware: FirmwareTable, newest: str) -> set[str]:
    """Packages with an older version of an iwlwifi image: the module names the newest it takes, and takes older."""
    stem, limit = _version(newest)
    there = ((path, _version(path)) for path in firmware.shippers if stem in path)
    return {
        package
        for path, (of, version) in there
        if of == stem and version <= limit
        for package in firmware.shippers[path]
    }


def of_module(
    table: DriverTable, firmware: FirmwareTable, carried: frozenset[str], module: str, spec: Spec
) -> Firmware | None:
    """What a module's firmware means for a device on an image that carries these packages; None when it needs none."""
    part = part_of(module, spec)
    groups = shipping(table, firmware, module, None if part is None else part.files)
    if not groups:
        return None
    shipped = [group for group in groups if group]
    lacking = [group for group in shipped if not group & carried]
    return Firmware(
        module, len(groups), part is not None or len(groups) == 1,
        tuple(sorted({name for group in shipped for name in group & carried})),
        cover(lacking), len(groups) - len(shipped), (part and part.rule) or rule_of(module, spec.kind),
    )  # fmt: skip


def cover(groups: list[frozenset[str]]) -> tuple[str, ...]:
    """Few packages of which each group has one: the one that serves most first."""
    chosen: list[str] = []
    left = groups
    while left:
        counts = Counter(name for group in left for name in group)
        best = min(counts, key=lambda name: (-counts[name], name))
        chosen.append(best)
        left = [group for group in left if best not in group]
    return tuple(sorted(chosen))
