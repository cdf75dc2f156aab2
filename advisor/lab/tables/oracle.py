"""kmod's own library as the judge of look-ups: alias to modules, read from a tree that depmod has indexed."""

from __future__ import annotations

import ctypes
import ctypes.util
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from advisor.errors import ToolError


class Kmod:
    """libkmod on one kernel's modules, a folder lib/modules/VERSION that depmod has indexed.

    It reads `config` (such as `alias PATTERN MODULE` lines) or nothing, never this machine's own configuration, whose
    blacklist and aliases would change the answer.
    """

    def __init__(self, folder: str | Path, config: str | Path | None = None) -> None:
        name = ctypes.util.find_library("kmod") or "libkmod.so.2"
        try:
            self._lib = ctypes.CDLL(name)
        except OSError as error:
            raise ToolError("libkmod is not here.", "Install package libkmod2.") from error
        lib = self._lib
        lib.kmod_new.restype = ctypes.c_void_p
        lib.kmod_new.argtypes = [ctypes.c_char_p, ctypes.POINTER(ctypes.c_char_p)]
        lib.kmod_load_resources.argtypes = [ctypes.c_void_p]
        lib.kmod_unref.argtypes = [ctypes.c_void_p]
        lib.kmod_module_new_from_lookup.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.POINTER(ctypes.c_void_p)]
        lib.kmod_list_next.restype = ctypes.c_void_p
        lib.kmod_list_next.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
        lib.kmod_module_get_module.restype = ctypes.c_void_p
        lib.kmod_module_get_module.argtypes = [ctypes.c_void_p]
        lib.kmod_module_get_name.restype = ctypes.c_char_p
        lib.kmod_module_get_name.argtypes = [ctypes.c_void_p]
        lib.kmod_module_unref.argtypes = [ctypes.c_void_p]
        lib.kmod_module_unref_list.argtypes = [ctypes.c_void_p]
        paths = (ctypes.c_char_p * 2)(None if config is None else str(config).encode(), None)
        self._ctx = lib.kmod_new(str(folder).encode(), paths)
        if not self._ctx or lib.kmod_load_resources(self._ctx) < 0:
            raise ToolError(f"libkmod cannot read {folder}.", "Run depmod on it first.")

    def __enter__(self) -> Kmod:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._ctx:
            self._lib.kmod_unref(self._ctx)
            self._ctx = None

    def lookup(self, alias: str) -> list[str]:
        """Modules of one alias, as libkmod lists them; empty when it finds none or refuses the alias."""
        first = ctypes.c_void_p()
        lib = self._lib
        if lib.kmod_module_new_from_lookup(self._ctx, alias.encode(), ctypes.byref(first)) < 0 or not first:
            return []
        names = []
        item = first.value
        while item:
            module = lib.kmod_module_get_module(item)
            names.append(lib.kmod_module_get_name(module).decode())
            lib.kmod_module_unref(module)
            item = lib.kmod_list_next(first, item)
        lib.kmod_module_unref_list(first)
        return names

    def resolve(self, aliases: Iterable[str]) -> list[list[str]]:
        """Sorted module names, each once, for every alias."""
        return [sorted(set(self.lookup(alias))) for alias in aliases]


def index_tree(root: str | Path, version: str) -> Path:
    """Let depmod index an unpacked tree (lib linked to usr/lib where need be), and give lib/modules/VERSION of it."""
    top = Path(root)
    if not (top / "lib").exists() and (top / "usr/lib").is_dir():
        (top / "lib").symlink_to("usr/lib")
    program = shutil.which("depmod") or shutil.which("depmod", path="/usr/sbin:/sbin")
    if program is None:
        raise ToolError("depmod is not here.", "Install package kmod.")
    done = subprocess.run([program, "-b", str(top), version], capture_output=True, text=True, check=False)
    if done.returncode:
        raise ToolError(f"depmod failed: {done.stderr.strip()}.")
    return top / "lib" / "modules" / version
