"""Editions as trees: layers built with debootstrap and apt, described, packed, and their package sets fetched."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from advisor.errors import InputError, ToolError
from advisor.files import is_there, read_json, write_whole
from advisor.lab.depot import served
from advisor.lab.tables.editions import TASKS
from advisor.lab.workplace import Workplace, chroot, inside_mounts, mounted, overlay, remove, run
from advisor.releases import CODENAMES
from advisor.shop import Edition

BOOT_PACKAGES = ("linux-image-amd64", "initramfs-tools", "zstd", "grub-pc-bin", "grub-common", "grub2-common")
COMPRESSIONS = ("xz", "zstd")
SESSION_PACKAGES = (
    "dbus", "systemd", "systemd-sysv", "libpam-systemd", "udev", "firefox-esr", "libreoffice-writer", "xvfb",
    "x11-utils", "locales",
)  # fmt: skip
"""What a tree gets beside its task to be measured as a session: the browser, a writer, and the virtual display."""

CLONE_LEVEL = 3
"""zstd level of an image that is cloned; of one that is unpacked, `advisor.lab.image.zstd_level` tells."""

SPARE = 1.1
SPARE_BYTES = 256 << 20
"""A file system of an installed tree is this many times as large as what it holds, and so much more [B]."""


@dataclass(frozen=True)
class Recipe:
    """How a tree is made: packages installed on top of base system, kernel and boot loader files.

    `full` is with recommended packages onto Debian's ordinary base system, as an installer does; else without, onto the
    least.
    """

    name: str
    edition: str
    release: str
    packages: tuple[str, ...]
    full: bool = False

    @property
    def codename(self) -> str:
        """The release's name in the archive."""
        return CODENAMES[self.release]

    @property
    def bootstrap(self) -> tuple[str, ...]:
        """debootstrap's words for the base system."""
        return ("debootstrap", *(() if self.full else ("--variant=minbase",)), "--include=ca-certificates")

    @property
    def install(self) -> tuple[str, ...]:
        """apt-get's words for kernel, boot loader and desktop."""
        lean = () if self.full else ("--no-install-recommends",)
        return ("-q", "--yes", "install", *lean, *BOOT_PACKAGES, *self.packages)


RECIPES = {
    recipe.name: recipe
    for recipe in (
        Recipe("lxqt13", "LXQt", "13", ("task-lxqt-desktop",)),
        Recipe("xfce13", "Xfce", "13", ("task-xfce-desktop",)),
        Recipe("mate12", "MATE", "12", ("mate-desktop-environment-core", "lightdm")),
        Recipe("gnome12", "GNOME", "12", ("gnome-core",)),
        *(
            Recipe(f"{edition.name.lower()}{release}-full", str(edition), release, (TASKS[edition],), full=True)
            for release in CODENAMES
            for edition in Edition
        ),
    )
}

BASE_SETS: dict[str, tuple[str, ...]] = {
    "small": ("htop", "mc", "unzip", "hunspell-en-us"),
    "codecs": ("ffmpeg", "gstreamer1.0-libav", "gstreamer1.0-plugins-ugly", "unzip", "hunspell-en-us"),
    "office": ("libreoffice-writer", "libreoffice-calc", "ffmpeg", "gstreamer1.0-libav", "hunspell-en-us"),
    "apps": ("vlc", "gimp", "thunderbird", "hunspell-en-us"),
}
"""What a shop installs on top of the image: four sizes. Of `office`, a full tree has the most already."""

UPDATE_SETS = {"few": 5, "some": 35, "many": 100}
"""Installed packages that are installed anew beside the kernel: how many."""


@dataclass(frozen=True)
class PackageSet:
    """A set of packages, resolved on a tree: apt's words, how many, their download [B], their room [KiB]."""

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


def source_line(address: str, codename: str) -> str:
    """The apt source line of a rehearsal."""
    return f"deb {address} {codename} main\n"


def layers(place: Workplace, recipe: Recipe, *, session: bool = False) -> list[Path]:
    """Folders that a tree consists of, uppermost first."""
    base = place.trees / f"base{recipe.release}{'-full' if recipe.full else ''}"
    top = [place.trees / f"{recipe.name}.session"] if session else []
    return [*top, place.trees / recipe.name, base]


@contextmanager
def view(scratch: Path, lower: Sequence[Path], upper: Path | None = None) -> Iterator[Path]:
    """A tree's layers as one folder; what is written goes to `upper`, or is thrown away."""
    for name in ("upper", "work", "root"):
        (scratch / name).mkdir(parents=True, exist_ok=True)
    try:
        with mounted(overlay(scratch / "root", upper or scratch / "upper", scratch / "work", lower)):
            yield scratch / "root"
    finally:
        remove(scratch)


def build(place: Workplace, recipe: Recipe, *, session: bool = False) -> TreeFacts:
    """Build what is missing of a tree's layers, and describe it once; a layer that fails half-way is taken away."""
    base, *above = reversed(layers(place, recipe, session=session))
    facts = place.trees / f"{recipe.name}.json"
    with served(place.mirror, record=True) as address:
        if not base.is_dir():
            with _whole(base) as part:
                run([*recipe.bootstrap, recipe.codename, str(part), address])
                no_services(part)
                tidy(part)
        lower = [base]
        for folder, words in zip(above, (recipe.install, ("-q", "--yes", "install", *SESSION_PACKAGES)), strict=False):
            if not folder.is_dir():
                with _whole(folder) as part:
                    _install(part, lower, words, source_line(address, recipe.codename))
            lower.insert(0, folder)
        if not facts.is_file():
            write_whole(facts, json.dumps(asdict(describe(place, recipe, address)), indent=1) + "\n")
    return read_facts(place, recipe.name)


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    part = folder.with_name(f".{folder.name}.part")
    # A killed build may have left it with the machine's own /dev mounted in it.
    remove(part)
    part.mkdir(parents=True)
    try:
        yield part
    except BaseException:
        remove(part)
        raise
    os.replace(part, folder)


def _install(folder: Path, lower: Sequence[Path], words: Sequence[str], sources: str) -> None:
    with view(folder.with_name(folder.name + ".view"), lower, folder) as root, mounted(*inside_mounts(root)):
        (root / "etc/apt/sources.list").write_text(sources)
        chroot(root, "apt-get", "-q", "update")
        chroot(root, "apt-get", "-o", "Dpkg::Options::=--force-unsafe-io", *words)
        chroot(root, "apt-get", "clean")
        tidy(root)


def no_services(root: Path) -> None:
    """Keep packages from starting services inside the tree."""
    policy = root / "usr/sbin/policy-rc.d"
    policy.write_text("#!/bin/sh\nexit 101\n")
    policy.chmod(0o755)


def tidy(root: Path) -> None:
    """Take out what a medium does not carry: package lists and the builder's name server."""
    for path in (root / "var/lib/apt/lists").iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    (root / "etc/resolv.conf").unlink(missing_ok=True)
    for name in ("pkgcache.bin", "srcpkgcache.bin"):
        (root / "var/cache/apt" / name).unlink(missing_ok=True)


def describe(place: Workplace, recipe: Recipe, address: str) -> TreeFacts:
    """Count a tree, resolve its package sets and fetch them into the mirror folder."""
    with view(place.trees / f".{recipe.name}.view", layers(place, recipe)) as root:
        size, files = measure(root)
        kernel = kernel_of(root)
        with mounted(*inside_mounts(root)):
            listed = chroot(root, "dpkg-query", "-W", "-f", "${Package}:${Essential}:${Status}\n").splitlines()
            installed = [line.split(":") for line in listed if line.endswith("installed")]
            plain = [name for name, essential, _ in installed if essential != "yes"]
            (root / "etc/apt/sources.list").write_text(source_line(address, recipe.codename))
            chroot(root, "apt-get", "update")
            base = {
                name: resolve(root, ["install", "--no-install-recommends", *words]) for name, words in BASE_SETS.items()
            }
            updates = {
                name: resolve(root, ["install", "--reinstall", *update_names(plain, kernel, count)])
                for name, count in UPDATE_SETS.items()
            }
            for each in (*base.values(), *updates.values()):
                chroot(root, "apt-get", "--yes", "--download-only", *each.names)
                chroot(root, "apt-get", "clean")
    return TreeFacts(
        recipe.name, recipe.edition, recipe.release, recipe.codename, len(installed), size, files, kernel,
        index_bytes(place.mirror, recipe.codename), base, updates,
    )  # fmt: skip


def measure(root: Path) -> tuple[int, int]:
    """Count a tree: bytes of its regular files [B], a hard-linked file once; entries of every kind."""
    told = run(["find", str(root), "-mindepth", "1", "-printf", "%D:%i %y %s\\n"])
    entries = [line.split() for line in told.splitlines()]
    return sum(int(size) for _, size in {(one[0], one[2]) for one in entries if one[1] == "f"}), len(entries)


def kernel_of(root: Path) -> str:
    """Version of the tree's one kernel."""
    found = sorted(path.name.removeprefix("vmlinuz-") for path in (root / "boot").glob("vmlinuz-*"))
    if len(found) != 1:
        raise ToolError(f"{root} has {len(found)} kernels; one is needed.")
    return found[0]


def update_names(plain: Sequence[str], kernel: str, count: int) -> list[str]:
    """The kernel, and a draw of other installed packages that is the same every time (by the hash of their names)."""
    image = f"linux-image-{kernel}"
    rest = [name for name in plain if not name.startswith("linux-image") and name not in ("apt", "dpkg", "libc6")]
    return [image, *sorted(rest, key=lambda name: hashlib.sha256(name.encode()).digest())[:count]]


def index_bytes(mirror: Path, codename: str) -> int:
    """Size of the package lists that were fetched [B]."""
    return sum(path.stat().st_size for path in (mirror / "debian/dists" / codename).rglob("*") if path.is_file())


def resolve(root: Path, words: Sequence[str]) -> PackageSet:
    """Ask apt what an install would unpack and download."""
    simulated = chroot(root, "apt-get", "--simulate", *words)
    return parse_set(tuple(words), simulated, chroot(root, "apt-get", "--yes", "--print-uris", "--quiet", *words))


def parse_set(words: tuple[str, ...], simulated: str, uris: str) -> PackageSet:
    """Read apt's simulation, and its list of addresses with a sentence on the room needed."""
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


def pack(place: Workplace, recipe: Recipe, compression: str, level: int | None = None) -> Path:
    """Pack a tree as a squashfs image, once; `level` is zstd's, mksquashfs's own when left out."""
    chosen = () if level is None or compression != "zstd" else ("-Xcompression-level", str(level))

    def squash(part: Path) -> None:
        with view(part.with_suffix(".view"), layers(place, recipe)) as root:
            run([
                "mksquashfs", str(root), str(part),
                "-comp", compression, *chosen, "-b", "131072", "-noappend", "-no-progress", "-quiet",
            ])  # fmt: skip

    return made_once(place.images / f"{recipe.name}-{compression}.squashfs", squash)


def made_once(image: Path, make: Callable[[Path], None]) -> Path:
    """Make an image unless it is there; two may want the same one at a time."""
    part = image.with_name(f".{image.name}.part")
    with open(image.with_name(f".{image.name}.lock"), "w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        if not image.is_file():
            part.unlink(missing_ok=True)
            make(part)
            os.replace(part, image)
    return image


def file_system(root: Path, path: Path, extra_bytes: int = SPARE_BYTES) -> None:
    """Make a file system (ext4) of a tree, in a sparse file."""
    used = int(run(["du", "-sxk", str(root)]).split()[0]) * 1024
    size = int(used * SPARE) + extra_bytes
    run(["mke2fs", "-q", "-t", "ext4", "-F", "-m", "0", "-d", str(root), str(path), f"{size >> 10}k"])


def clone_image(place: Workplace, recipe: Recipe) -> Path:
    """Make a tree's file system, little larger than what it holds, packed block by block (zstd), once."""

    def copy(part: Path) -> None:
        plain = part.with_suffix(".plain")
        with view(part.with_suffix(".view"), layers(place, recipe)) as root:
            file_system(root, plain)
        run(["zstd", "-q", "-f", f"-{CLONE_LEVEL}", "--rm", str(plain), "-o", str(part)])

    return made_once(place.images / f"{recipe.name}.ext4.zst", copy)


def read_facts(place: Workplace, name: str) -> TreeFacts:
    """Read the description of a built tree; InputError when it was not built yet."""
    path = place.trees / f"{name}.json"
    if not is_there(path):
        raise InputError(f"The tree {name} is not built.", f"advisor rehearse build {name}")
    hint = f"Take it away, then: advisor rehearse build {name}"
    try:
        return TypeAdapter(TreeFacts).validate_python(read_json(path, hint=hint))
    except ValidationError as error:
        wrong = error.errors()[0]
        raise InputError(f"{path} is damaged: {'.'.join(map(str, wrong['loc']))}: {wrong['msg']}.", hint) from error
