"""Measure one real desktop session (root, Debian).

Every session starts from an image of the installed edition with cold caches, with nothing holding it back, or with
memory, processor and disk limited together (`advisor.lab.sessions.series` makes many of them).
"""

from __future__ import annotations

import lzma
import time
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from advisor.capture import speed
from advisor.capture.speed import LZMA_PRESET, fixed_buffer
from advisor.lab.sessions.container import (
    PORT,
    STARTS,
    Start,
    alive,
    await_page,
    container,
    counted,
    in_session,
    inside,
    serving,
)  # fmt: skip
from advisor.lab.sessions.counters import Group, memory_of, wait_quiet
from advisor.lab.sessions.paced import READ_AHEAD_KIB, attached
from advisor.lab.sessions.pages import write_pages
from advisor.lab.sessions.rows import Measured
from advisor.lab.sessions.watch import Hurry, Ready, Watch, disturbance, under_limits


@dataclass(frozen=True)
class Conditions:
    """What holds a session back; None stands for nothing.

    Attributes
    ----------
    memory_limit_mib : float, optional
        [MiB]
    quota_pct : float, optional
        [% of one core]
    disk : str, optional
        Name of the kind of disk that it is paced to.
    rate_mib_s, access_ms : float, optional
        That disk's sequential rate [MiB/s] and access time [ms].
    plan : str, optional
        Name in a design.
    core : int, optional
        The one core it runs on.
    count_ready : bool
        Count the threads that could run at each moment, which costs the machine some work.
    session_limit_s, browser_limit_s, after_s : float
        It is given up when the desktop, the browser's first page, or the rest of the load takes longer [s].
    """

    memory_limit_mib: float | None = None
    quota_pct: float | None = None
    disk: str | None = None
    rate_mib_s: float | None = None
    access_ms: float | None = None
    plan: str | None = None
    core: int | None = None
    count_ready: bool = False
    session_limit_s: float = 240
    browser_limit_s: float = 180
    after_s: float = 180


def host_speed(rounds: int = 5) -> float:
    """Measure decompression on this machine by processor time, so that other work beside it counts little.

    Parameters
    ----------
    rounds : int

    Returns
    -------
    float
        Median of the rounds [MiB/s]; what shares the core with us slows it as it slows the session.
    """
    packed = lzma.compress(fixed_buffer(), preset=LZMA_PRESET)
    found = []
    for _ in range(rounds):
        began = time.process_time()
        for _ in range(4):
            lzma.decompress(packed)
        found.append(4 * len(fixed_buffer()) / 2**20 / (time.process_time() - began))
    return sorted(found)[rounds // 2]


def measure(
    release: str,
    edition: str,
    conditions: Conditions,
    image: Path,
    folder: Path,
    beside: str = "",
    run: int = 1,
    note: str = "",
) -> list[Measured]:
    """Measure one session: log in, wait for rest, open the browser, wait again.

    Parameters
    ----------
    release, edition : str
    conditions : Conditions
    image : pathlib.Path
        Of the edition's tree.
    folder : pathlib.Path
        Its name is that of the control group; made if need be, and removed at the end.
    beside : str
        Control group of real-time work on this machine, whose time on the core is recorded.
    run : int
        Number of the repetition.
    note : str

    Returns
    -------
    list of Measured
        A row for the desktop, and one for the browser when the desktop came up.
    """
    start, quota = STARTS[edition], conditions.quota_pct
    group = Group(folder.name)
    got = 1.0
    rows: list[dict[str, Any]] = []
    speeds: dict[str, Any] = {}
    pages = folder / "pages"
    with (
        Hurry() as hurry,
        attached(image, conditions.rate_mib_s or 0, conditions.access_ms or 0, folder) as disk,
    ):
        write_pages(pages)
        host_mib_s = host_speed()
        core = None if conditions.core is None else str(conditions.core)
        group.make(conditions.memory_limit_mib, None, core)
        with container(disk.root, group) as leader:
            inside(leader, "timeout 60 systemctl is-system-running --wait", timeout_s=90)
            wait_quiet(group.processor_s, group.waiting, limit_s=20, window_s=2)
            disk.flush()
            group.drop_cache()
            # What starts the session is warm, as it is after a boot.
            inside(leader, "systemctl --version; systemctl is-active desktop-session; sleep 0", timeout_s=60)
            if conditions.disk:
                disk.pace()
            group.throttle(quota)
            if conditions.disk and quota:
                found, share = under_limits(group, lambda: speed.decompress_mib_s(1.0))
                got = 100 * share / quota
                speeds = {
                    "decompress_mib_s": found,
                    "disk_read_mib_s": under_limits(group, lambda: speed.disk_read_mib_s(disk.device, 1.0))[0],
                    "disk_access_ms": under_limits(group, lambda: speed.disk_access_ms(disk.device, 1.0))[0],
                }
            with hurry.aside():
                with Ready(group) if conditions.count_ready else nullcontext() as ready:
                    rows.append(_desktop(leader, start, Watch(group, disk, conditions.core, beside), conditions))
                rows[-1] |= ready.shares() if ready else {}
                if rows[-1]["ok"] == "yes":
                    with serving(pages, leader) as shown:
                        watch = Watch(group, disk, conditions.core, beside)
                        rows.append(_browser(leader, start, watch, shown, conditions))
    out = []
    for row in rows:
        beside_share = row.pop("beside_share")
        reason = ""
        if quota and speeds:
            read, rate = speeds["disk_read_mib_s"], conditions.rate_mib_s or 0
            reason = disturbance(quota, beside_share, got, read, rate)
        row["note"] = "; ".join(one for one in (row["note"], note) if one)
        known: dict[str, Any] = dict.fromkeys(("seconds", "processor_s", "all_processor_s"))
        out.append(
            Measured(
                **(known | row), release=release, edition=edition, run=run,
                memory_limit_mib=conditions.memory_limit_mib, quota_pct=quota, disk=conditions.disk,
                method=start.method, read_ahead_kib=READ_AHEAD_KIB, host_mib_s=host_mib_s, date=str(date.today()),
                plan=conditions.plan, cpus=core, rate_mib_s=conditions.rate_mib_s, access_ms=conditions.access_ms,
                disturbed=reason or None, **speeds,
            )
        )  # fmt: skip
    return out


def _counters(watch: Watch) -> dict[str, Any]:
    """What is recorded of a stage, the time of its end being now."""
    since = watch.since()
    memory = memory_of(counted(watch.group))
    own = since["used"] + since["served"]
    return {
        "read_mib": since["read"], "reads": int(since["reads"]), "throttled_s": since["throttled"],
        "others_s": max(0.0, since["busy"] - own), "beside_s": since["beside"], "kills": watch.group.kills(),
        "beside_share": since["beside"] / max(since["clock"], 1e-9),
        "processes": memory.processes, "pss_mib": memory.pss_mib, "anon_mib": memory.anon_mib,
    }  # fmt: skip


def _desktop(leader: int, start: Start, watch: Watch, conditions: Conditions) -> dict[str, Any]:
    group = watch.group
    inside(leader, "systemctl start --no-block desktop-session.service", timeout_s=60)
    rest = wait_quiet(
        group.processor_s, group.waiting, limit_s=conditions.session_limit_s, share=start.rest_share,
        waiting_share=0.5 if start.rest_share < 0.1 else 0.8,
    )  # fmt: skip
    row = {"stage": "idle", "limit_s": conditions.session_limit_s, **_counters(watch)}
    there = alive(group, start)
    note = "" if there else "the desktop's process was not there"
    if rest is None or not there:
        return row | {"ok": "no", "note": note}
    seconds, used = rest[0] - watch.start["clock"], rest[1] - watch.start["used"]
    return row | {"ok": "yes", "note": note, "seconds": seconds, "processor_s": used}


def _browser(
    leader: int, start: Start, watch: Watch, shown: dict[str, float], conditions: Conditions
) -> dict[str, Any]:
    group = watch.group
    asked = [in_session(leader, f"firefox-esr http://127.0.0.1:{PORT}/page0.html")]
    with Ready(group) if conditions.count_ready else nullcontext() as ready:
        first = await_page(shown, "0", group, conditions.browser_limit_s)
    # What was read by then; memory is that of the first page until more is open.
    row = {"stage": "browser", "limit_s": conditions.browser_limit_s, **_counters(watch)}
    row |= ready.shares() if ready else {}
    notes = []
    if first:
        row |= {"seconds": first[0] - watch.start["clock"], "processor_s": first[1] - watch.start["used"]}
        for page in ("1", "2"):
            asked.append(in_session(leader, f"firefox-esr --new-tab http://127.0.0.1:{PORT}/page{page}.html"))
        asked.append(in_session(leader, "libreoffice --writer /srv/pages/text.fodt"))
        time.sleep(3)
        rest = wait_quiet(
            group.processor_s, group.waiting, limit_s=conditions.after_s, share=start.rest_share + 0.1,
            waiting_share=0.5 if start.rest_share < 0.1 else 0.8,
        )  # fmt: skip
        memory = memory_of(counted(group))
        row |= {"processes": memory.processes, "pss_mib": memory.pss_mib, "anon_mib": memory.anon_mib}
        if rest:
            row["all_processor_s"] = rest[1] - watch.start["used"]
        else:
            notes.append(f"not at rest {conditions.after_s + 3:g} s after the first page")
        if len(shown) < 3:
            notes.append(f"{len(shown)} of 3 pages shown")
    row["kills"] = group.kills()
    there = alive(group, start)
    if not there:
        notes.append("the desktop's process was not there")
    for one in asked:
        one.kill()
        one.wait()
    return row | {"ok": "yes" if first and there else "no", "note": "; ".join(notes)}
