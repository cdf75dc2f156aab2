"""How much work an edition of an image is: bytes, files and packages, from the catalogue of editions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from advisor.shop import Shop
from advisor.timing.conditions import MIB, PLAIN_RELEASES
from advisor.timing.rates import assumed

WORK_COLUMNS: tuple[str, ...] = (
    "image_bytes", "installed_bytes", "installed_files",
    "extra_packages", "extra_bytes", "update_packages", "update_bytes",
    "xz", "plain_modules", "session_cpu", "session_mib",
)  # fmt: skip
"""Columns of a work table. xz is 1 for an image compressed with xz, as Debian's live images are (from memory); the last
two are what one start of the desktop takes [MiB of decompression], [MiB read]."""


_USED = ("installed_mib", "installed_files", "image_mib", "desktop_read_mib", "desktop_cpu_s")
"""What of the catalogue tells the work."""


@dataclass(frozen=True)
class WorkTable:
    """Work by pair of image and edition."""

    frame: pd.DataFrame  # Columns of `WORK_COLUMNS`, float64
    # Pair to the figures that the catalogue does not hold and that were assumed.
    assumed: dict[tuple[str, str], list[str]]


def catalogue() -> pd.DataFrame:
    """The catalogue of editions.

    Returns
    -------
    pandas.DataFrame
        A row per (release, edition); see `advisor.editions.catalogue`.
    """
    from advisor.editions import catalogue as rows

    return rows()


def work_of(pairs: pd.DataFrame, shop: Shop, rows: pd.DataFrame | None = None) -> WorkTable:
    """Work of each distinct pair of image and edition.

    A pair that the catalogue does not hold gets the mean of the release's editions, or of all, and says so.
    """
    table = catalogue() if rows is None else rows
    facts = assumed()
    numbers = table
    if table.index.nlevels == 2 and not {"release", "edition"} <= set(table.columns):
        numbers = table.reset_index()
    releases = numbers["release"].astype("string")
    out: dict[tuple[str, str], dict[str, float]] = {}
    why: dict[tuple[str, str], list[str]] = {}
    for image, edition in pairs.drop_duplicates().itertuples(index=False):
        known = shop.image(str(image))
        release = known.release if known else ""
        mask = releases.eq(release) & numbers["edition"].eq(edition)
        if known and "architecture" in numbers:
            mask &= numbers["architecture"].eq(known.architecture)
        same = numbers[mask]
        lacking: list[str] = []
        if same.empty:
            lacking.append("edition not in the catalogue")
            same = numbers[releases.eq(release)]
        if same.empty:
            same = numbers
        image_row = {name: _mean(same, name) for name in _USED if name in numbers}
        installed = image_row.get("installed_mib", np.nan)
        files = image_row.get("installed_files", np.nan)
        if not np.isfinite(files):
            files = facts["installed_files"].value
            lacking.append("installed files")
        if not np.isfinite(installed):
            installed = 4000.0
            lacking.append("installed size")
        image_mib = image_row.get("image_mib", np.nan)
        if not np.isfinite(image_mib):
            image_mib = installed * facts["image_share"].value
        session_mib = image_row.get("desktop_read_mib", np.nan)
        if not np.isfinite(session_mib):
            session_mib = facts["session_read"].value
        seconds = image_row.get("desktop_cpu_s", np.nan)
        session_cpu = seconds * facts["decompress_at_one"].value
        if not np.isfinite(session_cpu):
            session_cpu = facts["session_cpu"].value
        key = (str(image), str(edition))
        why[key] = lacking
        out[key] = {
            "image_bytes": image_mib * MIB,
            "installed_bytes": installed * MIB,
            "installed_files": files,
            "extra_packages": facts["extra_packages"].value,
            "extra_bytes": facts["extra_mib"].value * MIB,
            "update_packages": facts["update_packages"].value,
            "update_bytes": facts["update_mib"].value * MIB,
            "xz": 1.0,
            "plain_modules": float(release in PLAIN_RELEASES),
            "session_cpu": session_cpu,
            "session_mib": session_mib,
        }
    index = pd.MultiIndex.from_tuples(list(out), names=["image", "edition"])
    frame = pd.DataFrame(list(out.values()), columns=list(WORK_COLUMNS), index=index, dtype=float)
    return WorkTable(frame, why)


def _mean(rows: pd.DataFrame, name: str) -> float:
    values: Any = pd.to_numeric(rows[name], errors="coerce")
    return float(values.mean()) if values.notna().any() else float("nan")
