"""A trial recipient: an account that a prepared system's own useradd makes, in an overlay that is thrown away.

Its desktop's session is then started once in a container, on a screen that nobody sees.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, nullcontext, suppress
from pathlib import Path

import numpy as np

from advisor.errors import AdvisorError, InputError, ToolError
from advisor.handover.tree import Tree
from advisor.lab.groups import Groups, Limits
from advisor.lab.sessions import container, measure
from advisor.lab.sessions.container import METHOD_X, STARTS, DesktopStart
from advisor.lab.workplace import mounted, overlay, require

USER = "trialrecipient"

LIMIT_S = 60
"""Longest that a step of the trial may take [s]."""

_LOGS = (".xsession-errors", "session.log")
_ENTERED = "export XDG_RUNTIME_DIR=/run/user/$(id -u); "
_ERROR = re.compile(r"(?i)\b(error|critical|fatal|failed|cannot|segmentation fault|core dumped)\b")


def trial(root: str | os.PathLike[str]) -> list[str]:
    """Make an account as the first start would, log it in, start its desktop once; nothing is kept.

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
            lines = list(_account(view, upper))
            if (view / "home" / USER).is_dir():
                lines += _session(base, view, Groups(f"trial-{os.getpid()}"))
            return lines


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
    # A login shell reads the profile as the session of every desktop does.
    login = _enter(view, "runuser", "--login", USER, "--command", "true")
    if login.returncode or login.stderr.strip():
        yield f"fails: a login said (exit {login.returncode}): {_first(login.stderr)}"
    else:
        yield "a login shell read the profile without a word"
    yield from (f"the login wrote {name}" for name in sorted(_names(home) - copied))


def _session(base: Path, view: Path, group: Groups) -> list[str]:
    """Start the account's desktop in a container, or say in one sentence why that cannot be done here."""
    edition = container.installed(view)
    if edition is None:
        return [f"not run: the desktop's session: none of the desktops {', '.join(STARTS)} is installed"]
    start = STARTS[edition]
    tools = ["systemd-nspawn", "nsenter", *(["Xvfb"] if start.method == METHOD_X else [])]
    if absent := [name for name in tools if shutil.which(name) is None]:
        return [f"not run: the desktop's session: this machine lacks {', '.join(absent)}"]
    if astray := _astray(view, start):
        return [f"not run: the desktop's session: {astray} of the prepared system is reached over a link"]
    before = _names(view / "home" / USER)
    container.quieten(view)
    try:
        group.make(Limits(real_time=False))
        with container.container(view, group) as leader:
            lines = _started(view, group, leader, start, edition)
    except ToolError as error:
        return [f"not run: the desktop's session: {error}"]
    finally:
        group.end("work")
        group.remove()
    return [*lines, _wrote(_names(view / "home" / USER) - before), predicted(base, edition)]


def _started(view: Path, group: Groups, leader: int, start: DesktopStart, edition: str) -> list[str]:
    """What came of the session: how long it took, units that failed, errors it wrote."""
    container.await_up(leader)
    with container.screen(leader) if start.method == METHOD_X else nullcontext("") as display:
        container.write_session(view, start, USER, display)
        row = measure.desktop(leader, start, measure.Watch(group), measure.FREE_LIMITS_S[0])
        units = container.inside(leader, _ENTERED + "systemctl --user --failed --plain --no-legend", user=USER)
        journal = container.inside(
            leader, f"journalctl -b -q -o cat --no-pager _UID=$(id -u {USER}) -p err", timeout_s=LIMIT_S
        )
    if row["ok"] == "yes":
        lines = [f"the {edition} session was at rest after {row['seconds']:.0f} s in a container"]
    else:
        lines = [f"fails: the {edition} session was not at rest after {row['limit_s']:g} s"]
        lines += [f"fails: {row['note']}"] if row["note"] else []
    lines += [f"fails: {line.split()[0]}, a unit of the session" for line in units.splitlines() if line.strip()]
    logged = [line for line in _logged(view) if _ERROR.search(line)]
    errors = list(dict.fromkeys(line.strip() for line in (*journal.splitlines(), *logged) if line.strip()))
    lines += [f"errors the session wrote, some of which may be the container's: {len(errors)}"] if errors else []
    return lines + [f"  {line[:160]}" for line in errors[:5]]


def _logged(view: Path) -> list[str]:
    """Lines that the session wrote into its own logs; a link in their place is followed inside the system alone."""
    with closing(Tree(view)) as tree:
        return [line for name in _LOGS for line in tree.text(f"home/{USER}/{name}").splitlines()]


def _astray(view: Path, start: DesktopStart) -> str | None:
    """What of the places that are written to is a link in the prepared system, and would lead out of the overlay."""
    base = os.path.realpath(view)
    overrides = [f"etc/systemd/user/{unit}.d/screen.conf" for unit in start.overrides]
    names = ("usr/sbin/policy-rc.d", "etc/systemd/system/desktop-session.service", "srv/session.sh", *overrides)
    return next((name for name in names if os.path.realpath(view / name) != f"{base}/{name}"), None)


def predicted(base: Path, edition: str) -> str:
    """The comfort prediction for this machine and the disk that the prepared system lies on, at measured speeds."""
    from advisor import comfort, identify
    from advisor.capture import probe, speed
    from advisor.editions import rows_of
    from advisor.handover.unitside import release_of
    from advisor.shop import Edition, Image
    from advisor.unit import frame

    with closing(Tree(base)) as tree:
        release = release_of(tree)
        files = [one for one in tree.entries("boot") if one.is_file]
    number = base.stat().st_dev
    disk = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}").resolve().name
    # Where the disk itself may not be read, its largest start image tells nearly as much.
    places = [f"/dev/{disk}", *(str(base / max(files, key=lambda one: one.about.st_size).path) for _ in files[:1])]
    try:
        rows = rows_of(Image(name="unit", release=release, kernel=f"debian-{release}", editions=(Edition(edition),)))
        measured = {
            "decompress_mib_s": speed.decompress_mib_s(1),
            "disk_read_mib_s": _first_of(lambda place: speed.disk_read_mib_s(place, 1), places),
            "disk_access_ms": _first_of(lambda place: speed.disk_access_ms(place, 1), places),
        }
    except (AdvisorError, ValueError) as error:
        return f"there is no prediction to compare with: {error}"
    units = frame([probe().model_copy(update=measured)])
    # The trial's screen is drawn by the processor.
    steps = comfort.ladder(units, identify.processors(units), rows, 0.8, np.zeros(1, dtype=bool))
    typical, high = float(steps.desktop_s[0, 0]), float(steps.desktop_high_s[0, 0])
    if math.isnan(typical):
        return "there is no prediction to compare with: too little is known of this machine"
    return (
        "predicted for this machine and that disk, where its login screen was shown before, as here it was not: "
        f"{typical:.0f} s, in 8 of 10 at most {high:.0f} s"
    )


def _first_of(measure: Callable[[str], float], places: Sequence[str]) -> float:
    """The figure of the first place where it can be measured; the error of the last where of none."""
    for place in places[:-1]:
        with suppress(AdvisorError):
            return measure(place)
    return measure(places[-1])


def _wrote(names: set[str]) -> str:
    """What the session wrote into the home, by its uppermost folders."""
    count = Counter(name.split("/")[0] for name in names if name not in _LOGS)
    return "the session wrote into the home: " + (
        ", ".join(f"{name} ({number})" if number > 1 else name for name, number in sorted(count.items())) or "nothing"
    )


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
