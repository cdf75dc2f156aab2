"""Which package of a suite ships a firmware file, and what an image carries of it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from advisor.drivers.matching import fnmatch
from advisor.drivers.table import _lines

_WILD = re.compile(r"[*?\[]")


@dataclass(frozen=True)
class FirmwarePackage:
    """A package that ships firmware."""

    name: str
    version: str
    area: str
    size: int  # Of the .deb [bytes]


@dataclass(frozen=True, eq=False)
class FirmwareTable:
    """The firmware files of one suite."""

    name: str  # Such as 'debian-13'
    by_name: dict[str, FirmwarePackage]
    # Packages that ship each file, by its path below lib/firmware; a link counts like the file it stands for.
    shippers: dict[str, list[str]]
    about: dict[str, Any] = field(default_factory=dict)  # The meta file

    def shipped(self, file: str) -> list[str]:
        """Names of the packages that ship a file, or any file that a module's wildcard stands for; sorted."""
        paths = [file]
        if wild := _WILD.search(file):
            paths = [path for path in self.shippers if path.startswith(file[: wild.start()]) and fnmatch(file, path)]
        return sorted({name for path in paths for name in self.shippers.get(path, ())})

    def carried(self, firmware: Sequence[str]) -> frozenset[str]:
        """Packages that an image carries, by `Image.firmware`: names, and 'area:NAME' for all of an area."""
        areas = {entry.removeprefix("area:") for entry in firmware if entry.startswith("area:")}
        names = {entry for entry in firmware if not entry.startswith("area:")}
        return frozenset(p.name for p in self.by_name.values() if p.area in areas or p.name in names)


def firmware_table(name: str, arrays: Mapping[str, NDArray[Any]], about: dict[str, Any] | None = None) -> FirmwareTable:
    """Make a firmware table of its arrays."""
    packages = []
    for line in _lines(arrays["package"]):
        package, version, area, size = line.split("\t")
        packages.append(FirmwarePackage(package, version, area, int(size)))
    shippers: dict[str, list[str]] = {}
    for file, number in zip(_lines(arrays["file"]), arrays["package_of"].tolist(), strict=True):
        shippers.setdefault(file, []).append(packages[number].name)
    return FirmwareTable(name, {package.name: package for package in packages}, shippers, about or {})
