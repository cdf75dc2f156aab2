"""Knowledge that the kernels' own tables do not hold: bus drivers, separate drivers, fetched firmware, hidden disks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from advisor.drivers import small_tables
from advisor.drivers.spec import Spec


class Effect(StrEnum):
    """What a quirk says."""

    NOTE = "note"
    DOUBTFUL = "doubtful"
    REMAPS = "remaps nvme"
    THROUGH = "through"
    SEPARATE = "separate driver"
    FETCHED = "fetched firmware"
    HIDES_DISK = "hides disk"
    SHARES = "shares firmware"
    SERIES = "driver series"
    NO_DRIVER = "no driver"
    USERSPACE = "userspace"
    SECOND = "second function"


@dataclass(frozen=True)
class Quirk:
    """One row of datasets/drivers/quirks.csv or quirks_packages.csv."""

    code: str  # Short name for flags
    effect: Effect
    module: str  # The module that does the work, for `through`; '' otherwise
    packages: dict[str, str]  # Release number to package; '' as a release stands for every release
    reason: str
    action: str
    source: str

    def package(self, release: str) -> str:
        """Package for a release, '' when that release has none."""
        return self.packages.get(release, self.packages.get("", ""))


@lru_cache(maxsize=1)
def _table() -> dict[tuple[str, int, int], list[Quirk]]:
    out: dict[tuple[str, int, int], list[Quirk]] = {}
    for row in small_tables.rows("quirks") + small_tables.rows("quirks_packages"):
        packages = {}
        for entry in small_tables.parts(row["packages"]):
            release, colon, package = entry.partition(":")
            packages[release.strip() if colon else ""] = (package if colon else release).strip()
        quirk = Quirk(
            row["code"], Effect(row["effect"]), row["module"], packages, row["reason"], row["action"], row["source"]
        )
        for key in small_tables.ids_in(row["ids"]):
            out.setdefault(key, []).append(quirk)
    return out


@lru_cache(maxsize=1)
def forbidden() -> frozenset[str]:
    """Modules that Debian forbids the kernel to load by itself: old framebuffer drivers."""
    return frozenset(row["module"] for row in small_tables.rows("forbidden"))


def of_device(spec: Spec) -> list[Quirk]:
    """Quirks of a device: those of its own id, then those of its maker."""
    table = _table()
    return table.get((spec.bus, spec.vendor, spec.device), []) + table.get((spec.bus, spec.vendor, -1), [])
