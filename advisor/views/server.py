"""Starting the notebooks: a Jupyter server on this machine alone, behind a token, with the view already there."""

from __future__ import annotations

import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
import webbrowser
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from advisor.errors import InputError, ToolError
from advisor.files import make_folder, user_data, write_whole
from advisor.views.door import PROOF, proof_of

HOST = "127.0.0.1"
"""Loopback: nobody else on the network reaches the notebooks."""

NOTEBOOKS: dict[str, str] = {
    "bench": "bench.ipynb",
    "triage": "intake_triage.ipynb",
    "batch": "batch_scoring.ipynb",
    "review": "model_review.ipynb",
    "year": "year.ipynb",
}
"""Notebook files by the name on the command line."""

_HERE = Path(__file__).resolve().parent
_INSTALL = "Install it: pip install 'bench-advisor[notebook]'"


@dataclass(frozen=True)
class Launch:
    """How a server is started.

    Attributes
    ----------
    environment : dict of str to str
        Variables beside those of this process.
    folder : pathlib.Path
        Folder it serves.
    place : pathlib.Path
        Folder of its own, for this user alone: its messages, its sockets, the page that opens it.
    notebook : str
        File name of the notebook shown first.
    app : bool
        The view alone, without code cells.
    """

    command: list[str]
    folder: Path
    place: Path
    notebook: str
    port: int
    token: str = field(repr=False)
    app: bool
    environment: dict[str, str] = field(repr=False)

    @property
    def url(self) -> str:
        """Address for the browser, with the token."""
        place = "" if self.app else f"doc/tree/{self.notebook}"
        return f"http://{HOST}:{self.port}/{place}?token={self.token}"

    @property
    def log(self) -> Path:
        """File of the server's messages."""
        return self.place / "server.log"


def shipped_notebooks() -> Path:
    """Find the notebooks that come with the package."""
    package = _HERE.parent
    for candidate in (package / "_notebooks", package.parent / "notebooks"):
        if (candidate / NOTEBOOKS["triage"]).is_file():
            return candidate
    raise ToolError("The notebooks are missing from this installation.", "Install the package again.")


def lay_out(folder: Path) -> None:
    """Copy the shipped notebooks to where they are opened from, over those of the same names."""
    make_folder(folder, "Set ADVISOR_HOME to a folder that you may write to.")
    for source in sorted(shipped_notebooks().glob("*.ipynb")):
        write_whole(folder / source.name, source.read_bytes())


def plan(
    which: str = "bench", *, app: bool = False, port: int = 0, folder: Path | None = None, shop: Path | None = None
) -> Launch:
    """Work out how the server is started; nothing runs and nothing is written yet.

    Parameters
    ----------
    which : str
        A key of `NOTEBOOKS`.
    app : bool
        The bench alone, without code cells; `which` says its first tab.
    port : int
        0 takes a free one.
    folder : path-like, optional
        Where the notebooks are laid out. Default: `notebooks` in the user's data folder.
    shop : path-like, optional
        The shop's settings, for every kernel of the server.

    Raises
    ------
    InputError
        When there is no such notebook, or the port is taken.
    ToolError
        When JupyterLab or voila is not installed.
    """
    if which not in NOTEBOOKS:
        raise InputError(f"There is no notebook {which!r}.", f"There are: {', '.join(NOTEBOOKS)}.")
    notebook = NOTEBOOKS["bench" if app else which]
    for needed in ("voila" if app else "jupyterlab", "ipykernel"):
        if find_spec(needed) is None:
            raise ToolError(f"{needed} is not installed.", _INSTALL)
    port = _usable(port)
    token = secrets.token_urlsafe(24)
    served = Path(folder if folder is not None else user_data() / "notebooks").resolve()
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    place = Path(runtime if os.access(runtime, os.W_OK) else tempfile.gettempdir()) / f"advisor-{secrets.token_hex(4)}"
    # What stands in the settings below app/config is not repeated here.
    if app:
        command = ["voila", str(served / notebook), f"--Voila.ip={HOST}", "--Voila.port_retries=0"]
        command += ["--token", f"--Voila.config_file_paths={_HERE / 'app' / 'config'}"]
    else:
        command = ["jupyterlab", f"--ServerApp.root_dir={served}", f"--ip={HOST}", "--ServerApp.port_retries=0"]
        command += [f"--LabApp.workspaces_dir={place / 'workspaces'}", "--LabApp.news_url=None", "--allow-root"]
    return Launch(
        # -P: what lies in the folder it is started in is not taken for a module.
        command=[sys.executable, "-P", "-m", *command, "--no-browser", f"--port={port}"],
        folder=served,
        place=place,
        notebook=notebook,
        port=port,
        token=token,
        app=app,
        environment=_environment(place, token)
        | ({} if which == "bench" else {"ADVISOR_TAB": which})
        | ({"ADVISOR_SHOP": str(Path(shop).resolve())} if shop else {}),
    )


def _usable(port: int) -> int:
    """Give the port, or for 0 one that nobody listens on."""
    with socket.socket() as probe:
        # As servers do: a port that was in use a minute ago is free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise InputError(
                f"Port {port} on this machine cannot be used: {error.strerror}.", "Without --port, a free one is taken."
            ) from error
        return int(probe.getsockname()[1])


def _environment(place: Path, token: str) -> dict[str, str]:
    """Variables of the server and, through it, of its kernels; the settings of this user's other servers stay away."""
    from jupyter_core.paths import jupyter_config_dir

    first = {"JUPYTER_PATH": _HERE / "app" / "share", "JUPYTER_CONFIG_PATH": _HERE / "app" / "config"}
    return {
        name: os.pathsep.join(filter(None, [str(folder), os.environ.get(name)])) for name, folder in first.items()
    } | {
        # Other users can read a command line, but not the environment.
        "JUPYTER_TOKEN": token,
        "JUPYTER_PREFER_ENV_PATH": "1",
        "JUPYTER_CONFIG_DIR": str(place / "config"),
        "JUPYTERLAB_SETTINGS_DIR": str(Path(jupyter_config_dir()) / "lab" / "user-settings"),
        "JUPYTER_RUNTIME_DIR": str(place),
        "PYTHONSAFEPATH": "1",
        # Without its settings a server must not start.
        "TRAITLETS_APPLICATION_RAISE_CONFIG_FILE_ERROR": "1",
    }


def _calm_workspace(folder: Path) -> None:
    """Open JupyterLab with both side bars folded away: the view needs the width."""
    from jupyterlab_server.workspaces_handler import WorkspacesManager

    bars = {side: {"collapsed": True, "visible": True, "widgets": []} for side in ("left", "right")}
    workspace = {"data": {"layout-restorer:data": {"main": {"dock": None}, **bars}}, "metadata": {"id": "default"}}
    WorkspacesManager(str(folder)).save("default", json.dumps(workspace))


def start(planned: Launch, patience_s: float = 120) -> subprocess.Popen[bytes]:
    """Start the server and wait until it answers; for a notebook, run it so that its view is there at once.

    The server ends when the process that called this does, however that ends.

    Parameters
    ----------
    patience_s : float
        How long to wait [s].

    Raises
    ------
    InputError
        When the notebooks cannot be laid out.
    ToolError
        When the server ends or does not answer in time.
    """
    lay_out(planned.folder)
    try:
        planned.place.mkdir(mode=0o700)
        if not planned.app:
            _calm_workspace(planned.place / "workspaces")
        planned.log.touch(mode=0o600)
        output = planned.log.open("wb")
    except OSError as error:
        raise InputError(
            f"The folder {planned.place} cannot be made: {error.strerror}.",
            "Set XDG_RUNTIME_DIR or TMPDIR to a folder that you may write to.",
        ) from error
    with output:
        process = subprocess.Popen(
            planned.command,
            env=os.environ | planned.environment,
            cwd=planned.place,
            stdout=output,
            stderr=subprocess.STDOUT,
            # Kept open as long as this process lives: its end is the sign to end.
            stdin=subprocess.PIPE,
            # Ctrl-C is for this process alone; it ends the server in good order.
            process_group=0,
        )
    try:
        _wait(process, planned, patience_s)
        if not planned.app:
            run_ahead(planned)
    except BaseException as error:
        stop(process, keep=isinstance(error, ToolError))
        raise
    return process


def _wait(process: subprocess.Popen[bytes], planned: Launch, patience_s: float) -> None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if process.poll() is not None:
            last = planned.log.read_text(errors="replace").strip().splitlines()[-1:] or ["no message"]
            raise ToolError(f"The notebook server ended at once: {last[0]}", f"Its messages are in {planned.log}.")
        if _answers(planned):
            return
        time.sleep(0.15)
    raise ToolError(
        f"The notebook server did not answer within {patience_s:g} s.", f"Its messages are in {planned.log}."
    )


def _answers(planned: Launch) -> bool:
    """Tell whether the port is answered by this server: a stranger's must not be shown the token."""
    try:
        with _opened(urllib.request.Request(f"http://{HOST}:{planned.port}/login")) as answer:
            return bool(answer.headers.get(PROOF) == proof_of(planned.token))
    except OSError:
        return False


def stop(process: subprocess.Popen[bytes], *, keep: bool = False) -> None:
    """End a server that `start` began, with its kernels.

    Parameters
    ----------
    keep : bool
        Leave its messages to be read.
    """
    if keep:
        process.terminate()
    elif process.stdin:
        process.stdin.close()
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)


def _opened(request: urllib.request.Request) -> Any:
    # A proxy set for the network must not be asked for this machine's own address.
    return urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=30)


def _ask(planned: Launch, path: str, body: Mapping[str, Any]) -> Any:
    request = urllib.request.Request(
        f"http://{HOST}:{planned.port}/{path}",
        headers={"Authorization": f"token {planned.token}", "Content-Type": "application/json"},
        data=json.dumps(body).encode(),
    )
    with _opened(request) as answer:
        return json.load(answer)


def run_ahead(planned: Launch) -> None:
    """Run the notebook in the kernel that its page will use, and keep the outputs: the view opens with the page."""
    import nbformat
    from jupyter_client.blocking.client import BlockingKernelClient
    from nbformat.sign import NotebookNotary

    path = planned.folder / planned.notebook
    notebook = nbformat.read(path, as_version=4)
    wanted = {"path": path.name, "name": path.name, "type": "notebook", "kernel": {"name": "python3"}}
    try:
        kernel = _ask(planned, "api/sessions", wanted)["kernel"]["id"]
        client = BlockingKernelClient(connection_file=str(planned.place / f"kernel-{kernel}.json"))
        client.load_connection_file()
        # The heartbeat is left out: on a busy machine it calls a slow kernel dead.
        client.start_channels(stdin=False, hb=False, control=False)
        try:
            client.wait_for_ready(timeout=60)
            for cell in notebook.cells:
                if cell.cell_type == "code":
                    _execute(client, cell)
        finally:
            client.stop_channels()
        nbformat.write(notebook, path)
        NotebookNotary().sign(notebook)
    except (OSError, RuntimeError, ValueError) as error:
        raise ToolError(f"The notebook {path.name} failed: {error}", f"Its messages are in {planned.log}.") from error


def _execute(client: Any, cell: Any) -> None:
    """Run one cell and keep what it shows."""
    import nbformat

    outputs: list[Any] = []

    def keep(message: dict[str, Any]) -> None:
        if message["msg_type"] in ("display_data", "execute_result", "stream", "error"):
            outputs.append(nbformat.v4.output_from_msg(message))

    reply = client.execute_interactive(cell.source, output_hook=keep, timeout=120, allow_stdin=False)["content"]
    if reply["status"] != "ok":
        raise RuntimeError(reply.get("evalue", "a cell failed"))
    cell.outputs = outputs
    cell.execution_count = reply["execution_count"]


def find_browser() -> bool:
    """Tell whether a browser can be opened from here."""
    screen = ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in screen):
        return False
    with suppress(webbrowser.Error):
        return bool(webbrowser.get())
    return False


def show(planned: Launch) -> bool:
    """Open the browser on a page that leads to the view: the browser's command line, which others see, has no token.

    Parameters
    ----------
    planned : Launch
        Of a running server.

    Returns
    -------
    bool
        Whether a browser was opened.
    """
    page = planned.place / "open.html"
    with suppress(OSError, webbrowser.Error):
        page.touch(mode=0o600)
        page.write_text(f'<!doctype html><meta http-equiv="refresh" content="0; url={planned.url}">')
        return webbrowser.open(page.as_uri())
    return False
