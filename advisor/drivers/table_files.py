"""Driver and firmware tables on disk: arrays in a .npz, what is known of them in a .meta.toml beside it."""

from __future__ import annotations

import hashlib
import io
import os
import zipfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.drivers.about import read_about
from advisor.drivers.firmware import FirmwareTable, firmware_table
from advisor.drivers.table import DriverTable, table_of
from advisor.errors import TableError
from advisor.files import datasets, is_there, read_whole, user_data
from advisor.releases import KERNELS

FORMAT = 1
"""Layout version of the .npz files; a newer one is refused."""

SHIPPED = tuple(kernel.name for kernel in KERNELS)
"""Kernels whose tables ship with the package."""

_DAMAGES = (ValueError, TypeError, AttributeError, OSError, KeyError, EOFError, zipfile.BadZipFile)

_REMAKE = "advisor tables build --kernel {name}"


def folders() -> list[Path]:
    """Folders that are searched for tables: the user's own first, then the package's."""
    return [user_data() / "tables" / "drivers", datasets() / "drivers"]


def place(name: str, kind: str = "kernel") -> Path | None:
    """Find a table's .npz file, or None."""
    return _place(name, kind, os.environ.get("ADVISOR_HOME"))


@lru_cache(maxsize=64)
def _place(name: str, kind: str, _home: str | None) -> Path | None:
    if not name or "/" in name or name.startswith("."):
        return None
    for folder in folders():
        path = folder / f"{kind}-{name}.npz"
        if is_there(path, TableError):
            return path
    return None


def names(kind: str = "kernel") -> list[str]:
    """Names of all tables that are there: those shipped first, in their order, then the user's own."""
    found = {
        path.name.removeprefix(f"{kind}-").removesuffix(".npz")
        for folder in folders()
        if folder.is_dir()
        for path in folder.glob(f"{kind}-*.npz")
    }
    order = {name: number for number, name in enumerate(SHIPPED)}
    return sorted(found, key=lambda name: (order.get(name, len(order)), name))


def forget() -> None:
    """Look for tables and read them anew: what was found before may have been replaced."""
    for kept in (_place, _table):
        kept.cache_clear()


def meta(path: Path) -> dict[str, Any]:
    """Read the meta file beside a table.

    Raises
    ------
    TableError
        When it is missing, damaged, or of a newer format.
    """
    hint = f"Build it again: {_REMAKE.format(name=path.stem.partition('-')[2])}"
    return read_about(path.with_suffix(".meta.toml"), FORMAT, hint)


def arrays_of(kind: str, name: str) -> tuple[dict[str, NDArray[Any]], dict[str, Any]]:
    """Read a table's arrays and meta file, checked against checksum, format and name; TableError when any is wrong."""
    path = place(name, kind)
    if path is None:
        there = ", ".join(names(kind)) or "none"
        remake = _REMAKE.format(name=name) if name in SHIPPED else f"advisor tables build --tree DIR --name {name}"
        raise TableError(f"There is no {kind} table {name!r}; there are: {there}.", f"Build it: {remake}")
    hint = f"Build it again: {_REMAKE.format(name=name)}"
    about = meta(path)
    content = read_whole(path, error=TableError, hint=hint)
    if hashlib.sha256(content).hexdigest() != about.get("sha256"):
        raise TableError(f"{path} is damaged, or is not the one its meta file describes (checksums differ).", hint)
    try:
        archive = np.load(io.BytesIO(content), allow_pickle=False)
        arrays = {key: archive[key] for key in archive.files}
        form = int(arrays.get("format", np.array(0)))
    except _DAMAGES as error:
        raise TableError(f"{path} is damaged: {error}.", hint) from error
    if form > FORMAT:
        raise TableError(f"{path} is of a newer format.", "Install a newer version of the package.")
    stamp = arrays.get("stamp", np.zeros(0, dtype=np.uint8)).tobytes().decode("utf-8", "replace")
    if stamp != f"{kind} {name}":
        raise TableError(f"{path} holds the table {stamp!r}, not {kind} {name!r}.", hint)
    return arrays, about


@lru_cache(maxsize=32)
def _table(kind: str, name: str, _where: str) -> Any:
    arrays, about = arrays_of(kind, name)
    try:
        if kind == "kernel":
            return table_of(name, about["version"], arrays, about)
        return firmware_table(name, arrays, about)
    except (LookupError, ValueError, TypeError) as error:
        raise TableError(
            f"{place(name, kind)} does not hold what a {kind} table has to: {error}.",
            f"Build it again: {_REMAKE.format(name=name)}",
        ) from error


def load(kernel: str = "debian-13") -> DriverTable:
    """Load the driver table of a kernel.

    Parameters
    ----------
    kernel : str
        One of `names()`: a table shipped with the package, or the user's own.

    Returns
    -------
    DriverTable
        Kept in memory: a second call gives the same object.

    Raises
    ------
    TableError
        When it is missing, cut short, of a newer format, or of another kernel; the hint says what to run.
    """
    found: DriverTable = _table("kernel", kernel, str(place(kernel)))
    return found


def load_firmware(name: str) -> FirmwareTable:
    """Load the firmware table of a suite.

    Parameters
    ----------
    name : str
        Such as 'debian-13'; a driver table names its own in `about["firmware"]`.

    Raises
    ------
    TableError
        As `load`.
    """
    found: FirmwareTable = _table("firmware", name, str(place(name, "firmware")))
    return found
