"""What is said when a command could not be carried out: a sentence, and where the details of a fault lie."""

from __future__ import annotations

import errno
import sys
import traceback
from datetime import datetime

from advisor.cli.screen import CLOSED_PIPE, one_line, say, silence
from advisor.errors import AdvisorError
from advisor.files import user_state, write_whole

DETAILS = "last-fault.txt"
"""File of the last fault's details, in the user's state folder."""


def failed(error: Exception, debug: bool = False) -> int:
    """Say why a command failed.

    Parameters
    ----------
    debug : bool
        Show the details here instead of writing them to a file.

    Returns
    -------
    int
        Exit code.
    """
    if isinstance(error, BrokenPipeError):
        silence(sys.stdout)
        return CLOSED_PIPE
    sentence, hint, is_fault = _words(error)
    if debug:
        say("".join(traceback.format_exception(error)), err=True, nl=False)
    elif is_fault:
        hint = _keep(error)
    say(f"advisor: {one_line(sentence)}", err=True)
    if hint:
        say(f"  {one_line(hint)}", err=True)
    return 2


def _words(error: Exception) -> tuple[str, str, bool]:
    """What went wrong, the next step, and whether it is a fault of the program."""
    if isinstance(error, AdvisorError):
        return error.message, error.hint, False
    if isinstance(error, MemoryError):
        return "The memory ran out.", "Close other programs, or hand in fewer rows at a time.", False
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        silence(sys.stdout)
        return f"What was to be written could not be: {error.strerror}.", "Make room on that disk.", False
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror}.", "Look at its name and its rights.", False
    if isinstance(error, OSError) and error.errno in (errno.EIO, errno.EROFS, errno.EDQUOT):
        return f"A disk did not do what was asked of it: {error.strerror}.", "Look at it, and at the room on it.", False
    return f"A fault of this program, {type(error).__name__}: {str(error)[:300]}", "", True


def _keep(error: Exception) -> str:
    """Write the details down for this user alone; where they are, in words."""
    from advisor import __version__

    again = "Run it again as: advisor --debug ..."
    text = "".join(traceback.format_exception(error))
    head = f"advisor {__version__}, Python {sys.version.split()[0]}, {datetime.now().astimezone().isoformat()}\n"
    path = user_state() / DETAILS
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(path, (head + text).encode("utf-8", "backslashreplace"), private=True)
    except (OSError, AdvisorError):
        return f"The details could not be written to {path}. {again}"
    return f"The details are in {path}. To see them here: {again}"
