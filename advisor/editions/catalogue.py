"""The catalogue of editions: footprint, published minimum, what the compositor needs, and the measured session."""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd

from advisor import tables
from advisor.editions.measured import pooled_browser, unhindered
from advisor.errors import TableError
from advisor.shop import Image

SESSION_COLUMNS = (
    "session_mib", "browser_mib", "desktop_cpu_s", "browser_cpu_s", "desktop_read_mib", "browser_read_mib",
    "desktop_reads", "browser_reads", "desktop_draw_s", "browser_draw_s",
)  # fmt: skip
"""What a session takes; each has a column of the same name with `_source` added."""

_OWN_ROWS = "A release or edition of your own goes into <user data folder>/tables/editions/catalogue.csv."

_NUMBERS = (
    "packages", "download_mib", "installed_mib", "installed_files", "min_ram_gib", "rec_ram_gib", "min_disk_gib",
)  # fmt: skip


@cache
def _catalogue() -> pd.DataFrame:
    rows = _footprints()
    return pd.concat([rows, _sessions(rows)], axis=1)


@cache
def _footprints() -> pd.DataFrame:
    """The catalogue without its sessions, which take longer: an image asks for a few rows' alone."""
    frame = tables.load("editions/catalogue").frame.copy()
    for name in _NUMBERS:
        frame[name] = frame[name].astype("Float64")
    desktops = tables.load("editions/desktops").frame
    return frame.merge(desktops, on=["edition", "release"], how="left", validate="many_to_one")


def _sessions(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the session figures of each row: measured, else those of the newest release measured."""
    rows = _measured()
    measured = dict(zip(rows.index.to_flat_index(), rows.to_dict("records"), strict=True))
    newest = sorted({release for release, _ in measured}, reverse=True)
    figures: list[list[tuple[float | None, str | None]]] = []
    for release, edition, architecture in zip(frame["release"], frame["edition"], frame["architecture"], strict=True):
        of = {one: measured[one, edition] for one in dict.fromkeys([release, *newest]) if (one, edition) in measured}
        foreign = "" if architecture == "amd64" else "; of amd64, taken as it stands"
        figures.append([_figure(of, release, name, foreign) for name in SESSION_COLUMNS])
    out = pd.DataFrame(index=frame.index)
    for at, name in enumerate(SESSION_COLUMNS):
        out[name] = pd.array([row[at][0] for row in figures], dtype="Float64")
        out[f"{name}_source"] = pd.array([row[at][1] for row in figures], dtype="string")
    return out


def _figure(of: dict[str, Any], release: str, name: str, foreign: str) -> tuple[float | None, str | None]:
    """A session's figure from the first release that has it, by the edition's rows, and where it is from."""
    for measured_on, row in of.items():
        if pd.notna(row[name]):
            runs = row["runs" if name in ("session_mib", "browser_mib") else "read_runs"]
            source = f"measured on Debian {measured_on}, {runs} run{'' if runs == 1 else 's'} (comfort/sessions)"
            if name.startswith("browser"):
                source += "; the browser's part pooled over all editions"
            taken = "" if measured_on == release else f"; taken for Debian {release}"
            return float(row[name]), f"{source}{taken}{foreign}"
    return None, None


@cache
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
        on a processor of speed 1, `desktop_read_mib` [MiB] and `browser_read_mib` [MiB] from disk, the login screen
        and what it needs having been read, in `desktop_reads` and `browser_reads` requests; `desktop_draw_s` and
        `browser_draw_s`, the part of the work that a graphics chip takes over [s]; and the
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
    frame = _footprints()
    rows = frame[frame["release"].eq(image.release) & frame["architecture"].eq(image.architecture)]
    rows = rows[rows["edition"].isin(list(image.editions))]
    order = {name: number for number, name in enumerate(image.editions)}
    rows = rows.sort_values("edition", key=lambda column: column.map(order)).reset_index(drop=True)
    return pd.concat([rows, _sessions(rows)], axis=1)
