"""The rig's own folder: what it may touch, and how it is put back in order after a kill."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import stat
import subprocess
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import AccessError, InputError, ToolError
from advisor.files import is_there

MARKER = ".advisor-rehearsal-rig"
"""A folder without this file is never cleaned."""

SIGNATURE = "advisor-rehearsal"
"""First word of the file `owner` in a run's folder; one without it is never deleted."""

GROUP = "advisor-rehearsal"
"""Name under which the rig's control groups stand."""

CONTROLLERS = ("cpu", "cpuacct", "cpuset", "memory")
CGROUPS = Path("/sys/fs/cgroup")

TOOLS = {
    "nbdkit": "nbdkit nbdkit-plugin-python",
    "nbdfuse": "nbdfuse",
    "losetup": "mount",
    "mkfs.ext4": "e2fsprogs",
    "mksquashfs": "squashfs-tools",
    "unsquashfs": "squashfs-tools",
    "debootstrap": "debootstrap",
    "chroot": "coreutils",
    "fusermount3": "fuse3",
}
"""Programs that rehearsals call, and the Debian packages that bring them."""

SESSION_TOOLS = {
    **{name: TOOLS[name] for name in ("nbdkit", "nbdfuse", "losetup", "debootstrap", "chroot")},
    "mke2fs": "e2fsprogs",
    "systemd-nspawn": "systemd-container",
}
"""Programs that measured sessions call."""


@dataclass(frozen=True)
class Workplace:
    """The folders of one rig.

    Attributes
    ----------
    root : pathlib.Path
        The work folder; everything the rig writes is below it.
    """

    root: Path

    @property
    def trees(self) -> Path:
        """Built trees, a folder each, with a description beside."""
        return self.root / "trees"

    @property
    def images(self) -> Path:
        """Packed trees."""
        return self.root / "images"

    @property
    def mirror(self) -> Path:
        """Package lists and packages, frozen at the first build."""
        return self.root / "mirror"

    @property
    def runs(self) -> Path:
        """A folder for each rehearsal that runs."""
        return self.root / "runs"


def open_workplace(root: str | os.PathLike[str]) -> Workplace:
    """Open the work folder, making it when it is new.

    Parameters
    ----------
    root : path-like
        A folder for the rig alone.

    Returns
    -------
    Workplace

    Raises
    ------
    InputError
        When the folder holds other things, or is too near the root of the system.
    """
    path = Path(root).resolve()
    if len(path.parts) < 3:
        raise InputError(f"{path} is no place for the rig.", "Name a folder of its own, such as /var/cache/rehearsals.")
    if path.exists() and not (path / MARKER).is_file() and (not path.is_dir() or any(path.iterdir())):
        raise InputError(
            f"{path} holds other things, and the rig deletes what it finds in its folder.",
            "Name an empty or a new folder.",
        )
    place = Workplace(path)
    for folder in (path, place.trees, place.images, place.mirror, place.runs):
        own_folder(folder)
    (path / MARKER).touch()
    return place


def own_folder(path: Path) -> Path:
    """Make a folder of the rig's own, or take one that is there.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    pathlib.Path
        The same.

    Raises
    ------
    InputError
        When it cannot be made, is a link or no folder, belongs to somebody else, or others may write to it: what the
        rig deletes there would then be theirs to choose.
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
    """Check for root and for the programs that are called.

    Parameters
    ----------
    tools : mapping
        Program to the Debian packages that bring it.

    Raises
    ------
    AccessError
        When not run as root.
    ToolError
        When a program or a control group is missing; the hint names the Debian packages.
    """
    if os.geteuid() != 0:
        raise AccessError(
            "A rehearsal mounts file systems and limits the processor, which only root may do.",
            "Run it as root, on a Debian machine that is not one of the units.",
        )
    absent = [tool for tool in tools if shutil.which(tool) is None]
    if absent:
        packages = sorted({package for tool in absent for package in tools[tool].split()})
        raise ToolError(f"Missing: {', '.join(absent)}.", f"apt install {' '.join(packages)}")


def homes(base: Path = CGROUPS) -> dict[str, Path]:
    """Folders that the rig's control groups stand in.

    Parameters
    ----------
    base : pathlib.Path
        Where control groups are mounted.

    Returns
    -------
    dict of str to pathlib.Path
        By controller: apart (version 1), or the same folder for all (version 2); empty when neither is there.
    """
    if all((base / name / "cgroup.procs").exists() for name in CONTROLLERS):
        return {name: base / name / GROUP for name in CONTROLLERS}
    with contextlib.suppress(OSError):
        # Version 2 counts processor time without a controller of its own.
        if {"cpu", "cpuset", "memory"} <= set((base / "cgroup.controllers").read_text().split()):
            return dict.fromkeys(CONTROLLERS, base / GROUP)
    return {}


def is_below(path: str | os.PathLike[str], folder: str | os.PathLike[str]) -> bool:
    """Whether a path lies inside a folder, by whole names, `..` and double slashes removed (links not followed)."""
    inner, outer = os.path.normpath(os.fspath(path)), os.path.normpath(os.fspath(folder))
    return inner != outer and os.path.commonpath([inner, outer]) == outer


def mounts_below(mountinfo: str, folder: str | os.PathLike[str]) -> list[str]:
    """Mount points inside a folder, in the order in which they can be unmounted.

    Parameters
    ----------
    mountinfo : str
        Text of /proc/self/mountinfo; see proc(5) for its columns and octal escapes.
    folder : path-like
        Only what lies below it is listed.

    Returns
    -------
    list of str
        Last mounted first.
    """
    points = []
    for line in mountinfo.splitlines():
        columns = line.split()
        if len(columns) < 5:
            continue
        point = columns[4]
        for code, character in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
            point = point.replace(code, character)
        if is_below(point, folder):
            points.append(point)
    return points[::-1]


def loops_below(listing: str, folder: str | os.PathLike[str]) -> list[str]:
    """Loop devices whose backing file lies inside a folder.

    Parameters
    ----------
    listing : str
        Output of `losetup --list --json --output NAME,BACK-FILE`; may be empty.
    folder : path-like
        Only what lies below it is listed.

    Returns
    -------
    list of str
    """
    if not listing.strip():
        return []
    return [
        device["name"]
        for device in json.loads(listing).get("loopdevices", [])
        if device.get("back-file") and is_below(device["back-file"].removesuffix(" (deleted)"), folder)
    ]


def guard_device(device: str, folder: str | os.PathLike[str], sysfs: Path = Path("/sys")) -> None:
    """Refuse to go on unless a device is a loop device on a file of the rig's own.

    Parameters
    ----------
    device : str
        Such as '/dev/loop3'.
    folder : path-like
        The folder its backing file must lie in.
    sysfs : pathlib.Path
        Where /sys is.

    Raises
    ------
    AccessError
        When it is anything else; nothing has been written then.
    """
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


def started(pid: int, proc: Path = Path("/proc")) -> str:
    """Start time of a process in clock ticks since boot, which tells it from a later one of that number; '' if gone.

    One that has ended and waits for its parent to look (state Z or X, proc(5)) is gone.
    """
    try:
        words = (proc / str(pid) / "stat").read_text().rpartition(")")[2].split()
        return "" if words[0] in "ZX" else words[19]
    except (OSError, IndexError):
        return ""


def open_run(place: Workplace, name: str) -> Path:
    """Make the folder of one rehearsal and note whose it is."""
    folder = place.runs / name
    folder.mkdir(parents=True)
    (folder / "owner").write_text(f"{SIGNATURE} {os.getpid()} {started(os.getpid())}\n")
    return folder


def signed(folder: Path) -> tuple[int, str] | None:
    """Number and start time of the process that signed a run's folder; None where the rig did not sign it.

    Neither the folder nor its signature may be a link.
    """
    follow_none = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    with contextlib.suppress(OSError, ValueError), contextlib.ExitStack() as stack:
        handle = os.open(folder, follow_none | os.O_DIRECTORY)
        stack.callback(os.close, handle)
        with os.fdopen(os.open("owner", follow_none, dir_fd=handle), "rb") as note:
            word, pid, start = note.read(200).decode("ascii").split()
        return (int(pid), start) if word == SIGNATURE else None
    return None


def is_stale(folder: Path, proc: Path = Path("/proc")) -> bool:
    """Whether the rig signed a run's folder, and the process that did is gone."""
    owner = signed(folder)
    return owner is not None and started(owner[0], proc) != owner[1]


def strangers(place: Workplace) -> list[str]:
    """What lies among the runs and the rig did not sign: it is left alone, and said."""
    return sorted(str(path) for path in place.runs.iterdir() if signed(path) is None)


def clean(place: Workplace, *, everything: bool = False) -> list[str]:
    """Put away what killed rehearsals left behind: processes, mounts, loop devices, control groups, folders.

    Parameters
    ----------
    place : Workplace
    everything : bool
        Also those whose owner still runs; for the rig's own use at the end of a rehearsal, see `close_run`.

    Returns
    -------
    list of str
        What was put away, a line each.
    """
    done: list[str] = []
    for folder in sorted(place.runs.iterdir()):
        if is_stale(folder) or (everything and signed(folder)):
            done += close_run(folder)
    return done


def close_run(folder: Path) -> list[str]:
    """Put away one rehearsal: end its processes, unmount, detach, remove its control groups and its folder.

    Parameters
    ----------
    folder : pathlib.Path
        A run folder.

    Returns
    -------
    list of str
        What was put away.

    Raises
    ------
    ToolError
        When something would not go; the folder is kept then.
    """
    done = []
    groups = sorted({home / folder.name for home in homes().values()})
    for sub in ("work",):
        for pid in _tasks(groups, sub):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                done.append(f"process {pid}")
    for _ in range(100):
        if not _tasks(groups, "work"):
            break
        time.sleep(0.05)
    fuse = folder / "fuse"
    # The file system on the loop device goes first, then the device, then the file below it.
    for point in mounts_below(Path("/proc/self/mountinfo").read_text(), folder):
        if not is_below(point, fuse) and Path(point) != fuse:
            _quiet(["umount", point]) or _quiet(["umount", "--lazy", point])
            done.append(f"mount {point}")
    listing = subprocess.run(
        ["losetup", "--list", "--json", "--output", "NAME,BACK-FILE"], capture_output=True, text=True
    ).stdout
    for device in loops_below(listing, folder):
        _quiet(["losetup", "--detach", device])
        done.append(f"loop device {device}")
    for point in mounts_below(Path("/proc/self/mountinfo").read_text(), folder):
        for _ in range(20):
            if _quiet(["umount", point]):
                break
            time.sleep(0.1)
        else:
            _quiet(["umount", "--lazy", point])
        done.append(f"mount {point}")
    for note in sorted(folder.glob("*.pid")):
        pid = _owned_pid(note)
        if pid:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGTERM)
                done.append(f"process {pid} ({note.stem})")
    for _ in range(50):
        if not _tasks(groups, "rig"):
            break
        time.sleep(0.05)
    for pid in _tasks(groups, "rig"):
        if pid != os.getpid():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
    time.sleep(0.05)
    for group in groups:
        for path in (group / "work", group / "rig", group):
            with contextlib.suppress(OSError):
                path.rmdir()
    remove(folder)
    return [*done, f"folder {folder}"]


def remove(folder: Path) -> None:
    """Delete a folder of the rig's own, unmounting first what is mounted on or below it.

    No link is followed, neither the folder itself nor any below it, and nothing is deleted through a mount.

    Parameters
    ----------
    folder : pathlib.Path
        May be missing.

    Raises
    ------
    ToolError
        When it is no folder, or something would not be unmounted: nothing has been deleted then. Also when something
        would not go.
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
    """Unmount what is mounted on or below a folder."""

    def mounted() -> list[str]:
        points = mounts_below(Path("/proc/self/mountinfo").read_text(), path.parent)
        return [point for point in points if point == str(path) or is_below(point, path)]

    for _ in range(8):
        points = mounted()
        for point in points:
            _quiet(["umount", point]) or _quiet(["umount", "--lazy", point])
        if not points:
            break
    if left := mounted():
        raise ToolError(f"Still mounted: {', '.join(left)}.", "Look at what holds it with fuser -vm, then try again.")


def _owned_pid(note: Path) -> int:
    """The number in a pid file, when that process's command line names the run folder; else 0."""
    try:
        pid = int(note.read_text().split()[0])
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except (OSError, ValueError, IndexError):
        return 0
    return pid if any(str(note.parent) in word for word in words) else 0


def _tasks(groups: Sequence[Path], sub: str) -> set[int]:
    found: set[int] = set()
    for group in groups:
        with contextlib.suppress(OSError):
            found |= {int(word) for word in (group / sub / "cgroup.procs").read_text().split()}
    return found


def _quiet(command: Sequence[str]) -> bool:
    return subprocess.run(command, capture_output=True).returncode == 0
