"""The kinds of installer: how a tree gets onto an empty disk, phase by phase."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from advisor.lab import trees
from advisor.lab.image import zstd_level
from advisor.lab.workplace import guard_device, inside_mounts, mounts_below, run, unmount

if TYPE_CHECKING:
    from advisor.lab.rehearsal import Rehearsal

INSTALLERS = {
    "unpack": ("format", "copy", "boot", "refresh", "base", "updates", "sync"),
    "live": ("format", "copy", "boot", "refresh", "base", "updates", "sync"),
    "packages": ("format", "copy", "tasks", "boot", "refresh", "base", "updates", "sync"),
    "clone": ("copy", "grow", "boot", "refresh", "base", "updates", "sync"),
}
"""Kinds of installer and their phases: `unpack` writes a packed tree out with one program, `live` copies file by file
out of the mounted medium as a live session's installer does, `packages` installs the base system and the desktop's
task package by package as the text installer does, `clone` writes a file system block by block and grows it."""


def image_of(place: trees.Workplace, recipe: trees.Recipe, installer: str, compression: str) -> Path | None:
    """What stands for the medium; none for packages, which come over the link."""
    if installer == "packages":
        return None
    return trees.clone_image(place, recipe) if installer == "clone" else trees.pack(place, recipe, compression)


def level_of(image: Path | None, installer: str) -> int | None:
    """zstd level of what stands for the medium, None where it was packed otherwise or there is none."""
    if image is None:
        return None
    return trees.CLONE_LEVEL if installer == "clone" else zstd_level(image)


def before(rehearsal: Rehearsal, phase: str) -> None:
    """What is set up before a phase and is no part of its time."""
    target = rehearsal.target
    if phase == "copy" and rehearsal.plan.installer == "live":
        # A name of its own below the run folder, so that what is left of it is found and put away.
        medium = rehearsal.folder / "medium.squashfs"
        assert rehearsal.image is not None
        os.link(rehearsal.image, medium)
        (rehearsal.folder / "medium").mkdir()
        run(["mount", "-t", "squashfs", "-o", "loop,ro", str(medium), str(rehearsal.folder / "medium")])
    if phase == "boot":
        trees.no_services(target)
        (target / "boot/grub").mkdir(exist_ok=True)
        (target / "etc/fstab").write_text("/dev/sda1 / ext4 defaults 0 1\n")
    if phase == "tasks" or (phase == "boot" and rehearsal.plan.installer != "packages"):
        source = trees.source_line(rehearsal.depot, rehearsal.facts.codename)
        (target / "etc/apt/sources.list").write_text(source)
        shutil.rmtree(target / "etc/apt/sources.list.d", ignore_errors=True)
        if phase == "tasks":
            trees.no_services(target)
        for step in inside_mounts(target):
            run(["mount", *step])
    if phase == "boot":
        probe = target / "run" / "grub-probe"
        shutil.copyfile(Path(__file__).with_name("grub-probe.sh"), probe)
        probe.chmod(0o755)
        run(["mount", "--bind", str(probe), str(target / "usr/sbin/grub-probe")])


def _format(it: Rehearsal) -> None:
    guard_device(it.disk.device, it.folder)
    it.execute("mkfs.ext4", "-q", "-F", "-E", "nodiscard", it.disk.device)
    _mount(it)


def _mount(it: Rehearsal) -> None:
    run(["mount", "-o", "nodiscard", it.disk.device, str(it.target)])


def _copy(it: Rehearsal) -> None:
    target, image = str(it.target), str(it.image)
    if it.plan.installer == "unpack":
        it.execute("unsquashfs", "-no-progress", "-quiet", "-force", "-processors", str(it.plan.cores),
                   "-dest", target, image)  # fmt: skip
    elif it.plan.installer == "live":
        it.execute("rsync", "-aHAX", "--numeric-ids", f"{it.folder / 'medium'}/", f"{target}/")
        run(["umount", str(it.folder / "medium")])
    elif it.plan.installer == "packages":
        it.execute(*it.recipe.bootstrap, it.recipe.codename, target, it.depot)
        unmount(mounts_below(it.target))
    else:
        guard_device(it.disk.device, it.folder)
        it.execute("sh", "-ec", 'zstd -dcq "$1" | dd of="$2" bs=4M iflag=fullblock oflag=direct conv=fsync status=none',
                   "clone", image, it.disk.device)  # fmt: skip


def _grow(it: Rehearsal) -> None:
    guard_device(it.disk.device, it.folder)
    it.execute("e2fsck", "-fp", it.disk.device)
    it.execute("resize2fs", it.disk.device)
    _mount(it)


def _apt(it: Rehearsal, *words: str) -> None:
    it.execute("apt-get", "-q", *words, root=it.target)


def _tasks(it: Rehearsal) -> None:
    _apt(it, "update")
    it.execute("apt-get", *it.recipe.install, root=it.target)
    # As the text installer does: what updates need is fetched again.
    it.execute("apt-get", "clean", root=it.target)


def _boot(it: Rehearsal) -> None:
    if it.plan.installer in ("unpack", "live"):
        for old in (it.target / "boot").glob("initrd.img-*"):
            old.unlink()
        it.execute("update-initramfs", "-c", "-k", it.facts.kernel, root=it.target)
    it.execute("grub-mkconfig", "-o", "/boot/grub/grub.cfg", root=it.target)


def _base(it: Rehearsal) -> None:
    _apt(it, "--yes", *it.facts.base_sets[it.plan.base_set].names)


def _updates(it: Rehearsal) -> None:
    _apt(it, "--yes", *it.facts.update_sets[it.plan.update_set].names)


def _sync(it: Rehearsal) -> None:
    unmount(mounts_below(it.target))
    it.execute("sync", "-f", str(it.target))
    run(["umount", str(it.target)])


DO: dict[str, Callable[[Rehearsal], None]] = {
    "format": _format, "copy": _copy, "grow": _grow, "tasks": _tasks, "boot": _boot,
    "refresh": lambda it: _apt(it, "update"), "base": _base, "updates": _updates, "sync": _sync,
}  # fmt: skip
PHASES = tuple(DO)
"""Machine phases, in the order in which they run; not every installer has all."""
