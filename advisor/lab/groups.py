"""Control groups, of version 1 and 2: the processor, cores and memory that a rehearsed machine has, and their counters.

A run has two: `work` under the limits, `rig` (disk, link) without.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import multiprocessing
import os
import re
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError

GROUP = "advisor-rehearsal"
"""Name under which the rig's control groups stand."""

CONTROLLERS = ("cpu", "cpuacct", "cpuset", "memory", "blkio")
CGROUPS = Path("/sys/fs/cgroup")

PERIOD_US = 20_000
"""Length of a quota period [us]. Short, so that a throttled processor looks slow rather than absent for a while."""

MOST_PCT = 85.0
"""Most of a core that real-time work may have [%]: the kernel keeps 5 % from it, and the disk needs some."""

MOST_SHARES = 262_144
"""The kernel's highest weight of a group against other work (MAX_SHARES, Linux kernel/sched/core.c)."""

RELEASE_S = 15.0
"""How long the limits are tried again while the kernel may still be putting away the groups before [s]."""

WORK_PRIORITY, KERNEL_PRIORITY, DISK_PRIORITY = 1, 10, 20
"""Real-time priorities: the disk comes before the kernel's own writers, and these before the work."""

REAL_TIME = ("chrt", "--fifo", str(DISK_PRIORITY))

USUAL_SWAPPINESS = 60
"""The kernel's default (vm.swappiness, Linux Documentation/admin-guide/sysctl/vm.rst)."""

MIB = 1 << 20
_NEVER_REACHED = 10**12


@dataclass(frozen=True)
class Limits:
    """What the work may use; None stands for no limit.

    Time on each of its cores [%], the cores it runs on, memory with page cache [MiB]; `real_time` work runs by a
    real-time policy where the kernel can throttle that.
    """

    core_pct: float | None = None
    cpus: tuple[int, ...] | None = None
    memory_mib: float | None = None
    real_time: bool = True


def homes(base: Path = CGROUPS) -> dict[str, Path]:
    """Folders that the rig's groups stand in, by controller: apart (version 1) or the same for all (version 2)."""
    if all((base / name / "cgroup.procs").exists() for name in CONTROLLERS):
        return {name: base / name / GROUP for name in CONTROLLERS}
    with contextlib.suppress(OSError):
        if {"cpu", "cpuset", "memory", "io"} <= set((base / "cgroup.controllers").read_text().split()):
            return dict.fromkeys(CONTROLLERS, base / GROUP)
    return {}


def _there(folder: Path, pattern: str) -> list[Path]:
    """Files of a folder that may go away meanwhile; none where it has gone."""
    try:
        return list(folder.glob(pattern))
    except OSError:
        return []


class Groups:
    """The control groups of one run.

    Where the kernel throttles real-time groups, real-time work is such that whatever else the machine does takes
    nothing from it, and it is held to its share on each core by itself: two cores at half speed are two slow cores.
    Elsewhere an ordinary quota holds it in all, with the highest weight against other work; one thread may then have
    the shares of all cores. `throttle` says which: 'each core' or 'in all'.
    """

    def __init__(self, name: str, base: Path = CGROUPS) -> None:
        self.name, self.base = name, base
        self.paths = {controller: path / name for controller, path in homes(base).items()}
        self.unified = len(set(self.paths.values())) == 1
        self.throttle = "in all"
        self._cores = 1

    def make(self, limits: Limits) -> None:
        """Make both groups and set the limits on `work`; ToolError when the kernel refuses one."""
        if not self.paths:
            raise ToolError(
                f"Control groups for {', '.join(CONTROLLERS)} are not mounted below {self.base}.",
                "Run the rig on the machine itself, not in a container.",
            )
        until = time.monotonic() + RELEASE_S
        while True:
            try:
                self._make(limits)
                return
            except OSError as refused:
                # A group that was removed keeps its share until the kernel has put it away, a moment later.
                if refused.errno not in (errno.EINVAL, errno.EBUSY) or time.monotonic() > until:
                    raise ToolError(
                        f"The kernel refused the limits {limits}: {refused}.",
                        "Another rehearsal may be running, or one was killed: advisor rehearse --clean.",
                    ) from refused
                time.sleep(0.5)

    def _make(self, limits: Limits) -> None:
        for path in set(self.paths.values()):
            for sub in ("work", "rig"):
                (path / sub).mkdir(parents=True, exist_ok=True)
        cpu, above = self.paths["cpu"], self.paths["cpu"].parent
        cores = (self.base / ("cpuset.cpus.effective" if self.unified else "cpuset/cpuset.cpus")).read_text().strip()
        chosen = cores if limits.cpus is None else ",".join(map(str, limits.cpus))
        self._cores = 1 if limits.cpus is None else len(limits.cpus)
        if self.unified:
            for folder in (self.base, above, cpu):
                (folder / "cgroup.subtree_control").write_text("+cpu +cpuset +memory +io")
            weight, memory, most = ("cpu.weight", 10_000), "memory.max", "max"
        else:
            sets = self.paths["cpuset"]
            nodes = (self.base / "cpuset/cpuset.mems").read_text()
            for folder in (sets.parent, sets, sets / "rig", sets / "work"):
                (folder / "cpuset.cpus").write_text(cores)
                (folder / "cpuset.mems").write_text(nodes)
            weight, memory, most = ("cpu.shares", MOST_SHARES), "memory.limit_in_bytes", "-1"
        for folder in (above, cpu, cpu / "work"):
            (folder / weight[0]).write_text(str(weight[1]))
        if limits.memory_mib is not None:
            most = str(int(limits.memory_mib * MIB))
        (self.paths["memory"] / "work" / memory).write_text(most)
        (self.paths["cpuset"] / "work/cpuset.cpus").write_text(chosen)
        if limits.real_time and limits.core_pct and not self.unified and (cpu / "cpu.rt_runtime_us").exists():
            self._real_time(limits.core_pct / 100)
        else:
            self.allow(limits.core_pct)

    def _real_time(self, share: float) -> None:
        self.throttle = "each core"
        cpu = self.paths["cpu"]
        if int((cpu.parent / "cpu.rt_runtime_us").read_text()) == 0:
            (cpu.parent / "cpu.rt_runtime_us").write_text("940000")
        # A little more than the work's, so that only the work's own short period throttles it.
        (cpu / "cpu.rt_runtime_us").write_text(str(round((share * 1.02 + 0.005) * 1_000_000)))
        (cpu / "work/cpu.rt_period_us").write_text(str(PERIOD_US))
        (cpu / "work/cpu.rt_runtime_us").write_text(str(int(share * PERIOD_US)))

    def allow(self, core_pct: float | None) -> None:
        """Set the ordinary quota of `work` on each of its cores [%], counted over all; None lifts it."""
        quota = -1 if core_pct is None else round(core_pct / 100 * self._cores * PERIOD_US)
        work = self.paths["cpu"] / "work"
        if self.unified:
            (work / "cpu.max").write_text(f"{'max' if quota < 0 else quota} {PERIOD_US}")
        else:
            (work / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (work / "cpu.cfs_quota_us").write_text(str(quota))

    def count_reads(self) -> None:
        """Count the work's reads on every disk there is by now."""
        if self.unified:
            return
        # Version 1 counts them only on devices that have a rule: a limit that is never reached.
        rule = self.paths["blkio"] / "work/blkio.throttle.read_bps_device"
        for device in Path("/sys/block").glob("*/dev"):
            with contextlib.suppress(OSError):
                rule.write_text(f"{device.read_text().strip()} {_NEVER_REACHED}")

    def enter(self, sub: str) -> None:
        """Move the calling process into a group; meant for between fork and exec."""
        if sub == "work" and self.throttle == "in all":
            # A real-time process is refused by a group without a share of real time.
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
            os.setpriority(os.PRIO_PROCESS, 0, 0)
        for controller, path in self.paths.items():
            # The disk's real-time priority is refused in a processor group without a share of it, so it stays outside.
            if controller == "cpu" and sub == "rig" and not self.unified:
                continue
            (path / sub / "cgroup.procs").write_text(str(os.getpid()))
        if sub == "work" and self.throttle == "each core":
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(WORK_PRIORITY))

    # --- counters

    def _text(self, controller: str, name: str, sub: str = "work") -> str:
        return (self.paths[controller] / sub / name).read_text()

    def cpu_s(self, sub: str = "work") -> float:
        """Processor time used so far [s]."""
        if not self.unified:
            return int(self._text("cpuacct", "cpuacct.usage", sub)) / 1e9
        return _entry(self._text("cpu", "cpu.stat", sub), "usage_usec") / 1e6

    def throttled_s(self) -> float:
        """Time for which the quota has held the work back [s]."""
        text = self._text("cpu", "cpu.stat")
        return _entry(text, "throttled_usec") / 1e6 if self.unified else _entry(text, "throttled_time") / 1e9

    def peak_memory_mib(self) -> float:
        """Most memory held so far, page cache included [MiB]; NaN where the kernel does not keep it."""
        try:
            name = "memory.peak" if self.unified else "memory.max_usage_in_bytes"
            return int(self._text("memory", name)) / MIB
        except OSError:
            return float("nan")

    def reads(self) -> tuple[int, float]:
        """Read requests that the work sent to disks so far, and how much they read [MiB]."""
        if self.unified:
            asked = [("io.stat", r"rios=(\d+)"), ("io.stat", r"rbytes=(\d+)")]
        else:
            names = ("io_serviced", "io_service_bytes")
            asked = [(f"blkio.throttle.{name}", r"^\d+:\d+ Read (\d+)$") for name in names]
        found = (re.findall(pattern, self._text("blkio", name), re.MULTILINE) for name, pattern in asked)
        count, size = (sum(map(int, numbers)) for numbers in found)
        return count, size / MIB

    def kills(self) -> int:
        """Processes that were killed for want of memory."""
        return _entry(self._text("memory", "memory.events" if self.unified else "memory.oom_control"), "oom_kill")

    def swapped_mib(self) -> float:
        """What of the work's memory is moved out to swap [MiB]."""
        if self.unified:
            return int(self._text("memory", "memory.swap.current")) / MIB
        return _entry(self._text("memory", "memory.stat"), "total_swap") / MIB

    def swap_out(self) -> None:
        """Let the kernel move what the work holds to swap as readily as on a PC, whatever the machine's own setting."""
        if not self.unified:
            (self.paths["memory"] / "work/memory.swappiness").write_text(str(USUAL_SWAPPINESS))

    def pids(self, sub: str = "work") -> list[int]:
        """Processes of a group and of those that they made below it."""
        found: set[int] = set()
        for path in set(self.paths.values()):
            for file in _there(path / sub, "**/cgroup.procs"):
                with contextlib.suppress(OSError):
                    found |= {int(word) for word in file.read_text().split()}
        return sorted(found)

    def states(self) -> Iterator[str]:
        """States of all threads of the work, as proc(5) has them; what ends meanwhile is left out."""
        for pid in self.pids():
            for stat in _there(Path(f"/proc/{pid}/task"), "*/stat"):
                with contextlib.suppress(OSError, IndexError):
                    yield stat.read_text().rsplit(")", 1)[1].split()[0]

    @contextlib.contextmanager
    def stopped(self) -> Iterator[None]:
        """Hold all processes of the work where they are."""
        held = self.pids()
        _signal(held, signal.SIGSTOP)
        try:
            yield
        finally:
            _signal(held, signal.SIGCONT)

    def measured(self, measure: Callable[[], float]) -> tuple[float, float]:
        """Run a measurement in a child under the limits: its figure, and the processor time it got a second [1]."""
        kind = multiprocessing.get_context("fork")
        reader, writer = kind.Pipe(duplex=False)

        def work() -> None:
            self.enter("work")
            writer.send(float(measure()))

        used, clock = self.cpu_s(), time.monotonic()
        child = kind.Process(target=work)
        child.start()
        writer.close()
        try:
            figure = reader.recv()
        except EOFError as error:
            raise ToolError(
                "A speed test under the limits ended without a figure.", "Measure this one again."
            ) from error
        finally:
            child.join()
        return figure, (self.cpu_s() - used) / (time.monotonic() - clock)

    # --- the end

    def end(self, sub: str) -> list[int]:
        """Kill what runs in a group, this process left out, and wait (at most 10 s) until it is gone; gives whom."""
        killed: set[int] = set()
        until = time.monotonic() + 10.0
        while (left := [pid for pid in self.pids(sub) if pid != os.getpid()]) and time.monotonic() < until:
            _signal(left, signal.SIGKILL)
            killed |= set(left)
            time.sleep(0.05)
        return sorted(killed)

    def remove(self) -> None:
        """Take the groups away."""
        for path in set(self.paths.values()):
            for folder in [*sorted(path.rglob("*/"), key=lambda one: len(one.parts), reverse=True), path]:
                with contextlib.suppress(OSError):
                    folder.rmdir()


def _signal(pids: Iterable[int], number: int) -> None:
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)


def _entry(text: str, name: str) -> int:
    found = re.search(rf"^{name} (\d+)$", text, re.MULTILINE)
    return int(found[1]) if found else 0


# --- priorities


def is_writer(name: str, device: str) -> bool:
    """Whether a kernel thread carries requests of a loop device, by its name in /proc/PID/comm: 'jbd2/loop0-8', or a
    worker of no fixed core such as 'kworker/u8:3-loop0'.
    """
    return name.startswith((f"jbd2/{device.removeprefix('/dev/')}-", "kworker/u"))


@contextlib.contextmanager
def every(seconds: float, look: Callable[[], None], *, ahead: bool = False) -> Iterator[None]:
    """Look at something every so often [s], in a thread of its own; with `ahead` it comes before ordinary work."""
    done = threading.Event()

    def keep() -> None:
        if ahead:
            set_own(os.SCHED_RR, 1)
        while not done.wait(seconds):
            with contextlib.suppress(OSError):
                look()

    thread = threading.Thread(target=keep, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@contextlib.contextmanager
def hurried(device: str) -> Iterator[None]:
    """Keep the kernel's writers of a loop device ahead of other work on the machine, and set them back after."""

    def hurry() -> None:
        _set_writers(device, os.SCHED_FIFO, KERNEL_PRIORITY)

    hurry()
    try:
        # Workers come and go.
        with every(0.5, hurry):
            yield
    finally:
        calm()


def touch_memory(mib: int | None = None) -> int:
    """Write once to what memory is free, or to so much of it, and give how much [MiB].

    A virtual machine gets a page from its host at the first use, at the cost of whoever uses it: copies of one tree
    took 38 to 47 processor seconds in the first minutes of a machine and 27 to 32 ever after.
    """
    free = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // MIB
    mib = free * 9 // 10 if mib is None else mib
    with mmap.mmap(-1, max(mib, 1) * MIB) as memory:
        for at in range(0, mib * MIB, mmap.PAGESIZE):
            memory[at] = 1
    return mib


def calm() -> None:
    """Set the kernel's workers back to the ordinary policy."""
    _set_writers("/dev/loop", os.SCHED_OTHER, 0)


def _set_writers(device: str, policy: int, priority: int) -> None:
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            with contextlib.suppress(OSError):
                name = Path(f"/proc/{entry}/comm").read_text().strip()
                if is_writer(name, device) and os.sched_getscheduler(int(entry)) != policy:
                    os.sched_setscheduler(int(entry), policy, os.sched_param(priority))


def set_own(policy: int, priority: int) -> None:
    """Set the policy of the calling thread, where that is allowed."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, policy, os.sched_param(priority))
