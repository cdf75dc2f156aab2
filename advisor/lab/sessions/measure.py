"""Measure one real desktop session: log in, wait for rest, open the browser, wait again.

Every session starts from an image of the installed edition, at the login screen of a machine that was just started:
what its services and that screen have read is in memory. Nothing holds it back, or memory, processor and disk are
limited together.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from advisor import tables
from advisor.capture import speed
from advisor.editions.measured import BEGINS
from advisor.errors import ToolError
from advisor.files import datasets
from advisor.lab import disk as paced
from advisor.lab import watch
from advisor.lab.design import BROWSER_LIMIT_S, SESSION_LIMIT_S, TIGHT, Pressure
from advisor.lab.disk import models
from advisor.lab.groups import Groups, Limits, every, hurried, set_own
from advisor.lab.sessions import container
from advisor.lab.sessions.container import DesktopStart, inside
from advisor.lab.sessions.pages import write_pages
from advisor.lab.sessions.swap import Swap, swapping
from advisor.lab.watch import DISTURBED_BESIDE, DrawTime, Ready, wait_quiet
from advisor.lab.workplace import mounted

COLUMNS = tuple(tables.meta(datasets() / "comfort" / "sessions.meta.toml")["columns"])
"""Of the table comfort/sessions, which tells their meaning."""

GREETER_LIMIT_S = 90.0
"""Longest until the login screen has read what it needs, nothing being paced yet [s]."""

GREETER_READS = 0.25
"""It has when it reads less than this [MiB/s]."""


AFTER_LIMIT_S = 25.0
AFTER_ROOMY_S = 12.0
ROOMY_MIB = 4096
SLOW_PCT = 30
SLOW_ROOMY_MIB = 2048
"""After the first page, the other two and the text document get this long [s] to come to rest; less with so much
memory [MiB] that nothing is killed, or a processor [% of one core] that does not get so far in any case."""

AFTER_TIGHT_S = 60.0
"""Where a session is to show what is killed, its whole load gets this long [s]."""

FREE_LIMITS_S = (240.0, 180.0, 180.0)
"""What a session with nothing holding it back gets: see `Conditions.limits_s`."""


@dataclass(frozen=True)
class Conditions:
    """What a session runs under: a plan, or nothing that holds it back; on some cores, or on all.

    `count_ready` counts the threads that could run at each moment, which costs some work.
    """

    plan: Pressure | None = None
    cpus: tuple[int, ...] | None = None
    count_ready: bool = False

    @property
    def limits_s(self) -> tuple[float, float, float]:
        """How long desktop, the browser's first page and the rest of the load may take before they are given up [s]."""
        plan = self.plan
        if plan is None:
            return FREE_LIMITS_S
        enough = SLOW_ROOMY_MIB if plan.quota_pct < SLOW_PCT else ROOMY_MIB
        after_s = AFTER_ROOMY_S if plan.memory_limit_mib >= enough else AFTER_LIMIT_S
        if plan.name.rpartition("-")[2] in TIGHT:
            after_s = AFTER_TIGHT_S
        return SESSION_LIMIT_S, BROWSER_LIMIT_S, after_s

    def disk_model(self, image: Path) -> models.DiskModel:
        """The disk that an image of the tree lies on."""
        if self.plan is not None:
            return models.model(self.plan.disk)
        return models.plain(1e4, 0, -(-image.stat().st_size // 4096) * 4096)


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
            **watch.memory_of(container.counted(self.group)),
        }  # fmt: skip

    def rest(self, start: DesktopStart, limit_s: float, extra: float = 0.0) -> tuple[float, float] | None:
        """Wait until the session is at rest, see `watch.wait_quiet`."""
        waiting = lambda: any(state in "RD" for state in self.group.states())  # noqa: E731
        return wait_quiet(
            self.group.cpu_s, waiting, limit_s=limit_s, share=start.rest_share + extra,
            waiting_share=0.5 if start.rest_share < 0.1 else 0.8,
        )  # fmt: skip


@contextmanager
def _looked_at(group: Groups, count_ready: bool) -> Iterator[Callable[[], dict[str, float]]]:
    """Look at what draws meanwhile and, when asked to, at what could run; yields what gives the figures."""
    drawing, ready = DrawTime(group), Ready(group)
    counting = every(Ready.EVERY_S, ready.look, ahead=True) if count_ready else nullcontext()
    with every(DrawTime.EVERY_S, drawing.look, ahead=True), counting:
        yield lambda: {"drawing_s": drawing.seconds(), **ready.shares()}


def measure(
    release: str, edition: str, conditions: Conditions, image: Path, folder: Path, beside: str = "", run: int = 1,
    note: str = "",
) -> list[dict[str, Any]]:  # fmt: skip
    """Measure one session from an image of the edition's tree, in a run folder.

    `beside` is a control group of real-time work on this machine, whose time on the core is recorded; `run` the
    number of the repetition. Gives a row of `COLUMNS` for the desktop, and one for the browser when the desktop came
    up.
    """
    start, cpus, plan = container.STARTS[edition], conditions.cpus or (), conditions.plan
    memory_mib, swap = (plan.memory_limit_mib, Swap(plan.swap)) if plan else (None, Swap.NONE)
    group, root = Groups(folder.name), folder / "root"
    root.mkdir()
    write_pages(folder / "pages")
    rows: list[dict[str, Any]] = []
    speeds: dict[str, Any] = {}
    # What is no part of the measurement comes before ordinary work on the machine.
    set_own(os.SCHED_RR, 1)
    try:
        group.make(Limits(None, conditions.cpus, memory_mib, real_time=False))
        model = conditions.disk_model(image)
        with (
            paced.attached(model, folder, group, image=image, held=True) as disk,
            mounted((disk.device, str(root))), hurried(disk.device),
            swapping(swap, root, group, memory_mib or 0), container.container(root, group) as leader,
        ):  # fmt: skip
            host_mib_s = watch.host_speed()
            speeds, got = _limit(plan, group, disk, leader, root)
            set_own(os.SCHED_OTHER, 0)
            with _looked_at(group, conditions.count_ready) as looks:
                rows.append(desktop(leader, start, Watch(group, cpus, beside), conditions.limits_s[0]) | looks())
            if rows[-1]["ok"] == "yes":
                with container.serving(folder / "pages", leader) as shown:
                    rows.append(_browser(leader, start, Watch(group, cpus, beside), shown, conditions))
            set_own(os.SCHED_RR, 1)
    finally:
        set_own(os.SCHED_OTHER, 0)
    common = {
        **({**asdict(plan), "plan": plan.name} if plan else {}),
        "release": release, "edition": edition, "run": run, "method": start.method,
        "read_ahead_kib": paced.READ_AHEAD_KIB, "host_mib_s": host_mib_s, "date": str(date.today()),
        "cpus": " ".join(map(str, cpus)), "begins": BEGINS, "cores": len(cpus) or None,
    }  # fmt: skip
    for row in rows:
        share = row.pop("beside_share")
        if plan:
            row["disturbed"] = watch.disturbance(
                beside=(share, plan.quota_pct), shares=(got,), tolerance=DISTURBED_BESIDE,
                read=(speeds["disk_read_mib_s"], plan.rate_mib_s),
            )  # fmt: skip
        row["note"] = "; ".join(one for one in (row["note"], note) if one)
    return [{**common, **speeds, **row} for row in rows]


def _limit(
    plan: Pressure | None, group: Groups, disk: paced.PacedDisk, leader: int, root: Path
) -> tuple[dict[str, float], float]:
    """Bring the machine up to its login screen, set the limits; the speeds under them, and the share they got [1]."""
    container.await_up(leader)
    inside(leader, f"systemctl start {container.GREETER_SERVICE}", timeout_s=60)
    # It may go on drawing where the processor draws; what it reads is what counts.
    if not wait_quiet(lambda: group.reads()[1], limit_s=GREETER_LIMIT_S, share=GREETER_READS):
        raise ToolError(f"The login screen still read after {GREETER_LIMIT_S:g} s.")
    if inside(leader, f"systemctl is-active {container.GREETER_SERVICE}").strip() != "active":
        raise ToolError("The login screen has ended by itself.")
    subprocess.run(["sync", "-f", str(root)], check=False)
    if plan is None:
        return {}, 1.0
    disk.pace()
    group.allow(plan.quota_pct)
    # A login screen that draws on would take its part of what is allowed.
    with group.stopped():
        found, share = group.measured(lambda: speed.decompress_mib_s(1.0))
        speeds = {
            "decompress_mib_s": found,
            "disk_read_mib_s": group.measured(lambda: speed.disk_read_mib_s(disk.device, 1.0))[0],
            "disk_access_ms": group.measured(lambda: speed.disk_access_ms(disk.device, 1.0))[0],
        }
    return speeds, 100 * share / plan.quota_pct


def desktop(leader: int, start: DesktopStart, seen: Watch, limit_s: float) -> dict[str, Any]:
    """Start the desktop and wait for its rest; gives a row without what is common to a session."""
    inside(leader, f"systemctl start --no-block {container.SESSION_SERVICE}", timeout_s=60)
    rest = seen.rest(start, limit_s)
    row = {"stage": "idle", "limit_s": limit_s, **seen.row()}
    there = container.alive(seen.group, start)
    row["note"] = "" if there else "the desktop's process was not there"
    if rest is None or not there:
        return row | {"ok": "no"}
    return row | {"ok": "yes", "seconds": rest[0] - seen.start["clock"], "processor_s": rest[1] - seen.start["used"]}


def _browser(
    leader: int, start: DesktopStart, seen: Watch, shown: dict[str, float], conditions: Conditions
) -> dict[str, Any]:
    group, site = seen.group, f"http://127.0.0.1:{container.PORT}"
    _, limit_s, after_s = conditions.limits_s
    asked = [container.in_session(leader, f"firefox-esr {site}/page0.html")]
    with _looked_at(group, conditions.count_ready) as looks:
        first = container.await_page(shown, "0", group, limit_s)
    # What was read by then; memory is that of the first page until more is open.
    row = {"stage": "browser", "limit_s": limit_s, **looks(), **seen.row()}
    notes = []
    if first:
        row |= {"seconds": first[0] - seen.start["clock"], "processor_s": first[1] - seen.start["used"]}
        for page in ("1", "2"):
            asked.append(container.in_session(leader, f"firefox-esr --new-tab {site}/page{page}.html"))
        asked.append(container.in_session(leader, "libreoffice --writer /srv/pages/text.fodt"))
        time.sleep(3)
        rest = seen.rest(start, after_s, extra=0.1)
        row |= watch.memory_of(container.counted(group))
        if rest:
            row["all_processor_s"] = rest[1] - seen.start["used"]
        else:
            notes.append(f"not at rest {after_s + 3:g} s after the first page")
        if len(shown) < 3:
            notes.append(f"{len(shown)} of 3 pages shown")
    row["kills"] = group.kills()
    there = container.alive(group, start)
    if not there:
        notes.append("the desktop's process was not there")
    for one in asked:
        one.kill()
        one.wait()
    return row | {"ok": "yes" if first and there else "no", "note": "; ".join(notes)}
