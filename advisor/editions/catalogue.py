"""The catalogue of editions: footprint, published minimum, what the compositor needs, and the measured session."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

from advisor import tables
from advisor.editions.measured import pooled_browser, unhindered
from advisor.errors import TableError
from advisor.shop import Image

SESSION_COLUMNS = (
    "session_mib", "browser_mib", "desktop_cpu_s", "browser_cpu_s", "desktop_read_mib", "browser_read_mib",
    "desktop_reads", "browser_reads",
)  # fmt: skip
"""What a session takes; each has a column of the same name with `_source` added."""

_OWN_ROWS = "A release or edition of your own goes into <user data folder>/tables/editions/catalogue.csv."

_NUMBERS = (
    "packages", "download_mib", "installed_mib", "installed_files", "min_ram_gib", "rec_ram_gib", "min_disk_gib",
)  # fmt: skip


@cache
def _catalogue() -> pd.DataFrame:
    frame = tables.load("editions/catalogue").frame.copy()
    for name in _NUMBERS:
        frame[name] = frame[name].astype("Float64")
    desktops = tables.load("editions/desktops").frame
    frame = frame.merge(desktops, on=["edition", "release"], how="left", validate="many_to_one")
    sessions = _sessions(frame)
    return pd.concat([frame, sessions], axis=1)


def _sessions(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the session figures of each row: measured, else those of the newest release measured."""
    measured = _measured()
    out = pd.DataFrame(index=frame.index)
    values = {name: [] for name in SESSION_COLUMNS}  # type: dict[str, list[float | None]]
    sources = {name: [] for name in SESSION_COLUMNS}  # type: dict[str, list[str | None]]
    for row in frame.itertuples():
        for name in SESSION_COLUMNS:
            value, source = _figure(measured, str(row.release), str(row.edition), name)
            if row.architecture != "amd64" and value is not None:
                source = f"{source}; of amd64, taken as it stands"
            values[name].append(value)
            sources[name].append(source)
    for name in SESSION_COLUMNS:
        out[name] = pd.array(values[name], dtype="Float64")
        out[f"{name}_source"] = pd.array(sources[name], dtype="string")
    return out


def _figure(measured: pd.DataFrame, release: str, edition: str, name: str) -> tuple[float | None, str | None]:
    if not measured.empty:
        releases = sorted(measured.index.get_level_values(0).unique(), reverse=True)
        for candidate in dict.fromkeys([release, *releases]):
            found = measured.loc[[(candidate, edition)]] if (candidate, edition) in measured.index else None
            if found is None or found.empty:
                continue
            value = found[name].to_numpy(dtype="float64", na_value=np.nan)[0]
            if not np.isnan(value):
                source = f"measured on Debian {candidate}, {found['runs'].iloc[0]} runs (comfort/sessions)"
                if name.startswith("browser"):
                    source = f"{source}; the browser's part pooled over all editions"
                return float(value), source if candidate == release else f"{source}; taken for Debian {release}"
    return None, None


def _measured() -> pd.DataFrame:
    """Figures of the unhindered sessions, the median of the runs, by release and edition."""
    return pooled_browser(unhindered(tables.load("comfort/sessions").frame))


def catalogue() -> pd.DataFrame:
    """Give the catalogue of editions.

    Returns
    -------
    pandas.DataFrame
        A row a release, architecture and edition: `release`, `architecture`, `edition`, `task`, `packages`,
        `download_mib` [MiB], `installed_mib` [MiB], `installed_files`, `min_ram_gib` [GiB], `rec_ram_gib` [GiB],
        `min_disk_gib` [GiB], `compositor`, `needs_gl`, `drawing` ('hardware' or 'any'), `session_mib` [MiB] and
        `browser_mib` [MiB] (memory of all processes, the kernel apart), `desktop_cpu_s` [s] and `browser_cpu_s` [s]
        on a processor of speed 1, `desktop_read_mib` [MiB] and `browser_read_mib` [MiB] from a cold disk in
        `desktop_reads` and `browser_reads` requests; and the
        `*_source` columns that say where each is from.

    References
    ----------
    Tables editions/catalogue, editions/desktops and comfort/sessions, each with its provenance.
    """
    return _catalogue().copy()


def lacking(image: Image) -> tuple[str, str] | None:
    """Say which of an image's editions the catalogue has no row of, and what it has; None where it has them all."""
    frame = tables.load("editions/catalogue").frame
    rows = frame[frame["release"].eq(image.release) & frame["architecture"].eq(image.architecture)]
    of = f"of release {image.release} for {image.architecture}"
    if rows.empty:
        pairs = sorted(set((frame["release"] + " for " + frame["architecture"]).dropna()))
        return f"the catalogue has no editions {of}.", f"It has: {', '.join(pairs)}. {_OWN_ROWS}"
    there = sorted(rows["edition"].dropna())
    names = [str(name) for name in image.editions if name not in there]
    if not names:
        return None
    return f"the catalogue has no {' and no '.join(names)} {of}.", f"It has: {', '.join(there)}. {_OWN_ROWS}"


@cache
def rows_of(image: Image) -> pd.DataFrame:
    """Give the rows of the catalogue that an image can install.

    Returns
    -------
    pandas.DataFrame
        As `catalogue`, the image's editions only, in the image's order.

    Raises
    ------
    TableError
        When the catalogue does not know the image's release and architecture, or one of its editions.
    """
    lacks = lacking(image)
    if lacks:
        raise TableError(f"Image {image.name!r}: {lacks[0]}", lacks[1])
    frame = _catalogue()
    rows = frame[frame["release"].eq(image.release) & frame["architecture"].eq(image.architecture)]
    rows = rows[rows["edition"].isin(list(image.editions))]
    order = {name: number for number, name in enumerate(image.editions)}
    return rows.sort_values("edition", key=lambda column: column.map(order)).reset_index(drop=True)
