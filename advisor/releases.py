"""Debian's releases and the kernels whose driver tables ship: one row of `datasets/drivers/kernels.csv` each."""

from __future__ import annotations

from typing import NamedTuple

from advisor.tables import dicts


class Kernel(NamedTuple):
    """One kernel of a release."""

    name: str
    release: str
    codename: str
    architecture: str
    backports: bool
    builtin_aliases: bool
    metapackage: str
    loader: tuple[str, ...]

    @property
    def firmware(self) -> str:
        """Name of the firmware table that goes with it."""
        return f"debian-{self.release}" + "-backports" * self.backports


KERNELS: tuple[Kernel, ...] = tuple(
    Kernel(
        row["kernel"], row["release"], row["codename"], row["architecture"], row["backports"] == "yes",
        row["builtin_aliases"] == "yes", row["metapackage"], tuple(row["loader"].split()),
    )
    for row in dicts("drivers/kernels")
)  # fmt: skip
"""In the order in which they are named."""

CODENAMES: dict[str, str] = {kernel.release: kernel.codename for kernel in KERNELS}
"""Code name of each release."""
