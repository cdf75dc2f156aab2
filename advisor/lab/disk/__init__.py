"""The paced disk: a loop device that answers at the pace of a disk, with the mechanics in C, compiled at first use.

`models` says which disks there are, `mechanics.c` how long each request takes, `paced.c` serves them (libfuse).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab.disk.models import DiskModel
from advisor.lab.groups import REAL_TIME, Groups
from advisor.lab.workplace import guard_device, let_go, own_folder, run, wait_until

LATENCY_S = 0.00015
"""A request spends about this long between the kernel and the server, and is taken as having come so much earlier.
Measured here: fio, random reads of 4 KiB at depth 1 of a disk that takes no time: 0.11 ms each."""

READ_AHEAD_KIB = 128
"""What the kernel reads ahead on disks in PCs: Linux, Documentation/ABI/stable/sysfs-block, read_ahead_kb."""

SCHEDULER = "mq-deadline"
"""What the kernel gives a disk with one queue (Linux 6.12, block/elevator.c, elevator_get_default)."""

DIRTY_SHARE = 0.2
"""Share of memory that may wait unwritten: the kernel's default (vm.dirty_ratio) for a machine of that memory."""

HERE = Path(__file__).parent


def compiled(folder: Path, *, server: bool) -> Path:
    """The server, or the mechanics alone as a library, in a folder of one's own; compiled when its sources are new."""
    sources = [HERE / "mechanics.c", *([HERE / "paced.c"] if server else [])]
    content = b"".join(path.read_bytes() for path in [HERE / "mechanics.h", *sources])
    name = f"{'paced' if server else 'mechanics.so'}-{hashlib.sha256(content).hexdigest()[:16]}"
    # What root is to run lies where nobody else may write.
    target = own_folder(folder) / name
    if target.is_file():
        return target
    hint = "apt install gcc libc6-dev libfuse3-dev pkg-config"
    partial = target.with_name(f"{name}.{os.getpid()}")
    try:
        flags = run(["pkg-config", "--cflags", "--libs", "fuse3"]).split() if server else ["-shared", "-fPIC"]
        run(["gcc", "-O2", "-std=gnu11", "-o", str(partial), *map(str, sources), *flags, "-lm"])
    except ToolError as error:
        raise ToolError(f"The paced disk cannot be compiled: {error.message}", hint) from error
    os.replace(partial, target)
    return target


@dataclass(frozen=True)
class PacedDisk:
    """A paced disk that is attached as `device`; its backing file lies in a run folder."""

    model: DiskModel
    device: str
    folder: Path

    def state(self) -> dict[str, int]:
        """Counters of the server: accesses, reads, writes, flushes, read_bytes, written_bytes."""
        return {
            name: int(value)
            for name, value in (line.split() for line in (self.folder / "fuse/state").read_text().splitlines())
        }

    def pace(self) -> None:
        """From now on it is as slow as it is to be."""
        (self.folder / "fuse/state").write_text("pace\n")


@contextmanager
def attached(
    model: DiskModel, folder: Path, group: Groups, *, image: Path | None = None, held: bool = False,
    memory_mib: float | None = None,
) -> Iterator[PacedDisk]:  # fmt: skip
    """Attach a paced disk inside a run folder, its server in the group `rig`, and take it away afterwards.

    It begins as a copy of `image`, which is never changed. When `held`, nothing is paced before `PacedDisk.pace`, so
    that a machine is brought up quickly first. A fifth of `memory_mib` may wait unwritten.
    """
    point = folder / "fuse"
    point.mkdir()
    words = [f"{name}={value!r}" for name, value in model.parameters.items()]
    if image:
        words.append(f"image={image}")
        into_cache(image)
    program = compiled(folder.parent.parent / "programs", server=True)
    with ExitStack() as stack:
        with open(folder / "disk.log", "w") as log:
            server = subprocess.Popen(
                [*REAL_TIME, str(program), str(point), *words, f"latency={LATENCY_S}", f"held={int(held)}"],
                preexec_fn=lambda: group.enter("rig"), stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        stack.callback(_stop, server)
        wait_until(lambda: (point / "disk").stat().st_size > 0 or server.poll() is not None, "The paced disk")
        if server.poll() is not None:
            raise ToolError(f"The paced disk ended: {(folder / 'disk.log').read_text().strip()}.")
        device = run(["losetup", "--find", "--show", "--direct-io=on", str(point / "disk")]).strip()
        stack.callback(subprocess.run, ["losetup", "--detach", device], capture_output=True)
        guard_device(device, folder)
        queue = Path("/sys/block") / device.removeprefix("/dev/")
        settings = {"queue/rotational": str(int(model.rotational)), "queue/read_ahead_kb": str(READ_AHEAD_KIB),
                    "queue/scheduler": SCHEDULER if model.figures else "none"}  # fmt: skip
        if memory_mib is not None:
            settings |= {"bdi/strict_limit": "1", "bdi/max_bytes": str(int(memory_mib * (1 << 20) * DIRTY_SHARE))}
        for name, value in settings.items():
            with contextlib.suppress(OSError):
                (queue / name).write_text(value)
        group.count_reads()
        stack.callback(let_go, folder)
        yield PacedDisk(model, device, folder)


def into_cache(path: Path) -> None:
    """Read a file once, so that it is served from memory: the speed of the machine's own disk is no part of it."""
    with path.open("rb", buffering=0) as file:
        block = bytearray(1 << 24)
        while file.readinto(block):
            pass


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
