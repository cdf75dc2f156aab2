"""What the measured sessions say of each edition when nothing holds it back."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from advisor import tables

PC_READ_AHEAD_KIB = 128
"""Read-ahead of disks in PCs: Linux, Documentation/ABI/stable/sysfs-block, read_ahead_kb."""

BEGINS = "cold"
"""How the sessions began that the figures and the comfort model rest on: with nothing in memory. Those that began at
the login screen, as on a PC, take their place when enough of them were measured."""

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

_READS = ("read_mib", "reads")
_MEASURED = ("processor_s", "pss_mib", *_READS)


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
    counts = sessions[list(HINDRANCES)].isna().all(axis=1) & sessions["ok"].eq("yes")
    free = sessions[counts & sessions["begins"].eq(BEGINS)].copy()
    for name in (*_MEASURED, "host_mib_s"):
        free[name] = free[name].astype("Float64")
    free["processor_s"] = free["processor_s"] * free["host_mib_s"] / anchor_mib_s()
    # A disk that reads far ahead brings in what is never used: such runs count only where there is no other.
    near = (free["read_ahead_kib"].astype("Float64") <= PC_READ_AHEAD_KIB).fillna(False)
    free["near"] = near & free["read_mib"].notna()
    runs: dict[tuple[str, str], dict[str, list[dict[Any, Any]]]] = {}
    for run in free[["release", "edition", "stage", "near", *_MEASURED]].to_dict("records"):
        runs.setdefault((run["release"], run["edition"]), {}).setdefault(run["stage"], []).append(run)
    figures = [_figures(runs[key]) for key in sorted(runs)]
    keys = [pd.array(list(part), dtype="string") for part in zip(*sorted(runs), strict=True)]
    index = pd.MultiIndex.from_arrays(keys, names=["release", "edition"])
    names = [name for stage in _FIGURES.values() for name in stage]
    out = pd.DataFrame({name: pd.array([one[name] for one in figures], dtype="Float64") for name in names}, index=index)
    return out.assign(**{name: [one[name] for one in figures] for name in ("read_runs", "runs")})


def _figures(runs: dict[str, list[dict[Any, Any]]]) -> dict[str, Any]:
    """Medians of one edition's runs, by stage, and how many they rest on."""
    out: dict[str, Any] = {}
    for stage, names in _FIGURES.items():
        some = runs.get(stage, [])
        reads = [run for run in some if run["near"]] or some
        for name, column in names.items():
            known = [run[column] for run in (reads if column in _READS else some) if not pd.isna(run[column])]
            out[name] = float(np.median(known)) if known else pd.NA
    idle = runs.get("idle", [])
    reads = [run for run in idle if run["near"]] or idle
    return out | {"runs": len(idle), "read_runs": sum(not pd.isna(run["read_mib"]) for run in reads)}
