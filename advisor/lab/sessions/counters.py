"""Counters of one measured session: processor time, memory, reads and kills of a group of processes (cgroup v1)."""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError

CONTROLLERS = ("memory", "cpu", "cpuacct", "cpuset", "blkio", "freezer")

PERIOD_US = 20_000
"""Length of a quota period [us]. Short, so that a throttled processor looks slow rather than absent for a while."""

MOST_SHARES = 262_144
"""The kernel's highest weight of a group against other work (MAX_SHARES, Linux kernel/sched/core.c)."""

_NEVER_REACHED = 10**12
_PSS = re.compile(r"^(Pss|Pss_Anon|Pss_File|Pss_Shmem):\s+(\d+) kB", re.MULTILINE)


@dataclass(frozen=True)
class Memory:
    """Memory of a set of processes.

    Attributes
    ----------
    processes : int
    pss_mib, anon_mib, file_mib : float
        Proportional set size: all, anonymous, and mapped files [MiB].
    """

    processes: int
    pss_mib: float
    anon_mib: float
    file_mib: float


def memory_of(pids: list[int], proc: Path = Path("/proc")) -> Memory:
    """Add up the memory of processes.

    Parameters
    ----------
    pids : list of int
        A process that has ended meanwhile is left out.
    proc : pathlib.Path

    Returns
    -------
    Memory

    References
    ----------
    smaps_rollup: Linux, Documentation/ABI/testing/procfs-smaps_rollup.
    """
    totals = {"Pss": 0, "Pss_Anon": 0, "Pss_File": 0}
    count = 0
    for pid in pids:
        try:
            text = (proc / str(pid) / "smaps_rollup").read_text()
        except OSError:
            continue
        count += 1
        for name, kib in _PSS.findall(text):
            totals[name] = totals.get(name, 0) + int(kib)
    return Memory(count, totals["Pss"] / 1024, totals["Pss_Anon"] / 1024, totals["Pss_File"] / 1024)


@dataclass(frozen=True)
class Group:
    """A control group that a whole container runs in.

    Attributes
    ----------
    name : str
    root : pathlib.Path
        Where the controllers are mounted.
    """

    name: str
    root: Path = Path("/sys/fs/cgroup")

    def path(self, controller: str) -> Path:
        """Folder of the group below one controller."""
        return self.root / controller / self.name

    def make(
        self, memory_limit_mib: float | None = None, quota_pct: float | None = None, cpus: str | None = None
    ) -> Group:
        """Make the group and set its limits.

        Parameters
        ----------
        memory_limit_mib : float, optional
            Memory that its processes and their page cache may take [MiB].
        quota_pct : float, optional
            Processor time that they may take [% of one core].
        cpus : str, optional
            Cores they run on, such as '1' or '0-1', with the highest weight against other work; all when left out.

        Returns
        -------
        Group
            Itself.

        Raises
        ------
        ToolError
            When the controllers of cgroup v1 are not there.
        """
        for controller in CONTROLLERS:
            try:
                self.path(controller).mkdir(exist_ok=True)
            except OSError as error:
                raise ToolError(
                    f"The control group {self.path(controller)} cannot be made: {error.strerror}.",
                    "Measuring needs root and the controllers of cgroup v1 below /sys/fs/cgroup.",
                ) from error
        everything = self.root / "cpuset"
        (self.path("cpuset") / "cpuset.mems").write_text((everything / "cpuset.mems").read_text())
        (self.path("cpuset") / "cpuset.cpus").write_text(cpus or (everything / "cpuset.cpus").read_text())
        if cpus:
            (self.path("cpu") / "cpu.shares").write_text(str(MOST_SHARES))
        limit = -1 if memory_limit_mib is None else int(memory_limit_mib * 2**20)
        (self.path("memory") / "memory.limit_in_bytes").write_text(str(limit))
        self.throttle(quota_pct)
        self.count_reads()
        return self

    def throttle(self, quota_pct: float | None) -> None:
        """Limit the processor time.

        Parameters
        ----------
        quota_pct : float, optional
            [% of one core]; None lifts the limit.
        """
        quota = -1 if quota_pct is None else int(quota_pct / 100 * PERIOD_US)
        (self.path("cpu") / "cpu.cfs_period_us").write_text(str(PERIOD_US))
        (self.path("cpu") / "cpu.cfs_quota_us").write_text(str(quota))

    def count_reads(self) -> None:
        """Count reads on every disk there is; they are counted only on devices that have a rule."""
        for device in Path("/sys/block").glob("*/dev"):
            with contextlib.suppress(OSError):
                # A limit that is never reached.
                rule = f"{device.read_text().strip()} {_NEVER_REACHED}"
                (self.path("blkio") / "blkio.throttle.read_bps_device").write_text(rule)

    def drop_cache(self) -> None:
        """Drop what the group's processes have in the page cache, so that it is read from disk again."""
        with contextlib.suppress(OSError):
            (self.path("memory") / "memory.force_empty").write_text("0")

    def throttled_s(self) -> float:
        """Time for which the limit on the processor has held the group back [s]."""
        text = (self.path("cpu") / "cpu.stat").read_text()
        return int(re.search(r"throttled_time (\d+)", text).group(1)) / 1e9  # type: ignore[union-attr]

    def join(self) -> None:
        """Put the calling process into the group; for use between fork and exec."""
        # A real-time process is refused by a group without a share of real time.
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        os.setpriority(os.PRIO_PROCESS, 0, 0)
        for controller in CONTROLLERS:
            (self.path(controller) / "cgroup.procs").write_text(str(os.getpid()))

    def pids(self) -> list[int]:
        """Processes of the group."""
        return [int(pid) for pid in (self.path("memory") / "cgroup.procs").read_text().split()]

    def processor_s(self) -> float:
        """Processor time used since the group was made [s]."""
        return int((self.path("cpuacct") / "cpuacct.usage").read_text()) / 1e9

    def read_mib(self) -> float:
        """Read from disks since the group was made [MiB]."""
        text = (self.path("blkio") / "blkio.throttle.io_service_bytes").read_text()
        return sum(map(int, re.findall(r"^\d+:\d+ Read (\d+)$", text, re.MULTILINE))) / 2**20

    def reads(self) -> int:
        """Read requests sent to disks since the group was made."""
        text = (self.path("blkio") / "blkio.throttle.io_serviced").read_text()
        return sum(map(int, re.findall(r"^\d+:\d+ Read (\d+)$", text, re.MULTILINE)))

    def waiting(self) -> bool:
        """Tell whether a thread of the group runs, wants to run, or waits for a disk at this moment."""
        return any(state in "RD" for state in self._states())

    def ready(self) -> int:
        """Threads of the group that run or could run at this moment."""
        return sum(state == "R" for state in self._states())

    def _states(self) -> Iterator[str]:
        """States of all threads, as proc(5) has them; a thread or process that ends meanwhile is left out."""
        for pid in self.pids():
            try:
                threads = os.listdir(f"/proc/{pid}/task")
            except OSError:
                continue
            for thread in threads:
                try:
                    text = Path(f"/proc/{pid}/task/{thread}/stat").read_text()
                    yield text.rsplit(")", 1)[1].split()[0]
                except (OSError, IndexError):
                    continue

    def kills(self) -> int:
        """Processes that were killed for want of memory."""
        text = (self.path("memory") / "memory.oom_control").read_text()
        return int(re.search(r"oom_kill (\d+)", text).group(1)) if "oom_kill " in text else 0  # type: ignore[union-attr]

    def end(self, patience_s: float = 10) -> None:
        """Kill what still runs in the group, and take the group away."""
        until = time.monotonic() + patience_s
        while (left := self.pids()) and time.monotonic() < until:
            for pid in left:
                try:
                    os.kill(pid, 9)
                except ProcessLookupError:
                    continue
            time.sleep(0.2)
        for controller in CONTROLLERS:
            try:
                self.path(controller).rmdir()
            except OSError:
                continue


def wait_quiet(
    used: Callable[[], float],
    waiting: Callable[[], bool] = lambda: False,
    *,
    window_s: float = 4,
    share: float = 0.06,
    waiting_share: float = 0.25,
    limit_s: float = 300,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> tuple[float, float] | None:
    """Wait until a group of processes has come to rest.

    Parameters
    ----------
    used : callable
        Gives the processor time used so far [s].
    waiting : callable
        Tells whether a process runs or waits for processor or disk: on a machine that others use too, little
        processor time alone does not mean rest.
    window_s : float
        It rests when for this long [s] it uses less than `share` of one core, and waits at less than
        `waiting_share` of the moments looked at.
    share, waiting_share : float
    limit_s : float
        Give up after this long [s].
    clock, sleep : callable
        For tests.

    Returns
    -------
    tuple of float, or None
        When the rest began [s of `clock`], and the processor time used by then [s]; None when it never came.
    """
    start = clock()
    points = [(start, used(), False)]
    while clock() - start < limit_s:
        sleep(0.25)
        points.append((clock(), used(), waiting()))
        now, total, _ = points[-1]
        while len(points) > 1 and points[1][0] <= now - window_s:
            points.pop(0)
        then, before, _ = points[0]
        busy = sum(point[2] for point in points) / len(points)
        if now - then >= window_s and total - before < share * (now - then) and busy < waiting_share:
            return then, before
    return None
