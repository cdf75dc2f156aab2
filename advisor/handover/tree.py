"""A prepared system's files, read below one folder: nothing is written, and no link is followed out of it."""

from __future__ import annotations

import fcntl
import os
import posixpath
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from advisor.errors import AccessError, InputError

MOST_DEEP = 120
"""Folders in folders that are walked; what lies deeper is named as not looked into."""

MOST_LINKS = 40
"""Links followed for one path, as the kernel has it (path_resolution(7))."""

LARGEST = 32 << 20
"""Most bytes read of one file [bytes]."""

PASSED_BY = frozenset({"proc", "sys", "dev", "run"})
"""Folders of the kernel's and the running system's own, not walked; single files in them are read by name."""

_GET_FLAGS, _IMMUTABLE = 0x80086601, 0x10
"""FS_IOC_GETFLAGS and FS_IMMUTABLE_FL (Linux, include/uapi/linux/fs.h)."""

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """Something in the tree: its path relative to the root, and what lstat(2) says of it."""

    path: str
    about: os.stat_result

    @property
    def is_file(self) -> bool:
        """Whether it is a regular file."""
        return stat.S_ISREG(self.about.st_mode)

    @property
    def is_full(self) -> bool:
        """Whether it is a regular file that is not empty."""
        return self.is_file and self.about.st_size > 0

    @property
    def name(self) -> str:
        """The last part of its path."""
        return self.path.rpartition("/")[2]

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder itself, not a link to one."""
        return stat.S_ISDIR(self.about.st_mode)

    @property
    def is_link(self) -> bool:
        """Whether it is a symbolic link."""
        return stat.S_ISLNK(self.about.st_mode)


def above(path: str) -> list[str]:
    """Folders below the root in which a path lies, the topmost first."""
    parts = path.split("/")
    return ["/".join(parts[:number]) for number in range(1, len(parts))]


class Tree:
    """The files below a folder.

    Parameters
    ----------
    root : path-like
        '/' for the running system, or where a prepared system is mounted or unpacked.

    Attributes
    ----------
    unseen : dict of str to str
        Paths that could not be looked into, and why.

    Raises
    ------
    InputError
        When there is no such folder.
    AccessError
        When it may not be opened.
    """

    def __init__(self, root: str | os.PathLike[str] = "/") -> None:
        self.root = os.path.abspath(root)
        self.unseen: dict[str, str] = {}
        try:
            self._fd = os.open(self.root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except PermissionError as error:
            raise AccessError(f"{self.root} may not be opened.", "Run this as root.") from error
        except OSError as error:
            raise InputError(
                f"{self.root} cannot be looked into: {error.strerror}.", "Name the folder that holds etc and usr."
            ) from error

        self._last = ("", os.dup(self._fd))

    def close(self) -> None:
        """Close the root."""
        os.close(self._last[1])
        os.close(self._fd)

    def _folder(self, path: str) -> int:
        """A folder, opened component by component, none of them a link; the last one is kept open for the next file."""
        if path == self._last[0]:
            return self._last[1]
        at = os.dup(self._fd)
        try:
            for part in path.split("/") if path else ():
                following = os.open(part, _FOLDER, dir_fd=at)
                os.close(at)
                at = following
        except BaseException:
            os.close(at)
            raise
        os.close(self._last[1])
        self._last = (path, at)
        return at

    def _open(self, path: str, flags: int) -> int:
        """Open a path of which no part is a link; the time of its last reading stays where the kernel allows that."""
        folder, _, name = path.rpartition("/")
        at = self._folder(folder)
        try:
            return os.open(name or ".", flags | os.O_NOATIME, dir_fd=at)
        except PermissionError:
            return os.open(name or ".", flags, dir_fd=at)

    def entry(self, path: str) -> TreeEntry | None:
        """What stands at a path, links in it not followed; None for nothing."""
        folder, _, name = path.rpartition("/")
        try:
            return TreeEntry(path, os.stat(name or ".", dir_fd=self._folder(folder), follow_symlinks=False))
        except (OSError, ValueError):
            return None

    def target(self, path: str) -> str:
        """Where a link points, as it is written; '' when it is none."""
        folder, _, name = path.rpartition("/")
        try:
            return os.readlink(name, dir_fd=self._folder(folder))
        except (OSError, ValueError):
            return ""

    def real(self, path: str) -> str | None:
        """The path with its links followed as a process inside the root would; None when there is nothing."""
        waiting = [part for part in path.split("/") if part][::-1]
        at, followed = "", 0
        while waiting:
            part = waiting.pop()
            if part == "..":
                at = posixpath.dirname(at)
                continue
            step = f"{at}/{part}" if at else part
            entry = self.entry(step) if part != "." else None
            if part != "." and entry is None:
                return None
            if entry is not None and entry.is_link:
                followed += 1
                if followed > MOST_LINKS:
                    return None
                target = self.target(step)
                at = "" if target.startswith("/") else at
                waiting += [one for one in target.split("/") if one][::-1]
            elif part != ".":
                at = step
        return at

    @contextmanager
    def _opened(self, path: str, flags: int, denied: str = "") -> Iterator[int]:
        """A path of which no part is a link, opened; -1 where it cannot be, which is noted where it was denied."""
        try:
            handle = self._open(path, flags)
        except PermissionError:
            if denied:
                self.unseen.setdefault(path, denied)
            yield -1
            return
        except (OSError, ValueError):
            yield -1
            return
        try:
            yield handle
        finally:
            os.close(handle)

    def read(self, path: str, most: int = LARGEST, start: int = 0) -> bytes:
        """Read a regular file's bytes, up to a size; b'' when it is none or cannot be read."""
        with self._opened(path, _READ, "may not be read") as handle:
            about = os.fstat(handle) if handle >= 0 else None
            if about is None or not stat.S_ISREG(about.st_mode):
                return b""
            # A file of the kernel's own states no size that holds.
            most = min(most, about.st_size - start) if about.st_blocks and about.st_size > start else most
            with suppress(OSError):
                if start:
                    os.lseek(handle, start, os.SEEK_SET)
                return _all(handle, most)
            self.unseen.setdefault(path, "could not be read")
            return b""

    def text(self, path: str, most: int = LARGEST) -> str:
        """Read a file as text with links inside the root followed; '' when there is none."""
        real = self.real(path)
        return self.read(real, most).decode("utf-8", "surrogateescape") if real else ""

    def names(self, path: str) -> list[str]:
        """Sorted names in a folder, links followed inside the root; empty when there is none."""
        real = self.real(path)
        return sorted(entry.name for entry in self.entries(real)) if real is not None else []

    def mounted_at(self, path: str) -> str:
        """The folder above a path at which another disk is mounted, the topmost; '' when it lies on the root's own."""
        entries = [entry for at in ("", *above(path), path) if (entry := self.entry(at)) is not None]
        return next((one.path for one in entries if one.about.st_dev != entries[0].about.st_dev), "")

    def is_immutable(self, path: str) -> bool:
        """Whether a file may not be changed even by root (chattr(1), +i)."""
        with self._opened(path, _READ) as handle, suppress(OSError, ValueError):
            flags = fcntl.ioctl(handle, _GET_FLAGS, b"\0" * 8)
            return bool(int.from_bytes(flags[:4], sys.byteorder) & _IMMUTABLE)
        return False

    def entries(self, path: str) -> Iterator[TreeEntry]:
        """What a folder holds; one that cannot be read is noted."""
        with self._opened(path, _FOLDER, "may not be looked into") as handle:
            if handle < 0:
                return
            try:
                with os.scandir(handle) as found:
                    for one in found:
                        with suppress(OSError):
                            yield TreeEntry(f"{path}/{one.name}" if path else one.name, one.stat(follow_symlinks=False))
            except OSError:
                self.unseen.setdefault(path, "could not be read")


def _all(handle: int, most: int) -> bytes:
    parts, left = [], most
    while left > 0 and (part := os.read(handle, min(left, 1 << 20))):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)
