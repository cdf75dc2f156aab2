"""The hard gates: what keeps an edition of an image off a unit, whatever the comfort would be."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from advisor.columns import among, numbers, present, texts
from advisor.editions.drawing import SURE_DRAWING_YEAR, Drawing, least_year
from advisor.shop import Architecture, Image
from advisor.unit import BootMode, StorageKind

INSTALL_MARGIN = 1.07
"""What a tree takes over what its packages state; measured: Xfce on Debian 13, 3286 MiB (du) for 3063 MiB stated."""

SWIFT_DRAWING_YEAR = 2010
"""Graphics of PCs before this year draws, but slowly, what a heavier desktop composes; common practice, no source."""

DRAWS_SLOWLY = f"graphics of before {SWIFT_DRAWING_YEAR} draws it slowly"
"""What is said where a heavier desktop is passed over for that."""

ASSUMED_DRAWING = f"no graphics chip is known: a PC of {SURE_DRAWING_YEAR} or later is taken to draw"
"""What is said where the year alone lets a unit pass the graphics gate."""

LEVELS = ("i686", "v1", "v2", "v3", "v4")

LAST_I386_RELEASE = 12
"""Debian 13 release notes: i386 is no longer supported as a regular architecture."""

_CARD = re.compile(r"radeon|geforce|quadro|firepro|\b(?:gtx?|rx|hd ?[5-8]\d{3}|r[579])\b ?\d*", re.IGNORECASE)


def draws_slowly(units: pd.DataFrame, processors: pd.DataFrame) -> np.ndarray:
    """Where the graphics is of an age at which a desktop that the chip composes feels slow; bool, shape (n_units,).

    The processor's year stands for that of the graphics, unless a card is named, which may be younger.
    """
    card = np.array([bool(_CARD.search(said or "")) for said in texts(units["graphics"])], dtype=bool)
    return (least_year(processors) < SWIFT_DRAWING_YEAR) & ~card


def levels_of(image: Image) -> tuple[str, ...]:
    """Levels of processor that an image's architecture runs on; none where its release has no such architecture."""
    if image.architecture is Architecture.I386:
        return () if image.release.isdigit() and int(image.release) > LAST_I386_RELEASE else LEVELS
    return LEVELS[1:]


def starts(
    units: pd.DataFrame, processors: pd.DataFrame, images: Sequence[Image], open_boot: bool | np.ndarray = True
) -> np.ndarray:
    """Tell whether each image starts on each unit at all: architecture and boot mode.

    Parameters
    ----------
    units, processors : pandas.DataFrame, shape (n_units, ...)
    open_boot : bool or numpy.ndarray of bool, shape (n_units,), default True
        What a boot mode that is not known counts as, where an image does not start in all.

    Returns
    -------
    numpy.ndarray of bool, shape (n_units, n_images)
        False where the processor's level is not known.
    """
    level, mode = texts(processors["cpu_level"]), texts(units["boot_mode"])
    unknown = ~present(mode)
    columns = []
    for image in images:
        runs = among(level, levels_of(image))
        if not set(BootMode) <= set(image.boots):
            runs &= np.where(unknown, open_boot, among(mode, image.boots))
        columns.append(runs)
    return np.column_stack(columns)


def need_disk_gib(rows: pd.DataFrame) -> np.ndarray:
    """Disk that each edition must have to be installed.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of the catalogue.

    Returns
    -------
    numpy.ndarray, shape (n_editions,)
        The published minimum, or what the unpacked packages and their files take together while the install runs,
        whichever is more [GiB] [1]_.

    References
    ----------
    .. [1] Debian GNU/Linux Installation Guide, section 3.4 table 3.2 and section D.2, "Space needed to install".
    """
    computed = (numbers(rows["installed_mib"]) + numbers(rows["download_mib"])) / 1024 * INSTALL_MARGIN
    return np.fmax(numbers(rows["min_disk_gib"]), computed)


def disk_gib(units: pd.DataFrame) -> np.ndarray:
    """Size of the disk to install on [GiB]: 0 where none is fitted, NaN where it is not known; shape (n_units,)."""
    none = units["storage_kind"].eq(StorageKind.NONE).fillna(False).to_numpy(dtype=bool)
    return np.where(none, 0.0, numbers(units["storage_gib"]))


def wants_drawing(rows: pd.DataFrame) -> np.ndarray:
    """Tell which editions need a graphics chip that draws; bool, shape (n_editions,)."""
    return np.asarray(texts(rows["drawing"]) != "any", dtype=bool)


def fits(units: pd.DataFrame, draws: np.ndarray, rows: pd.DataFrame) -> np.ndarray:
    """Tell whether each edition can be installed and shown on each unit: memory, disk, graphics.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
    draws : numpy.ndarray of bool, shape (n_units,)
        Where a graphics chip draws.
    rows : pandas.DataFrame, shape (n_editions, ...)
        Rows of the catalogue.

    Returns
    -------
    numpy.ndarray of bool, shape (n_units, n_editions)
        False where memory or disk are not known.
    """
    memory = numbers(units["ram_gib"])[:, None] >= np.nan_to_num(numbers(rows["min_ram_gib"]))
    disk = disk_gib(units)[:, None] >= need_disk_gib(rows)
    return memory & disk & (draws[:, None] | ~wants_drawing(rows))


def why_not_start(unit: Mapping[str, Any], level: str | None, image: Image) -> str:
    """Say why an image does not start on a unit, '' where nothing that is known speaks against it.

    By Debian's installation guide, section 2.1.1 (table of architectures), and package debian-cd,
    tools/boot/*/boot-x86: amd64 images carry the 32-bit EFI files too, i386 images only those.
    """
    if image.architecture is Architecture.I386 and not levels_of(image):
        return f"Debian {image.release} has no i386 installer and kernel"
    if level is not None and level not in levels_of(image):
        return f"the processor is {level}, not 64-bit; the image is {image.architecture}"
    mode = unit.get("boot_mode")
    if mode is not None and mode not in image.boots:
        return f"the unit boots in {mode}; the image boots in {', '.join(map(str, image.boots))}"
    return ""


def why_not_fit(unit: Mapping[str, Any], drawing: str | None, row: Mapping[str, Any], need_gib: float) -> str:
    """Say why an edition cannot be installed or shown on a unit, '' where nothing that is known speaks against it.

    Parameters
    ----------
    unit : mapping
        Fields of the unit, None for unknown.
    drawing : str or None
        'hardware', 'software' or None.
    row : mapping
        The edition's row of the catalogue.
    need_gib : float
        From `need_disk_gib` [GiB].
    """
    ram, disk, edition = unit.get("ram_gib"), unit.get("storage_gib"), row["edition"]
    if ram is not None and ram < row["min_ram_gib"]:
        return f"{edition} needs at least {row['min_ram_gib']:g} GiB of memory; the unit has {ram:g} GiB"
    if unit.get("storage_kind") == StorageKind.NONE:
        return f"{edition} needs a disk of at least {need_gib:.1f} GiB; no disk is fitted"
    if disk is not None and disk < need_gib:
        return f"{edition} needs a disk of at least {need_gib:.1f} GiB; the unit has {disk:g} GiB"
    if drawing == Drawing.SOFTWARE and row["drawing"] != "any":
        return f"{edition} needs {row['needs_gl']}; the unit has {unit.get('graphics') or 'no chip that draws'}"
    return ""
