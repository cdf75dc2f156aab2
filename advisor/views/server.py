"""Starting the notebooks: a Jupyter server on this machine alone, behind a token, with the view already there."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from advisor.errors import InputError, ToolError
from advisor.files import user_data, write_whole

HOST = "127.0.0.1"
"""Loopback: nobody else on the network reaches the notebooks."""

NOTEBOOKS: dict[str, str] = {
    "bench": "bench.ipynb",
    "triage": "intake_triage.ipynb",
    "batch": "batch_scoring.ipynb",
    "review": "model_review.ipynb",
}
"""Notebook files by the name on the command line."""

_HERE = Path(__file__).resolve().parent
_INSTALL = "Install it: pip install 'bench-advisor[notebook]'"


@dataclass(frozen=True)
class Plan:
    """How a server is started.

    Attributes
    ----------
    command : list of str
    environment : dict of str to str
        Variables beside those of this process.
    folder : pathlib.Path
        Folder it serves.
    notebook : str
        File name of the notebook shown first.
    port : int
    token : str
    app : bool
        The view alone, without code cells.
    """

    command: list[str]
    folder: Path
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
    def probe(self) -> str:
        """Address that answers as soon as the server is up."""
        return f"http://{HOST}:{self.port}/" + ("voila/static/voila.js" if self.app else "api")


def shipped_notebooks() -> Path:
    """Folder of the notebooks that come with the package.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    ToolError
        When the installation lacks them.
    """
    package = _HERE.parent
    for candidate in (package / "_notebooks", package.parent / "notebooks"):
        if (candidate / NOTEBOOKS["triage"]).is_file():
            return candidate
    raise ToolError("The notebooks are missing from this installation.", "Install the package again.")


def lay_out(folder: Path | None = None) -> Path:
    """Copy the shipped notebooks to where they are opened from.

    Parameters
    ----------
    folder : path-like, optional
        Default: `notebooks` in the user's data folder. Notebooks of the same names in it are replaced.

    Returns
    -------
    pathlib.Path
    """
    target = Path(folder) if folder is not None else user_data() / "notebooks"
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"The folder {target} cannot be made: {error.strerror}.",
            "Set ADVISOR_HOME to a folder that you may write to.",
        ) from error
    for source in sorted(shipped_notebooks().glob("*.ipynb")):
        write_whole(target / source.name, source.read_bytes())
    return target


def free_port() -> int:
    """Find a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def plan(which: str = "triage", *, app: bool = False, port: int = 0, folder: Path | None = None) -> Plan:
    """Work out how the server is started; nothing runs yet.

    Parameters
    ----------
    which : str
        A key of `NOTEBOOKS`.
    app : bool
        The view alone, without code cells.
    port : int
        0 takes a free one.
    folder : path-like, optional
        Where the notebooks are laid out.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        When there is no such notebook.
    ToolError
        When JupyterLab or voila is not installed.
    """
    if which not in NOTEBOOKS:
        raise InputError(f"There is no notebook {which!r}.", f"There are: {', '.join(NOTEBOOKS)}.")
    needed = "voila" if app else "jupyterlab"
    if find_spec(needed) is None:
        raise ToolError(f"{needed} is not installed.", _INSTALL)
    served = lay_out(folder)
    settings = served / ".lab"
    if not app:
        _calm_workspace(settings)
    port = port or free_port()
    token = secrets.token_urlsafe(24)
    environment = {
        # The browser's address holds the token; the command line, which other users can read, does not.
        "JUPYTER_TOKEN": token,
        "JUPYTER_PATH": _joined(_HERE / "app" / "share", os.environ.get("JUPYTER_PATH")),
        "JUPYTER_CONFIG_PATH": _joined(_HERE / "app" / "config", os.environ.get("JUPYTER_CONFIG_PATH")),
        "JUPYTER_PREFER_ENV_PATH": "1",
    }
    root = ["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    if app:
        config = _HERE / "app" / "voila_token.py"
        command = [
            sys.executable,
            "-m",
            "voila",
            str(served / NOTEBOOKS[which]),
            "--no-browser",
            f"--port={port}",
            f"--Voila.ip={HOST}",
            "--template=bench",
            f"--config={config}",
            "--VoilaConfiguration.show_tracebacks=True",
        ]
    else:
        command = [
            sys.executable,
            "-m",
            "jupyterlab",
            "--no-browser",
            f"--port={port}",
            "--ServerApp.port_retries=0",
            f"--ip={HOST}",
            f"--ServerApp.root_dir={served}",
            "--LabApp.news_url=None",
            f"--LabApp.workspaces_dir={settings}",
            *root,
        ]
    return Plan(command, served, NOTEBOOKS[which], port, token, app, environment)


def _calm_workspace(folder: Path) -> None:
    """Open JupyterLab with both side bars folded away: the view needs the width."""
    from jupyterlab_server.workspaces_handler import WorkspacesManager

    bars = {side: {"collapsed": True, "visible": True, "widgets": []} for side in ("left", "right")}
    workspace = {"data": {"layout-restorer:data": {"main": {"dock": None}, **bars}}, "metadata": {"id": "default"}}
    folder.mkdir(exist_ok=True)
    WorkspacesManager(str(folder)).save("default", json.dumps(workspace))


def _joined(first: Path, rest: str | None) -> str:
    return f"{first}{os.pathsep}{rest}" if rest else str(first)


def start(planned: Plan, patience_s: float = 120) -> subprocess.Popen[bytes]:
    """Start the server and wait until it answers; for a notebook, run it so that its view is there at once.

    Parameters
    ----------
    planned : Plan
    patience_s : float
        How long to wait [s].

    Returns
    -------
    subprocess.Popen

    Raises
    ------
    ToolError
        When the server ends or does not answer in time.
    """
    log = planned.folder / "server.log"
    with log.open("wb") as output:
        process = subprocess.Popen(
            planned.command,
            env=os.environ | planned.environment,
            stdout=output,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        )
    try:
        _wait(process, planned, log, patience_s)
        if not planned.app:
            run_ahead(planned)
    except BaseException:
        stop(process)
        raise
    return process


def _wait(process: subprocess.Popen[bytes], planned: Plan, log: Path, patience_s: float) -> None:
    until = time.monotonic() + patience_s
    while time.monotonic() < until:
        if process.poll() is not None:
            last = log.read_text(errors="replace").strip().splitlines()[-1:] or ["no message"]
            raise ToolError(f"The notebook server ended at once: {last[0]}", f"Its messages are in {log}.")
        try:
            _ask(planned, planned.probe)
            return
        except urllib.error.HTTPError:
            return
        except OSError:
            time.sleep(0.15)
    raise ToolError(f"The notebook server did not answer within {patience_s:g} s.", f"Its messages are in {log}.")


def stop(process: subprocess.Popen[bytes]) -> None:
    """End a server that `start` began.

    Parameters
    ----------
    process : subprocess.Popen
    """
    process.terminate()
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(5)


def _ask(planned: Plan, url: str, body: Mapping[str, Any] | None = None) -> bytes:
    request = urllib.request.Request(
        url, headers={"Authorization": f"token {planned.token}", "Content-Type": "application/json"}
    )
    request.data = json.dumps(body).encode() if body is not None else None
    # A proxy set for the network must not be asked for this machine's own address.
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with opener.open(request, timeout=30) as answer:
        return bytes(answer.read())


def run_ahead(planned: Plan) -> None:
    """Run the notebook in the kernel that its page will use, and keep the outputs: the view opens with the page.

    Parameters
    ----------
    planned : Plan
        Of a running server.

    Raises
    ------
    ToolError
        When a cell fails.
    """
    import nbformat
    from jupyter_client.blocking.client import BlockingKernelClient
    from jupyter_core.paths import jupyter_runtime_dir
    from nbformat.sign import NotebookNotary

    path = planned.folder / planned.notebook
    notebook = nbformat.read(path, as_version=4)
    session = json.loads(
        _ask(
            planned,
            f"http://{HOST}:{planned.port}/api/sessions",
            {"path": planned.notebook, "name": planned.notebook, "type": "notebook", "kernel": {"name": "python3"}},
        )
    )
    client = BlockingKernelClient(
        connection_file=str(Path(jupyter_runtime_dir()) / f"kernel-{session['kernel']['id']}.json")
    )
    client.load_connection_file()
    # The heartbeat is left out: on a busy machine it calls a slow kernel dead.
    client.start_channels(stdin=False, hb=False, control=False)
    try:
        client.wait_for_ready(timeout=60)
        for cell in notebook.cells:
            if cell.cell_type != "code":
                continue
            outputs: list[Any] = []

            def keep(message: dict[str, Any], outputs: list[Any] = outputs) -> None:
                if message["msg_type"] in ("display_data", "execute_result", "stream", "error"):
                    outputs.append(nbformat.v4.output_from_msg(message))

            reply = client.execute_interactive(cell.source, output_hook=keep, timeout=120, allow_stdin=False)
            if reply["content"]["status"] != "ok":
                raise ToolError(
                    f"The notebook {planned.notebook} failed: {reply['content'].get('evalue', '')}",
                    "Open it in JupyterLab to see more.",
                )
            cell.outputs = outputs
            cell.execution_count = reply["content"]["execution_count"]
    finally:
        client.stop_channels()
    nbformat.write(notebook, path)
    NotebookNotary().sign(notebook)


def find_browser() -> bool:
    """Tell whether a browser can be opened from here."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return False
    import webbrowser

    try:
        webbrowser.get()
    except webbrowser.Error:
        return shutil.which("xdg-open") is not None
    return True
