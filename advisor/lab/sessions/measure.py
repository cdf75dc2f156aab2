"""Measure one real desktop session: log in, wait for rest, open the browser, wait again.

Every session starts from an image of the installed edition, at the login screen of a machine that was just started:
what its services and that screen have read is in memory. Nothing holds it back, or memory, processor and disk are
limited together.
"""

from __future__ import annotations

import lzma
import os
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from advisor.capture import speed
from advisor.editions.measured import BEGINS
from advisor.errors import ToolError
from advisor.lab import disk as paced
from advisor.lab import watch
from advisor.lab.disk import models
from advisor.lab.groups import Groups, Hurry, Limits, set_own
from advisor.lab.sessions.container import (
    GREETER_SERVICE,
    PORT,
    SESSION_SERVICE,
    STARTS,
    DesktopStart,
    alive,
    await_page,
    await_up,
    container,
    counted,
    in_session,
    inside,
    serving,
)  # fmt: skip
from advisor.lab.sessions.pages import write_pages
from advisor.lab.sessions.swap import Swap, swapping
from advisor.lab.watch import DISTURBED_BESIDE, DrawTime, Ready, wait_quiet
from advisor.lab.workplace import mounted

COLUMNS = (
    "release", "edition", "stage", "run", "memory_limit_mib", "quota_pct", "disk", "method", "ok", "seconds",
    "processor_s", "all_processor_s", "processes", "pss_mib", "anon_mib", "read_mib", "reads", "read_ahead_kib",
    "kills", "host_mib_s", "note", "date", "plan", "cpus", "rate_mib_s", "access_ms", "decompress_mib_s",
    "disk_read_mib_s",
    "disk_access_ms", "limit_s", "throttled_s", "others_s", "beside_s", "disturbed", "ready_2", "ready_3", "ready_4",
    "begins", "cores", "swap", "drawing_s", "swapped_mib",
)  # fmt: skip
"""Of the table comfort/sessions, which tells their meaning."""

GREETER_LIMIT_S = 90.0
"""Longest until the login screen has read what it needs, nothing being paced yet [s]."""

GREETER_READS = 0.25
"""It has when it reads less than this [MiB/s]."""


@dataclass(frozen=True)
class Conditions:
    """What holds a session back; None stands for nothing.

    Memory [MiB], processor [% of each core] on the cores `cpus`, a disk of a rate and an access time or a `model` of
    lab/disks, and where memory may be moved to. `plan` is its name in a design. `count_ready` counts the threads that
    could run at each moment, which costs some work. It is given up when the desktop, the browser's first page, or the
    rest of the load takes longer than its limit [s].
    """

    memory_limit_mib: float | None = None
    quota_pct: float | None = None
    disk: str | None = None
    rate_mib_s: float | None = None
    access_ms: float | None = None
    model: str = ""
    plan: str | None = None
    cpus: tuple[int, ...] | None = None
    swap: Swap = Swap.NONE
    count_ready: bool = False
    session_limit_s: float = 240
    browser_limit_s: float = 180
    after_s: float = 180

    def disk_model(self, image: Path) -> models.DiskModel:
        """The disk that an image of the tree lies on."""
        if self.model:
            return models.model(self.model)
        size = -(-image.stat().st_size // 4096) * 4096
        return models.plain(self.rate_mib_s or 1e4, self.access_ms or 0, size)


class Watch:
    """Counters of one stage, as differences from its begin."""

    def __init__(self, group: Groups, cpus: Sequence[int] = (), beside: str = "") -> None:
        self.group, self.cpus, self.beside = group, cpus, beside
        self.start = self._now()

    def _now(self) -> dict[str, float]:
        reads, read = self.group.reads()
        return {
            "clock": time.monotonic(), "used": self.group.cpu_s(), "own": self.group.cpu_s() + self.group.cpu_s("rig"),
            "read": read, "reads": reads, "throttled": self.group.throttled_s(),
            "busy": watch.busy_s(self.cpus),
            "beside": sum(watch.beside_s(self.beside, core) for core in self.cpus),
        }  # fmt: skip

    def row(self) -> dict[str, Any]:
        """What is recorded of the stage, the time of its end being now."""
        now = self._now()
        since = {name: now[name] - self.start[name] for name in now}
        return {
            "read_mib": since["read"], "reads": int(since["reads"]), "throttled_s": since["throttled"],
            "others_s": max(0.0, since["busy"] - since["own"]), "beside_s": since["beside"],
            "kills": self.group.kills(), "swapped_mib": self.group.swapped_mib(),
            "beside_share": since["beside"] / max(since["clock"], 1e-9) / max(len(self.cpus), 1),
            **watch.memory_of(counted(self.group)),
        }  # fmt: skip

    def rest(self, start: DesktopStart, limit_s: float, extra: float = 0.0) -> tuple[float, float] | None:
        """Wait until the session is at rest, see `watch.wait_quiet`."""
        waiting = lambda: any(state in "RD" for state in self.group.states())  # noqa: E731
        return wait_quiet(
            self.group.cpu_s, waiting, limit_s=limit_s, share=start.rest_share + extra,
            waiting_share=0.5 if start.rest_share < 0.1 else 0.8,
        )  # fmt: skip


def host_speed() -> float:
    """Decompression on this machine by processor time, median of five rounds [MiB/s]: other work counts little."""
    packed = lzma.compress(speed.fixed_buffer(), preset=speed.LZMA_PRESET)
    found = []
    for _ in range(5):
        began = time.process_time()
        for _ in range(4):
            lzma.decompress(packed)
        found.append(4 * len(speed.fixed_buffer()) / 2**20 / (time.process_time() - began))
    return sorted(found)[2]


def measure(
    release: str, edition: str, conditions: Conditions, image: Path, folder: Path, beside: str = "", run: int = 1,
    note: str = "",
) -> list[dict[str, Any]]:  # fmt: skip
    """Measure one session from an image of the edition's tree, in a run folder.

    `beside` is a control group of real-time work on this machine, whose time on the core is recorded; `run` the
    number of the repetition. Gives a row of `COLUMNS` for the desktop, and one for the browser when the desktop came
    up.
    """
    start, cpus = STARTS[edition], conditions.cpus or ()
    group, root = Groups(folder.name), folder / "root"
    root.mkdir()
    write_pages(folder / "pages")
    rows: list[dict[str, Any]] = []
    speeds: dict[str, Any] = {}
    # What is no part of the measurement comes before ordinary work on the machine.
    set_own(os.SCHED_RR, 1)
    try:
        group.make(Limits(None, conditions.cpus, conditions.memory_limit_mib, real_time=False))
        model = conditions.disk_model(image)
        with (
            paced.attached(model, folder, group, image=image, held=True) as disk,
            mounted((disk.device, str(root))), Hurry(disk.device),
            swapping(conditions.swap, root, group, conditions.memory_limit_mib or 0), container(root, group) as leader,
        ):  # fmt: skip
            host_mib_s = host_speed()
            speeds, got = _limit(conditions, group, disk, leader, root)
            set_own(os.SCHED_OTHER, 0)
            with DrawTime(group) as drawing, Ready(group) if conditions.count_ready else nullcontext() as ready:
                rows.append(desktop(leader, start, Watch(group, cpus, beside), conditions))
                rows[-1]["drawing_s"] = drawing.seconds()
            rows[-1] |= ready.shares() if ready else {}
            if rows[-1]["ok"] == "yes":
                with serving(folder / "pages", leader) as shown:
                    rows.append(_browser(leader, start, Watch(group, cpus, beside), shown, conditions))
            set_own(os.SCHED_RR, 1)
    finally:
        set_own(os.SCHED_OTHER, 0)
    common = {
        "release": release, "edition": edition, "run": run, "memory_limit_mib": conditions.memory_limit_mib,
        "quota_pct": conditions.quota_pct, "disk": conditions.disk, "method": start.method,
        "read_ahead_kib": paced.READ_AHEAD_KIB, "host_mib_s": host_mib_s, "date": str(date.today()),
        "plan": conditions.plan, "cpus": " ".join(map(str, cpus)), "rate_mib_s": conditions.rate_mib_s,
        "access_ms": conditions.access_ms, "begins": BEGINS, "cores": len(cpus) or None, "swap": conditions.swap,
    }  # fmt: skip
    for row in rows:
        share = row.pop("beside_share")
        if conditions.quota_pct and speeds:
            row["disturbed"] = watch.disturbance(
                beside=(share, conditions.quota_pct), shares=(got,), tolerance=DISTURBED_BESIDE,
                read=(speeds["disk_read_mib_s"], conditions.rate_mib_s or 0),
            )  # fmt: skip
        row["note"] = "; ".join(one for one in (row["note"], note) if one)
    return [{**common, **speeds, **row} for row in rows]


def _limit(
    conditions: Conditions, group: Groups, disk: paced.PacedDisk, leader: int, root: Path
) -> tuple[dict[str, float], float]:
    """Bring the machine up to its login screen, set the limits; the speeds under them, and the share they got [1]."""
    quota = conditions.quota_pct
    await_up(leader)
    inside(leader, f"systemctl start {GREETER_SERVICE}", timeout_s=60)
    # It may go on drawing where the processor draws; what it reads is what counts.
    if not wait_quiet(lambda: group.reads()[1], limit_s=GREETER_LIMIT_S, share=GREETER_READS):
        raise ToolError(f"The login screen still read after {GREETER_LIMIT_S:g} s.")
    if inside(leader, f"systemctl is-active {GREETER_SERVICE}").strip() != "active":
        raise ToolError("The login screen has ended by itself.")
    disk.flush(root)
    if conditions.disk:
        disk.pace()
    group.allow(quota)
    if not (conditions.disk and quota):
        return {}, 1.0
    # A login screen that draws on would take its part of what is allowed.
    with group.stopped():
        found, share = group.measured(lambda: speed.decompress_mib_s(1.0))
        speeds = {
            "decompress_mib_s": found,
            "disk_read_mib_s": group.measured(lambda: speed.disk_read_mib_s(disk.device, 1.0))[0],
            "disk_access_ms": group.measured(lambda: speed.disk_access_ms(disk.device, 1.0))[0],
        }
    return speeds, 100 * share / quota


def desktop(leader: int, start: DesktopStart, seen: Watch, conditions: Conditions) -> dict[str, Any]:
    """Start the desktop and wait for its rest; gives a row without what is common to a session."""
    inside(leader, f"systemctl start --no-block {SESSION_SERVICE}", timeout_s=60)
    rest = seen.rest(start, conditions.session_limit_s)
    row = {"stage": "idle", "limit_s": conditions.session_limit_s, **seen.row()}
    there = alive(seen.group, start)
    row["note"] = "" if there else "the desktop's process was not there"
    if rest is None or not there:
        return row | {"ok": "no"}
    return row | {"ok": "yes", "seconds": rest[0] - seen.start["clock"], "processor_s": rest[1] - seen.start["used"]}


def _browser(
    leader: int, start: DesktopStart, seen: Watch, shown: dict[str, float], conditions: Conditions
) -> dict[str, Any]:
    group = seen.group
    asked = [in_session(leader, f"firefox-esr http://127.0.0.1:{PORT}/page0.html")]
    with DrawTime(group) as drawing, Ready(group) if conditions.count_ready else nullcontext() as ready:
        first = await_page(shown, "0", group, conditions.browser_limit_s)
    # What was read by then; memory is that of the first page until more is open.
    row = {
        "stage": "browser", "limit_s": conditions.browser_limit_s, "drawing_s": drawing.seconds(), **seen.row(),
    }  # fmt: skip
    row |= ready.shares() if ready else {}
    notes = []
    if first:
        row |= {"seconds": first[0] - seen.start["clock"], "processor_s": first[1] - seen.start["used"]}
        for page in ("1", "2"):
            asked.append(in_session(leader, f"firefox-esr --new-tab http://127.0.0.1:{PORT}/page{page}.html"))
        asked.append(in_session(leader, "libreoffice --writer /srv/pages/text.fodt"))
        time.sleep(3)
        rest = seen.rest(start, conditions.after_s, extra=0.1)
        row |= watch.memory_of(counted(group))
        if rest:
            row["all_processor_s"] = rest[1] - seen.start["used"]
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
