"""What the measured sessions say of each edition when nothing holds it back."""

from __future__ import annotations

from functools import cache

import pandas as pd

from advisor import tables

PC_READ_AHEAD_KIB = 128
"""Read-ahead of disks in PCs: Linux, Documentation/ABI/stable/sysfs-block, read_ahead_kb."""

HINDRANCES = ("memory_limit_mib", "quota_pct", "disk")
"""Conditions of a measured session; all empty means that nothing held it back."""

_FIGURES = {
    "idle": {
        "session_mib": "pss_mib",
        "desktop_cpu_s": "processor_s",
        "desktop_read_mib": "read_mib",
        "desktop_reads": "reads",
    },
    "browser": {
        "browser_mib": "pss_mib",
        "browser_cpu_s": "processor_s",
        "browser_read_mib": "read_mib",
        "browser_reads": "reads",
    },
}


def pooled_browser(figures: pd.DataFrame) -> pd.DataFrame:
    """Give every edition the medians of the browser's cost: it is the same program on all of them.

    What the browser and a document add to the session's memory, the browser's processor seconds and its cold reads
    differ between editions by no more than between runs of one, so that only a session's own part tells editions apart.
    """
    out = figures.copy()
    out["browser_mib"] = out["session_mib"] + (out["browser_mib"] - out["session_mib"]).median()
    for name in ("browser_cpu_s", "browser_read_mib", "browser_reads"):
        out[name] = out[name].median()
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
        `memory_limit_mib`, `quota_pct`, `disk`, `host_mib_s`, `processor_s`, `pss_mib`, `read_mib`, `reads`,
        `read_ahead_kib`.

    Returns
    -------
    pandas.DataFrame
        Indexed by release and edition: the medians of `session_mib` and `browser_mib` [MiB], `desktop_cpu_s` and
        `browser_cpu_s` [s on a processor of speed 1], `desktop_read_mib` and `browser_read_mib` [MiB] in
        `desktop_reads` and `browser_reads` requests, `runs`, and `read_runs`, how many of these the reads rest on.
        A figure that no run has is NA.
    """
    free = sessions[sessions[list(HINDRANCES)].isna().all(axis=1) & sessions["ok"].eq("yes")].copy()
    for name in ("processor_s", "pss_mib", "read_mib", "reads", "host_mib_s"):
        free[name] = free[name].astype("Float64")
    free["processor_s"] = free["processor_s"] * free["host_mib_s"] / anchor_mib_s()
    keys = ["release", "edition"]
    # A disk that reads far ahead brings in what is never used: such runs count only where there is no other.
    near = (free["read_ahead_kib"].astype("Float64") <= PC_READ_AHEAD_KIB).fillna(False)
    free["near"] = near & free["read_mib"].notna()
    better = free.groupby([*keys, "stage"])["near"].transform("any")
    free.loc[better & ~free["near"], ["read_mib", "reads"]] = pd.NA
    parts = [
        free[free["stage"].eq(stage)].groupby(keys)[list(dict.fromkeys(names.values()))].median().rename(
            columns={column: name for name, column in names.items()}
        )
        for stage, names in _FIGURES.items()
    ]  # fmt: skip
    out = pd.concat(parts, axis=1)
    counted = free[free["stage"].eq("idle") & free["read_mib"].notna()].groupby(keys).size()
    out["read_runs"] = counted.reindex(out.index).fillna(0).astype(int)
    out["runs"] = free[free["stage"].eq("idle")].groupby(keys).size().reindex(out.index).fillna(0).astype(int)
    return out
