"""Read what kernel modules say about themselves, with kmod's modinfo."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from advisor.errors import InputError, ToolError

BATCH = 500
"""Modules that are asked about at once."""

_SUFFIX = re.compile(r"\.ko(\.xz|\.gz|\.zst)?$")


@dataclass
class KernelModule:
    """What one module says of itself, in order; its path is the folder below the tree, its name has underscores."""

    name: str
    path: str
    builtin: bool = False
    aliases: list[str] = field(default_factory=list)
    firmware: list[str] = field(default_factory=list)
    depends: list[str] = field(default_factory=list)

    def take(self, key: str, value: str) -> None:
        """File one `key=value` entry."""
        if key == "alias":
            self.aliases.append(value)
        elif key == "firmware":
            self.firmware.append(value)
        elif key == "depends":
            self.depends += [normal_name(name) for name in value.split(",") if name]


@dataclass(frozen=True)
class ModuleTree:
    """A kernel's modules: its release, its folder lib/modules/VERSION, loadable modules, then built-in."""

    version: str
    folder: Path
    modules: tuple[KernelModule, ...]


def normal_name(name: str) -> str:
    """Write a module's name, or that of its file, as the kernel does: underscores for dashes."""
    return _SUFFIX.sub("", name.strip()).replace("-", "_")


def entries(text: bytes) -> Iterator[tuple[str, str]]:
    """Split text in its `key=value` entries, each of which ends in NUL."""
    for entry in text.split(b"\0"):
        key, equals, value = entry.partition(b"=")
        if equals:
            yield key.decode("utf-8", "replace"), value.decode("utf-8", "replace")


def find(folder: str | Path) -> Path:
    """Find the one folder of modules in an unpacked package, a root folder or a folder lib/modules/VERSION."""
    top = Path(os.path.realpath(folder))
    kernels = [one for where in ("", "lib/modules/*/", "usr/lib/modules/*/") for one in top.glob(f"{where}kernel")]
    # lib may be a link to usr/lib; one that leads out of the folder is another system's.
    versions = {one.parent.resolve() for one in kernels if one.is_dir()}
    found = sorted(version for version in versions if version.is_relative_to(top))
    if len(found) != 1:
        raise InputError(
            f"{top} holds {len(found)} kernels' modules ({', '.join(f.name for f in found) or 'none'}); one is wanted.",
            "Name the folder lib/modules/VERSION that holds the folder 'kernel'.",
        )
    return found[0]


def read(folder: str | Path) -> ModuleTree:
    """Read a kernel's module tree, see `find`; nothing in it is run or changed, and a damaged module is named."""
    top = find(folder)
    paths = sorted(path for path in (top / "kernel").rglob("*.ko*") if _SUFFIX.search(path.name))
    modules = [module for at in range(0, len(paths), BATCH) for module in _told(top, paths[at : at + BATCH])]
    if not modules:
        raise InputError(f"{top} holds no kernel modules.")
    return ModuleTree(top.name, top, tuple(modules + _builtins(top)))


def kmod_program(name: str) -> str:
    """Where a program of the package kmod lies, also outside a user's PATH; ToolError when it is not here."""
    program = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
    if program is None:
        raise ToolError(f"{name} is not here.", "Install package kmod.")
    return program


def _told(top: Path, paths: list[Path]) -> Iterator[KernelModule]:
    """What kmod's modinfo tells of some modules; it unpacks them itself."""
    done = subprocess.run([kmod_program("modinfo"), "-0", *map(str, paths)], capture_output=True, check=False)
    if done.returncode:
        errors = done.stderr.decode(errors="replace").strip().splitlines()
        raise InputError(
            f"A module is damaged: {errors[0] if errors else 'modinfo failed'}.", "Unpack the package again."
        )
    # Of each module its file name, then entries; all end in NUL.
    for block in re.split(rb"(?:^|(?<=\0))filename: +", done.stdout)[1:]:
        name, _, text = block.partition(b"\0")
        path = Path(name.decode().strip())
        module = KernelModule(normal_name(path.name), path.parent.relative_to(top).as_posix())
        for key, value in entries(text):
            module.take(key, value)
        yield module


def _builtins(top: Path) -> list[KernelModule]:
    modules: dict[str, KernelModule] = {}
    listing, facts = top / "modules.builtin", top / "modules.builtin.modinfo"
    for path in map(Path, listing.read_text().split() if listing.is_file() else ()):
        name = normal_name(path.name)
        modules[name] = KernelModule(name, path.parent.as_posix(), builtin=True)
    for key, value in entries(facts.read_bytes() if facts.is_file() else b""):
        name, dot, entry = key.partition(".")
        name = normal_name(name)
        if dot:
            modules.setdefault(name, KernelModule(name, "kernel", builtin=True)).take(entry, value)
    return list(modules.values())
