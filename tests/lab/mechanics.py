"""The C mechanics of a paced disk, called directly."""

from __future__ import annotations

import ctypes
from pathlib import Path

import platformdirs

from advisor.errors import InputError
from advisor.files import PACKAGE_NAME
from advisor.lab.disk import compiled
from advisor.lab.disk.models import DiskModel

READ, WRITE, FLUSH = 0, 1, 2


class Mechanics:
    """A disk's mechanics on a clock of its own, without any disk and without root."""

    def __init__(self, model: DiskModel) -> None:
        folder = Path(platformdirs.user_cache_path(PACKAGE_NAME)) / "disk"
        library = ctypes.CDLL(str(compiled(folder, server=False)))
        pointer, number, whole = ctypes.c_void_p, ctypes.c_double, ctypes.c_int64
        self._functions = {}
        for name, gives, takes in (
            ("new", pointer, []), ("free", None, [pointer]), ("set", ctypes.c_int, [pointer, ctypes.c_char_p, number]),
            ("ready", ctypes.c_int, [pointer]), ("run", None, [pointer, number]),
            ("submit", None, [pointer, number, whole, ctypes.c_int, number, number]),
            ("done", whole, [pointer, number, ctypes.POINTER(number)]), ("next", number, [pointer]),
            ("turn", number, [pointer]), ("accesses", number, [pointer]), ("seek", number, [pointer, number]),
            ("cylinders", number, [pointer]),
        ):  # fmt: skip
            function = getattr(library, f"disk_{name}")
            function.restype, function.argtypes = gives, takes
            self._functions[name] = function
        self._disk = self._functions["new"]()
        self.now = 0.0
        for key, value in model.parameters.items():
            if not self._call("set", key.encode(), value):
                raise InputError(f"The mechanics have no parameter {key!r}.")
        if not self._call("ready"):
            raise InputError(f"The disk {model.name!r} has a parameter out of range.")

    def _call(self, name: str, *given: object) -> float:
        return self._functions[name](self._disk, *given)

    def __del__(self) -> None:
        if getattr(self, "_disk", None):
            self._call("free")

    def submit(self, tag: int, op: int, offset: float, length: float) -> None:
        """A request arrives now."""
        self._call("submit", self.now, tag, op, offset, length)

    def wait(self) -> int:
        """Go on to the end of the next request; its tag."""
        when = ctypes.c_double()
        while True:
            self._call("run", self.now)
            tag = int(self._call("done", self.now, ctypes.byref(when)))
            if tag >= 0:
                return tag
            nearest = min(self._call("next"), self._call("turn"))
            if nearest == float("inf"):
                raise InputError("Nothing is under way.")
            self.now = max(self.now, nearest)

    def do(self, op: int, offset: float = 0, length: float = 0) -> float:
        """One request from now to its end [s]."""
        start = self.now
        self.submit(0, op, offset, length)
        self.wait()
        return self.now - start

    def seek_s(self, share: float) -> float:
        """Time to move the head over a share of the stroke [s]."""
        return self._call("seek", round(share * self._call("cylinders")))

    @property
    def accesses(self) -> int:
        """How often it went elsewhere."""
        return int(self._call("accesses"))
