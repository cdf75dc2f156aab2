"""Measure real desktop sessions: python -m advisor.comfort.sessions (root, Debian)."""

from __future__ import annotations

import argparse
import http.server
import lzma
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from advisor.capture.speed import LZMA_PRESET, fixed_buffer
from advisor.comfort.counters import Group, memory_of, wait_quiet
from advisor.comfort.pages import write_pages
from advisor.comfort.trees import USER, Tree, fresh
from advisor.errors import AdvisorError, ToolError
from advisor.shop import Edition

SCREEN = (1366, 768)
PORT = 8099
SESSION_LIMIT_S = 240
BROWSER_LIMIT_S = 180

METHOD_X = "systemd-nspawn, Xvfb"
METHOD_WAYLAND = "systemd-nspawn, virtual monitor"


@dataclass(frozen=True)
class Start:
    """How a desktop is started.

    Attributes
    ----------
    method : str
    command : str
        For the shell, in the user's session.
    desktop : str
        XDG_CURRENT_DESKTOP, as the session file sets it.
    overrides : dict of str to str
        User units to change: name to the ExecStart that draws on a virtual screen.
    process : str
        Name of the process that must be alive for the desktop to count as there.
    rest_share : float
        It rests when it uses less of one core than this; more for a shell that never stops drawing where the
        processor draws.
    """

    method: str
    command: str
    desktop: str
    process: str
    overrides: dict[str, str] = field(default_factory=dict)
    rest_share: float = 0.06


_SIZE = f"{SCREEN[0]}x{SCREEN[1]}"
STARTS: dict[str, Start] = {
    Edition.GNOME: Start(
        METHOD_WAYLAND, "XDG_SESSION_TYPE=wayland gnome-session", "GNOME", "gnome-shell",
        {"org.gnome.Shell@wayland.service": f"/usr/bin/gnome-shell --headless --virtual-monitor {_SIZE}"},
    ),
    Edition.PLASMA: Start(
        METHOD_WAYLAND, "XDG_SESSION_TYPE=wayland startplasma-wayland", "KDE", "plasmashell",
        {
            "plasma-kwin_wayland.service": "/usr/bin/kwin_wayland_wrapper --virtual "
            f"--width {SCREEN[0]} --height {SCREEN[1]} --xwayland"
        },
    ),
    Edition.CINNAMON: Start(METHOD_X, "cinnamon-session-cinnamon", "X-Cinnamon", "cinnamon", rest_share=0.25),
    Edition.MATE: Start(METHOD_X, "mate-session", "MATE", "mate-panel"),
    Edition.XFCE: Start(METHOD_X, "startxfce4", "XFCE", "xfce4-panel"),
    Edition.LXQT: Start(METHOD_X, "startlxqt", "LXQt", "lxqt-panel"),
    Edition.LXDE: Start(METHOD_X, "startlxde", "LXDE", "lxpanel"),
}  # fmt: skip
"""The session that each task installs, with nothing changed but the screen it draws on."""


@dataclass(frozen=True)
class Conditions:
    """What holds a session back; None stands for nothing.

    Attributes
    ----------
    memory_limit_mib : float, optional
    quota_pct : float, optional
        [% of one core]
    disk : str, optional
        Name of the paced disk that tree and scratch folder lie on.
    """

    memory_limit_mib: float | None = None
    quota_pct: float | None = None
    disk: str | None = None


@dataclass(frozen=True)
class Measured:
    """One row of comfort/sessions: a session at rest, or with the browser open."""

    release: str
    edition: str
    stage: str
    run: int
    memory_limit_mib: float | None
    quota_pct: float | None
    disk: str | None
    method: str
    ok: str
    seconds: float | None
    processor_s: float | None
    all_processor_s: float | None
    processes: int | None
    pss_mib: float | None
    anon_mib: float | None
    read_mib: float | None
    reads: int | None
    read_ahead_kib: int | None
    kills: int
    host_mib_s: float
    note: str
    date: str


COLUMNS: dict[str, str] = {
    "release": "release of Debian",
    "edition": "desktop",
    "stage": "idle: from login to rest; browser: from click to three pages and a text document open",
    "run": "number of the repetition",
    "memory_limit_mib": "memory the whole container may take, empty for no limit [MiB]",
    "quota_pct": "processor time the container may take, empty for no limit [% of one core]",
    "disk": "paced disk that the tree lies on, empty for the machine's own",
    "method": "how the session was started",
    "ok": "yes when the stage was reached and the desktop's process was alive",
    "seconds": "idle: login to the begin of rest; browser: click to the first page shown [s of the clock]",
    "processor_s": "processor time of all the container's processes in that time [s]",
    "all_processor_s": "the same to rest with all pages and the text document open [s]",
    "processes": "processes of the container, system services included",
    "pss_mib": "their proportional set size [MiB]",
    "anon_mib": "anonymous part of it [MiB]",
    "read_mib": "read from disk in the time of processor_s, the tree's files not being cached [MiB]",
    "reads": "read requests in that time",
    "read_ahead_kib": "how far that disk reads ahead, which raises read_mib; 128 is what disks in PCs do [KiB]",
    "kills": "processes killed for want of memory",
    "host_mib_s": "decompression on the measuring machine at the time, by processor time [MiB/s]",
    "note": "what else is to be known of the run",
    "date": "day of the run",
}

_SERVICE = """[Unit]
Description=A desktop session on a virtual screen
[Service]
User={user}
PAMName=login
WorkingDirectory=/home/{user}
Environment=XDG_SESSION_CLASS=user XDG_CURRENT_DESKTOP={desktop} LANG=C.UTF-8
ExecStart=/bin/bash /srv/session.sh
"""

_SCRIPT = """set -u
exec >/home/{user}/session.log 2>&1
export LIBGL_ALWAYS_SOFTWARE=1
{display}
systemctl --user import-environment DISPLAY XDG_SESSION_TYPE LIBGL_ALWAYS_SOFTWARE XDG_CURRENT_DESKTOP
exec {command}
"""

_XVFB = """Xvfb :0 -screen 0 {w}x{h}x24 -nolisten tcp -ac &
export DISPLAY=:0 XDG_SESSION_TYPE=x11
for i in $(seq 400); do [ -S /tmp/.X11-unix/X0 ] && break; sleep 0.05; done"""

# The user's own service manager starts it, as the desktop's menu does, with the environment the desktop gave it.
_INSIDE = """export XDG_RUNTIME_DIR=/run/user/$(id -u)
export DBUS_SESSION_BUS_ADDRESS=unix:path=$XDG_RUNTIME_DIR/bus
exec systemd-run --user --quiet --collect {command}"""


def host_speed(rounds: int = 5) -> float:
    """Measure decompression on this machine by processor time, so that other work beside it counts little.

    Parameters
    ----------
    rounds : int

    Returns
    -------
    float
        Median of the rounds [MiB/s]; what shares the core with us slows it as it slows the session.
    """
    packed = lzma.compress(fixed_buffer(), preset=LZMA_PRESET)
    found = []
    for _ in range(rounds):
        began = time.process_time()
        for _ in range(4):
            lzma.decompress(packed)
        found.append(4 * len(fixed_buffer()) / 2**20 / (time.process_time() - began))
    return sorted(found)[rounds // 2]


def read_ahead_kib(path: Path) -> int | None:
    """Tell how far the disk that a folder lies on reads ahead.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    int or None
        [KiB], None when the kernel does not say.
    """
    device = path.resolve().stat().st_dev
    link = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}").resolve()
    for folder in (link, link.parent):
        try:
            return int((folder / "queue/read_ahead_kb").read_text())
        except (OSError, ValueError):
            continue
    return None


def prepare(root: Path, start: Start) -> None:
    """Put the session's service, script and pages into a tree.

    Parameters
    ----------
    root : pathlib.Path
    start : Start
    """
    service = _SERVICE.format(user=USER, desktop=start.desktop)
    (root / "etc/systemd/system/desktop-session.service").write_text(service)
    display = _XVFB.format(w=SCREEN[0], h=SCREEN[1]) if start.method == METHOD_X else ""
    command = f"/etc/X11/Xsession {start.command}" if start.method == METHOD_X else f"env {start.command}"
    (root / "srv/session.sh").write_text(_SCRIPT.format(user=USER, display=display, command=command))
    for unit, line in start.overrides.items():
        folder = root / "etc/systemd/user" / f"{unit}.d"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "screen.conf").write_text(f"[Service]\nExecStart=\nExecStart={line}\n")
    write_pages(root / "srv/pages")


class _Pages(http.server.SimpleHTTPRequestHandler):
    shown: dict[str, float]

    def do_GET(self) -> None:
        if self.path.startswith("/shown?"):
            self.shown.setdefault(self.path.split("?", 1)[1], time.monotonic())
            self.send_response(204)
            self.end_headers()
            return
        super().do_GET()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def serving(folder: Path, leader: int) -> Iterator[dict[str, float]]:
    """Serve the pages on the container's own loopback, from outside its group.

    Parameters
    ----------
    folder : pathlib.Path
    leader : int
        A process of the container.

    Yields
    ------
    dict of str to float
        Number of a page to when it said that it was shown [s of the monotonic clock].
    """
    shown: dict[str, float] = {}
    handler = type("Pages", (_Pages,), {"shown": shown})
    made: list[http.server.ThreadingHTTPServer] = []
    ready = threading.Event()

    def work() -> None:
        # Network namespaces belong to threads: this one alone enters the container's.
        import ctypes

        libc = ctypes.CDLL(None, use_errno=True)
        with open(f"/proc/{leader}/ns/net") as network:
            if libc.setns(network.fileno(), 0):
                ready.set()
                return
        server = http.server.ThreadingHTTPServer(
            ("127.0.0.1", PORT), lambda *given: handler(*given, directory=str(folder))
        )
        made.append(server)
        ready.set()
        server.serve_forever()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    ready.wait(10)
    if not made:
        raise ToolError("The test pages cannot be served inside the container.", "Entering its network needs root.")
    try:
        yield shown
    finally:
        made[0].shutdown()
        made[0].server_close()


@contextmanager
def container(root: Path, group: Group) -> Iterator[int]:
    """Start a tree's own systemd in a container, in a control group.

    Parameters
    ----------
    root : pathlib.Path
    group : Group

    Yields
    ------
    int
        Its process 1, as the host counts.
    """
    environment = {**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"}
    command = [
        "systemd-nspawn", "-q", "-D", str(root), f"--machine={group.name}", "--boot", "--register=no", "--keep-unit",
        "--private-network", "--resolv-conf=off", "--link-journal=no", "--console=pipe",
    ]  # fmt: skip
    try:
        process = subprocess.Popen(
            command, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            preexec_fn=group.join,
        )  # fmt: skip
    except FileNotFoundError as error:
        raise ToolError("systemd-nspawn is not installed.", "Install the package systemd-container.") from error
    try:
        leader = _child(process)
        yield leader
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                process.wait(5)
        group.end()
        process.wait(10)


def _child(process: subprocess.Popen) -> int:
    until = time.monotonic() + 20
    while time.monotonic() < until and process.poll() is None:
        for path in Path(f"/proc/{process.pid}/task").glob("*/children"):
            for pid in path.read_text().split():
                if Path(f"/proc/{pid}/comm").read_text().strip() == "systemd":
                    return int(pid)
        time.sleep(0.1)
    raise ToolError("The container did not start.", "Try systemd-nspawn on the tree by hand.")


def inside(leader: int, script: str, user: str | None = None) -> str:
    """Run a shell script in the container and give what it printed.

    Parameters
    ----------
    leader : int
    script : str
    user : str, optional
        Root when left out.

    Returns
    -------
    str
    """
    command = ["nsenter", "-t", str(leader), "-m", "-u", "-i", "-n", "-p", "--"]
    command += ["setpriv", "--reuid", user, "--regid", user, "--init-groups"] if user else []
    done = subprocess.run(
        [*command, "/bin/bash", "-c", script], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=180
    )
    return done.stdout


def _in_session(leader: int, command: str) -> None:
    """Start a program as the user would."""
    inside(leader, _INSIDE.format(command=command), USER)


def _alive(leader: int, start: Start) -> bool:
    return bool(inside(leader, f"pgrep -u {USER} -x {start.process[:15]}").strip())


def measure(tree: Tree, number: int, conditions: Conditions, scratch: Path, note: str = "") -> list[Measured]:
    """Measure one session: log in, wait for rest, open the browser, wait again.

    Parameters
    ----------
    tree : Tree
        Built.
    number : int
        Of the repetition.
    conditions : Conditions
    scratch : pathlib.Path
        Folder for what the session writes.
    note : str

    Returns
    -------
    list of Measured
        A row for the desktop at rest, and one with the browser when the desktop came up.
    """
    start = STARTS[tree.edition]
    group = Group(f"session-{os.getpid()}")
    waiting_share = 0.25 if start.rest_share < 0.1 else 0.8
    host_mib_s = host_speed()
    read_ahead = read_ahead_kib(tree.layer)
    rows: list[Measured] = []

    def row(stage: str, **found: Any) -> None:
        known: dict[str, Any] = dict.fromkeys(_EMPTY) | asdict(conditions) | found
        rows.append(
            Measured(
                release=tree.release, edition=tree.edition, stage=stage, run=number, method=start.method,
                read_ahead_kib=read_ahead, host_mib_s=host_mib_s, kills=group.kills(), note=note,
                date=str(date.today()), **known,
            )
        )  # fmt: skip

    with fresh(tree, scratch) as root:
        prepare(root, start)
        group.make(conditions.memory_limit_mib, conditions.quota_pct)
        with container(root, group) as leader:
            inside(leader, "timeout 120 systemctl is-system-running --wait")
            wait_quiet(group.processor_s, group.waiting, limit_s=60)
            tree.evict()
            began, used, read, reads = time.monotonic(), group.processor_s(), group.read_mib(), group.reads()
            inside(leader, "systemctl start --no-block desktop-session.service")
            rest = wait_quiet(
                group.processor_s, group.waiting, limit_s=SESSION_LIMIT_S, share=start.rest_share,
                waiting_share=waiting_share,
            )  # fmt: skip
            if rest is None or not _alive(leader, start):
                row("idle", ok="no")
                _keep_log(root, tree)
                return rows
            memory = memory_of(_counted(group))
            row(
                "idle", ok="yes", seconds=rest[0] - began, processor_s=rest[1] - used, processes=memory.processes,
                pss_mib=memory.pss_mib, anon_mib=memory.anon_mib, read_mib=group.read_mib() - read,
                reads=group.reads() - reads,
            )  # fmt: skip
            with serving(root / "srv/pages", leader) as shown:
                began, used, read, reads = time.monotonic(), group.processor_s(), group.read_mib(), group.reads()
                _in_session(leader, f"firefox-esr http://127.0.0.1:{PORT}/page0.html")
                at_first = _await(shown, "0", group)
                first = (group.read_mib() - read, group.reads() - reads)
                for page in ("1", "2"):
                    if at_first:
                        url = f"http://127.0.0.1:{PORT}/page{page}.html"
                        _in_session(leader, f"firefox-esr --new-tab {url}")
                        _await(shown, page, group)
                _in_session(leader, "libreoffice --writer /srv/pages/text.fodt")
                time.sleep(3)
                rest = wait_quiet(
                    group.processor_s, group.waiting, limit_s=BROWSER_LIMIT_S, share=start.rest_share + 0.1,
                    waiting_share=max(waiting_share, 0.5),
                )  # fmt: skip
                memory = memory_of(_counted(group))
                done = at_first is not None and len(shown) == 3 and _alive(leader, start)
                row(
                    "browser", ok="yes" if done else "no", processes=memory.processes, pss_mib=memory.pss_mib,
                    anon_mib=memory.anon_mib,
                    **(
                        {"seconds": at_first[0] - began, "processor_s": at_first[1] - used,
                         "read_mib": first[0], "reads": first[1]} if at_first else {}
                    ),
                    **({"all_processor_s": rest[1] - used} if rest else {}),
                )  # fmt: skip
                if not done:
                    _keep_log(root, tree)
    return rows


_EMPTY = ("seconds", "processor_s", "all_processor_s", "processes", "pss_mib", "anon_mib", "read_mib", "reads")


def _counted(group: Group) -> list[int]:
    """Give the container's processes without the one that holds it."""
    return [pid for pid in group.pids() if _command(pid) != "systemd-nspawn"]


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return ""


def _await(shown: dict[str, float], page: str, group: Group) -> tuple[float, float] | None:
    until = time.monotonic() + BROWSER_LIMIT_S
    while time.monotonic() < until:
        if page in shown:
            return shown[page], group.processor_s()
        time.sleep(0.05)
    return None


def _keep_log(root: Path, tree: Tree) -> None:
    log = root / "home" / USER / "session.log"
    if log.exists():
        shutil.copy(log, tree.cache / tree.release / f"{tree.layer.name}.log")


def main() -> None:
    """Measure sessions and add them to a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", type=Path, required=True, help="folder that keeps the trees (4 GB each)")
    parser.add_argument("--scratch", type=Path, help="folder for what sessions write (default: a temporary one)")
    parser.add_argument("--release", default="13")
    parser.add_argument("--edition", action="append", choices=[str(one) for one in Edition], help="default: all")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--memory-mib", type=float, action="append", help="memory limit; may be given more than once")
    parser.add_argument("--quota-pct", type=float, action="append", help="processor limit in percent of one core")
    parser.add_argument("--disk", help="name of the paced disk that cache and scratch lie on")
    parser.add_argument("--note", default="")
    parser.add_argument("--out", type=Path, required=True, help="CSV to add the rows to")
    given = parser.parse_args()
    # So that a terminated run still stops its container and takes its mounts away.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    given.cache.mkdir(parents=True, exist_ok=True)
    for number in range(1, given.runs + 1):
        for edition in given.edition or list(map(str, Edition)):
            for memory in given.memory_mib or [None]:
                for quota in given.quota_pct or [None]:
                    tree = Tree(given.release, edition, given.cache)
                    conditions = Conditions(memory, quota, given.disk)
                    try:
                        tree.build()
                        with tempfile.TemporaryDirectory(prefix="session-", dir=given.scratch) as scratch:
                            rows = measure(tree, number, conditions, Path(scratch), given.note)
                    except AdvisorError as error:
                        print(f"{edition}: {error}", flush=True)
                        continue
                    frame = pd.DataFrame([asdict(row) for row in rows], columns=list(COLUMNS)).round(2)
                    frame.to_csv(given.out, mode="a", header=not given.out.exists(), index=False, lineterminator="\n")
                    print(frame.drop(columns=["method", "note", "date"]).to_string(index=False), flush=True)


if __name__ == "__main__":
    main()
