"""What the measured sessions say of each edition when nothing holds it back."""

from __future__ import annotations

from functools import cache

import pandas as pd

from advisor import tables

HINDRANCES = ("memory_limit_mib", "quota_pct", "disk")
"""Conditions of a measured session; all empty means that nothing held it back."""

BEGINS = "greeter"
"""What a session is called (`begins`) that began at the login screen, as on a PC: it reads less than one that finds
nothing in memory, and does the work that is left."""

_FIGURES = {
    "idle": {
        "session_mib": "pss_mib",
        "desktop_cpu_s": "processor_s",
        "desktop_draw_s": "drawing_s",
        "desktop_read_mib": "read_mib",
        "desktop_reads": "reads",
    },
    "browser": {
        "browser_mib": "pss_mib",
        "browser_cpu_s": "processor_s",
        "browser_draw_s": "drawing_s",
        "browser_read_mib": "read_mib",
        "browser_reads": "reads",
    },
}

_READS = ("read_mib", "reads")
_WORK = ("processor_s", "drawing_s")
_MEASURED = ("pss_mib", *_WORK, *_READS)


def pooled_browser(figures: pd.DataFrame) -> pd.DataFrame:
    """Give every edition the medians of the browser's cost: it is the same program on all of them.

    What the browser and a document add to the session's memory, the browser's processor seconds and its cold reads
    differ between editions by no more than between runs of one, so that only a session's own part tells editions apart.
    """
    out = figures.copy()
    out["browser_mib"] = out["session_mib"] + (out["browser_mib"] - out["session_mib"]).median()
    for name in ("browser_cpu_s", "browser_draw_s", "browser_read_mib", "browser_reads"):
        out[name] = out[name].where(out[name].isna(), out[name].median())
    return out


@cache
def anchor_mib_s() -> float:
    """Decompression [MiB/s] of a processor of speed 1, from the table comfort/physics, which says where it is from."""
    frame = tables.load("comfort/physics").frame
    return float(str(frame.loc[frame["name"].eq("decompress_at_one"), "value"].iloc[-1]))


def unhindered(sessions: pd.DataFrame) -> pd.DataFrame:
    """Reduce the measured sessions to one row an edition.

    Parameters
    ----------
    sessions : pandas.DataFrame
        The table comfort/sessions: text columns `release`, `edition`, `stage` ('idle' or 'browser'), `ok`,
        `memory_limit_mib`, `quota_pct`, `disk`, `begins`, `host_mib_s`, `processor_s`, `drawing_s`, `pss_mib`,
        `read_mib`, `reads`. Work and reads are those of sessions that began at the login screen.

    Returns
    -------
    pandas.DataFrame
        Indexed by release and edition: the medians of `session_mib` and `browser_mib` [MiB], `desktop_cpu_s` and
        `browser_cpu_s` [s on a processor of speed 1], what of it drew (`desktop_draw_s`, `browser_draw_s`),
        `desktop_read_mib` and `browser_read_mib` [MiB] in `desktop_reads` and `browser_reads` requests, `runs`, and
        `read_runs`, how many of these work and reads rest on.
        A figure that no run has is NA.
    """
    free = sessions[sessions[list(HINDRANCES)].isna().all(axis=1) & sessions["ok"].eq("yes")].copy()
    for name in (*_MEASURED, "host_mib_s"):
        free[name] = free[name].astype("Float64")
    greeted = free["begins"].eq(BEGINS).fillna(False)
    for name in _WORK:
        free[name] = (free[name] * free["host_mib_s"] / anchor_mib_s()).where(greeted)
    for name in _READS:
        free[name] = free[name].where(greeted)
    stages = {stage: rows.groupby(["release", "edition"]) for stage, rows in free.groupby("stage")}
    figures = [
        stages[stage][column].median().astype("Float64").rename(name)
        for stage, names in _FIGURES.items()
        if stage in stages
        for name, column in names.items()
    ]
    out = pd.concat(figures, axis=1).reindex(columns=[name for names in _FIGURES.values() for name in names])
    idle = free[free["stage"].eq("idle")].groupby(["release", "edition"])
    counts = pd.DataFrame({"read_runs": idle["read_mib"].count(), "runs": idle.size()})
    return out.sort_index().join(counts.reindex(out.index).fillna(0).astype(int))
