"""One rehearsal: a real install onto a paced disk, under limits, timed phase by phase."""

from __future__ import annotations

import datetime
import mmap
import os
import platform
import re
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path

from advisor.capture import speed
from advisor.errors import InputError, ToolError
from advisor.lab import disk, installers, trees, watch
from advisor.lab.disk import models
from advisor.lab.groups import MIB, MOST_PCT, REAL_TIME, Groups, Limits, hurried
from advisor.lab.workplace import QUIET, Workplace, guard_device, run_folder

FORMAT = 1
"""Layout of a rehearsal's line."""

DISK_BYTES, FULL_DISK_BYTES = 8 << 30, 16 << 30
"""Size of a plain disk for a lean and for a full tree; a named one has its own [B]."""

SECTOR_BYTES = 512
PHASE_LIMIT_S = 7200


@dataclass(frozen=True)
class Setup:
    """What is rehearsed.

    `tree`, `compression`, `base_set`, `update_set`, `installer` are names in `trees` and `installers`; `model` is a
    disk of the table lab/disks, empty for a plain one of the rate and access time. `quota_pct` is shared evenly by
    the cores: 100 on two is half of each. `disk` is a label, `storage_kind` a word of `advisor.unit.StorageKind`, and
    `repeat_of` the name of the rehearsal that this one repeats.
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
    installer: str = "unpack"
    model: str = ""

    def check(self) -> None:
        """Refuse a plan that cannot be carried out (InputError): names the setting, its value, what is accepted."""
        for what, value, known in (
            ("tree", self.tree, trees.RECIPES),
            ("base set", self.base_set, trees.BASE_SETS),
            ("update set", self.update_set, trees.UPDATE_SETS),
            ("compression", self.compression, trees.COMPRESSIONS),
            ("installer", self.installer, installers.INSTALLERS),
            ("disk model", self.model, ("", *models.known())),
        ):
            if value not in known:
                raise InputError(
                    f"Rehearsal {self.name}: {what} {value!r} is not known.",
                    f"Known: {', '.join(one for one in known if one)}.",
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

    def disk_model(self) -> models.DiskModel:
        """The disk that is rehearsed on."""
        if self.model:
            return models.model(self.model)
        size = FULL_DISK_BYTES if trees.RECIPES[self.tree].full else DISK_BYTES
        return models.plain(self.rate_mib_s, self.access_ms, size, self.storage_kind)


def judge(line: Mapping[str, object]) -> str:
    """Say why a line written before counts as disturbed by the rule as it is now; empty when it does not."""

    def figure(name: str) -> float:
        return float(str(line[name]))

    return watch.disturbance(
        drift=(figure("decompress_before_mib_s"), figure("decompress_after_mib_s")), steal=figure("steal_share"),
        shares=(figure("share_before"), figure("share_after")),
        # A disk with a write cache of its own takes the first of it faster than it writes.
        write=None if line.get("model") else (figure("disk_write_mib_s"), figure("rate_mib_s")),
    )  # fmt: skip


class Rehearsal:
    """One rehearsal, from an empty disk to the last sync. Use as a context: leaving it puts everything away."""

    def __init__(self, place: Workplace, plan: Setup, cpus: tuple[int, ...] | None = None) -> None:
        plan.check()
        self.place, self.plan = place, plan
        self.recipe = trees.RECIPES[plan.tree]
        self.facts = trees.read_facts(place, plan.tree)
        self.image = installers.image_of(place, self.recipe, plan.installer, plan.compression)
        self.cpus = cpus or tuple(range(plan.cores))
        self.phases = installers.INSTALLERS[plan.installer]
        self._stack = ExitStack()

    def __enter__(self) -> Rehearsal:
        plan = self.plan
        with ExitStack() as stack:
            self.folder = stack.enter_context(run_folder(self.place, plan.name))
            self.target.mkdir()
            self.groups = Groups(self.folder.name)
            self.groups.make(Limits(plan.quota_pct / plan.cores, self.cpus, plan.memory_mib))
            self.disk = stack.enter_context(
                disk.attached(plan.disk_model(), self.folder, self.groups, memory_mib=plan.memory_mib)
            )
            self.depot = self._open_depot()
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    @property
    def target(self) -> Path:
        """Where the paced disk's file system is mounted."""
        return self.folder / "target"

    def _open_depot(self) -> str:
        server = subprocess.Popen(
            [*REAL_TIME, sys.executable, "-P", str(Path(__file__).with_name("depot.py")), str(self.place.mirror),
             "--mbps", str(self.plan.link_mbps)],
            preexec_fn=lambda: self.groups.enter("rig"), stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert server.stdout is not None
        address = server.stdout.readline().strip()
        if not address:
            raise ToolError("The package server of the rehearsal did not start.")
        return address

    def execute(self, *command: str, root: Path | None = None) -> None:
        """Run a program under the limits to its end, inside the tree when `root` is given."""
        words = ["chroot", str(root), *command] if root else list(command)
        with open(self.folder / "output.log", "ab") as log:
            log.write(f"--- {' '.join(words)}\n".encode())
            log.flush()
            done = subprocess.run(
                words, preexec_fn=lambda: self.groups.enter("work"), env=QUIET, stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, timeout=PHASE_LIMIT_S, cwd="/",
            )  # fmt: skip
        if done.returncode != 0:
            tail = (self.folder / "output.log").read_text(errors="replace").strip().splitlines()[-4:]
            raise ToolError(f"{' '.join(command[:3])} failed with {done.returncode}: {' / '.join(tail)}")

    def counters(self) -> dict[str, float]:
        """Clock and processor time [s], bytes read from and written to the paced disk, and its accesses, so far."""
        numbers = (Path("/sys/block") / self.disk.device.removeprefix("/dev/") / "stat").read_text().split()
        return {
            "s": time.monotonic(), "cpu_s": self.groups.cpu_s(), "read_bytes": int(numbers[2]) * SECTOR_BYTES,
            "written_bytes": int(numbers[6]) * SECTOR_BYTES, "accesses": self.disk.state()["accesses"],
        }  # fmt: skip

    def measure_processor(self, when: str) -> dict[str, float]:
        """Measure decompression under the limits [MiB/s], and the share of the time allowed that it got [1]."""
        rate, share = self.groups.measured(lambda: speed.decompress_mib_s(3.0))
        return {
            f"decompress_{when}_mib_s": rate,
            f"share_{when}": share / (self.plan.quota_pct / 100 / self.plan.cores),
        }

    def measure_speeds(self) -> dict[str, float]:
        """Measure what `advisor capture --speed` would, and the write rate, on the empty disk under the limits."""
        device, measured = self.disk.device, self.groups.measured
        return {
            **self.measure_processor("before"),
            "disk_read_mib_s": measured(lambda: speed.disk_read_mib_s(device, 2.0))[0],
            "disk_access_ms": measured(lambda: speed.disk_access_ms(device, 2.0))[0],
            "disk_write_mib_s": measured(lambda: write_mib_s(device, self.folder, 2.0))[0],
        }

    def time_phases(
        self, names: Sequence[str] | None = None, say: Callable[[str], None] = lambda text: None
    ) -> dict[str, float]:
        """Do phases of the installer in turn, all when none are named, and time them.

        Gives for each phase `<phase>_s` [s], `<phase>_cpu_s` [s], `<phase>_read_bytes`, `<phase>_written_bytes` [B],
        `<phase>_accesses`.
        """
        timed: dict[str, float] = {}
        for name in self.phases if names is None else names:
            installers.before(self, name)
            begin = self.counters()
            installers.DO[name](self)
            timed |= {f"{name}_{what}": figure - begin[what] for what, figure in self.counters().items()}
            say(f"{name} {timed[f'{name}_s']:.1f} s")
        return timed

    def run(self, say: Callable[[str], None] = lambda text: None) -> dict[str, object]:
        """Carry it out: the line, of which datasets/rehearsals.meta.toml tells the entries."""
        speed.decompress_mib_s(0.01)
        if self.image is not None:
            disk.into_cache(self.image)
        plan, facts, groups = self.plan, self.facts, self.groups
        started = datetime.datetime.now(datetime.UTC)

        def others_s() -> float:
            return watch.busy_s(self.cpus) - groups.cpu_s("work") - groups.cpu_s("rig")

        with hurried(self.disk.device):
            speeds = self.measure_speeds()
            say(" ".join(f"{name}={value:.4g}" for name, value in speeds.items()))
            ticks, others, clock = watch.cpu_ticks(), others_s(), time.monotonic()
            timed = self.time_phases(say=say)
            after, elapsed = watch.cpu_ticks(), time.monotonic() - clock
            others = others_s() - others
            speeds |= self.measure_processor("after")
        base, updates = facts.base_sets[plan.base_set], facts.update_sets[plan.update_set]
        image_bytes = self.image.stat().st_size if self.image is not None else 0
        line: dict[str, object] = {"format": FORMAT, **asdict(plan)}
        line.update(
            edition=facts.edition, release=facts.release, kernel=facts.kernel,
            decompress_mib_s=(speeds["decompress_before_mib_s"] + speeds["decompress_after_mib_s"]) / 2, **speeds,
            image_bytes=image_bytes, image_level=installers.level_of(self.image, plan.installer),
            installed_bytes=facts.installed_bytes, installed_files=facts.installed_files,
            tree_packages=facts.packages, extra_packages=base.count, extra_bytes=base.download_bytes,
            extra_installed_kib=base.installed_kib, update_packages=updates.count,
            update_bytes=updates.download_bytes, index_bytes=facts.index_bytes,
            **timed, total_s=sum(timed[f"{name}_s"] for name in self.phases),
            peak_memory_mib=groups.peak_memory_mib(), steal_share=(after[1] - ticks[1]) / max(1, after[0] - ticks[0]),
            others_share=max(0.0, others) / elapsed / len(self.cpus), load_1min=os.getloadavg()[0],
            started=started.isoformat(timespec="seconds"), throttle=groups.throttle,
            cpus=",".join(map(str, self.cpus)), processor=_processor(),
            kernel_here=platform.release(), speed_test=speed.SPEED_TEST_VERSION,
        )  # fmt: skip
        line["disturbed_reason"] = judge(line)
        line["disturbed"] = bool(line["disturbed_reason"])
        return {key: float(f"{value:.6g}") if isinstance(value, float) else value for key, value in line.items()}


def write_mib_s(device: str, folder: Path, seconds: float) -> float:
    """Measure a direct sequential write on the rig's own empty disk [MiB/s]; refuses any other device."""
    guard_device(device, folder)
    buffer = mmap.mmap(-1, MIB)
    buffer.write(os.urandom(4096) * 256)
    handle = os.open(device, os.O_WRONLY | os.O_DIRECT)
    try:
        done, start, most = 0, time.perf_counter(), os.lseek(handle, 0, os.SEEK_END) // MIB
        while (elapsed := time.perf_counter() - start) < seconds and done < most:
            os.pwrite(handle, buffer, done * MIB)
            done += 1
        return done / elapsed
    finally:
        os.close(handle)


def _processor() -> str:
    found = re.search(r"^model name\s*: *(.*)", Path("/proc/cpuinfo").read_text(), re.MULTILINE)
    return found[1] if found else ""


def once(
    place: Workplace, plan: Setup, cpus: tuple[int, ...] | None = None, say: Callable[[str], None] = lambda text: None
) -> dict[str, object]:
    """Carry out one rehearsal, put everything away, and give its line."""
    with Rehearsal(place, plan, cpus) as rehearsal:
        return rehearsal.run(say)
