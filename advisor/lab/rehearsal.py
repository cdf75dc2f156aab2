"""One rehearsal: a real install onto a paced disk, under limits, timed phase by phase."""

from __future__ import annotations

import contextlib
import datetime
import os
import platform
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from advisor.capture import speed
from advisor.errors import InputError, ToolError
from advisor.lab import trees, workplace
from advisor.lab.limits import DISK_PRIORITY, MOST_PCT, Groups, Hurry, Limits
from advisor.lab.workplace import Workplace

FORMAT = 1
"""Layout of a rehearsal's line."""

PHASES = ("format", "copy", "boot", "refresh", "base", "updates", "sync")
"""Machine phases, in the order in which they run."""

DISK_BYTES = 8 << 30
SECTOR_BYTES = 512
MIB = 1 << 20
PHASE_LIMIT_S = 3600

# Share of memory that may wait unwritten; the kernel's own default (vm.dirty_ratio) for a machine of that memory.
DIRTY_SHARE = 0.2

# The mean of before and after counts. Of the first 25 rehearsals those that drifted by 10 to 23 % were predicted no
# worse than the rest, so that a smaller drift is noise of the measuring machine, not a disturbance.
DISTURBED_DECOMPRESS = 0.25
DISTURBED_SHARE = 0.06
DISTURBED_STEAL = 0.02
DISTURBED_WRITE = 0.25

REAL_TIME = ("chrt", "--fifo", str(DISK_PRIORITY))


@dataclass(frozen=True)
class Plan:
    """What is rehearsed.

    Attributes
    ----------
    name : str
        Names the line; letters, digits and hyphens.
    tree, compression, base_set, update_set : str
        What is installed: names in `trees.RECIPES`, `COMPRESSIONS`, `BASE_SETS`, `UPDATE_SETS`.
    quota_pct : float
        Processor time in percent of one core, shared evenly by the cores: 100 on two is half of each [%].
    cores : int
    memory_mib : int
        [MiB]
    disk : str
        Class of disk, a label.
    storage_kind : str
        Kind of storage that it stands for, a word of `advisor.unit.StorageKind`.
    rate_mib_s : float
        Sequential rate set [MiB/s].
    access_ms : float
        Access time set [ms].
    link_mbps : float
        [Mbit/s]
    repeat_of : str
        Name of the rehearsal that this one repeats; empty for a first one.
    """

    name: str
    tree: str
    compression: str
    base_set: str
    update_set: str
    quota_pct: float
    cores: int
    memory_mib: int
    disk: str
    storage_kind: str
    rate_mib_s: float
    access_ms: float
    link_mbps: float
    repeat_of: str = ""

    def check(self) -> None:
        """Refuse a plan that cannot be carried out.

        Raises
        ------
        InputError
            Names the setting, its value, and what would be accepted.
        """
        for what, value, known in (
            ("tree", self.tree, trees.RECIPES),
            ("base set", self.base_set, trees.BASE_SETS),
            ("update set", self.update_set, trees.UPDATE_SETS),
            ("compression", self.compression, trees.COMPRESSIONS),
        ):
            if value not in known:
                raise InputError(
                    f"Rehearsal {self.name}: {what} {value!r} is not known.", f"Known: {', '.join(known)}."
                )
        if not self.name or not all(letter.isalnum() or letter == "-" for letter in self.name):
            raise InputError(f"Rehearsal name {self.name!r} has other signs than letters, digits and hyphens.")
        here = os.cpu_count() or 1
        for what, number, low, high in (
            ("cores", self.cores, 1, here),
            ("quota_pct", self.quota_pct, 5 * self.cores, MOST_PCT * self.cores),
            ("memory_mib", self.memory_mib, 256, 1 << 20),
            ("rate_mib_s", self.rate_mib_s, 1, 10_000),
            ("access_ms", self.access_ms, 0, 1000),
            ("link_mbps", self.link_mbps, 0.1, 100_000),
        ):
            if not low <= number <= high:
                raise InputError(f"Rehearsal {self.name}: {what} {number:g} is not from {low:g} to {high:g}.")


def cpu_ticks(stat: str) -> tuple[int, int]:
    """Read the first line of /proc/stat: ticks in all, and ticks stolen by the host (proc(5))."""
    numbers = [int(word) for word in stat.splitlines()[0].split()[1:]]
    return sum(numbers[:8]), numbers[7] if len(numbers) > 7 else 0


def disturbance(
    before: float,
    after: float,
    steal_share: float,
    shares: Sequence[float] = (),
    write_mib_s: float = 0.0,
    rate_mib_s: float = float("inf"),
) -> str:
    """Say why a rehearsal counts as disturbed.

    Parameters
    ----------
    before, after : float
        Decompression under the limits, before and after the phases [MiB/s].
    steal_share : float
        Processor time that the host gave to others while it ran [1].
    shares : sequence of float
        Processor time that the speed tests got, of what they were allowed [1].
    write_mib_s, rate_mib_s : float
        Direct sequential write measured, and the rate set [MiB/s]; the disk below must never be faster.

    Returns
    -------
    str
        The reason; empty when it counts as undisturbed.
    """
    reasons = []
    drift = abs(after - before) / max(before, after)
    if drift > DISTURBED_DECOMPRESS:
        reasons.append(f"decompression went from {before:.1f} to {after:.1f} MiB/s")
    if steal_share > DISTURBED_STEAL:
        reasons.append(f"the host took {100 * steal_share:.1f} % of the processor")
    for share in shares:
        # More than its share is no disturbance: the kernel may move a thread to a core that has some left.
        if share < 1 - DISTURBED_SHARE:
            reasons.append(f"a speed test got {100 * share:.0f} % of its processor time")
    if write_mib_s > rate_mib_s * (1 + DISTURBED_WRITE):
        reasons.append(f"the disk wrote {write_mib_s:.0f} MiB/s, paced at {rate_mib_s:.0f}")
    return "; ".join(reasons)


def judge(line: Mapping[str, object]) -> str:
    """Say why a line written before counts as disturbed by the rule as it is now; empty when it does not."""

    def figure(name: str) -> float:
        return float(str(line[name]))

    return disturbance(
        figure("decompress_before_mib_s"), figure("decompress_after_mib_s"), figure("steal_share"),
        (figure("share_before"), figure("share_after")), figure("disk_write_mib_s"), figure("rate_mib_s"),
    )  # fmt: skip


class Rehearsal:
    """One rehearsal, from an empty disk to the last sync. Use as a context: leaving it puts everything away.

    Parameters
    ----------
    place : Workplace
    plan : Plan
    cpus : tuple of int, optional
        The cores to run on; the first `plan.cores` when left out.
    """

    def __init__(self, place: Workplace, plan: Plan, cpus: tuple[int, ...] | None = None) -> None:
        plan.check()
        self.place, self.plan = place, plan
        self.facts = trees.read_facts(place, plan.tree)
        self.image = trees.pack(place, trees.RECIPES[plan.tree], plan.compression)
        self.cpus = cpus or tuple(range(plan.cores))
        self.folder = Path()
        self.device = ""
        self.depot = ""

    def __enter__(self) -> Rehearsal:
        self.folder = workplace.open_run(self.place, f"{self.plan.name}-{os.getpid()}")
        try:
            self.groups = Groups(self.folder.name)
            self.groups.make(Limits(self.plan.quota_pct / self.plan.cores, self.cpus, self.plan.memory_mib))
            self._attach_disk()
            self._open_depot()
        except BaseException:
            workplace.close_run(self.folder)
            raise
        return self

    def __exit__(self, *_: object) -> None:
        workplace.close_run(self.folder)

    @property
    def target(self) -> Path:
        """Where the paced disk's file system is mounted."""
        return self.folder / "target"

    def _attach_disk(self) -> None:
        fuse, socket = self.folder / "fuse", self.folder / "disk.sock"
        fuse.mkdir()
        self.target.mkdir()
        enter = lambda: self.groups.enter("rig")  # noqa: E731
        script = Path(__file__).with_name("paced_disk.py")
        self.tally.write_bytes(bytes(8))
        subprocess.run(
            [
                *REAL_TIME, "nbdkit", "--pidfile", str(self.folder / "nbdkit.pid"), "--unix", str(socket),
                "python", str(script), f"size={DISK_BYTES}",
                f"rate={self.plan.rate_mib_s}", f"access={self.plan.access_ms}", f"tally={self.tally}",
            ],
            check=True, preexec_fn=enter, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        log = open(self.folder / "fuse.log", "w")  # noqa: SIM115
        # One thread, so that requests reach the disk in the order in which the kernel sorted them.
        subprocess.Popen(
            [*REAL_TIME, "nbdfuse", "-s", "--pidfile", str(self.folder / "nbdfuse.pid"),
             str(fuse / "disk"), "--unix", str(socket)],
            preexec_fn=enter, stdout=log, stderr=log, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        log.close()
        _until(lambda: (self.folder / "nbdfuse.pid").exists() and (fuse / "disk").stat().st_size == DISK_BYTES)
        self.device = trees.run(["losetup", "--find", "--show", "--direct-io=on", str(fuse / "disk")]).strip()
        workplace.guard_device(self.device, self.folder)
        queue = Path("/sys/block") / self.device.removeprefix("/dev/")
        with contextlib.suppress(OSError):
            (queue / "bdi" / "strict_limit").write_text("1")
            (queue / "bdi" / "max_bytes").write_text(str(int(self.plan.memory_mib * MIB * DIRTY_SHARE)))

    def _open_depot(self) -> None:
        server = subprocess.Popen(
            [*REAL_TIME, sys.executable, str(Path(__file__).with_name("depot.py")), str(self.place.mirror),
             "--mbps", str(self.plan.link_mbps)],
            preexec_fn=lambda: self.groups.enter("rig"), stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert server.stdout is not None
        self.depot = server.stdout.readline().strip()
        if not self.depot:
            raise ToolError("The package server of the rehearsal did not start.")

    def under_limits(self, measure: Callable[[], float]) -> float:
        """Run a measurement in a child that is under the limits, and give back its figure."""
        reader, writer = os.pipe()
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                self.groups.enter("work")
                os.write(writer, repr(float(measure())).encode())
                code = 0
            finally:
                os._exit(code)
        os.close(writer)
        with os.fdopen(reader) as pipe:
            text = pipe.read()
        _, status = os.waitpid(pid, 0)
        if status != 0 or not text:
            raise ToolError(f"A speed test of rehearsal {self.plan.name} failed.")
        return float(text)

    def execute(self, *command: str, root: Path | None = None) -> None:
        """Run a program under the limits to its end, inside the tree when `root` is given."""
        words = ["chroot", str(root), *command] if root else list(command)
        with open(self.folder / "output.log", "ab") as log:
            log.write(f"--- {' '.join(words)}\n".encode())
            log.flush()
            done = subprocess.run(
                words, preexec_fn=lambda: self.groups.enter("work"), env=trees.QUIET, stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, timeout=PHASE_LIMIT_S, cwd="/",
            )  # fmt: skip
        if done.returncode != 0:
            tail = (self.folder / "output.log").read_text(errors="replace").strip().splitlines()[-4:]
            raise ToolError(f"{' '.join(command[:3])} failed with {done.returncode}: {' / '.join(tail)}")

    def disk_counts(self) -> tuple[int, int]:
        """Bytes read from and written to the paced disk so far [B]."""
        numbers = (Path("/sys/block") / self.device.removeprefix("/dev/") / "stat").read_text().split()
        return int(numbers[2]) * SECTOR_BYTES, int(numbers[6]) * SECTOR_BYTES

    @property
    def tally(self) -> Path:
        """File in which the paced disk counts its accesses."""
        return self.folder / "accesses"

    def accesses(self) -> int:
        """How often the paced disk has gone elsewhere or flushed so far."""
        return int.from_bytes(self.tally.read_bytes(), "little")

    def phase(self, name: str) -> None:
        """Do the work of one phase; the tree's mounts are in place from `boot` on."""
        target, plan, facts = self.target, self.plan, self.facts
        if name == "format":
            workplace.guard_device(self.device, self.folder)
            self.execute("mkfs.ext4", "-q", "-F", "-E", "nodiscard", self.device)
            trees.run(["mount", "-o", "nodiscard", self.device, str(target)])
        elif name == "copy":
            self.execute(
                "unsquashfs", "-no-progress", "-quiet", "-force", "-processors", str(plan.cores),
                "-dest", str(target), str(self.image),
            )  # fmt: skip
        elif name == "boot":
            for old in (target / "boot").glob("initrd.img-*"):
                old.unlink()
            self.execute("update-initramfs", "-c", "-k", facts.kernel, root=target)
            self.execute("grub-mkconfig", "-o", "/boot/grub/grub.cfg", root=target)
        elif name == "refresh":
            self.execute("apt-get", "-q", "update", root=target)
        elif name == "base":
            self.execute("apt-get", "-q", "--yes", *facts.base_sets[plan.base_set].names, root=target)
        elif name == "updates":
            self.execute("apt-get", "-q", "--yes", *facts.update_sets[plan.update_set].names, root=target)
        elif name == "sync":
            trees.unmount_below(target)
            self.execute("sync", "-f", str(target))
            trees.run(["umount", str(target)])

    def between(self, name: str) -> None:
        """What is set up before a phase and is no part of its time."""
        target = self.target
        if name == "boot":
            trees.prepare(target)
            (target / "boot/grub").mkdir(exist_ok=True)
            (target / "etc/fstab").write_text("/dev/sda1 / ext4 defaults 0 1\n")
            (target / "etc/apt/sources.list").write_text(trees.source_line(self.depot, self.facts.codename))
            shutil.rmtree(target / "etc/apt/sources.list.d", ignore_errors=True)
            for source, kind in (("/dev", "bind"), ("proc", "proc"), ("sysfs", "sysfs"), ("tmpfs", "tmpfs")):
                point = {"bind": "dev", "proc": "proc", "sysfs": "sys", "tmpfs": "run"}[kind]
                options = ["--bind"] if kind == "bind" else ["-t", kind]
                trees.run(["mount", *options, source, str(target / point)])
            probe = target / "run" / "grub-probe"
            shutil.copyfile(Path(__file__).with_name("grub-probe.sh"), probe)
            probe.chmod(0o755)
            trees.run(["mount", "--bind", str(probe), str(target / "usr/sbin/grub-probe")])

    def measure_processor(self, when: str) -> dict[str, float]:
        """Measure decompression under the limits [MiB/s], and the share of the time allowed that it got [1]."""
        used, clock = self.groups.cpu_s(), time.monotonic()
        rate = self.under_limits(lambda: speed.decompress_mib_s(3.0))
        share = (self.groups.cpu_s() - used) / (time.monotonic() - clock)
        return {
            f"decompress_{when}_mib_s": rate,
            f"share_{when}": share / (self.plan.quota_pct / 100 / self.plan.cores),
        }

    def measure_speeds(self) -> dict[str, float]:
        """Measure what `advisor capture --speed` would, and the write rate, on the empty disk under the limits."""
        return {
            **self.measure_processor("before"),
            "disk_read_mib_s": self.under_limits(lambda: speed.disk_read_mib_s(self.device, 2.0)),
            "disk_access_ms": self.under_limits(lambda: speed.disk_access_ms(self.device, 2.0)),
            "disk_write_mib_s": self.under_limits(lambda: write_mib_s(self.device, self.folder, 2.0)),
        }

    def time_phases(
        self, names: Sequence[str] = PHASES, say: Callable[[str], None] = lambda text: None
    ) -> dict[str, float]:
        """Do phases in turn and time them.

        Parameters
        ----------
        names : sequence of str
            Of `PHASES`, in their order.
        say : callable
            Called with a line of progress after each phase.

        Returns
        -------
        dict
            For each phase `<phase>_s` [s], `<phase>_cpu_s` [s], `<phase>_read_bytes`, `<phase>_written_bytes` [B],
            `<phase>_accesses`.
        """
        timed: dict[str, float] = {}
        for name in names:
            self.between(name)
            accesses = self.accesses()
            counts, cpu, start = self.disk_counts(), self.groups.cpu_s(), time.monotonic()
            self.phase(name)
            timed[f"{name}_s"] = time.monotonic() - start
            timed[f"{name}_cpu_s"] = self.groups.cpu_s() - cpu
            after = self.disk_counts()
            timed[f"{name}_read_bytes"], timed[f"{name}_written_bytes"] = after[0] - counts[0], after[1] - counts[1]
            timed[f"{name}_accesses"] = self.accesses() - accesses
            say(f"{name} {timed[f'{name}_s']:.1f} s")
        return timed

    def run(self, say: Callable[[str], None] = lambda text: None) -> dict[str, object]:
        """Carry it out.

        Parameters
        ----------
        say : callable
            Called with a line of progress after each phase.

        Returns
        -------
        dict
            The line; see datasets/rehearsals.meta.toml for its entries.
        """
        speed.decompress_mib_s(0.01)
        _into_cache(self.image)
        started = datetime.datetime.now(datetime.UTC)
        with Hurry(self.device):
            return self._run(started, say)

    def _run(self, started: datetime.datetime, say: Callable[[str], None]) -> dict[str, object]:
        plan, facts = self.plan, self.facts
        speeds = self.measure_speeds()
        say(" ".join(f"{name}={value:.4g}" for name, value in speeds.items()))
        ticks = cpu_ticks(Path("/proc/stat").read_text())
        busy, used, clock = _busy_s(self.cpus), self.groups.cpu_s("work") + self.groups.cpu_s("rig"), time.monotonic()
        timed = self.time_phases(PHASES, say)
        ticks_after = cpu_ticks(Path("/proc/stat").read_text())
        steal = (ticks_after[1] - ticks[1]) / max(1, ticks_after[0] - ticks[0])
        elapsed = time.monotonic() - clock
        others = _busy_s(self.cpus) - busy - (self.groups.cpu_s("work") + self.groups.cpu_s("rig") - used)
        speeds |= self.measure_processor("after")
        before, after = speeds["decompress_before_mib_s"], speeds["decompress_after_mib_s"]
        shares = (speeds["share_before"], speeds["share_after"])
        reason = disturbance(before, after, steal, shares, speeds["disk_write_mib_s"], plan.rate_mib_s)
        base, updates = facts.base_sets[plan.base_set], facts.update_sets[plan.update_set]
        line: dict[str, object] = {"format": FORMAT, **asdict(plan)}
        line.update(
            edition=facts.edition, release=facts.release, kernel=facts.kernel,
            decompress_mib_s=(before + after) / 2, **speeds,
            image_bytes=self.image.stat().st_size, installed_bytes=facts.installed_bytes,
            installed_files=facts.installed_files,
            extra_packages=base.count, extra_bytes=base.download_bytes, extra_installed_kib=base.installed_kib,
            update_packages=updates.count, update_bytes=updates.download_bytes, index_bytes=facts.index_bytes,
            **timed, total_s=sum(timed[f"{name}_s"] for name in PHASES),
            peak_memory_mib=self.groups.peak_memory_mib(), steal_share=steal,
            others_share=max(0.0, others) / elapsed / len(self.cpus), load_1min=os.getloadavg()[0],
            disturbed=bool(reason), disturbed_reason=reason,
            started=started.isoformat(timespec="seconds"), throttle=self.groups.throttle,
            cpus=",".join(map(str, self.cpus)), processor=_processor(),
            kernel_here=platform.release(), speed_test=speed.SPEED_TEST_VERSION,
        )  # fmt: skip
        return {key: _short(value) for key, value in line.items()}


def write_mib_s(device: str, folder: Path, seconds: float) -> float:
    """Measure a direct sequential write on the rig's own empty disk [MiB/s]; refuses any other device."""
    import mmap

    workplace.guard_device(device, folder)
    buffer = mmap.mmap(-1, MIB)
    buffer.write(os.urandom(4096) * 256)
    handle = os.open(device, os.O_WRONLY | os.O_DIRECT)
    try:
        done, start = 0, time.perf_counter()
        while (elapsed := time.perf_counter() - start) < seconds and done < DISK_BYTES // MIB:
            os.pwrite(handle, buffer, done * MIB)
            done += 1
        return done / elapsed
    finally:
        os.close(handle)


def _busy_s(cpus: Sequence[int]) -> float:
    """Seconds that some cores were busy since boot, by /proc/stat (proc(5)); idle and waiting for a disk left out."""
    ticks = 0
    for line in Path("/proc/stat").read_text().splitlines():
        words = line.split()
        if words[0].startswith("cpu") and words[0][3:].isdigit() and int(words[0][3:]) in cpus:
            numbers = [int(word) for word in words[1:9]]
            ticks += sum(numbers) - numbers[3] - numbers[4]
    return ticks / os.sysconf("SC_CLK_TCK")


def _into_cache(path: Path) -> None:
    # The stick's own speed is no part of the rehearsal, so the image is read from memory.
    with open(path, "rb") as file:
        while file.read(MIB):
            pass


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return ""


def _short(value: object) -> object:
    return float(f"{value:.6g}") if isinstance(value, float) else value


def _until(ready: Callable[[], bool], seconds: float = 10.0) -> None:
    limit = time.monotonic() + seconds
    while time.monotonic() < limit:
        with contextlib.suppress(OSError):
            if ready():
                return
        time.sleep(0.02)
    raise ToolError("The paced disk did not appear.", "advisor rehearse --clean, then try again.")


def once(
    place: Workplace, plan: Plan, cpus: tuple[int, ...] | None = None, say: Callable[[str], None] = lambda text: None
) -> dict[str, object]:
    """Carry out one rehearsal and put everything away.

    Returns
    -------
    dict
        The line.
    """
    with Rehearsal(place, plan, cpus) as rehearsal:
        return rehearsal.run(say)
