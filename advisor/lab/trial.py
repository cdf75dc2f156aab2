"""A trial recipient: an account that a prepared system's own useradd makes, in an overlay that is thrown away."""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from advisor.errors import InputError, ToolError
from advisor.lab.workplace import mounted, overlay, require

USER = "trialrecipient"

LIMIT_S = 60
"""Longest that a step of the trial may take [s]."""


def trial(root: str | os.PathLike[str]) -> list[str]:
    """Make an account as the first start would, log it in without a screen, and tell what failed; nothing is kept.

    Parameters
    ----------
    root : path-like
        A prepared system that is mounted or unpacked; not the running one.

    Returns
    -------
    list of str
        Sentences; those of what failed begin with 'fails: '.

    Raises
    ------
    InputError
        When the root is the running system.
    ToolError
        When this machine cannot mount an overlay, or the system cannot be entered.
    """
    base = Path(root).resolve()
    if base == Path("/"):
        raise InputError("A trial recipient is not made on the running system.", "Name its disk in a dock with --root.")
    require({"mount": "mount", "chroot": "coreutils", "unshare": "util-linux"})
    with tempfile.TemporaryDirectory(prefix="advisor-trial-") as folder:
        upper, work, view = (Path(folder) / name for name in ("upper", "work", "root"))
        for one in (upper, work, view):
            one.mkdir()
        with mounted(overlay(view, upper, work, [base])):
            return list(_account(view, upper))


def _enter(view: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a program of the system, in process, network and mount namespaces of its own."""
    command = ["unshare", "--pid", "--fork", "--net", "--mount", f"--mount-proc={view / 'proc'}", "chroot", str(view)]
    environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8", "HOME": "/root"}
    try:
        return subprocess.run(
            [*command, *words], capture_output=True, text=True, errors="replace", timeout=LIMIT_S, env=environment,
            stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise ToolError(f"{words[0]} in the prepared system did not end within {LIMIT_S} s.") from error


def _account(view: Path, upper: Path) -> Iterator[str]:
    made = _enter(view, "useradd", "--create-home", "--shell", "/bin/bash", USER)
    if made.returncode:
        yield f"fails: useradd ended with {made.returncode}: {_first(made.stderr)}"
        return
    home, skel = upper / "home" / USER, view / "etc/skel"
    copied, there = _names(home), _names(skel)
    yield f"useradd made the account, and copied {len(copied)} of {len(there)} entries of the skeleton"
    yield from (f"fails: {name} of the skeleton did not arrive" for name in sorted(there - copied))
    uid = home.lstat().st_uid
    yield from (f"fails: {name} belongs to another" for name in sorted(copied) if (home / name).lstat().st_uid != uid)
    before = copied
    # A login shell reads the profile as the session of every desktop does.
    login = _enter(view, "runuser", "--login", USER, "--command", "true")
    if login.returncode or login.stderr.strip():
        yield f"fails: a login said (exit {login.returncode}): {_first(login.stderr)}"
    else:
        yield "a login shell read the profile without a word"
    yield from (f"the login wrote {name}" for name in sorted(_names(home) - before))
    yield "not run: the desktop's session itself; that takes a container with a screen, see advisor rehearse --session"


def _names(folder: Path) -> set[str]:
    """Everything below a folder, links not followed."""
    return {
        os.path.relpath(os.path.join(where, name), folder)
        for where, folders, files in os.walk(folder)
        for name in (*folders, *files)
    }


def _first(text: str) -> str:
    """The first line of a message, shortened."""
    return (text.strip().splitlines() or ["no message"])[0][:200]
