"""Control groups: the processor, cores and memory that the rehearsed machine has, and the room the rig itself needs."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab.workplace import CGROUPS, CONTROLLERS, homes

PERIOD_US = 20_000
"""Length of a quota period [us]. Short, so that a throttled processor looks slow rather than absent for a while."""

MOST_PCT = 85.0
"""Most of a core that the work may have [%]: the kernel keeps 5 % from all real-time work, and the disk needs some."""

WEIGHT = 20
"""Weight of the work against other work on the machine, where an ordinary quota holds it."""

RELEASE_S = 15.0
"""How long the limits are tried again while the kernel may still be putting away the groups before [s]."""

WORK_PRIORITY = 1
KERNEL_PRIORITY = 10
DISK_PRIORITY = 20
"""Real-time priorities: the disk comes before the kernel's own writers, and these before the work."""

MIB = 1 << 20


@dataclass(frozen=True)
class Limits:
    """What one rehearsal may use.

    Attributes
    ----------
    core_pct : float
        Time on each of its cores [%].
    cpus : tuple of int
        The cores it runs on.
    memory_mib : int
        Memory with page cache [MiB].
    """

    core_pct: float
    cpus: tuple[int, ...]
    memory_mib: int


class Groups:
    """The control groups of one rehearsal: `work` under the limits, `rig` (disk, link) without.

    Where the kernel throttles real-time groups, the work runs with a real-time policy, so that whatever else the
    machine does takes nothing from it, and it is held to its share on each core by itself: two cores at half speed are
    two slow cores. Elsewhere an ordinary quota holds it in all, with a high weight against other work; one thread may
    then have the shares of all cores.

    Parameters
    ----------
    name : str
        Name of the run.
    base : pathlib.Path
        Where the control groups are mounted.

    Attributes
    ----------
    throttle : str
        'each core' or 'in all'.
    """

    def __init__(self, name: str, base: Path = CGROUPS) -> None:
        self.paths = {controller: path / name for controller, path in homes(base).items()}
        if not self.paths:
            raise ToolError(
                f"Control groups for {', '.join(CONTROLLERS)} are not mounted below {base}.",
                "Run the rig on the machine itself, not in a container.",
            )
        self.base = base
        self.unified = len(set(self.paths.values())) == 1
        self.throttle = "in all"

    def make(self, limits: Limits) -> None:
        """Make both groups and set the limits on `work`.

        Raises
        ------
        ToolError
            When the kernel refuses a limit, as when another rehearsal has the processor.
        """
        until = time.monotonic() + RELEASE_S
        while True:
            try:
                if self.unified:
                    self._make_unified(limits)
                else:
                    self._make_apart(limits)
                return
            except OSError as refused:
                # A group that was removed keeps its share until the kernel has put it away, a moment later.
                if refused.errno not in (errno.EINVAL, errno.EBUSY) or time.monotonic() > until:
                    error = refused
                    break
                time.sleep(0.5)
        raise ToolError(
            f"The kernel refused the limits of {limits.core_pct:g} % of {len(limits.cpus)} core(s) and "
            f"{limits.memory_mib} MiB: {error}.",
            "Another rehearsal may be running, or one was killed: advisor rehearse --clean.",
        ) from error

    def _make_apart(self, limits: Limits) -> None:
        for controller, path in self.paths.items():
            for sub in ("work", "rig"):
                (path / sub).mkdir(parents=True, exist_ok=True)
            work = path / "work"
            if controller == "cpuset":
                everything = (path.parent.parent / "cpuset.cpus").read_text()
                nodes = (path.parent.parent / "cpuset.mems").read_text()
                for folder in (path.parent, path, path / "rig", work):
                    (folder / "cpuset.cpus").write_text(everything)
                    (folder / "cpuset.mems").write_text(nodes)
                (work / "cpuset.cpus").write_text(",".join(map(str, limits.cpus)))
            if controller == "memory":
                (work / "memory.limit_in_bytes").write_text(str(limits.memory_mib * MIB))
            if controller == "cpu" and (path / "cpu.rt_runtime_us").exists():
                self.throttle = "each core"
                share = limits.core_pct / 100
                if int((path.parent / "cpu.rt_runtime_us").read_text()) == 0:
                    (path.parent / "cpu.rt_runtime_us").write_text("940000")
                # A little more than the work's, so that only the work's own short period throttles it.
                (path / "cpu.rt_runtime_us").write_text(str(round((share * 1.02 + 0.005) * 1_000_000)))
                (work / "cpu.rt_period_us").write_text(str(PERIOD_US))
                (work / "cpu.rt_runtime_us").write_text(str(int(share * PERIOD_US)))
            elif controller == "cpu":
                for folder in (path.parent, path, work):
                    (folder / "cpu.shares").write_text(str(1024 * WEIGHT))
                (work / "cpu.cfs_period_us").write_text(str(PERIOD_US))
                (work / "cpu.cfs_quota_us").write_text(str(_quota_us(limits)))

    def _make_unified(self, limits: Limits) -> None:
        path = self.paths["cpu"]
        for sub in ("work", "rig"):
            (path / sub).mkdir(parents=True, exist_ok=True)
        for folder in (self.base, path.parent, path):
            (folder / "cgroup.subtree_control").write_text("+cpu +cpuset +memory")
        for folder in (path.parent, path, path / "work"):
            (folder / "cpu.weight").write_text(str(100 * WEIGHT))
        work = path / "work"
        (work / "cpu.max").write_text(f"{_quota_us(limits)} {PERIOD_US}")
        (work / "cpuset.cpus").write_text(",".join(map(str, limits.cpus)))
        (work / "memory.max").write_text(str(limits.memory_mib * MIB))

    def enter(self, sub: str) -> None:
        """Move the calling process into a group; meant for between fork and exec."""
        for controller, path in self.paths.items():
            # The disk's real-time priority is refused in a processor group without a share of it, so it stays outside.
            if controller == "cpu" and sub == "rig" and self.throttle == "each core":
                continue
            with open(path / sub / "cgroup.procs", "w") as file:
                file.write(str(os.getpid()))
        if sub == "work" and self.throttle == "each core":
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(WORK_PRIORITY))

    def cpu_s(self, sub: str = "work") -> float:
        """Processor time used so far [s]."""
        if not self.unified:
            return int((self.paths["cpuacct"] / sub / "cpuacct.usage").read_text()) / 1e9
        figures = dict(line.split() for line in (self.paths["cpu"] / sub / "cpu.stat").read_text().splitlines())
        return int(figures["usage_usec"]) / 1e6

    def peak_memory_mib(self) -> float:
        """Most memory held so far, page cache included [MiB]; NaN where the kernel does not keep it."""
        name = "memory.peak" if self.unified else "memory.max_usage_in_bytes"
        try:
            return int((self.paths["memory"] / "work" / name).read_text()) / MIB
        except OSError:
            return float("nan")


def _quota_us(limits: Limits) -> int:
    return round(limits.core_pct / 100 * len(limits.cpus) * PERIOD_US)


def is_writer(name: str, device: str) -> bool:
    """Whether a kernel thread carries writes to a loop device, by its name.

    Parameters
    ----------
    name : str
        As in /proc/PID/comm: 'jbd2/loop0-8', or a worker of no fixed core such as 'kworker/u8:3-loop0'.
    device : str
        Such as '/dev/loop0'.

    Returns
    -------
    bool
    """
    return name.startswith((f"jbd2/{device.removeprefix('/dev/')}-", "kworker/u"))


class Hurry:
    """Keeps the kernel's writers ahead of other work on the machine while a rehearsal runs, and sets them back after.

    Parameters
    ----------
    device : str
        The loop device.
    """

    def __init__(self, device: str) -> None:
        self.device = device
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._keep, daemon=True)

    def __enter__(self) -> Hurry:
        _set_writers(self.device, os.SCHED_FIFO, KERNEL_PRIORITY)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()
        calm()

    def _keep(self) -> None:
        # Workers come and go.
        while not self._done.wait(0.5):
            _set_writers(self.device, os.SCHED_FIFO, KERNEL_PRIORITY)


def calm() -> None:
    """Set the kernel's workers back to the ordinary policy."""
    _set_writers("/dev/loop", os.SCHED_OTHER, 0)


def _set_writers(device: str, policy: int, priority: int) -> None:
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            with contextlib.suppress(OSError):
                with open(f"/proc/{entry}/comm") as file:
                    name = file.read().strip()
                if is_writer(name, device) and os.sched_getscheduler(int(entry)) != policy:
                    os.sched_setscheduler(int(entry), policy, os.sched_param(priority))
