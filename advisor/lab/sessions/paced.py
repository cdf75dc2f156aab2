"""Images of installed editions, and a paced disk that a session is measured on."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab import paced_disk
from advisor.lab.limits import DISK_PRIORITY, Hurry
from advisor.lab.sessions.container import STARTS, prepare
from advisor.lab.sessions.trees import Tree, fresh, mounted, run
from advisor.lab.workplace import remove

READ_AHEAD_KIB = 128
"""What disks in PCs do: Linux, Documentation/ABI/stable/sysfs-block, read_ahead_kb."""

LEFT_OUT = (
    "usr/share/doc",
    "usr/share/help",
    "usr/share/man",
    "usr/share/info",
    "usr/share/locale",
    "var/lib/apt/lists",
)
"""Folders that no session in the plain locale reads: a seventh of the tree."""

SPARE = 1.25
"""The file system is this many times as large as what it holds, and 1 GiB for what a session writes."""

REAL_TIME = ("chrt", "--fifo", str(DISK_PRIORITY))


def make_image(tree: Tree, path: Path, scratch: Path) -> Path:
    """Make a file system (ext4) of a built tree, ready for its session, in a sparse file; under a minute.

    Parameters
    ----------
    tree : Tree
        Built.
    path : pathlib.Path
        Kept when it is there.
    scratch : pathlib.Path
        A folder of this call's own, on the same file system.

    Returns
    -------
    pathlib.Path
        The path.
    """
    if path.exists():
        return path
    part = scratch / f"{path.name}.part"
    with fresh(tree, scratch / "tree") as root, ExitStack() as stack:
        prepare(root, STARTS[tree.edition])
        hidden = [root / name for name in LEFT_OUT if (root / name).is_dir()]
        stack.enter_context(mounted(*(("-t", "tmpfs", "tmpfs", str(one)) for one in hidden)))
        used = int(run("du", "-sxk", str(root)).split()[0]) * 1024
        size = int(used * SPARE) + (1 << 30)
        run("mke2fs", "-q", "-t", "ext4", "-F", "-m", "0", "-d", str(root), str(part), f"{size >> 10}k")
    part.rename(path)
    return path


@dataclass(frozen=True)
class PacedDisk:
    """A disk of chosen rate and access time, with a tree on it.

    Attributes
    ----------
    root : pathlib.Path
        Where it is mounted.
    device : str
        Such as '/dev/loop3'.
    go : pathlib.Path
        Once this file exists it is paced.
    servers : tuple of int
        Processes that stand for the disk.
    """

    root: Path
    device: str
    go: Path
    servers: tuple[int, ...]

    def flush(self) -> None:
        """Write out what waits, and drop the file system's own records from the page cache."""
        subprocess.run(["sync", "-f", str(self.root)], check=False)
        subprocess.run(["blockdev", "--flushbufs", self.device], check=False)

    def pace(self) -> None:
        """From now on it is as slow as it is to be."""
        self.go.touch()

    def served_s(self) -> float:
        """Processor time that serving it has taken [s]."""
        ticks = 0
        for pid in self.servers:
            with contextlib.suppress(OSError):
                ticks += sum(map(int, Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]))
        return ticks / os.sysconf("SC_CLK_TCK")


@contextmanager
def attached(image: Path, rate_mib_s: float, access_ms: float, folder: Path) -> Iterator[PacedDisk]:
    """Attach an image as a paced disk, and take everything away afterwards; the image is not changed.

    Parameters
    ----------
    image : pathlib.Path
    rate_mib_s : float
        Sequential rate [MiB/s].
    access_ms : float
        Access time [ms].
    folder : pathlib.Path
        For sockets and mount points; made, and removed at the end.

    Yields
    ------
    PacedDisk
    """
    fuse, root, socket, go = folder / "fuse", folder / "root", folder / "disk.sock", folder / "go"
    for one in (fuse, root):
        one.mkdir(parents=True)
    # The image is served from memory.
    with image.open("rb", buffering=0) as file:
        block = bytearray(1 << 24)
        while file.readinto(block):
            pass
    with ExitStack() as stack:
        stack.callback(remove, folder)
        server = subprocess.Popen(
            [*REAL_TIME, "nbdkit", "--foreground", "--unix", str(socket), "python",
             str(Path(__file__).with_name("image_disk.py")), f"image={image}", f"pacer={paced_disk.__file__}",
             f"go={go}", f"rate={rate_mib_s}", f"access={access_ms}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        stack.callback(_stop, server)
        (folder / "nbdkit.pid").write_text(str(server.pid))
        _until(socket.exists)
        # One thread, so that requests reach the disk in the order in which the kernel sorted them.
        shower = subprocess.Popen(
            [*REAL_TIME, "nbdfuse", "-s", str(fuse / "disk"), "--unix", str(socket)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        stack.callback(_stop, shower)
        (folder / "nbdfuse.pid").write_text(str(shower.pid))
        stack.callback(subprocess.run, ["umount", "--lazy", str(fuse)], check=False, stderr=subprocess.DEVNULL)
        _until(lambda: (fuse / "disk").stat().st_size > 0)
        device = run("losetup", "--find", "--show", "--direct-io=on", str(fuse / "disk")).strip()
        stack.callback(subprocess.run, ["losetup", "--detach", device], check=False)
        queue = Path("/sys/block") / device.removeprefix("/dev/") / "queue"
        (queue / "read_ahead_kb").write_text(str(READ_AHEAD_KIB))
        run("mount", device, str(root))
        stack.callback(_unmount, root)
        # The kernel's own workers carry the requests: they too come before other work on the machine.
        stack.enter_context(Hurry(device))
        yield PacedDisk(root, device, go, (server.pid, shower.pid))


def _unmount(root: Path) -> None:
    for _ in range(20):
        if subprocess.run(["umount", str(root)], stderr=subprocess.DEVNULL, check=False).returncode == 0:
            return
        time.sleep(0.25)
    subprocess.run(["umount", "--lazy", str(root)], check=False)


def _stop(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _until(ready, seconds: float = 20.0) -> None:  # type: ignore[no-untyped-def]
    limit = time.monotonic() + seconds
    while time.monotonic() < limit:
        with contextlib.suppress(OSError):
            if ready():
                return
        time.sleep(0.02)
    raise ToolError("The paced disk did not appear.", "Debian packages: nbdkit, nbdkit-plugin-python, nbdfuse, fuse3.")
