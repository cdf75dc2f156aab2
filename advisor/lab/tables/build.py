"""Build driver, firmware and id tables from the packages themselves, or from any kernel's module tree."""

from __future__ import annotations

import datetime
import os
import posixpath
import re
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import platformdirs

from advisor.drivers import small_tables, table_files
from advisor.drivers.firmware import FirmwarePackage
from advisor.drivers.kinds import Kind
from advisor.drivers.table import DriverTable, table_of
from advisor.errors import InputError, TableError
from advisor.files import PACKAGE_NAME, is_there
from advisor.lab.tables import apt, modtree
from advisor.lab.tables.apt import Apt, IndexedPackage
from advisor.lab.tables.arrays import driver_arrays, firmware_arrays, id_arrays, save
from advisor.releases import KERNELS, Kernel

_FIRMWARE = re.compile(r"(?:usr/)?lib/firmware/(?:updates/)?(.+)")
_FOR_BOARDS = re.compile("hexagon-dsp-|firmware-qcom-dsp|raspi-firmware")
"""Packages of firmware for boards that are no PCs."""
_LICENCE = "Facts stated by the packages: GPL-2.0-only for the kernel's own text; firmware is named, not copied."


RECIPES: dict[str, Kernel] = {kernel.name: kernel for kernel in KERNELS}
"""The kernels whose tables ship with the package."""


def apt_of(kernel: Kernel, cache: Path) -> Apt:
    """apt for a kernel's release, with a state of its own below a folder."""
    return Apt(kernel.codename, kernel.architecture, cache / "apt" / kernel.name, cache / "debs", kernel.backports)


def default_cache() -> Path:
    """Folder for downloads when none is named: the user's cache folder, never the checkout."""
    return Path(platformdirs.user_cache_path(PACKAGE_NAME)) / "tables"


def table_folder() -> Path:
    """Folder that built tables go to: the package's own, or the user's when that cannot be written to."""
    of_user = table_files.folders()[-1]
    return of_user if os.access(of_user, os.W_OK) else table_files.folders()[0]


def unpack_kernel(recipe: Kernel, cache: Path, say: Callable[[str], None]) -> tuple[Path, list[IndexedPackage], Apt]:
    """Fetch and unpack a kernel's packages: the root that holds lib/modules, the packages, and apt."""
    say(f"{recipe.name}: package indexes")
    source = apt_of(recipe, cache).update()
    packages = source.packages(source.closure(recipe.metapackage))
    if not packages:
        raise TableError(f"{recipe.metapackage} stands for no kernel package in {recipe.codename}.")
    folder = cache / "trees" / recipe.name
    stamp = folder / ".packages"
    wanted = "\n".join(f"{package.name} {package.version} {package.sha256}" for package in packages)
    if not (stamp.is_file() and stamp.read_text() == wanted):
        _renew(folder)
        say(f"{recipe.name}: {', '.join(f'{p.name} {p.version}' for p in packages)}")
        for file in source.download(packages):
            apt.unpack(file, folder)
        stamp.write_text(wanted)
    return folder, packages, source


def _renew(folder: Path) -> None:
    """Begin a folder for unpacked packages anew; one that was not begun here is left alone."""
    mark = folder / ".advisor-tree"
    if is_there(folder):
        if folder.is_symlink() or not mark.is_file():
            raise InputError(f"{folder} holds other things; it was left alone.", "Name another folder with --cache.")
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    mark.touch()


def build_kernel(
    name: str, cache: Path, folder: Path, say: Callable[[str], None], *, firmware: bool = True
) -> list[Path]:
    """Build a shipped kernel's driver table, and the firmware table that belongs to it unless that was built already.

    Downloads go below `cache`, tables to `folder`; gives the files written.
    """
    recipe = RECIPES[name]
    root, packages, source = unpack_kernel(recipe, cache, say)
    say(f"{name}: reading modules")
    tree = modtree.read(root)
    of = f"Debian packages {', '.join(f'{p.name} {p.version}' for p in packages)}"
    written = [_save_kernel(folder, name, tree, recipe.firmware, source=of, packages=packages, notes=source.warnings)]
    return [*written, _build_firmware(recipe, source, folder, say)] if firmware else written


def build_tree(directory: str | Path, name: str, firmware: str = "debian-13") -> Path:
    """Build a table of any kernel's module tree, kept in the user's data folder.

    `directory` is an unpacked kernel package, a root folder, or lib/modules/VERSION; `name` the table's, of lower-case
    letters, digits, '.', '-' and '_'; `firmware` the firmware table used with it.
    """
    if not re.fullmatch(r"[a-z0-9][a-z0-9._-]{0,63}", name):
        raise InputError(f"{name!r} cannot name a table: use up to 64 lower-case letters, digits, '.', '-' and '_'.")
    if name in table_files.SHIPPED:
        raise InputError(f"{name!r} is the name of a table that ships with the package; choose another.")
    table_files.load_firmware(firmware)
    tree = modtree.read(directory)
    return _save_kernel(
        table_files.folders()[0], name, tree, firmware, source=f"the module tree of kernel {tree.version}",
        packages=[], notes=[], remake=f"advisor tables build --tree DIR --name {name}",
    )  # fmt: skip


def _save_kernel(
    folder: Path, name: str, tree: modtree.ModuleTree, firmware: str, *, source: str,
    packages: list[IndexedPackage], notes: list[str], remake: str = "",
) -> Path:  # fmt: skip
    arrays = driver_arrays(tree)
    new = table_of(name, tree.version, arrays)
    about: dict[str, Any] = {
        "title": f"Driver table of {name}", "source": source, "date": datetime.date.today().isoformat(),
        "licence": _LICENCE, "remake": remake or f"advisor tables build --kernel {name}", "name": name,
        "version": tree.version, "firmware": firmware, "modules": len(tree.modules),
        "aliases": sum(len(module.aliases) for module in tree.modules), "notes": notes,
        "columns": {"module": "module names", "text": "aliases kept as text", "pci_a": "see advisor/drivers/table.py"},
        "packages": _facts_of(packages),
    }  # fmt: skip
    if (folder / f"kernel-{name}.npz").is_file():
        # A damaged one is none.
        with suppress(TableError):
            old = table_files.load(name)
            if old.version != new.version:
                about["changes"] = changes(old, new)
            elif "changes" in old.about:
                about["changes"] = old.about["changes"]
    return save(folder, "kernel", name, arrays, about)


def _facts_of(packages: list[IndexedPackage]) -> list[dict[str, Any]]:
    told = ("name", "version", "architecture", "area", "size", "sha256")
    return [{name: getattr(package, name) for name in told} for package in packages]


def changes(old: DriverTable, new: DriverTable) -> dict[str, Any]:
    """What a new table has that the old one had not, and the other way round: counts of aliases, names of modules."""
    before, after = set(old.aliases), set(new.aliases)
    return {
        "since": old.version,
        "built": str(old.about.get("date", "")),
        "aliases_added": len(after - before),
        "aliases_gone": len(before - after),
        "modules_added": sorted(set(new.modules) - set(old.modules)),
        "modules_gone": sorted(set(old.modules) - set(new.modules)),
    }


def _may_hold_firmware(name: str) -> bool:
    """Whether a package of another area than non-free-firmware is worth looking into for firmware files."""
    return name in ("wireless-regdb", "alsa-topology-conf") or (
        "firmware" in name and not re.search(r"-(tools?|source|doc|dev|installer|loaders?)$|^(python|lib|gnome)", name)
    )


def firmware_packages(source: Apt) -> list[IndexedPackage]:
    """Candidates of the packages that may hold firmware files: by their name, and all of non-free-firmware."""
    named = {name for name in source.names() if _may_hold_firmware(name)}
    free = {one.name for one in source.index().values() if one.area == "non-free-firmware"}
    chosen = [name for name in (*sorted(named), *sorted(free - named)) if not _FOR_BOARDS.match(name)]
    return source.packages(chosen)


def _build_firmware(recipe: Kernel, source: Apt, folder: Path, say: Callable[[str], None]) -> Path:
    found: list[IndexedPackage] = []
    files: list[tuple[str, int]] = []
    candidates = firmware_packages(source)
    say(f"{recipe.firmware}: {len(candidates)} packages that may hold firmware")
    for package, file in zip(candidates, source.download(candidates), strict=True):
        paths = firmware_paths(apt.contents(file))
        if paths:
            files += [(path, len(found)) for path in paths]
            found.append(package)
    packages = [FirmwarePackage(p.name, p.version, p.area, p.size) for p in found]
    about: dict[str, Any] = {
        "title": f"Firmware files and the packages that ship them, {recipe.firmware}",
        "source": f"contents of {len(found)} Debian packages of {recipe.codename}"
        + (" and its backports" if recipe.backports else "") + ", listed below",
        "date": datetime.date.today().isoformat(), "licence": _LICENCE,
        "remake": f"advisor tables build --kernel {recipe.name}", "name": recipe.firmware, "files": len(files),
        "notes": source.warnings,
        "columns": {"package": "name, version, archive area, size [bytes]", "file": "path below lib/firmware",
                    "package_of": "number of the package that ships the file"},
        "packages": _facts_of(found),
    }  # fmt: skip
    return save(folder, "firmware", recipe.firmware, firmware_arrays(packages, files), about)


def build_ids(cache: Path, folder: Path, say: Callable[[str], None]) -> list[Path]:
    """Build the tables of PCI and USB names from the newest lists, with kinds from the driver tables that are there."""
    source = apt_of(RECIPES["debian-13"], cache).update()
    bound: dict[str, dict[tuple[int, int], Kind]] = {"pci": {}, "usb": {}}
    for name in reversed(table_files.SHIPPED):
        if table_files.place(name) is not None:
            for bus, found in bound.items():
                found.update(table_files.load(name).kinds_by_id(bus))
    for row in small_tables.rows("quirks_packages"):
        if row["code"].startswith("fingerprint"):
            for text in small_tables.parts(row["ids"]):
                _, vendor, device = text.split(":")
                bound["usb"][int(vendor, 16), int(device, 16)] = Kind.FINGERPRINT
    written = []
    for package in source.packages(["pci.ids", "usb.ids"]):
        say(f"{package.name} {package.version}")
        bus = package.name.removesuffix(".ids")
        root = cache / "ids"
        apt.unpack(source.download([package])[0], root)
        arrays, version = id_arrays(bus, root / "usr/share/misc" / package.name, bound[bus])
        about: dict[str, Any] = {
            "title": f"Names and kinds of {bus.upper()} ids",
            "source": f"{package.name} {version} (Debian package {package.name} {package.version}); kinds from the "
            "driver tables, libfprint's list and the names",
            "date": datetime.date.today().isoformat(),
            "licence": "BSD-3-Clause: the list is offered under it or under GPL-2.0-or-later",
            "remake": "advisor tables build", "name": bus, "version": version,
            "columns": {"id": "vendor and device", "name": "the device's name", "kind": "number in kinds.Kind",
                        "sub": "subvendor and subdevice, of wireless cards", "sub_of": "position of the device"},
            "packages": _facts_of([package]),
        }  # fmt: skip
        written.append(save(folder, "ids", bus, arrays, about))
    return written


def firmware_paths(contents: list[tuple[str, int, str]]) -> list[str]:
    """Firmware files that a package gives below lib/firmware, those reached through a link to a folder too; sorted."""
    found: set[str] = set()
    links: dict[str, str] = {}
    for path, _size, target in contents:
        match = _FIRMWARE.fullmatch(path)
        if match and not path.endswith("/"):
            found.add(match[1])
            if target:
                links[match[1]] = posixpath.normpath(posixpath.join(posixpath.dirname(match[1]), target))
    for link, target in sorted(links.items()):
        inside = {link + path[len(target) :] for path in found if path.startswith(target + "/")}
        if inside:
            found = (found - {link}) | inside
    return sorted(found)
