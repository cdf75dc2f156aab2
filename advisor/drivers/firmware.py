"""Which package of a suite ships a firmware file, and what an image carries of it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
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
    packages: list[FirmwarePackage]
    files: list[str]  # Paths below lib/firmware, sorted; a link counts like the file it stands for
    package_of: NDArray[np.int64]  # Number of the package that ships each file
    about: dict[str, Any] = field(default_factory=dict)  # The meta file

    @cached_property
    def _where(self) -> dict[str, list[int]]:
        where: dict[str, list[int]] = {}
        for file, package in zip(self.files, self.package_of.tolist(), strict=True):
            where.setdefault(file, []).append(package)
        return where

    @cached_property
    def by_name(self) -> dict[str, FirmwarePackage]:
        """Packages by name."""
        return {package.name: package for package in self.packages}

    def shipped(self, file: str) -> list[str]:
        """Names of the packages that ship a file, or any file that a module's wildcard stands for; sorted."""
        if wild := _WILD.search(file):
            alike = [path for path in self._where if path.startswith(file[: wild.start()]) and fnmatch(file, path)]
            numbers = {number for path in alike for number in self._where[path]}
        else:
            numbers = set(self._where.get(file, ()))
        return sorted(self.packages[number].name for number in numbers)

    def carried(self, firmware: Sequence[str]) -> frozenset[str]:
        """Packages that an image carries, by `Image.firmware`: names, and 'area:NAME' for all of an area."""
        areas = {entry.removeprefix("area:") for entry in firmware if entry.startswith("area:")}
        names = {entry for entry in firmware if not entry.startswith("area:")}
        return frozenset(p.name for p in self.packages if p.area in areas or p.name in names)


def firmware_table(name: str, arrays: Mapping[str, NDArray[Any]], about: dict[str, Any] | None = None) -> FirmwareTable:
    """Make a firmware table of its arrays."""
    packages = []
    for line in _lines(arrays["package"]):
        package, version, area, size = line.split("\t")
        packages.append(FirmwarePackage(package, version, area, int(size)))
    return FirmwareTable(
        name, packages, _lines(arrays["file"]), arrays["package_of"].astype(np.int64), about or {}
    )  # fmt: skip
