"""The laboratory's own folder: what it may touch, who works in it, and how it is put back in order after a kill."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import re
import shutil
import stat
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from advisor.errors import AccessError, InputError, ToolError
from advisor.files import is_there
from advisor.lab import groups

MARKER = ".advisor-rehearsal-rig"
"""A folder without this file is never cleaned."""

SIGNATURE = "advisor-rehearsal"
"""First word of the file `owner` in a run's folder; one without it is never deleted."""

TOOLS = {
    "gcc": "gcc libc6-dev libfuse3-dev pkg-config",
    "fusermount3": "fuse3",
    "losetup": "mount",
    "mke2fs": "e2fsprogs",
    "mksquashfs": "squashfs-tools",
    "debootstrap": "debootstrap",
    "chroot": "coreutils",
    "chrt": "util-linux",
}
"""Programs that all real work calls, and the Debian packages that bring them."""

INSTALL_TOOLS = {**TOOLS, "unsquashfs": "squashfs-tools", "rsync": "rsync", "zstd": "zstd"}
SESSION_TOOLS = {**TOOLS, "systemd-nspawn": "systemd-container", "swapon": "mount", "zramctl": "util-linux"}

QUIET = {
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "LC_ALL": "C",
    "DEBIAN_FRONTEND": "noninteractive",
    "HOME": "/root",
}
"""The whole environment of what runs inside a tree."""


class Workplace(NamedTuple):
    """The work folder; everything that the laboratory writes is below it.

    `trees` holds built trees, a layer each, with a description beside; `images` packed trees and images of installed
    ones; `mirror` package lists and packages, frozen at the first build; `runs` a folder for each rehearsal or session.
    """

    root: Path
    trees: Path
    images: Path
    mirror: Path
    runs: Path


def open_workplace(root: str | os.PathLike[str]) -> Workplace:
    """Open the work folder, making it when it is new; one that holds other things, or is near the root, is refused."""
    path = Path(root).resolve()
    if len(path.parts) < 3:
        raise InputError(f"{path} is no place for the rig.", "Name a folder of its own, such as /var/cache/rehearsals.")
    if path.exists() and not (path / MARKER).is_file() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            f"{path} holds other things, and the rig deletes what it finds in its folder.",
            "Name an empty or a new folder.",
        )
    place = Workplace(path, *(path / name for name in Workplace._fields[1:]))
    for folder in place:
        own_folder(folder)
    (path / MARKER).touch()
    return place


def own_folder(path: Path) -> Path:
    """Make a folder of the rig's own, or take one that is there.

    InputError when it is a link or no folder, belongs to somebody else, or others may write to it: what the rig deletes
    there would then be theirs to choose.
    """
    try:
        if not is_there(path):
            path.mkdir(parents=True)
            path.chmod(0o755)
        found = path.lstat()
    except OSError as error:
        raise InputError(f"The folder {path} cannot be made: {error.strerror}.", "Name another with --work.") from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid() or found.st_mode & 0o022:
        raise InputError(
            f"{path} is a link, belongs to somebody else, or may be written to by others; the rig does not use it.",
            "Name a new folder with --work.",
        )
    return path


def require(tools: Mapping[str, str] = TOOLS) -> None:
    """Check for root (AccessError) and for programs (ToolError, whose hint names the Debian packages)."""
    if os.geteuid() != 0:
        raise AccessError(
            "A rehearsal mounts file systems and limits the processor, which only root may do.",
            "Run it as root, on a Debian machine that is not one of the units.",
        )
    absent = [tool for tool in tools if shutil.which(tool) is None]
    if absent:
        packages = sorted({package for tool in absent for package in tools[tool].split()})
        raise ToolError(f"Missing: {', '.join(absent)}.", f"apt install {' '.join(packages)}")


def run(command: Sequence[str], **options: Any) -> str:
    """Run a program to its end and give back what it printed; a failure carries its last lines."""
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", stdin=subprocess.DEVNULL, **options
        )
    except FileNotFoundError as error:
        package = {**INSTALL_TOOLS, **SESSION_TOOLS}.get(command[0])
        hint = f"apt install {package}" if package else "It is in a Debian package of a like name."
        raise ToolError(f"{command[0]} is not installed.", hint) from error
    if done.returncode != 0:
        tail = " / ".join((done.stdout + done.stderr).strip().splitlines()[-4:])
        raise ToolError(f"{' '.join(command[:4])} failed with {done.returncode}: {tail}")
    return done.stdout


def wait_until(ready: Callable[[], bool], what: str) -> None:
    """Wait up to 20 s until something is there, or say that it did not come."""
    limit = time.monotonic() + 20.0
    while time.monotonic() < limit:
        with contextlib.suppress(OSError):
            if ready():
                return
        time.sleep(0.02)
    raise ToolError(f"{what} did not appear.", "advisor rehearse --clean, then try again.")


# --- what may be touched


def is_below(path: str | os.PathLike[str], folder: str | os.PathLike[str]) -> bool:
    """Whether a path lies inside a folder, by whole names, `..` and double slashes removed (links not followed)."""
    inner, outer = os.path.normpath(os.fspath(path)), os.path.normpath(os.fspath(folder))
    return inner != outer and os.path.commonpath([inner, outer]) == outer


def mounts_below(folder: str | os.PathLike[str], mountinfo: str | None = None) -> list[str]:
    """Mount points inside a folder, last mounted first, by /proc/self/mountinfo with its octal escapes (proc(5))."""
    text = Path("/proc/self/mountinfo").read_text() if mountinfo is None else mountinfo
    written = [columns[4] for line in text.splitlines() if len(columns := line.split()) > 4]
    points = [re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), point) for point in written]
    return [point for point in reversed(points) if is_below(point, folder)]


def loops_below(folder: str | os.PathLike[str], listing: str | None = None) -> list[str]:
    """Loop devices whose backing file lies inside a folder, by losetup's list as JSON."""
    if listing is None:
        command = ["losetup", "--list", "--json", "--output", "NAME,BACK-FILE"]
        listing = subprocess.run(command, capture_output=True, text=True).stdout
    if not listing.strip():
        return []
    return [
        device["name"]
        for device in json.loads(listing).get("loopdevices", [])
        if device.get("back-file") and is_below(device["back-file"].removesuffix(" (deleted)"), folder)
    ]


def guard_device(device: str, folder: str | os.PathLike[str], sysfs: Path = Path("/sys")) -> None:
    """Refuse to go on (AccessError) unless a device is a loop device on a file of the rig's own; before every write."""
    name = device.removeprefix("/dev/")
    backing = ""
    if device.startswith("/dev/loop") and name[4:].isdigit():
        with contextlib.suppress(OSError):
            backing = (sysfs / "block" / name / "loop" / "backing_file").read_text().strip()
    if not backing or not is_below(backing, folder):
        raise AccessError(
            f"{device} is not a loop device on a file below {folder}; it was not touched.",
            "This is a fault in the rig: please report it.",
        )


def unmount(points: Sequence[str], tries: int = 1) -> list[str]:
    """Unmount in turn, lazily what is busy at every try, a tenth of a second apart; gives a line each."""
    for point in points:
        for left in reversed(range(tries)):
            if _quiet(["umount", point]):
                break
            if left:
                time.sleep(0.1)
        else:
            _quiet(["umount", "--lazy", point])
    return [f"mount {point}" for point in points]


@contextlib.contextmanager
def mounted(*steps: Sequence[str]) -> Iterator[None]:
    """Mount one after another, each given as mount's arguments, the mount point last; unmount all whatever happens."""
    with contextlib.ExitStack() as stack:
        for step in steps:
            run(["mount", *step])
            stack.callback(unmount, step[-1:])
        yield


def overlay(root: Path, upper: Path, work: Path, lower: Sequence[Path]) -> tuple[str, ...]:
    """Arguments of mount for an overlay; the layers below are given uppermost first."""
    layers = ":".join(str(one.resolve()) for one in lower)
    return ("-t", "overlay", "overlay", "-o", f"lowerdir={layers},upperdir={upper},workdir={work}", str(root))


def inside_mounts(root: Path) -> list[tuple[str, ...]]:
    """Arguments of mount for what programs in a chroot need."""
    return [
        ("--bind", "/dev", f"{root}/dev"), ("-t", "proc", "proc", f"{root}/proc"),
        ("-t", "sysfs", "-o", "ro", "sysfs", f"{root}/sys"), ("-t", "tmpfs", "tmpfs", f"{root}/run"),
    ]  # fmt: skip


def chroot(root: Path, *command: str) -> str:
    """Run a program inside a tree."""
    return run(["chroot", str(root), *command], env=QUIET)


# --- who works in it


@contextlib.contextmanager
def alone(place: Workplace) -> Iterator[None]:
    """Hold the work folder's lock: two at a time would measure each other (InputError)."""
    with os.fdopen(os.open(place.root / "lock", os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o644), "r+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputError(
                f"Another rehearsal runs in {place.root}.", "Wait for it: two at a time would measure each other."
            ) from error
        yield


def started(pid: int, proc: Path = Path("/proc")) -> str:
    """Start time of a process in clock ticks since boot, which tells it from a later one of that number; '' if gone.

    One that has ended and waits for its parent to look (state Z or X, proc(5)) is gone.
    """
    try:
        words = (proc / str(pid) / "stat").read_text().rpartition(")")[2].split()
        return "" if words[0] in "ZX" else words[19]
    except (OSError, IndexError):
        return ""


@contextlib.contextmanager
def run_folder(place: Workplace, name: str) -> Iterator[Path]:
    """A folder for one rehearsal or session, signed with whose it is, and everything in it put away at the end."""
    folder = place.runs / f"{name}-{os.getpid()}"
    folder.mkdir(parents=True)
    (folder / "owner").write_text(f"{SIGNATURE} {os.getpid()} {started(os.getpid())}\n")
    try:
        yield folder
    finally:
        close_run(folder)


def signed(folder: Path) -> tuple[int, str] | None:
    """Number and start time of the process that signed a run's folder, None where there is none or a link."""
    follow_none = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    with contextlib.suppress(OSError, ValueError), contextlib.ExitStack() as stack:
        handle = os.open(folder, follow_none | os.O_DIRECTORY)
        stack.callback(os.close, handle)
        with os.fdopen(os.open("owner", follow_none, dir_fd=handle), "rb") as note:
            word, pid, start = note.read(200).decode("ascii").split()
        return (int(pid), start) if word == SIGNATURE else None
    return None


def is_stale(folder: Path) -> bool:
    """Whether the rig signed a run's folder, and the process that did is gone."""
    owner = signed(folder)
    return owner is not None and started(owner[0]) != owner[1]


def strangers(place: Workplace) -> list[str]:
    """What lies among the runs and the rig did not sign: it is left alone, and said."""
    return sorted(str(path) for path in place.runs.iterdir() if signed(path) is None)


# --- putting away


def clean(place: Workplace) -> list[str]:
    """Put away what killed runs left behind: processes, mounts, loop devices, control groups, folders; a line each."""
    return [line for folder in sorted(place.runs.iterdir()) if is_stale(folder) for line in close_run(folder)]


SWAP_NOTE = "swap"
"""File of a run folder that names what the run has as swap, and the machine's own setting before."""

SWAPPINESS = Path("/proc/sys/vm/swappiness")


def swap_off(folder: Path) -> list[str]:
    """Take away what a run has as swap, once its work has ended: a file of it, or compressed memory.

    How readily the machine itself moves memory out is as before then.
    """
    note = folder / SWAP_NOTE
    lines = note.read_text().splitlines() if note.is_file() and not note.is_symlink() else []
    place, before = (*lines, "", "")[:2]
    if not place or not (re.fullmatch(r"/dev/zram\d+", place) or is_below(place, folder)):
        return []
    _quiet(["swapoff", place])
    if place.startswith("/dev/"):
        _quiet(["zramctl", "--reset", place])
    if re.fullmatch(r"\d{1,3}", before):
        SWAPPINESS.write_text(before)
    note.unlink()
    return [place]


def let_go(folder: Path) -> list[str]:
    """End the work of a run and unmount what is mounted in its folder, but for the paced disk's own mount point."""
    done = [f"process {pid}" for pid in groups.Groups(folder.name).end("work")]
    done += [f"swap {place}" for place in swap_off(folder)]
    fuse = folder / "fuse"
    return done + unmount([one for one in mounts_below(folder) if Path(one) != fuse and not is_below(one, fuse)], 20)


def close_run(folder: Path) -> list[str]:
    """Put away one run: end its processes, unmount, detach, remove its control groups and its folder."""
    # The file system on the loop device goes first, then the device, then the file below it.
    done = let_go(folder)
    for device in loops_below(folder):
        _quiet(["losetup", "--detach", device])
        done.append(f"loop device {device}")
    done += unmount(mounts_below(folder), 20)
    group = groups.Groups(folder.name)
    done += [f"process {pid}" for pid in group.end("rig")]
    group.remove()
    remove(folder)
    return [*done, f"folder {folder}"]


def remove(folder: Path) -> None:
    """Delete a folder of the rig's own, unmounting first what is mounted on or below it.

    No link is followed, neither the folder itself nor any below it, and nothing is deleted through a mount. ToolError
    when it is no folder or something would not be unmounted, and nothing has been deleted then; also when something
    stays.
    """
    path = Path(os.path.realpath(folder.parent)) / folder.name
    try:
        handle = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except FileNotFoundError:
        return
    try:
        if not stat.S_ISDIR(os.stat(path.name, dir_fd=handle, follow_symlinks=False).st_mode):
            raise ToolError(f"{path} is a link or no folder; it was left alone.", "Look at who put it there.")
        _unmount_all(path)
        shutil.rmtree(path.name, dir_fd=handle)
    except FileNotFoundError:
        return
    except OSError as error:
        raise ToolError(f"{path} could not be deleted: {error.strerror}.", "Look at what holds it.") from error
    finally:
        os.close(handle)


def _unmount_all(path: Path) -> None:
    """Unmount what is mounted on or below a folder, however often over; ToolError when something stays."""
    for _ in range(9):
        points = [point for point in mounts_below(path.parent) if point == str(path) or is_below(point, path)]
        if not points:
            return
        unmount(points)
    raise ToolError(f"Still mounted: {', '.join(points)}.", "Look at what holds it with fuser -vm, then try again.")


def _quiet(command: Sequence[str]) -> bool:
    return subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL).returncode == 0
