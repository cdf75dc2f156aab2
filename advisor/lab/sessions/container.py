"""A desktop session in a container: what starts it, the pages it is shown, and how to run programs in it."""

from __future__ import annotations

import ctypes
import http.server
import os
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Any

from advisor.errors import ToolError
from advisor.lab.groups import Groups, set_own
from advisor.lab.sessions.pages import write_pages
from advisor.lab.workplace import chroot, wait_until
from advisor.shop import Edition

SCREEN = (1366, 768)
PORT = 8099

USER = "recipient"
UP = ("running", "degraded")
"""What systemctl calls a system that has come up: systemctl(1), is-system-running."""

MASKED = (
    "display-manager.service", "systemd-udevd.service", "systemd-networkd-wait-online.service",
    "NetworkManager-wait-online.service", "anacron.service", "anacron.timer", "apt-daily.timer",
    "apt-daily-upgrade.timer", "man-db.timer", "fstrim.timer", "e2scrub_all.timer", "systemd-firstboot.service",
)  # fmt: skip
"""Units that have no device to work on in a container, or would start work of their own while a session is measured."""

GREETER_SERVICE, SESSION_SERVICE = "bench-greeter.service", "desktop-session.service"

SDDM_GREETERS = ("sddm-greeter-qt6", "sddm-greeter")
"""Programs that draw its login screen, the newer first."""

LOCALE = "en_US.UTF-8"
"""What the installer sets where nothing else is asked for."""

METHOD_X = "systemd-nspawn, Xvfb"
METHOD_WAYLAND = "systemd-nspawn, virtual monitor"


class Greeter(StrEnum):
    """What asks for the name and password: the login screen of a display manager."""

    GDM = "gdm3"
    SDDM = "sddm"
    LIGHTDM = "lightdm"


@dataclass(frozen=True)
class DesktopStart:
    """How a desktop is started: by a command for the shell in the user's session.

    `desktop` is XDG_CURRENT_DESKTOP as the session file sets it; `process` must be alive for the desktop to count as
    there; `overrides` are user units and the ExecStart that draws on a virtual screen. It rests when it uses less of
    one core than `rest_share`, more for a shell that never stops drawing where the processor draws. `greeter` is what
    asks for the name before it: that of the display manager which the edition's task brings.
    """

    method: str
    command: str
    desktop: str
    process: str
    overrides: dict[str, str] = field(default_factory=dict)
    rest_share: float = 0.06
    greeter: Greeter = Greeter.LIGHTDM


_SIZE = f"{SCREEN[0]}x{SCREEN[1]}"
STARTS: dict[str, DesktopStart] = {
    Edition.GNOME: DesktopStart(
        METHOD_WAYLAND, "XDG_SESSION_TYPE=wayland gnome-session", "GNOME", "gnome-shell",
        {"org.gnome.Shell@wayland.service": f"/usr/bin/gnome-shell --headless --virtual-monitor {_SIZE}"},
        greeter=Greeter.GDM,
    ),
    Edition.PLASMA: DesktopStart(
        METHOD_WAYLAND, "XDG_SESSION_TYPE=wayland startplasma-wayland", "KDE", "plasmashell",
        {
            "plasma-kwin_wayland.service": "/usr/bin/kwin_wayland_wrapper --virtual "
            f"--width {SCREEN[0]} --height {SCREEN[1]} --xwayland"
        },
        greeter=Greeter.SDDM,
    ),
    Edition.CINNAMON: DesktopStart(METHOD_X, "cinnamon-session-cinnamon", "X-Cinnamon", "cinnamon", rest_share=0.25),
    Edition.MATE: DesktopStart(METHOD_X, "mate-session", "MATE", "mate-panel"),
    Edition.XFCE: DesktopStart(METHOD_X, "startxfce4", "XFCE", "xfce4-panel"),
    Edition.LXQT: DesktopStart(METHOD_X, "startlxqt", "LXQt", "lxqt-panel", greeter=Greeter.SDDM),
    Edition.LXDE: DesktopStart(METHOD_X, "startlxde", "LXDE", "lxpanel"),
}  # fmt: skip
"""The session that each task installs, with nothing changed but the screen it draws on."""


# The login screen goes as the session comes.
_SERVICE = """[Unit]
Description=A desktop session on a virtual screen
Conflicts={greeter}
After={greeter}
[Service]
User={user}
PAMName=login
WorkingDirectory=/home/{user}
Environment=XDG_SESSION_CLASS=user XDG_CURRENT_DESKTOP={desktop} LANG={locale}
ExecStart=/bin/bash /srv/session.sh
"""

_GREETER_SERVICE = """[Unit]
Description=The login screen on a virtual screen
[Service]
Environment=LIBGL_ALWAYS_SOFTWARE=1 LANG={locale}
{lines}
"""
_AS_USER = """User={user}
PAMName=login
Environment=XDG_SESSION_CLASS=greeter {environment}
ExecStart={command}"""

_XVFB = f"""Xvfb :0 -screen 0 {_SIZE}x24 -nolisten tcp -ac &
export DISPLAY=:0
for i in $(seq 400); do [ -S /tmp/.X11-unix/X0 ] && break; sleep 0.05; done"""

# Of the words that the display manager gives its X server, a virtual one knows the display and who may draw on it.
_SERVER_OF_GREETER = f"""#!/bin/bash
exec Xvfb "$1" -screen 0 {_SIZE}x24 -nolisten tcp -ac
"""
_LIGHTDM = """[LightDM]
logind-check-graphical=false
[Seat:*]
xserver-command=/srv/greeter.sh
"""

_SCRIPT = """set -u
exec >/home/{user}/session.log 2>&1
export LIBGL_ALWAYS_SOFTWARE=1 LP_NUM_THREADS=$(nproc)
{display}
systemctl --user import-environment DISPLAY XDG_SESSION_TYPE LIBGL_ALWAYS_SOFTWARE LP_NUM_THREADS XDG_CURRENT_DESKTOP
exec {command}
"""

# The user's own service manager starts it, as the desktop's menu does, with the environment the desktop gave it.
_INSIDE = """export XDG_RUNTIME_DIR=/run/user/$(id -u)
export DBUS_SESSION_BUS_ADDRESS=unix:path=$XDG_RUNTIME_DIR/bus
exec systemd-run --user --quiet --collect {command}"""


def prepare(root: Path, start: DesktopStart) -> None:
    """Make a tree ready for its session: a new user, the session's service, script and pages."""
    quieten(root)
    chroot(root, "useradd", "--create-home", "--shell", "/bin/bash", USER)
    server = f"{_XVFB}\nexport XDG_SESSION_TYPE=x11" if start.method == METHOD_X else ""
    chroot(root, "localedef", "-i", LOCALE.split(".")[0], "-f", "UTF-8", LOCALE)
    write_session(root, start, USER, server, LOCALE)
    write_greeter(root, start.greeter)
    write_pages(root / "srv/pages")


def quieten(root: Path) -> None:
    """Let a tree start in a container without its login screen, and without work of its own."""
    (root / "usr/sbin/policy-rc.d").unlink(missing_ok=True)
    system = root / "etc/systemd/system"
    targets = {**dict.fromkeys(MASKED, "/dev/null"), "default.target": "/usr/lib/systemd/system/multi-user.target"}
    for unit, goal in targets.items():
        (system / unit).unlink(missing_ok=True)
        (system / unit).symlink_to(goal)


def write_greeter(root: Path, greeter: Greeter) -> None:
    """Write a service that shows the login screen as its display manager does, on a virtual screen."""
    script = root / "srv/greeter.sh"
    if greeter is Greeter.LIGHTDM:
        script.write_text(_SERVER_OF_GREETER)
        (root / "srv/lightdm.conf").write_text(_LIGHTDM)
        lines = "ExecStart=/usr/sbin/lightdm --config /srv/lightdm.conf"
    elif greeter is Greeter.SDDM:
        command = next(name for name in SDDM_GREETERS if (root / "usr/bin" / name).exists())
        command += " --test-mode --theme /usr/share/sddm/themes/debian-theme"
        script.write_text(f"#!/bin/bash\n{_XVFB}\nexec {command}\n")
        lines = _AS_USER.format(user="sddm", environment="", command="/srv/greeter.sh")
    else:
        lines = _AS_USER.format(
            user="Debian-gdm", command="/usr/bin/gnome-session --session=gnome-login",
            environment="XDG_SESSION_TYPE=wayland GNOME_SHELL_SESSION_MODE=gdm DCONF_PROFILE=gdm",
        )  # fmt: skip
    if script.exists():
        script.chmod(0o755)
    (root / "etc/systemd/system" / GREETER_SERVICE).write_text(_GREETER_SERVICE.format(locale=LOCALE, lines=lines))


def write_session(root: Path, start: DesktopStart, user: str, display: str, locale: str = "C.UTF-8") -> None:
    """Write the session's service and script; `display` is what the script does for a screen, in shell."""
    service = _SERVICE.format(user=user, desktop=start.desktop, greeter=GREETER_SERVICE, locale=locale)
    (root / "etc/systemd/system" / SESSION_SERVICE).write_text(service)
    command = f"/etc/X11/Xsession {start.command}" if start.method == METHOD_X else f"env {start.command}"
    (root / "srv/session.sh").write_text(_SCRIPT.format(user=user, display=display, command=command))
    for unit, line in start.overrides.items():
        folder = root / "etc/systemd/user" / f"{unit}.d"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "screen.conf").write_text(f"[Service]\nExecStart=\nExecStart={line}\n")


def installed(root: Path) -> str | None:
    """The desktop that a tree holds, None for none; the richest of several."""
    for edition, start in STARTS.items():
        programs = (start.command.split()[-1], start.process)
        if all(os.path.lexists(root / "usr/bin" / name) for name in programs):
            return edition
    return None


@contextmanager
def screen(leader: int) -> Iterator[str]:
    """Run this machine's Xvfb for a container whose tree has none; yields the shell's words that name its display.

    It listens on the abstract socket of the container's own network, so that no file of the tree is in the way.
    """
    command = ["nsenter", "-t", str(leader), "-n", "-i", "--", "Xvfb", "-displayfd", "1", "-screen", "0", f"{_SIZE}x24"]
    with subprocess.Popen(
        [*command, "-nolisten", "tcp", "-ac"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    ) as server:  # fmt: skip
        try:
            number = server.stdout.readline().strip() if server.stdout else ""
            if not number:
                raise ToolError("Xvfb did not start.", "Install the package xvfb.")
            yield f"export DISPLAY=:{number} XDG_SESSION_TYPE=x11"
        finally:
            server.terminate()


class _Pages(http.server.SimpleHTTPRequestHandler):
    def __init__(self, shown: dict[str, float], *given: Any, directory: str) -> None:
        self.shown = shown
        super().__init__(*given, directory=directory)

    def do_GET(self) -> None:
        if self.path.startswith("/shown?"):
            self.shown.setdefault(self.path.split("?", 1)[1], time.monotonic())
            self.send_response(204)
            self.end_headers()
            return
        super().do_GET()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def _listening(leader: int) -> socket.socket:
    """Enter a container's network, which belongs to the calling thread alone, and listen on its loopback."""
    with open(f"/proc/{leader}/ns/net") as network:
        if ctypes.CDLL(None).setns(network.fileno(), 0):
            raise ToolError("The test pages cannot be served inside the container.", "Entering its network needs root.")
    return socket.create_server(("127.0.0.1", PORT))


@contextmanager
def serving(folder: Path, leader: int) -> Iterator[dict[str, float]]:
    """Serve the pages on the container's own loopback, from outside its group.

    Yields the number of a page to when it said that it was shown [s of the monotonic clock].
    """
    shown: dict[str, float] = {}
    handler = partial(_Pages, shown, directory=str(folder))

    def serve() -> None:
        # Pages come from elsewhere: serving them must not wait for the processor that the session has.
        set_own(os.SCHED_RR, 1)
        server.serve_forever()

    with http.server.ThreadingHTTPServer(("127.0.0.1", PORT), handler, bind_and_activate=False) as server:
        server.socket.close()
        with ThreadPoolExecutor(1) as inside_it:
            server.socket = inside_it.submit(_listening, leader).result()
        threading.Thread(target=serve, daemon=True).start()
        try:
            yield shown
        finally:
            server.shutdown()


@contextmanager
def container(root: Path, group: Groups) -> Iterator[int]:
    """Start a tree's own systemd in a container, in a run's control group; yields its process 1, as the host counts."""
    environment = {**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"}
    command = [
        "systemd-nspawn", "-q", "-D", str(root), f"--machine={group.name}", "--boot", "--register=no", "--keep-unit",
        "--private-network", "--resolv-conf=off", "--link-journal=no", "--console=pipe",
    ]  # fmt: skip
    process = subprocess.Popen(
        command, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        preexec_fn=lambda: group.enter("work"),
    )  # fmt: skip
    try:
        leader = _child(process)
        yield leader
    finally:
        process.terminate()
        with suppress(subprocess.TimeoutExpired):
            process.wait(5)
        group.end("work")
        process.wait(10)


def _child(process: subprocess.Popen[bytes]) -> int:
    found: list[int] = []

    def there() -> bool:
        with suppress(OSError):  # a thread may end meanwhile
            for path in Path(f"/proc/{process.pid}/task").glob("*/children"):
                found.extend(pid for pid in map(int, path.read_text().split()) if command_of(pid) == "systemd")
        return bool(found) or process.poll() is not None

    wait_until(there, "The container")
    if not found:
        raise ToolError("The container did not start.", "Try systemd-nspawn on the tree by hand.")
    return found[0]


def await_up(leader: int) -> None:
    """Wait until the container's services have started, or failed to; 'offline' is said before there is a manager."""
    wait_until(
        lambda: inside(leader, "timeout 60 systemctl is-system-running --wait", timeout_s=90).strip() in UP,
        "The container's system",
    )


def inside(leader: int, script: str, user: str | None = None, timeout_s: float = 180) -> str:
    """Run a shell script in the container, as root or a user, and give what it printed."""
    try:
        done = subprocess.run(
            _entered(leader, script, user), stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=timeout_s
        )
    except subprocess.TimeoutExpired as error:
        raise ToolError(f"The container did not answer within {timeout_s:g} s.") from error
    return done.stdout


def _entered(leader: int, script: str, user: str | None) -> list[str]:
    command = ["nsenter", "-t", str(leader), "-m", "-u", "-i", "-n", "-p", "--"]
    command += ["setpriv", "--reuid", user, "--regid", user, "--init-groups"] if user else []
    return [*command, "/bin/bash", "-c", script]


def in_session(leader: int, command: str) -> subprocess.Popen[bytes]:
    """Start a program as the user would, without waiting for it: what asks the user's service manager to start it."""
    return subprocess.Popen(
        _entered(leader, _INSIDE.format(command=command), USER),
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def alive(group: Groups, start: DesktopStart) -> bool:
    """Whether the desktop's process is there."""
    return any(command_of(pid) == start.process[:15] for pid in group.pids())


def counted(group: Groups) -> list[int]:
    """The container's processes without the one that holds it."""
    return [pid for pid in group.pids() if command_of(pid) != "systemd-nspawn"]


def command_of(pid: int) -> str:
    """Name of a process, '' when it has ended."""
    try:
        return Path(f"/proc/{pid}/comm").read_text().strip()
    except OSError:
        return ""


def await_page(shown: dict[str, float], page: str, group: Groups, limit_s: float) -> tuple[float, float] | None:
    """Wait until a page says that it is shown: when [s, monotonic] and the processor time by then [s], or None."""
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        if page in shown:
            return shown[page], group.cpu_s()
        time.sleep(0.05)
    return None
