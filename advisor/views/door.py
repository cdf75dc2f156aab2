"""Who may come in to a notebook server, and when it ends: read by the server's settings in `app/config`."""

from __future__ import annotations

import atexit
import hashlib
import os
import shutil
import signal
import threading
import time
from typing import Any

PROOF = "X-Advisor"
"""Header of every answer, by which a server shows that it knows the token."""

_SOCKET_PATH = 107
"""Longest path of a Unix socket on Linux [characters] (unix(7))."""

_SOCKET_NAME = len("/voila_12345678/kernel-12345678-1234-1234-1234-123456789012-ipc-5")


def proof_of(token: str) -> str:
    """Work out what a server that was given the token answers, which tells nobody the token."""
    return hashlib.sha256(token.encode()).hexdigest()


def settle(config: Any) -> dict[str, Any]:
    """Set what both kinds of server share, tornado's settings, and end this process with the one that began it."""
    token = os.environ.pop("JUPYTER_TOKEN")
    place = os.getcwd()
    config.IdentityProvider.token = token
    config.PasswordIdentityProvider.allow_password_change = False
    # The browsers' default, Lax, would send the cookie along from a link on any page.
    config.IdentityProvider.cookie_options = {"SameSite": "Strict"}
    if len(place) + _SOCKET_NAME <= _SOCKET_PATH:
        # A kernel's TCP ports tell what it prints to any user of the machine; these sockets lie in a private folder.
        config.KernelManager.transport = "ipc"
    threading.Thread(target=_end_with_parent, args=(place,), daemon=True).start()
    return {
        "allow_remote_access": False,
        "headers": {PROOF: proof_of(token), "Referrer-Policy": "same-origin"},
    }


def _end_with_parent(place: str, grace_s: float = 10) -> None:
    """Wait until nobody holds the other end of standard input, then end in good order and leave nothing behind."""
    os.read(0, 1)
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(grace_s)
    os._exit(1)


def own_page_only(handler: Any, **_: Any) -> None:
    """Refuse, as tornado's HTTPError, to start a kernel for a page that someone else's page asked for."""
    from tornado.web import HTTPError

    site = handler.request.headers.get("Sec-Fetch-Site", "none")
    if not handler.token_authenticated and (site not in ("none", "same-origin") or not handler.check_origin()):
        raise HTTPError(403)
    # Asking for it sets the cookie without which the page may not end its kernel when it is closed.
    _ = handler.xsrf_token


def guard_files(module: Any) -> None:
    """Put the file handlers of a module behind the checks of host and token, as its other handlers are."""
    from jupyter_server.base.handlers import JupyterHandler
    from tornado.web import RequestHandler, StaticFileHandler

    for name, one in list(vars(module).items()):
        if isinstance(one, type) and issubclass(one, StaticFileHandler) and not issubclass(one, JupyterHandler):
            # Jupyter's own page for errors needs a folder of files that anyone may fetch.
            setattr(module, name, type(name, (JupyterHandler, one), {"write_error": RequestHandler.write_error}))
