"""What is watched while something is measured, and when it counts as disturbed by other work on the machine."""

from __future__ import annotations

import lzma
import os
import re
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from advisor.capture import speed
from advisor.lab.groups import CGROUPS, Groups

# The mean of before and after counts. Of the first 25 rehearsals those that drifted by 10 to 23 % were predicted no
# worse than the rest, so that a smaller drift is noise of the measuring machine, not a disturbance.
DISTURBED_DECOMPRESS = 0.25
DISTURBED_SHARE = 0.06
DISTURBED_STEAL = 0.02
DISTURBED_WRITE = 0.25

DISTURBED_PACE = 0.2
"""How far the pace of a core may lie from its usual one, the median of a campaign: copying and dpkg, which wait for
memory, follow it by a quarter at most, so that beyond this work and speed test differ by a twentieth and more."""

DISTURBED_BESIDE = 0.08
"""Share of a session's processor time that may be lost to others before it counts as disturbed [1]."""

DISTURBED_READ = 0.5
SERVED_MIB_S = 200.0
"""A paced disk that reads slower than its pace by this share [1] was held up, up to the rate [MiB/s] at which serving
it costs little."""

_PSS = re.compile(r"^(Pss|Pss_Anon):\s+(\d+) kB", re.MULTILINE)


def disturbance(
    *, drift: tuple[float, float] | None = None, steal: float = 0.0, shares: Iterable[float] = (),
    tolerance: float = DISTURBED_SHARE, write: tuple[float, float] | None = None,
    read: tuple[float, float] | None = None, beside: tuple[float, float] | None = None,
) -> str:  # fmt: skip
    """Say why a rehearsal or session counts as disturbed; '' when it does not.

    `drift` is decompression under the limits before and after [MiB/s]; `steal` the processor time that the host gave
    to others [1]; `shares` what the speed tests got of what they were allowed, of which `tolerance` may be missing
    [1]; `write` and `read` the direct sequential rate measured, and that set [MiB/s]; `beside` what real-time work,
    which comes first, took of the same core [1], and the quota [% of one core].
    """
    reasons = []
    if drift and abs(drift[1] - drift[0]) / max(drift) > DISTURBED_DECOMPRESS:
        reasons.append(f"decompression went from {drift[0]:.1f} to {drift[1]:.1f} MiB/s")
    if steal > DISTURBED_STEAL:
        reasons.append(f"the host took {100 * steal:.1f} % of the processor")
    # While the limit holds the session back, others take nothing from it.
    if beside and beside[0] > 1 - beside[1] / 100 + DISTURBED_BESIDE:
        reasons.append(f"real-time work took {100 * beside[0]:.0f} % of the core")
    for share in shares:
        # More than its share is no disturbance: the kernel may move a thread to a core that has some left.
        if share < 1 - tolerance:
            reasons.append(f"a speed test got {100 * share:.0f} % of its processor time")
    if write and write[0] > write[1] * (1 + DISTURBED_WRITE):
        reasons.append(f"the disk wrote {write[0]:.0f} MiB/s, paced at {write[1]:.0f}")
    # Above that, serving the disk takes longer than its pace, on an idle machine too.
    if read and read[0] < (1 - DISTURBED_READ) * min(read[1], SERVED_MIB_S):
        reasons.append(f"the disk read {read[0]:.0f} MiB/s, paced at {read[1]:.0f}")
    return "; ".join(reasons)


def _ticks(proc: Path) -> dict[str, list[int]]:
    """Ticks since boot of all processors ('cpu') and of each ('cpu0'): the first figures of /proc/stat (proc(5))."""
    lines = (line.split() for line in (proc / "stat").read_text().splitlines())
    return {words[0]: [int(word) for word in words[1:9]] for words in lines if words and words[0].startswith("cpu")}


def cpu_ticks(proc: Path = Path("/proc")) -> tuple[int, int]:
    """Ticks in all, and ticks stolen by the host."""
    ticks = _ticks(proc)["cpu"]
    return sum(ticks), ticks[7]


def busy_s(cpus: Sequence[int], proc: Path = Path("/proc")) -> float:
    """Seconds that some cores were busy since boot; idle and waiting for a disk left out."""
    found = _ticks(proc)
    each = [found[f"cpu{cpu}"] for cpu in cpus if f"cpu{cpu}" in found]
    return sum(sum(ticks) - ticks[3] - ticks[4] for ticks in each) / os.sysconf("SC_CLK_TCK")


def beside_s(group: str, core: int, base: Path = CGROUPS) -> float:
    """Processor time that a control group of version 1 has used of one core [s]; 0 when it is not there."""
    with suppress(OSError, IndexError):
        return int((base / "cpuacct" / group / "cpuacct.usage_percpu").read_text().split()[core]) / 1e9 if group else 0
    return 0.0


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


def memory_of(pids: Iterable[int], proc: Path = Path("/proc")) -> dict[str, float]:
    """Processes that still run, and their proportional set size: all, and the anonymous part [MiB].

    By smaps_rollup: Linux, Documentation/ABI/testing/procfs-smaps_rollup.
    """
    texts = []
    for pid in pids:
        with suppress(OSError):
            texts.append((proc / str(pid) / "smaps_rollup").read_text())
    kib = Counter[str]()
    for name, size in _PSS.findall("\n".join(texts)):
        kib[name] += int(size)
    return {"processes": len(texts), "pss_mib": kib["Pss"] / 1024, "anon_mib": kib["Pss_Anon"] / 1024}


def wait_quiet(
    used: Callable[[], float], waiting: Callable[[], bool] = lambda: False, *, window_s: float = 4,
    share: float = 0.06, waiting_share: float = 0.25, limit_s: float = 300,
    clock: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep,
) -> tuple[float, float] | None:  # fmt: skip
    """Wait until a group of processes has come to rest; None when it has not after `limit_s`.

    Gives when, by `clock`, and the processor time used by then [s]. It rests when for `window_s` it uses less than
    `share` of one core, and waits for processor or disk at less than `waiting_share` of the moments looked at: on a
    machine that others use too, little processor time alone does not mean rest.
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


class Ready:
    """Counts at each look, while a stage runs on one core, how many of a group's threads could run.

    On more cores so many at once would run, which tells what further cores are worth.
    """

    EVERY_S = 0.12
    MOST = 4

    def __init__(self, group: Groups) -> None:
        self.group = group
        self.counts: list[int] = []

    def look(self) -> None:
        """Count once."""
        self.counts.append(sum(state == "R" for state in self.group.states()))

    def shares(self) -> dict[str, float]:
        """Share of the moments with work at which at least 2, 3, 4 threads could run, by column; empty without any."""
        busy = [count for count in self.counts if count]
        return {
            f"ready_{least}": sum(count >= least for count in busy) / len(busy)
            for least in range(2, self.MOST + 1)
            if busy
        }


DRAWING = ("llvmpipe-", "SwComposite", "Renderer")
"""How threads that draw begin their names where the processor draws: Mesa's, and the browser's (seen in /proc)."""

SERVERS = ("Xvfb",)
"""Processes whose every thread draws."""


class DrawTime:
    """Adds up, from look to look while a stage runs, the processor time of a group's threads that draw.

    Where the graphics chip draws, none of it is the processor's. A thread that ends is counted as far as it was last
    seen.
    """

    EVERY_S = 0.5

    def __init__(self, group: Groups, proc: Path = Path("/proc")) -> None:
        self.group, self.proc = group, proc
        self._seen: dict[str, int] = {}
        self._before = 0.0
        self._before = self.seconds()

    def look(self) -> None:
        """See how far each of them is."""
        for pid in self.group.pids():
            with suppress(OSError):
                tasks = self.proc / str(pid) / "task"
                whole = (self.proc / str(pid) / "comm").read_text().strip() in SERVERS
                for thread in tasks.iterdir():
                    with suppress(OSError, ValueError):
                        if whole or (thread / "comm").read_text().startswith(DRAWING):
                            self._seen[thread.name] = int((thread / "schedstat").read_text().split()[0])

    def seconds(self) -> float:
        """Processor time of drawing since the first look [s]."""
        self.look()
        return sum(self._seen.values()) / 1e9 - self._before
