"""How much work an edition of an image is: bytes, files and packages, from the catalogue of editions."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from advisor import editions
from advisor.shop import Installer, Shop
from advisor.timing.conditions import KINDS, MIB, PLAIN_RELEASES, SOFTWARE_LISTS
from advisor.timing.rates import assumed

WORK_COLUMNS: tuple[str, ...] = (
    "image_bytes", "installed_bytes", "installed_files",
    "extra_packages", "extra_bytes", "update_packages", "update_bytes",
    "xz", "plain_modules", "software_lists", *KINDS, "session_cpu", "session_mib",
)  # fmt: skip
"""Columns of a work table. xz is 1 for an image compressed with xz, as Debian's live images are (from memory); `KINDS`
tell how the image installs; the last two are what one start of the desktop takes [MiB of decompression], [MiB read]."""

PACKED: dict[Installer, str] = {Installer.LIVE: "image_share", Installer.CLONE: "clone_share"}
"""Kind of installer to what its image takes of what it installs, in `timing/assumed`; packages come over the link."""


_USED = ("installed_mib", "installed_files", "image_mib", "desktop_read_mib", "desktop_cpu_s")
"""What of the catalogue tells the work."""


def work_of(
    pairs: pd.DataFrame, shop: Shop, rows: pd.DataFrame | None = None
) -> tuple[pd.DataFrame, dict[tuple[str, str], list[str]]]:
    """Work of each distinct pair of image and edition, and by pair what the catalogue does not hold and was assumed.

    A pair that the catalogue does not hold gets the mean of the release's editions, or of all, and says so.
    """
    out: dict[tuple[str, str], dict[str, float]] = {}
    why: dict[tuple[str, str], list[str]] = {}
    for image, edition in pairs.drop_duplicates().itertuples(index=False):
        known = shop.image(str(image))
        asked = (
            known.release if known else "", known.architecture if known else "", str(edition),
            known.installer if known else Installer.LIVE,
        )  # fmt: skip
        key = (str(image), str(edition))
        out[key], why[key] = _built_in(*asked) if rows is None else _work_of(rows, *asked)
    index = pd.MultiIndex.from_tuples(list(out), names=["image", "edition"])
    frame = pd.DataFrame(list(out.values()), columns=list(WORK_COLUMNS), index=index, dtype=float)
    return frame, why


@cache
def _built_in(
    release: str, architecture: str, edition: str, installer: Installer
) -> tuple[dict[str, float], list[str]]:
    return _work_of(editions.catalogue(), release, architecture, edition, installer)


def _work_of(
    table: pd.DataFrame, release: str, architecture: str, edition: str, installer: Installer
) -> tuple[dict[str, float], list[str]]:
    """Work of an edition, and what of it is assumed; release and architecture '' where the image is not known."""
    facts = assumed()
    releases = table["release"].astype("string")
    mask = releases.eq(release) & table["edition"].eq(edition)
    if architecture:
        mask &= table["architecture"].eq(architecture)
    same = table[mask]
    lacking: list[str] = []
    if same.empty:
        lacking.append("edition not in the catalogue")
        same = table[releases.eq(release)]
    if same.empty:
        same = table
    means = {name: _mean(same, name) for name in _USED if name in table}

    def known(name: str, otherwise: float) -> float:
        found = means.get(name, np.nan)
        return found if np.isfinite(found) else otherwise

    if not np.isfinite(means.get("installed_files", np.nan)):
        lacking.append("installed files")
    if not np.isfinite(means.get("installed_mib", np.nan)):
        lacking.append("installed size")
    installed = known("installed_mib", 4000.0)
    share = PACKED.get(installer)
    image = known("image_mib", installed * facts[share].value) if share else 0.0
    session_cpu = means.get("desktop_cpu_s", np.nan) * facts["decompress_at_one"].value
    work = {
        "image_bytes": image * MIB,
        "installed_bytes": installed * MIB,
        "installed_files": known("installed_files", facts["installed_files"].value),
        "extra_packages": facts["extra_packages"].value,
        "extra_bytes": facts["extra_mib"].value * MIB,
        "update_packages": facts["update_packages"].value,
        "update_bytes": facts["update_mib"].value * MIB,
        # More than 1 where unpacking it takes longer than what was measured of whole trees.
        "xz": facts["xz_work"].value * (installer is Installer.LIVE),
        "plain_modules": float(release in PLAIN_RELEASES),
        "software_lists": float(edition in SOFTWARE_LISTS),
        **{kind: float(kind == installer) for kind in KINDS},
        "session_cpu": session_cpu if np.isfinite(session_cpu) else facts["session_cpu"].value,
        "session_mib": known("desktop_read_mib", facts["session_read"].value),
    }
    return work, lacking


def _mean(rows: pd.DataFrame, name: str) -> float:
    values: Any = pd.to_numeric(rows[name], errors="coerce")
    return float(values.mean()) if values.notna().any() else float("nan")
