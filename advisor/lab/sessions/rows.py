"""Rows of the table comfort/sessions: what is recorded of a measured session."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import pandas as pd

from advisor.files import append_whole


@dataclass(frozen=True)
class Measured:
    """One row of comfort/sessions: a session at rest, or with the browser open."""

    release: str
    edition: str
    stage: str
    run: int
    memory_limit_mib: float | None
    quota_pct: float | None
    disk: str | None
    method: str
    ok: str
    seconds: float | None
    processor_s: float | None
    all_processor_s: float | None
    processes: int | None
    pss_mib: float | None
    anon_mib: float | None
    read_mib: float | None
    reads: int | None
    read_ahead_kib: int | None
    kills: int
    host_mib_s: float
    note: str
    date: str
    plan: str | None = None
    cpus: str | None = None
    rate_mib_s: float | None = None
    access_ms: float | None = None
    decompress_mib_s: float | None = None
    disk_read_mib_s: float | None = None
    disk_access_ms: float | None = None
    limit_s: float | None = None
    throttled_s: float | None = None
    others_s: float | None = None
    beside_s: float | None = None
    disturbed: str | None = None
    ready_2: float | None = None
    ready_3: float | None = None
    ready_4: float | None = None


COLUMNS: dict[str, str] = {
    "release": "release of Debian",
    "edition": "desktop",
    "stage": "idle: from login to rest; browser: from click to three pages and a text document open",
    "run": "number of the repetition",
    "memory_limit_mib": "memory the whole container may take, empty for no limit [MiB]",
    "quota_pct": "processor time the container may take, empty for no limit [% of one core]",
    "disk": "paced disk that the tree lies on, empty for the machine's own",
    "method": "how the session was started",
    "ok": "yes when the stage was reached and the desktop's process was alive",
    "seconds": "idle: login to the begin of rest; browser: click to the first page shown [s of the clock]",
    "processor_s": "processor time of all the container's processes in that time [s]",
    "all_processor_s": "the same to rest with all pages and the text document open [s]",
    "processes": "processes of the container, system services included",
    "pss_mib": "their proportional set size [MiB]",
    "anon_mib": "anonymous part of it [MiB]",
    "read_mib": "read from disk in the time of processor_s, the tree's files not being cached [MiB]",
    "reads": "read requests in that time",
    "read_ahead_kib": "how far that disk reads ahead, which raises read_mib; 128 is what disks in PCs do [KiB]",
    "kills": "processes killed for want of memory",
    "host_mib_s": "decompression on the measuring machine at the time, by processor time [MiB/s]",
    "note": "what else is to be known of the run",
    "date": "day of the run",
    "plan": "name in comfort/design of a session under pressure, empty for others",
    "cpus": "cores that the container ran on, empty for all",
    "rate_mib_s": "sequential rate that the disk was paced to [MiB/s]",
    "access_ms": "access time that it was paced to [ms]",
    "decompress_mib_s": "decompression under the limits, as capture --speed measures it [MiB/s]",
    "disk_read_mib_s": "sequential read of the paced disk, as capture --speed measures it [MiB/s]",
    "disk_access_ms": "random read of it, as capture --speed measures it [ms]",
    "limit_s": "seconds empty and ok no: not reached within this time, unless the note says otherwise [s]",
    "throttled_s": "time for which the processor limit held the container back in the stage [s]",
    "others_s": "processor time of other work on the same core in the stage [s]",
    "beside_s": "the part of it that came before the container, being real-time [s]",
    "disturbed": "why the row counts as disturbed and is left out of fits, empty when it does not",
    "ready_2": "share of the moments with work at which 2 threads or more could run, on one core with no limit [1]",
    "ready_3": "the same of 3 or more [1]",
    "ready_4": "the same of 4 or more [1]",
}


def append(rows: list[Measured], out: Path) -> pd.DataFrame:
    """Add rows to a table.

    Parameters
    ----------
    rows : list of Measured
    out : pathlib.Path

    Returns
    -------
    pandas.DataFrame
        The rows as they were written.
    """
    frame = pd.DataFrame([asdict(row) for row in rows], columns=list(COLUMNS))
    for name in frame.select_dtypes("number"):
        # Access times of fast disks need more places.
        frame[name] = frame[name].round(4 if str(name).endswith("_ms") else 2)
    append_whole(out, frame.to_csv(index=False, header=False, lineterminator="\n"), ",".join(COLUMNS) + "\n")
    return frame


def told(frame: pd.DataFrame) -> str:
    """Show measured rows on a terminal.

    Parameters
    ----------
    frame : pandas.DataFrame
        As `append` gives it.

    Returns
    -------
    str
    """
    names = (
        "edition", "stage", "ok", "seconds", "processor_s", "read_mib", "reads", "kills", "pss_mib",
        "decompress_mib_s", "disk_read_mib_s", "disk_access_ms", "throttled_s", "others_s", "beside_s", "disturbed",
        "note",
    )  # fmt: skip
    return frame[list(names)].to_string(index=False)
