"""Trees of installed editions to measure in: debootstrap, then the desktop's task, kept outside the checkout."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import AccessError, ToolError
from advisor.lab.tables.editions import TASKS
from advisor.lab.tables.index import CODENAMES, KEYRING, mirrors
from advisor.lab.workplace import remove

BOOTSTRAP = "ca-certificates,dbus,systemd,systemd-sysv,libpam-systemd,udev,apt-utils"
EXTRAS = ("firefox-esr", "libreoffice-writer", "xvfb", "x11-utils")
"""What every tree gets beside the task: the browser, a writer, and the virtual display."""

MASKED = (
    "display-manager.service", "systemd-udevd.service", "systemd-networkd-wait-online.service",
    "NetworkManager-wait-online.service", "anacron.service", "anacron.timer", "apt-daily.timer",
    "apt-daily-upgrade.timer", "man-db.timer", "fstrim.timer", "e2scrub_all.timer",
)  # fmt: skip
"""Units that have no device to work on in a container, or would start work of their own while a session is measured."""

USER = "recipient"


def run(*command: str, quiet: bool = True, **more: str) -> str:
    """Run a program to its end and give its output.

    Parameters
    ----------
    *command : str
    quiet : bool
        Keep its output to itself.
    **more : str
        Extra environment.

    Returns
    -------
    str

    Raises
    ------
    ToolError
        When it is missing or fails; the message carries the end of what it said.
    """
    try:
        done = subprocess.run(
            command, text=True, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE if quiet else None,
            stderr=subprocess.STDOUT, env={**os.environ, "LC_ALL": "C.UTF-8", **more}, errors="replace",
        )  # fmt: skip
    except FileNotFoundError as error:
        raise ToolError(
            f"{command[0]} is not installed.", "It is a Debian package of the same or a like name."
        ) from error
    if done.returncode:
        raise ToolError(f"{' '.join(command[:4])} failed: {(done.stdout or '').strip()[-400:]}")
    return done.stdout or ""


@contextmanager
def mounted(*steps: tuple[str, ...]) -> Iterator[None]:
    """Mount one after another and unmount all again in reverse order, whatever happens.

    Parameters
    ----------
    *steps : tuple of str
        Arguments of mount; the last of each is the mount point.
    """
    with ExitStack() as stack:
        for step in steps:
            run("mount", *step)
            stack.callback(subprocess.run, ["umount", "--lazy", step[-1]], check=False)
        yield


@dataclass(frozen=True)
class Tree:
    """One edition of one release, installed in a folder.

    Attributes
    ----------
    release, edition : str
    cache : pathlib.Path
        Folder that holds the trees: `<release>/base` and a layer per edition above it.
    """

    release: str
    edition: str
    cache: Path

    @property
    def base(self) -> Path:
        """Folder of the release's base system, shared by its editions."""
        return self.cache / self.release / "base"

    @property
    def layer(self) -> Path:
        """Folder of what the edition adds to the base."""
        return self.cache / self.release / self.edition.lower().replace(" ", "-")

    def build(self) -> Tree:
        """Build what is missing; two to four minutes.

        Returns
        -------
        Tree
            Itself.

        Raises
        ------
        AccessError
            When not run as root.
        ToolError
            When debootstrap or apt fails; a half-built tree is taken away.
        """
        if os.geteuid():
            raise AccessError("Building a tree needs root.", "Run it again as root.")
        if not (self.base / "etc/debian_version").exists():
            self._whole(self.base, self._bootstrap)
        if not self.layer.exists():
            self._whole(self.layer, self._install)
        return self

    @staticmethod
    def _whole(folder: Path, make) -> None:  # type: ignore[no-untyped-def]
        part = folder.with_name(folder.name + ".part")
        remove(part)
        part.mkdir(parents=True)
        try:
            make(part)
        except BaseException:
            remove(part)
            raise
        part.rename(folder)

    def _bootstrap(self, folder: Path) -> None:
        code = CODENAMES[self.release]
        archive, security = mirrors()
        run(
            "debootstrap",
            "--variant=minbase",
            f"--include={BOOTSTRAP}",
            f"--keyring={KEYRING}",
            code,
            str(folder),
            archive,
        )
        areas = "main non-free-firmware"
        (folder / "etc/apt/sources.list").write_text(
            f"deb {archive} {code} {areas}\ndeb {archive} {code}-updates {areas}\n"
            f"deb {security} {code}-security {areas}\n"
        )
        policy = folder / "usr/sbin/policy-rc.d"
        policy.write_text("#!/bin/sh\nexit 101\n")
        policy.chmod(0o755)
        (folder / "etc/dpkg/dpkg.cfg.d/unsafe").write_text("force-unsafe-io\n")
        run("chroot", str(folder), "apt-get", "-q", "update")

    def _install(self, folder: Path) -> None:
        work, root = folder.with_name(folder.name + ".work"), folder.with_name(folder.name + ".root")
        for one in (work, root):
            # A killed build may have left the root with the machine's own /dev mounted in it.
            remove(one)
            one.mkdir()
        try:
            with mounted(
                overlay(root, folder, work, self.base),
                ("-t", "proc", "proc", f"{root}/proc"),
                ("--bind", "/dev", f"{root}/dev"),
                ("--bind", "/dev/pts", f"{root}/dev/pts"),
            ):
                packages = [TASKS[self.edition], *EXTRAS]
                run("chroot", str(root), "apt-get", "-qy", "install", *packages, DEBIAN_FRONTEND="noninteractive")
                run("chroot", str(root), "apt-get", "clean")
        finally:
            remove(root)
            remove(work)


def overlay(root: Path, upper: Path, work: Path, *lower: Path) -> tuple[str, ...]:
    """Compose the arguments of mount for an overlay.

    Parameters
    ----------
    root, upper, work : pathlib.Path
    *lower : pathlib.Path
        Uppermost first.

    Returns
    -------
    tuple of str
    """
    layers = ":".join(str(one.resolve()) for one in lower)
    return ("-t", "overlay", "overlay", "-o", f"lowerdir={layers},upperdir={upper},workdir={work}", str(root))


@contextmanager
def fresh(tree: Tree, scratch: Path) -> Iterator[Path]:
    """Give a throw-away copy of a tree with a new user, and take it away afterwards.

    Parameters
    ----------
    tree : Tree
        Built.
    scratch : pathlib.Path
        Folder for what the session writes; on a paced disk to measure one.

    Yields
    ------
    pathlib.Path
        The root folder.
    """
    folders = [scratch / name for name in ("upper", "work", "root")]
    for one in folders:
        one.mkdir(parents=True, exist_ok=True)
    upper, work, root = folders
    try:
        with mounted(overlay(root, upper, work, tree.layer, tree.base)):
            (root / "usr/sbin/policy-rc.d").unlink(missing_ok=True)
            for unit in MASKED:
                link = root / "etc/systemd/system" / unit
                link.unlink(missing_ok=True)
                link.symlink_to("/dev/null")
            default = root / "etc/systemd/system/default.target"
            default.unlink(missing_ok=True)
            default.symlink_to("/usr/lib/systemd/system/multi-user.target")
            with mounted(("-t", "proc", "proc", f"{root}/proc")):
                run("chroot", str(root), "useradd", "--create-home", "--shell", "/bin/bash", USER)
            yield root
    finally:
        for one in reversed(folders):
            remove(one)
