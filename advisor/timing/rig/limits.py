"""Control groups: the processor, cores and memory that the rehearsed machine has, and the room the rig itself needs."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from advisor.timing.rig.workplace import CGROUPS, CONTROLLERS, GROUP

PERIOD_US = 20_000
"""Length of a quota period [us]. Short, so that a throttled processor looks slow rather than absent for a while."""

SHARES = 20_480
"""Weight against other work on the same machine, whose default is 1024."""

MIB = 1 << 20


@dataclass(frozen=True)
class Limits:
    """What one rehearsal may use.

    Attributes
    ----------
    quota_pct : float
        Processor time in percent of one core [%].
    cpus : tuple of int
        The cores it runs on.
    memory_mib : int
        Memory with page cache [MiB].
    """

    quota_pct: float
    cpus: tuple[int, ...]
    memory_mib: int


class Groups:
    """The control groups of one rehearsal: `work` under the limits, `rig` (disk, link) without.

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
        """Make both groups and set the limits on `work`."""
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
            if controller == "cpu":
                for folder in (path.parent, path, path / "rig", path / "work"):
                    (folder / "cpu.shares").write_text(str(SHARES))
                (path / "work" / "cpu.cfs_period_us").write_text(str(PERIOD_US))
                (path / "work" / "cpu.cfs_quota_us").write_text(str(round(limits.quota_pct / 100 * PERIOD_US)))
            if controller == "memory":
                (path / "work" / "memory.limit_in_bytes").write_text(str(limits.memory_mib * MIB))

    def enter(self, sub: str) -> None:
        """Move the calling process into a group; meant for between fork and exec."""
        for controller, path in self.paths.items():
            # Real-time scheduling, which the disk needs, is refused in a processor group without a share of it.
            if controller == "cpu" and sub == "rig":
                continue
            with open(path / sub / "cgroup.procs", "w") as file:
                file.write(str(os.getpid()))

    def cpu_s(self, sub: str = "work") -> float:
        """Processor time used so far [s]."""
        return int((self.paths["cpuacct"] / sub / "cpuacct.usage").read_text()) / 1e9

    def peak_memory_mib(self) -> float:
        """Most memory held so far, page cache included [MiB]."""
        return int((self.paths["memory"] / "work" / "memory.max_usage_in_bytes").read_text()) / MIB
