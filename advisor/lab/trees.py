"""Editions as trees: built with debootstrap and apt, described, packed, and their package sets fetched."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import stat
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from advisor.errors import InputError, ToolError
from advisor.files import is_there, read_json, write_whole
from advisor.lab.depot import Depot
from advisor.lab.workplace import Workplace, mounts_below, remove

BOOT_PACKAGES = ("linux-image-amd64", "initramfs-tools", "zstd", "grub-pc-bin", "grub-common", "grub2-common")
COMPRESSIONS = ("xz", "zstd")

QUIET = {
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "LC_ALL": "C",
    "DEBIAN_FRONTEND": "noninteractive",
    "HOME": "/root",
}
"""The whole environment of what runs inside a tree."""


@dataclass(frozen=True)
class Recipe:
    """How a tree is made.

    Attributes
    ----------
    name, edition, release : str
    codename : str
        The release's name in the archive.
    packages : tuple of str
        Installed without recommended packages, on top of a minimal system, kernel and boot loader files.
    """

    name: str
    edition: str
    release: str
    codename: str
    packages: tuple[str, ...]


RECIPES = {
    recipe.name: recipe
    for recipe in (
        Recipe("lxqt13", "LXQt", "13", "trixie", ("task-lxqt-desktop",)),
        Recipe("xfce13", "Xfce", "13", "trixie", ("task-xfce-desktop",)),
        Recipe("mate12", "MATE", "12", "bookworm", ("mate-desktop-environment-core", "lightdm")),
        Recipe("gnome12", "GNOME", "12", "bookworm", ("gnome-core",)),
    )
}

BASE_SETS: dict[str, tuple[str, ...]] = {
    "small": ("htop", "mc", "unzip", "hunspell-en-us"),
    "codecs": ("ffmpeg", "gstreamer1.0-libav", "gstreamer1.0-plugins-ugly", "unzip", "hunspell-en-us"),
    "office": ("libreoffice-writer", "libreoffice-calc", "ffmpeg", "gstreamer1.0-libav", "hunspell-en-us"),
}
"""What a shop installs on top of the image: three sizes."""

UPDATE_SETS = {"few": 5, "some": 35, "many": 100}
"""Installed packages that are installed anew beside the kernel: how many."""


@dataclass(frozen=True)
class PackageSet:
    """A set of packages, resolved on a tree.

    Attributes
    ----------
    names : tuple of str
        As given to apt.
    count : int
        Packages that apt unpacks.
    download_bytes : int
        [B]
    installed_kib : int
        What apt says they take when unpacked [KiB].
    """

    names: tuple[str, ...]
    count: int
    download_bytes: int
    installed_kib: int


@dataclass(frozen=True)
class TreeFacts:
    """What is known of a built tree."""

    name: str
    edition: str
    release: str
    codename: str
    packages: int
    installed_bytes: int
    installed_files: int
    kernel: str
    index_bytes: int
    base_sets: dict[str, PackageSet] = field(default_factory=dict)
    update_sets: dict[str, PackageSet] = field(default_factory=dict)


def run(command: Sequence[str], **options: Any) -> str:
    """Run a program to its end and give back what it printed.

    Raises
    ------
    ToolError
        When it fails; the message carries the last lines it printed.
    """
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", **options)
    if done.returncode != 0:
        tail = " / ".join((done.stdout + done.stderr).strip().splitlines()[-4:])
        raise ToolError(f"{' '.join(command[:4])} failed with {done.returncode}: {tail}")
    return done.stdout


@contextlib.contextmanager
def inside_mounts(target: Path) -> Iterator[None]:
    """Mount what programs in a chroot need, and unmount it whatever happens."""
    try:
        run(["mount", "--bind", "/dev", str(target / "dev")])
        run(["mount", "-t", "proc", "proc", str(target / "proc")])
        run(["mount", "-t", "sysfs", "-o", "ro", "sysfs", str(target / "sys")])
        run(["mount", "-t", "tmpfs", "tmpfs", str(target / "run")])
        yield
    finally:
        unmount_below(target)


def unmount_below(target: Path) -> None:
    """Unmount all that is mounted inside a folder."""
    for point in mounts_below(Path("/proc/self/mountinfo").read_text(), target):
        if subprocess.run(["umount", point], capture_output=True).returncode != 0:
            run(["umount", "--lazy", point])


def chroot(target: Path, *command: str) -> str:
    """Run a program inside a tree."""
    return run(["chroot", str(target), *command], env=QUIET)


def source_line(address: str, codename: str) -> str:
    """The apt source line of a rehearsal."""
    return f"deb {address} {codename} main\n"


def build(place: Workplace, recipe: Recipe) -> TreeFacts:
    """Build a tree, once; a tree that is there already is only described.

    Parameters
    ----------
    place : Workplace
    recipe : Recipe

    Returns
    -------
    TreeFacts

    Raises
    ------
    ToolError
        When debootstrap or apt fails.
    """
    target, facts = place.trees / recipe.name, place.trees / f"{recipe.name}.json"
    if target.is_dir() and facts.is_file():
        return read_facts(place, recipe.name)
    with Depot(place.mirror, record=True) as depot:
        if not target.is_dir():
            partial = place.trees / f".{recipe.name}.part"
            remove(partial)
            run(
                [
                    "debootstrap",
                    "--variant=minbase",
                    "--include=ca-certificates",
                    recipe.codename,
                    str(partial),
                    depot.address,
                ]
            )
            prepare(partial)
            (partial / "etc/apt/sources.list").write_text(source_line(depot.address, recipe.codename))
            with inside_mounts(partial):
                chroot(partial, "apt-get", "update")
                chroot(
                    partial, "apt-get", "install", "--yes", "--no-install-recommends",
                    "-o", "Dpkg::Options::=--force-unsafe-io", *BOOT_PACKAGES, *recipe.packages,
                )  # fmt: skip
                chroot(partial, "apt-get", "clean")
            tidy(partial)
            os.replace(partial, target)
        described = describe(place, recipe, target, depot.address)
    write_whole(facts, json.dumps(asdict(described), indent=1) + "\n")
    return described


def prepare(target: Path) -> None:
    """Keep packages from starting services inside the tree."""
    policy = target / "usr/sbin/policy-rc.d"
    policy.write_text("#!/bin/sh\nexit 101\n")
    policy.chmod(0o755)


def tidy(target: Path) -> None:
    """Take out what a medium does not carry: package lists and the builder's name server."""
    for path in (target / "var/lib/apt/lists").iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    (target / "etc/resolv.conf").unlink(missing_ok=True)
    for name in ("pkgcache.bin", "srcpkgcache.bin"):
        (target / "var/cache/apt" / name).unlink(missing_ok=True)


def describe(place: Workplace, recipe: Recipe, target: Path, address: str) -> TreeFacts:
    """Count a tree, resolve its package sets and fetch them into the mirror folder."""
    size, files = measure(target)
    installed = chroot(target, "dpkg-query", "-W", "-f", "${Package}:${Essential}:${Status}\n").splitlines()
    names = [line.split(":")[0] for line in installed if line.endswith("installed")]
    plain = [line.split(":")[0] for line in installed if line.endswith("installed") and ":yes:" not in line]
    kernel = kernel_of(target)
    upper = place.trees / f".{recipe.name}.over"
    remove(upper)
    for part in ("upper", "work", "merged"):
        (upper / part).mkdir(parents=True)
    merged = upper / "merged"
    run([
        "mount", "-t", "overlay", "overlay", "-o",
        f"lowerdir={target},upperdir={upper / 'upper'},workdir={upper / 'work'}", str(merged),
    ])  # fmt: skip
    try:
        with inside_mounts(merged):
            (merged / "etc/apt/sources.list").write_text(source_line(address, recipe.codename))
            chroot(merged, "apt-get", "update")
            index = index_bytes(place.mirror, recipe.codename)
            base = {
                name: resolve(merged, ["install", "--no-install-recommends", *words])
                for name, words in BASE_SETS.items()
            }
            updates = {
                name: resolve(merged, ["install", "--reinstall", *update_names(plain, kernel, count)])
                for name, count in UPDATE_SETS.items()
            }
            for wanted in [*(["install", "--no-install-recommends", *words] for words in BASE_SETS.values()),
                           *(["install", "--reinstall", *each.names[2:]] for each in updates.values())]:  # fmt: skip
                chroot(merged, "apt-get", "--yes", "--download-only", *wanted)
                chroot(merged, "apt-get", "clean")
    finally:
        remove(upper)
    return TreeFacts(
        name=recipe.name, edition=recipe.edition, release=recipe.release, codename=recipe.codename,
        packages=len(names), installed_bytes=size, installed_files=files, kernel=kernel, index_bytes=index,
        base_sets=base, update_sets=updates,
    )  # fmt: skip


def measure(target: Path) -> tuple[int, int]:
    """Count a tree.

    Parameters
    ----------
    target : pathlib.Path

    Returns
    -------
    tuple of int
        Bytes of its regular files [B], a hard-linked file once; entries of every kind.
    """
    size, entries = 0, 0
    seen: set[tuple[int, int]] = set()
    for folder, folders, files in os.walk(target):
        for name in (*folders, *files):
            entries += 1
            about = os.lstat(os.path.join(folder, name))
            if stat.S_ISREG(about.st_mode) and (about.st_dev, about.st_ino) not in seen:
                size += about.st_size
                if about.st_nlink > 1:
                    seen.add((about.st_dev, about.st_ino))
    return size, entries


def kernel_of(target: Path) -> str:
    """Version of the tree's kernel.

    Raises
    ------
    ToolError
        When it has none, or more than one.
    """
    found = sorted(path.name.removeprefix("vmlinuz-") for path in (target / "boot").glob("vmlinuz-*"))
    if len(found) != 1:
        raise ToolError(f"{target} has {len(found)} kernels; one is needed.")
    return found[0]


def update_names(plain: Sequence[str], kernel: str, count: int) -> list[str]:
    """The kernel, and a draw of other installed packages that is the same every time (by the hash of their names)."""
    image = f"linux-image-{kernel}"
    rest = [name for name in plain if not name.startswith("linux-image") and name not in ("apt", "dpkg", "libc6")]
    return [image, *sorted(rest, key=lambda name: hashlib.sha256(name.encode()).digest())[:count]]


def index_bytes(mirror: Path, codename: str) -> int:
    """Size of the package lists that were fetched [B]."""
    return sum(path.stat().st_size for path in (mirror / "debian/dists" / codename).rglob("*") if path.is_file())


def resolve(target: Path, words: Sequence[str]) -> PackageSet:
    """Ask apt what an install would unpack and download."""
    simulated = chroot(target, "apt-get", "--simulate", *words)
    uris = chroot(target, "apt-get", "--yes", "--print-uris", "--quiet", *words)
    return parse_set(tuple(words), simulated, uris)


def parse_set(words: tuple[str, ...], simulated: str, uris: str) -> PackageSet:
    """Read apt's simulation and its list of addresses.

    Parameters
    ----------
    words : tuple of str
        What was asked for; kept.
    simulated : str
        Output of `apt-get --simulate`; a line 'Inst NAME ...' a package.
    uris : str
        Output of `apt-get --print-uris`; lines "'URI' FILE SIZE HASH", and a sentence on the room needed.

    Returns
    -------
    PackageSet
    """
    room = re.search(r"([\d.,]+) ([kMG]?)B of additional disk space", uris)
    kib = 0.0
    if room:
        kib = float(room[1].replace(",", "")) * {"": 0.001, "k": 1, "M": 1e3, "G": 1e6}[room[2]] / 1.024
    return PackageSet(
        names=words,
        count=sum(line.startswith("Inst ") for line in simulated.splitlines()),
        download_bytes=sum(int(size) for size in re.findall(r"^'[^']+' \S+ (\d+) ", uris, re.MULTILINE)),
        installed_kib=round(kib),
    )


def pack(place: Workplace, recipe: Recipe, compression: str) -> Path:
    """Pack a tree as a squashfs image, once.

    Parameters
    ----------
    place : Workplace
    recipe : Recipe
    compression : {'xz', 'zstd'}

    Returns
    -------
    pathlib.Path
    """
    if compression not in COMPRESSIONS:
        raise InputError(f"Compression {compression!r} is not rehearsed.", f"Choose {' or '.join(COMPRESSIONS)}.")
    image = place.images / f"{recipe.name}-{compression}.squashfs"
    if not image.is_file():
        partial = image.with_suffix(".part")
        partial.unlink(missing_ok=True)
        run([
            "mksquashfs", str(place.trees / recipe.name), str(partial),
            "-comp", compression, "-b", "131072", "-noappend", "-no-progress", "-quiet",
        ])  # fmt: skip
        os.replace(partial, image)
    return image


def read_facts(place: Workplace, name: str) -> TreeFacts:
    """Read the description of a built tree.

    Raises
    ------
    InputError
        When the tree was not built yet.
    """
    path = place.trees / f"{name}.json"
    hint = f"Take it away, then: advisor rehearse build {name}"
    if not is_there(path):
        raise InputError(f"The tree {name} is not built.", f"advisor rehearse build {name}")
    content = read_json(path, hint=hint)
    try:
        for key in ("base_sets", "update_sets"):
            content[key] = {
                each: PackageSet(**{**value, "names": tuple(value["names"])}) for each, value in content[key].items()
            }
        return TreeFacts(**content)
    except (KeyError, TypeError, AttributeError) as error:
        raise InputError(f"{path} is damaged: {error}.", hint) from error
