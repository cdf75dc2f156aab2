"""What is watched while a session is measured, and when its rows count as disturbed by other work."""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab.sessions.counters import Group
from advisor.lab.sessions.paced import PacedDisk

DISTURBED_SHARE = 0.08
"""Share of the processor time allowed that may be lost to others before a row counts as disturbed [1]."""

DISTURBED_READ = 0.5
SERVED_MIB_S = 200.0
"""A paced disk that reads slower than its pace by this share [1] was held up, up to the rate [MiB/s] at which serving
it costs little."""


class Hurry:
    """Lets the calling thread come before ordinary work on the machine, for what is no part of the measurement.

    Use as a context.
    """

    def __enter__(self) -> Hurry:
        self._take(os.SCHED_RR, 1)
        return self

    def __exit__(self, *_: object) -> None:
        self._take(os.SCHED_OTHER, 0)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Be an ordinary thread for a while."""
        self._take(os.SCHED_OTHER, 0)
        try:
            yield
        finally:
            self._take(os.SCHED_RR, 1)

    @staticmethod
    def _take(policy: int, priority: int) -> None:
        with suppress(OSError):
            os.sched_setscheduler(0, policy, os.sched_param(priority))


def disturbance(
    quota_pct: float, beside_share: float, got_share: float, read_mib_s: float = math.inf, rate_mib_s: float = 0.0
) -> str:
    """Say why a row counts as disturbed.

    Parameters
    ----------
    quota_pct : float
        What the session was allowed [% of one core].
    beside_share : float
        What real-time work, which comes first, took of the same core meanwhile [1].
    got_share : float
        Processor time that the speed test got, of what it was allowed [1].
    read_mib_s, rate_mib_s : float
        Sequential read of the paced disk as measured, and as set [MiB/s].

    Returns
    -------
    str
        The reason; empty when it counts as undisturbed.
    """
    reasons = []
    # While the limit holds the session back, others take nothing from it.
    if beside_share > 1 - quota_pct / 100 + DISTURBED_SHARE:
        reasons.append(f"real-time work took {100 * beside_share:.0f} % of the core")
    if got_share < 1 - DISTURBED_SHARE:
        reasons.append(f"a speed test got {100 * got_share:.0f} % of its processor time")
    # Above that, serving the disk takes longer than its pace, on an idle machine too.
    if read_mib_s < (1 - DISTURBED_READ) * min(rate_mib_s, SERVED_MIB_S):
        reasons.append(f"the disk read {read_mib_s:.0f} MiB/s, paced at {rate_mib_s:.0f}")
    return "; ".join(reasons)


@dataclass
class Watch:
    """Counters of one stage, as differences from its begin.

    Parameters
    ----------
    group : Group
    disk : PacedDisk
    core : int, optional
    beside : str
        Control group of the real-time work beside, '' for none.
    """

    group: Group
    disk: PacedDisk
    core: int | None
    beside: str = ""

    def __post_init__(self) -> None:
        self.start = self._now()

    def _now(self) -> dict[str, float]:
        core = self.core
        return {
            "clock": time.monotonic(),
            "used": self.group.processor_s(),
            "read": self.group.read_mib(),
            "reads": self.group.reads(),
            "throttled": self.group.throttled_s(),
            "busy": 0.0 if core is None else core_busy_s(core),
            "served": self.disk.served_s(),
            "beside": 0.0 if core is None else beside_s(self.beside, core),
        }

    def since(self) -> dict[str, float]:
        """Differences to now [s, MiB, requests]."""
        now = self._now()
        return {name: now[name] - self.start[name] for name in now}


def core_busy_s(core: int, proc: Path = Path("/proc")) -> float:
    """Seconds that a core was busy since boot, by /proc/stat (proc(5)).

    Parameters
    ----------
    core : int
    proc : pathlib.Path

    Returns
    -------
    float
        [s], idle and waiting for a disk left out.
    """
    for line in (proc / "stat").read_text().splitlines():
        words = line.split()
        if words[0] == f"cpu{core}":
            ticks = [int(word) for word in words[1:9]]
            return (sum(ticks) - ticks[3] - ticks[4]) / os.sysconf("SC_CLK_TCK")
    raise ToolError(f"There is no core {core}.")


def beside_s(group: str, core: int, root: Path = Path("/sys/fs/cgroup")) -> float:
    """Processor time that a control group has used of one core [s]; 0 when it is not there.

    Parameters
    ----------
    group : str
    core : int
    root : pathlib.Path

    Returns
    -------
    float
    """
    with suppress(OSError, IndexError):
        return int((root / "cpuacct" / group / "cpuacct.usage_percpu").read_text().split()[core]) / 1e9 if group else 0
    return 0.0


def under_limits(group: Group, measure: Callable[[], float]) -> tuple[float, float]:
    """Run a measurement in a child in the group.

    Parameters
    ----------
    group : Group
    measure : callable

    Returns
    -------
    tuple of float
        Its figure, and the processor time of the group for each second that it took [1].

    Raises
    ------
    ToolError
        When the child ended without a figure.
    """
    reader, writer = os.pipe()
    used, clock = group.processor_s(), time.monotonic()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            group.join()
            os.write(writer, repr(float(measure())).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(writer)
    with os.fdopen(reader) as pipe:
        text = pipe.read()
    os.waitpid(pid, 0)
    if not text:
        raise ToolError("A speed test in the session's limits ended without a figure.", "Measure this session again.")
    return float(text), (group.processor_s() - used) / (time.monotonic() - clock)


MOST_READY = 4


class Ready:
    """Counts, while a stage runs on one core, how many of a group's threads could run at each moment.

    On more cores so many at once would run, which tells what further cores are worth. Use as a context.

    Parameters
    ----------
    group : Group
    every_s : float
        Between two looks [s].
    """

    def __init__(self, group: Group, every_s: float = 0.12) -> None:
        self.group, self.every_s = group, every_s
        self.counts: list[int] = []
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> Ready:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._done.wait(self.every_s):
            with suppress(OSError):
                self.counts.append(self.group.ready())

    def shares(self) -> dict[str, float]:
        """Share of the moments with work at which at least 2, 3, 4 threads could run, by column; empty without any."""
        busy = [count for count in self.counts if count]
        return {
            f"ready_{least}": sum(count >= least for count in busy) / len(busy)
            for least in range(2, MOST_READY + 1)
            if busy
        }
