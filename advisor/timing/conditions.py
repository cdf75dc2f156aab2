"""The conditions an install meets: their columns, limits, and the rehearsals they were measured under."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from advisor.columns import figures, words
from advisor.errors import InputError
from advisor.files import read_csv
from advisor.shop import Installer

MIB = float(1 << 20)

UNPACKED = "unpack"
"""Word for a tree that one program wrote out: no installer of a shop, but rehearsed, and fitted on where that tells."""

SPEEDS: tuple[str, ...] = ("decompress_mib_s", "cores", "disk_read_mib_s", "disk_access_ms", "link_mbps")
"""Conditions that describe the machine, as `capture --speed` measures them, and the link."""

WORK: tuple[str, ...] = (
    "image_bytes", "installed_bytes", "installed_files",
    "extra_packages", "extra_bytes", "update_packages", "update_bytes",
)  # fmt: skip
"""Conditions that describe what is installed."""

CONDITIONS: tuple[str, ...] = SPEEDS + WORK
"""Columns of a conditions table, in the order of the contract."""

LIMITS: dict[str, tuple[float, float]] = {
    "decompress_mib_s": (0.05, 10_000),
    "cores": (0.1, 4096),
    "disk_read_mib_s": (0.1, 100_000),
    "disk_access_ms": (0.001, 10_000),
    "link_mbps": (0.05, 100_000),
    "image_bytes": (0, 1e12),
    "installed_bytes": (1e6, 1e13),
    "installed_files": (1, 1e9),
    "extra_packages": (0, 1e5),
    "extra_bytes": (0, 1e12),
    "update_packages": (0, 1e5),
    "update_bytes": (0, 1e12),
}
"""What each condition may be; outside it a value is a slip of the pen, not a machine."""

PLAIN_BELOW = 0.36
"""Image bytes over installed bytes below which a tree is taken to hold plain kernel modules: 0.28 to 0.32 was measured
on four images of Debian 12, which has plain ones, and 0.40 to 0.44 on four of Debian 13, which has compressed ones."""

PLAIN_RELEASES = frozenset({"10", "11", "12"})
"""Releases whose kernel modules are not compressed."""

SOFTWARE_LISTS = frozenset({"GNOME", "KDE Plasma", "Cinnamon"})
"""Editions whose task brings appstream, which reads the lists again whenever apt has fetched them: counted with
`apt-get --simulate install task-...-desktop` on Debian 12."""

KINDS: tuple[str, ...] = tuple(Installer)
"""Kinds of installer that times are predicted of: columns of a conditions table, 1 for the kind, else 0."""

JOURNALS: tuple[tuple[float, float], ...] = ((64, 256), (128, 512))
"""Size of disk [GiB] below which ext4 makes a journal of so many MiB, 1024 from the last on: e2fsprogs,
lib/ext2fs/mkjournal.c, `ext2fs_default_journal_size`."""

EXTRAS: tuple[str, ...] = (
    "xz", "plain_modules", "software_lists", *KINDS, "journal_mib", "base_libraries", "write_share", "cache_mib",
    "slow_write_mib_s",
)  # fmt: skip
"""What `check_conditions` adds to the columns of a conditions table."""

UNSAID: frozenset[str] = frozenset({"xz", "base_libraries", "write_share", "cache_mib", "slow_write_mib_s"})
"""Those of them that are NaN where nobody said."""

MEASURED_PHASES: tuple[str, ...] = ("format", "copy", "grow", "tasks", "boot", "refresh", "base", "updates", "sync")
"""Machine phases a rehearsal times; of a kind of installer that has none of one it takes 0 s."""


def check_conditions(frame: pd.DataFrame, *, speeds_needed: bool = True) -> pd.DataFrame:
    """Read a conditions table into numbers.

    Float64, same index; an unknown speed is NaN. Of `EXTRAS`, `xz` is 1 where the image is compressed with xz, 0 where
    with something quicker; `plain_modules` is 1 where the kernel's modules are not compressed, which makes an initramfs
    dearer: by the release, else by how well the tree compresses. `software_lists` is 1 where the edition has one of
    `SOFTWARE_LISTS`, or none is named. Of `KINDS` the one that `installer` names is 1, `live` where it names none; all
    are 0 of a tree that one program unpacked, as no installer of a shop does. `journal_mib` is of `disk_gib`, and of a
    large disk where nobody said. `base_libraries` is 1 where the base set brings a shared library,
    0 where it brings none. `write_share` is how fast the disk writes, as a share of how fast it reads; `cache_mib` is
    what it writes so before it slows to `slow_write_mib_s`.
    """
    may_lack = () if speeds_needed else ("decompress_mib_s", "disk_read_mib_s", "disk_access_ms")
    lacking = [name for name in CONDITIONS if name not in frame.columns and name not in may_lack]
    if lacking:
        raise InputError(
            f"The conditions lack the column{'s' if len(lacking) > 1 else ''} {', '.join(lacking)}.",
            f"Wanted are: {', '.join(CONDITIONS)}.",
        )
    columns: dict[str, np.ndarray] = {}
    for name in CONDITIONS:
        if name not in frame.columns:
            columns[name] = np.full(len(frame), np.nan)
            continue
        raw, numbers = frame[name], figures(frame, name)
        low, high = LIMITS[name]
        empty = raw.isna().to_numpy() | (raw.astype("string").str.strip() == "").fillna(True).to_numpy()
        wrong = ~((numbers >= low) & (numbers <= high)) & ~(empty & (name in may_lack))
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            shown = "nothing" if empty[row] else repr(str(raw.iloc[row])[:40])
            raise InputError(
                f"Conditions, row {row + 1}, column {name}: {shown} is not a number from {low:g} to {high:g}.",
                f"{int(wrong.sum())} cell(s) of this column are like this." if wrong.sum() > 1 else "",
            )
        columns[name] = numbers
    columns["xz"] = _xz(frame)
    columns["plain_modules"] = _plain_modules(frame, columns["image_bytes"] / columns["installed_bytes"])
    columns["software_lists"] = _software_lists(frame)
    columns |= _kinds(frame)
    columns["journal_mib"] = journal_mib(frame)
    columns["base_libraries"] = np.clip(figures(frame, "base_libraries"), 0.0, 1.0)
    for name in ("write_share", "cache_mib", "slow_write_mib_s"):
        columns[name] = _above_0(frame, name)
    return pd.DataFrame(columns, index=frame.index)


def modelled(conditions: pd.DataFrame) -> np.ndarray:
    """Rows whose kind of installer is one of `KINDS`; shape (n,)."""
    return conditions[list(KINDS)].to_numpy(dtype=float).sum(axis=1) > 0


def _kinds(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """The kinds of installer, each 0 or 1, from columns of their own, else from `installer`."""
    if set(KINDS) <= set(frame.columns):
        return {kind: figures(frame, kind) for kind in KINDS}
    said = words(frame, "installer").str.strip().str.casefold().fillna("").replace({"": str(Installer.LIVE)})
    found: dict[str, str] = {}
    for word in said.unique():
        try:
            found[word] = "" if word == UNPACKED else str(Installer(word))
        except ValueError:
            row = int(np.flatnonzero(said.eq(word))[0])
            raise InputError(
                f"Conditions, row {row + 1}, column installer: {word[:40]!r} is no kind of installer.",
                f"There are: {', '.join(KINDS)}.",
            ) from None
    kinds = said.map(found)
    return {kind: kinds.eq(kind).to_numpy(dtype=float) for kind in KINDS}


def journal_mib(frame: pd.DataFrame) -> np.ndarray:
    """Journal of ext4 on a disk of `disk_gib`; a stated column of that name goes before [MiB]."""
    stated, gib = figures(frame, "journal_mib"), figures(frame, "disk_gib")
    by_size = np.select([gib < size for size, _ in JOURNALS], [mib for _, mib in JOURNALS], 1024.0)
    return np.where(np.isnan(stated), by_size, stated)


def _software_lists(frame: pd.DataFrame) -> np.ndarray:
    if "software_lists" in frame:
        return figures(frame, "software_lists")
    edition = words(frame, "edition").fillna("").str.strip()
    return (edition.isin(SOFTWARE_LISTS) | edition.eq("")).to_numpy(dtype=float)


def _xz(frame: pd.DataFrame) -> np.ndarray:
    """Whether the image is compressed with xz: it takes several times the processor time of any other kind."""
    if "xz" in frame:
        return figures(frame, "xz")
    said = words(frame, "compression").str.strip().str.casefold()
    known = said.notna() & (said != "")
    return np.where(known, said.isin(["xz", "lzma"]).fillna(False).astype(float), np.nan)


def _above_0(frame: pd.DataFrame, name: str) -> np.ndarray:
    """A column of figures, NaN where nobody stated a sensible one."""
    stated = figures(frame, name)
    return np.where(stated > 0, stated, np.nan)


def _plain_modules(frame: pd.DataFrame, ratio: np.ndarray) -> np.ndarray:
    """Whether the kernel's modules are plain, by the release where it stands, else by how the tree compresses."""
    guess = (ratio < PLAIN_BELOW).astype(float)
    if "plain_modules" in frame:
        stated = figures(frame, "plain_modules")
        return np.where(np.isnan(stated), guess, stated)
    release = words(frame, "release").str.strip()
    return np.where(release.isna() | (release == ""), guess, release.isin(PLAIN_RELEASES).fillna(False).astype(float))


def read_conditions(path: str | Path) -> pd.DataFrame:
    """Read a conditions CSV, every cell as text, so that a wrong cell can be named.

    Returns
    -------
    pandas.DataFrame
        As found; hand it to `TimingModel.predict_conditions`.

    Raises
    ------
    InputError
        When it cannot be read, or holds no row.
    """
    frame = read_csv(path, "conditions file", dtype="string", skipinitialspace=True)
    frame.columns = [str(name).strip() for name in frame.columns]
    if frame.empty:
        raise InputError(f"The conditions file {path} has no rows.", f"Its columns are: {', '.join(CONDITIONS)}.")
    return frame
