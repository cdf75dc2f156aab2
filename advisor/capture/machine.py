"""Where facts are read from: a live machine, a recorded folder, or a recording; never written to."""

from __future__ import annotations

import contextlib
import os
import posixpath
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

FILE_LIMIT = 1 << 20
"""Most bytes read from any one file [bytes]; nothing a probe needs is longer."""

_BUSES = frozenset({"pci", "usb", "sdio", "mmc", "virtio", "acpi"})


class Attempt(StrEnum):
    """How the attempt to read a path ended."""

    READ = "read"
    ABSENT = "absent"
    ROOT = "needs root"
    BROKEN = "could not be read"


class Machine(ABC):
    """What every probe reads: the files of one machine, live or recorded, under their usual absolute paths."""

    live = False

    @abstractmethod
    def look(self, path: str) -> tuple[bytes | None, Attempt]:
        """Content of a file, None when it is absent or may not be read; and how reading it ended."""

    @abstractmethod
    def names(self, path: str) -> list[str]:
        """Sorted names in a folder; empty when there is no such folder."""

    @abstractmethod
    def resolve(self, path: str) -> str | None:
        """The path with every link followed, None when there is nothing there."""

    def data(self, path: str) -> bytes | None:
        """Content of a file, None when it is absent or may not be read."""
        return self.look(path)[0]

    def reading(self, path: str) -> Attempt:
        """How reading this path ends, for the reason that is given to the user."""
        return self.look(path)[1]

    def text(self, path: str) -> str | None:
        """Content of a file as text without surrounding blanks, None when absent, unreadable or empty."""
        content = self.data(path)
        return content.decode("utf-8", "replace").strip("\0 \t\r\n") or None if content else None

    def exists(self, path: str) -> bool:
        """Whether there is a file or folder, readable or not."""
        return self.resolve(path) is not None

    def devices(self, subsystem: str) -> list[KernelDevice]:
        """Devices of one kernel subsystem, in order of their path."""
        folder = f"/sys/bus/{subsystem}/devices" if subsystem in _BUSES else f"/sys/class/{subsystem}"
        found = {self.resolve(f"{folder}/{name}") for name in self.names(folder)}
        return [KernelDevice(self, path, subsystem) for path in sorted(p for p in found if p)]


@dataclass(frozen=True)
class KernelDevice:
    """One kernel device."""

    machine: Machine = field(repr=False)  # Where it was found
    path: str  # Its place, such as '/sys/devices/pci0000:00/0000:00:02.0'
    subsystem: str  # Such as 'pci' or 'block'
    known: Mapping[str, str] | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """Last part of the path."""
        return posixpath.basename(self.path)

    def attribute(self, name: str) -> str | None:
        """Text of a sysfs attribute, None when it is absent, empty or cannot be read."""
        return self.machine.text(f"{self.path}/{name}")

    def number(self, name: str, base: int = 10) -> int | None:
        """Whole number in a sysfs attribute, None when there is none."""
        return whole(self.attribute(name), base)

    def property(self, key: str) -> str | None:
        """Value from the udev database, None when udev keeps none (or is not running)."""
        if self.known is not None:
            return self.known.get(key)
        return _udev_database(self).get(key)

    def link(self, name: str) -> str | None:
        """Last part of what a link in the device's folder points at, such as the driver's name."""
        target = self.machine.resolve(f"{self.path}/{name}")
        return posixpath.basename(target) if target else None


def whole(text: str | None, base: int = 10) -> int | None:
    """Read a whole number, None when the text holds none.

    Parameters
    ----------
    base : int
        10 or 16; '0x' is accepted with 16.
    """
    if not text or len(text) > 40 or not text.isascii() or "_" in text:
        return None
    try:
        return int(text, base)
    except ValueError:
        return None


_SIZE = re.compile(r"([0-9]{1,15})(?:[.,]([0-9]{1,6}))?\s?(?:bytes|([BkKMGTPE]?)i?B?)\Z")


def bytes_of(value: Any) -> int | None:
    """A size [bytes], as a number or as listings print it, such as '238.5G' or '8192 MB', in powers of 1024."""
    if isinstance(value, str) and len(value) < 40 and (found := _SIZE.match(value.strip())):
        value = int(float(f"{found[1]}.{found[2] or 0}") * 1024 ** "BKMGTPE".index((found[3] or "B").upper()))
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 1 << 60 else None


def parts(lines: Iterable[str], begins: Callable[[str, list[str]], object]) -> Iterator[list[str]]:
    """Part lines before each that begins a new part; `begins` is given the line, and the part so far."""
    part: list[str] = []
    for line in lines:
        if part and begins(line, part):
            yield part
            part = []
        part.append(line)
    if part:
        yield part


def pairs(lines: Iterable[str], sign: str = ":") -> dict[str, str]:
    """'key: value' of lines, the first of each key."""
    values: dict[str, str] = {}
    for line in lines:
        key, found, value = line.partition(sign)
        if found:
            values.setdefault(" ".join(key.split()), value.strip())
    return values


def clean(text: str | None, limit: int = 200) -> str | None:
    """Make one printable line of a text from outside: control characters out, blanks single, length bounded.

    Parameters
    ----------
    limit : int
        Most characters kept.

    Returns
    -------
    str or None
        None when nothing printable is left.
    """
    if text is None:
        return None
    kept = "".join(c if c.isprintable() else " " for c in text[: 4 * limit])
    return " ".join(kept.split())[:limit].strip() or None


def _udev_database(device: KernelDevice) -> dict[str, str]:
    """Properties udev stored for a device, from its database file (systemd: src/libsystemd/sd-device)."""
    identity = f"+{device.subsystem}:{device.name}"
    numbers = device.attribute("dev")
    if numbers:
        identity = f"{'b' if device.subsystem == 'block' else 'c'}{numbers}"
    elif device.subsystem == "net" and (index := device.attribute("ifindex")):
        identity = f"n{index}"
    content = device.machine.text(f"/run/udev/data/{identity}") or ""
    pairs = (line[2:].partition("=") for line in content.splitlines() if line.startswith("E:"))
    return {key: value for key, _, value in pairs}


class FolderMachine(Machine):
    """A machine's files below a folder: '/' for this machine, any other folder for a recorded one.

    Parameters
    ----------
    root : path-like
        Links that lead out of the folder are not followed.
    """

    def __init__(self, root: str | os.PathLike[str] = "/") -> None:
        self.root = os.path.realpath(root)

    def _inside(self, path: str) -> str | None:
        real = os.path.realpath(os.path.join(self.root, path.lstrip("/")))
        if self.root != "/" and real != self.root and not real.startswith(self.root + "/"):
            return None
        return real

    def look(self, path: str) -> tuple[bytes | None, Attempt]:
        """See `Machine.look`."""
        real = self._inside(path)
        if real is None or not os.path.exists(real):
            return None, Attempt.ABSENT
        # A pipe that nobody writes to would wait for ever.
        if not os.path.isfile(real):
            return None, Attempt.READ if os.path.isdir(real) else Attempt.BROKEN
        try:
            with open(real, "rb") as file:
                return file.read(FILE_LIMIT), Attempt.READ
        except PermissionError:
            return None, Attempt.ROOT
        except OSError:
            return None, Attempt.BROKEN

    def names(self, path: str) -> list[str]:
        """See `Machine.names`."""
        real = self._inside(path)
        try:
            return sorted(os.listdir(real)) if real else []
        except OSError:
            return []

    def resolve(self, path: str) -> str | None:
        """See `Machine.resolve`."""
        real = self._inside(path)
        if real is None or not os.path.exists(real):
            return None
        return real if self.root == "/" else real[len(self.root) :] or "/"


class LiveMachine(FolderMachine):
    """The machine this runs on; devices and their udev properties come from pyudev.

    Raises
    ------
    ImportError
        When pyudev, or the libudev it stands on, is not installed.
    """

    live = True

    def __init__(self) -> None:
        super().__init__("/")
        import pyudev

        self._context = pyudev.Context()
        self.reader = f"pyudev {pyudev.__version__}"

    def devices(self, subsystem: str) -> list[KernelDevice]:
        """See `Machine.devices`."""
        found = [
            KernelDevice(self, device.sys_path, subsystem, device.properties)
            for device in self._context.list_devices(subsystem=subsystem)
        ]
        return sorted(found, key=lambda device: device.path)


class RecordedMachine(Machine):
    """A machine as a recording holds it, in memory.

    Parameters
    ----------
    files : mapping of str to bytes
        Absolute path to content.
    links : mapping of str to str
        Absolute path to the absolute path it points at.
    refused : mapping of str to Attempt, optional
        Paths that were there but could not be read.
    folders : iterable of str, optional
        Folders that were there, though nothing of them was recorded.
    """

    def __init__(
        self,
        files: Mapping[str, bytes],
        links: Mapping[str, str],
        refused: Mapping[str, Attempt] | None = None,
        folders: Collection[str] = (),
    ) -> None:
        self._files, self._links, self._refused = dict(files), dict(links), dict(refused or {})
        self._tree: dict[str, set[str]] = {path: set() for path in ("/", *folders)}
        for path in (*self._files, *self._links, *self._refused, *folders):
            parent, name = posixpath.split(path)
            while name and name not in self._tree.setdefault(parent, set()):
                self._tree[parent].add(name)
                parent, name = posixpath.split(parent)

    def resolve(self, path: str) -> str | None:
        """See `Machine.resolve`."""
        waiting = [part for part in path.split("/") if part][::-1]
        at, followed = "/", 0
        while waiting:
            part = waiting.pop()
            if part == ".":
                continue
            if part == "..":
                at = posixpath.dirname(at)
                continue
            step = posixpath.join(at, part)
            if step in self._links:
                followed += 1
                if followed > 40:
                    return None
                waiting += [p for p in self._links[step].split("/") if p][::-1]
                at = "/"
            elif step in self._files or step in self._tree or step in self._refused:
                at = step
            elif waiting or followed == 0:
                return None
            else:
                # A link's last target need not be recorded itself: a driver's name is all that is wanted of it.
                at = step
        return at

    def look(self, path: str) -> tuple[bytes | None, Attempt]:
        """See `Machine.look`."""
        real = self.resolve(path)
        if real is None:
            return None, Attempt.ABSENT
        return self._files.get(real), self._refused.get(real, Attempt.READ)

    def names(self, path: str) -> list[str]:
        """See `Machine.names`."""
        real = self.resolve(path)
        return sorted(self._tree.get(real, ())) if real else []


def open_machine(root: str | os.PathLike[str] = "/") -> Machine:
    """Open a machine: '/' is this one (by its sysfs alone without pyudev), else the folder of a recorded one."""
    if os.path.realpath(root) == "/":
        with contextlib.suppress(ImportError, OSError):
            return LiveMachine()
    return FolderMachine(root)
