"""Control groups: the processor, cores and memory that the rehearsed machine has, and the room the rig itself needs."""

from __future__ import annotations

import contextlib
import os
import threading
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError
from advisor.timing.rig.workplace import CGROUPS, CONTROLLERS, GROUP

PERIOD_US = 20_000
"""Length of a quota period [us]. Short, so that a throttled processor looks slow rather than absent for a while."""

MOST_PCT = 85.0
"""Most of a core that the work may have [%]: the kernel keeps 5 % from all real-time work, and the disk needs some."""

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

    The work runs with a real-time policy, so that whatever else the machine does takes nothing from it, and real-time
    throttling holds it to its share on each core by itself: two cores at half speed are two slow cores, where an
    ordinary quota would let one thread have all of it.

    Parameters
    ----------
    name : str
        Name of the run.
    base : pathlib.Path
        Where the controllers are mounted.
    """

    def __init__(self, name: str, base: Path = CGROUPS) -> None:
        self.paths = {controller: base / controller / GROUP / name for controller in CONTROLLERS}

    def make(self, limits: Limits) -> None:
        """Make both groups and set the limits on `work`.

        Raises
        ------
        ToolError
            When the kernel does not throttle real-time groups, or another rehearsal has the processor.
        """
        for controller, path in self.paths.items():
            for sub in ("work", "rig"):
                (path / sub).mkdir(parents=True, exist_ok=True)
            if controller == "cpuset":
                everything = (path.parent.parent / "cpuset.cpus").read_text()
                nodes = (path.parent.parent / "cpuset.mems").read_text()
                for folder in (path.parent, path, path / "rig", path / "work"):
                    (folder / "cpuset.cpus").write_text(everything)
                    (folder / "cpuset.mems").write_text(nodes)
                (path / "work" / "cpuset.cpus").write_text(",".join(map(str, limits.cpus)))
            if controller == "memory":
                (path / "work" / "memory.limit_in_bytes").write_text(str(limits.memory_mib * MIB))
        self._throttle(limits)

    def _throttle(self, limits: Limits) -> None:
        path = self.paths["cpu"]
        if not (path / "cpu.rt_runtime_us").exists():
            raise ToolError(
                "This kernel does not throttle real-time groups (CONFIG_RT_GROUP_SCHED).",
                "Rehearse on a machine whose kernel has it.",
            )
        share = limits.core_pct / 100
        try:
            if int((path.parent / "cpu.rt_runtime_us").read_text()) == 0:
                (path.parent / "cpu.rt_runtime_us").write_text("940000")
            # A little more than the work's, so that only the work's own short period throttles it.
            (path / "cpu.rt_runtime_us").write_text(str(round((share * 1.02 + 0.005) * 1_000_000)))
            (path / "work" / "cpu.rt_period_us").write_text(str(PERIOD_US))
            (path / "work" / "cpu.rt_runtime_us").write_text(str(int(share * PERIOD_US)))
        except OSError as error:
            raise ToolError(
                f"The kernel gives no {limits.core_pct:g} % of the cores to a rehearsal: {error.strerror}.",
                "Another rehearsal may be running, or one was killed: advisor rehearse --clean.",
            ) from error

    def enter(self, sub: str) -> None:
        """Move the calling process into a group; meant for between fork and exec."""
        for controller, path in self.paths.items():
            # The disk's real-time priority is refused in a processor group without a share of it, so it stays outside.
            if controller == "cpu" and sub == "rig":
                continue
            with open(path / sub / "cgroup.procs", "w") as file:
                file.write(str(os.getpid()))
        if sub == "work":
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(WORK_PRIORITY))

    def cpu_s(self, sub: str = "work") -> float:
        """Processor time used so far [s]."""
        return int((self.paths["cpuacct"] / sub / "cpuacct.usage").read_text()) / 1e9

    def peak_memory_mib(self) -> float:
        """Most memory held so far, page cache included [MiB]."""
        return int((self.paths["memory"] / "work" / "memory.max_usage_in_bytes").read_text()) / MIB


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
