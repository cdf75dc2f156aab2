"""Read what kernel modules say about themselves: the `.modinfo` section of each file of a module tree."""

from __future__ import annotations

import gzip
import lzma
import re
import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from advisor.errors import InputError, ToolError

_SUFFIX = re.compile(r"\.ko(\.xz|\.gz|\.zst)?$")


@dataclass
class Module:
    """What one module says of itself, in order; its path is the folder below the tree, its name has underscores."""

    name: str
    path: str
    builtin: bool = False
    aliases: list[str] = field(default_factory=list)
    firmware: list[str] = field(default_factory=list)
    depends: list[str] = field(default_factory=list)
    softdeps: list[str] = field(default_factory=list)

    def take(self, key: str, value: str) -> None:
        """File one `key=value` entry of the section."""
        if key == "alias":
            self.aliases.append(value)
        elif key == "firmware":
            self.firmware.append(value)
        elif key == "softdep":
            self.softdeps.append(value)
        elif key == "depends":
            self.depends += [normal_name(name) for name in value.split(",") if name]


@dataclass(frozen=True)
class Tree:
    """A kernel's modules: its release, its folder lib/modules/VERSION, loadable modules, then built-in."""

    version: str
    folder: Path
    modules: tuple[Module, ...]


def normal_name(name: str) -> str:
    """Write a module's name as the kernel does: underscores for dashes."""
    return name.strip().replace("-", "_")


def section(content: bytes, wanted: bytes = b".modinfo") -> bytes:
    """Take one section out of an ELF object file of 32 or 64 bits and either byte order; empty when it has none.

    Tool Interface Standard, Executable and Linking Format, version 1.2: section header fields. InputError when it is no
    ELF file or is cut short.
    """
    if len(content) < 52 or content[:4] != b"\x7fELF" or content[4] not in (1, 2) or content[5] not in (1, 2):
        raise InputError("not an ELF object file")
    order = "<" if content[5] == 1 else ">"
    wide = content[4] == 2
    try:
        offset = struct.unpack_from(order + ("Q" if wide else "I"), content, 0x28 if wide else 0x20)[0]
        size, count, names = struct.unpack_from(order + "HHH", content, 0x3A if wide else 0x2E)
        form = order + ("II8x8xQQ" if wide else "II4x4xII")
        headers = [struct.unpack_from(form, content, offset + index * size) for index in range(count)]
        table = headers[names]
        text = content[table[2] : table[2] + table[3]]
        for name, _kind, start, length in headers:
            if text[name : text.index(b"\0", name)] == wanted:
                if start + length > len(content):
                    raise InputError("cut short")
                return content[start : start + length]
    except (struct.error, IndexError, ValueError) as error:
        raise InputError(f"damaged ELF file: {error}") from error
    return b""


def read_module(path: Path) -> bytes:
    """Read a module file, unpacking .xz, .gz and .zst."""
    try:
        data = path.read_bytes()
        if path.suffix == ".xz":
            return lzma.decompress(data)
        if path.suffix == ".gz":
            return gzip.decompress(data)
        if path.suffix == ".zst":
            return _zstd(data)
    except (OSError, lzma.LZMAError, EOFError) as error:
        raise InputError(f"{path} cannot be read: {error}.") from error
    return data


def _zstd(data: bytes) -> bytes:
    program = shutil.which("zstd")
    if program is None:
        raise ToolError("The modules are packed with zstd and the program zstd is not here.", "Install package zstd.")
    done = subprocess.run([program, "-dcq"], input=data, capture_output=True, check=False)
    if done.returncode:
        raise InputError(f"zstd could not unpack a module: {done.stderr.decode(errors='replace').strip()}.")
    return done.stdout


def entries(text: bytes) -> Iterator[tuple[str, str]]:
    """Split a `.modinfo` section in its `key=value` entries."""
    for entry in text.split(b"\0"):
        key, equals, value = entry.partition(b"=")
        if equals:
            yield key.decode("utf-8", "replace"), value.decode("utf-8", "replace")


def find(folder: str | Path) -> Path:
    """Find the one folder of modules in an unpacked package, a root folder or a folder lib/modules/VERSION."""
    top = Path(folder)
    if (top / "kernel").is_dir():
        return top
    found = [
        version
        for place in ("lib/modules", "usr/lib/modules")
        if not (top / place).parent.is_symlink() and (top / place).is_dir()
        for version in sorted((top / place).iterdir())
        if (version / "kernel").is_dir()
    ]
    if len(found) != 1:
        raise InputError(
            f"{top} holds {len(found)} kernels' modules ({', '.join(f.name for f in found) or 'none'}); one is wanted.",
            "Name the folder lib/modules/VERSION that holds the folder 'kernel'.",
        )
    return found[0]


def read(folder: str | Path) -> Tree:
    """Read a kernel's module tree, see `find`; nothing in it is run or changed, and a damaged module is named."""
    top = find(folder)
    modules = []
    for path in sorted(path for path in (top / "kernel").rglob("*.ko*") if _SUFFIX.search(path.name)):
        module = Module(
            normal_name(_SUFFIX.sub("", path.name)), path.parent.relative_to(top).as_posix()
        )  # fmt: skip
        try:
            for key, value in entries(section(read_module(path))):
                module.take(key, value)
        except InputError as error:
            raise InputError(f"{path}: {error.message}", "Unpack the kernel's package again.") from error
        modules.append(module)
    if not modules:
        raise InputError(f"{top} holds no kernel modules.")
    return Tree(top.name, top, tuple(modules + _builtins(top)))


def _builtins(top: Path) -> list[Module]:
    places = {}
    listing = top / "modules.builtin"
    if listing.is_file():
        for line in listing.read_text().split():
            path = Path(line)
            places[normal_name(_SUFFIX.sub("", path.name))] = path.parent.as_posix()
    modules = {name: Module(name, place, builtin=True) for name, place in places.items()}
    facts = top / "modules.builtin.modinfo"
    if facts.is_file():
        for key, value in entries(facts.read_bytes()):
            name, dot, entry = key.partition(".")
            name = normal_name(name)
            if dot:
                modules.setdefault(name, Module(name, "kernel", builtin=True)).take(entry, value)
    return list(modules.values())
