"""kmod's own library as the judge of look-ups: alias to modules, read from a tree that depmod has indexed."""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Iterable
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab.tables.modtree import kmod_program
from advisor.lab.workplace import run


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
        lib, handle, text = self._lib, ctypes.c_void_p, ctypes.c_char_p
        for function, gives, takes in (
            (lib.kmod_new, handle, [text, ctypes.POINTER(text)]), (lib.kmod_load_resources, ctypes.c_int, [handle]),
            (lib.kmod_unref, handle, [handle]),
            (lib.kmod_module_new_from_lookup, ctypes.c_int, [handle, text, ctypes.POINTER(handle)]),
            (lib.kmod_list_next, handle, [handle, handle]), (lib.kmod_module_get_module, handle, [handle]),
            (lib.kmod_module_get_name, text, [handle]), (lib.kmod_module_unref, handle, [handle]),
            (lib.kmod_module_unref_list, ctypes.c_int, [handle]),
        ):  # fmt: skip
            function.restype, function.argtypes = gives, takes  # type: ignore[assignment]
        paths = (ctypes.c_char_p * 2)(None if config is None else str(config).encode(), None)
        self._ctx = lib.kmod_new(str(folder).encode(), paths)
        if not self._ctx or lib.kmod_load_resources(self._ctx) < 0:
            raise ToolError(f"libkmod cannot read {folder}.", "Run depmod on it first.")

    def __enter__(self) -> Kmod:
        return self

    def __exit__(self, *_: object) -> None:
        self._lib.kmod_unref(self._ctx)

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
    run([kmod_program("depmod"), "-b", str(top), version])
    return top / "lib" / "modules" / version
