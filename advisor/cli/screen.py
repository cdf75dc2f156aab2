"""The one place where the command line prints: nothing from a table, a log or a file's name commands a terminal."""

from __future__ import annotations

import contextlib
import os
import sys
import unicodedata
from typing import Any, TextIO

from advisor.errors import InputError

CLOSED_PIPE = 141
"""Exit code when nobody reads on: 128 and the number of SIGPIPE, as a shell says of any program."""


def plain(text: str) -> str:
    """Text as it may be shown: controls, escape sequences and marks that turn the direction of writing are spelled out.

    Returns
    -------
    str
        The same where it is printable; line breaks and tabs stay.
    """
    return "\n".join(line if line.isprintable() else "".join(map(_spelled, line)) for line in text.split("\n"))


def _spelled(letter: str) -> str:
    if letter == "\t" or letter.isprintable() or unicodedata.category(letter) == "Zs":
        return letter
    return letter.encode("unicode_escape").decode("ascii")


def one_line(value: object) -> str:
    """A cell's text on one line, so that a line break in it makes no line of its own."""
    return " ".join(str(value).split())


def cell(value: Any, form: str = "") -> str:
    """A value as a table on the screen has it, on one line; '-' where nothing is known."""
    import pandas as pd

    return "-" if pd.isna(value) or value == "" else one_line(format(value, form))


def say(text: object = "", *, err: bool = False, nl: bool = True) -> None:
    """Print.

    Parameters
    ----------
    err : bool
        To the standard error.
    nl : bool
        With a line break at the end.

    Raises
    ------
    SystemExit
        When nobody reads on.
    InputError
        When what the output goes to is full.
    """
    stream = sys.stderr if err else sys.stdout
    try:
        stream.write(plain(str(text)) + ("\n" if nl else ""))
        stream.flush()
    except OSError as error:
        silence(stream)
        if isinstance(error, BrokenPipeError):
            raise SystemExit(CLOSED_PIPE) from None
        if not err:
            raise InputError(
                f"What is said here could not be written: {error.strerror}.", "Make room, or let it go elsewhere."
            ) from error


def silence(stream: TextIO) -> None:
    """Let the rest of a stream go nowhere, so that the interpreter has nothing to say of it at the end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def open_streams() -> None:
    """Put /dev/null where a standard stream was closed, and let no letter be one that a stream cannot write."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is taken: this one.
            os.open(os.devnull, os.O_RDWR)
    for name, number in (("stdout", 1), ("stderr", 2)):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "w", closefd=False))
        with contextlib.suppress(AttributeError):
            getattr(sys, name).reconfigure(errors="backslashreplace")
