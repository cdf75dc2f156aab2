"""Writing files whole or not at all, and finding the project's own data."""

from __future__ import annotations

import contextlib
import os
import tempfile
from functools import cache
from pathlib import Path

from advisor.errors import InputError, TableError

PACKAGE_NAME = "bench-advisor"


def write_whole(path: str | os.PathLike[str], content: str | bytes) -> Path:
    """Write a file so that a reader sees the old content or all of the new, never a part.

    Parameters
    ----------
    path : path-like
        Where to write; its folder must exist.
    content : str or bytes
        Text is written as UTF-8.

    Returns
    -------
    pathlib.Path
        The path written.

    Raises
    ------
    InputError
        When the folder is missing or cannot be written to, or the disk is full.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, target)
    except OSError as error:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise InputError(
            f"{target} could not be written: {error.strerror or error}.",
            "Choose a folder that exists and that you may write to, with room left on its disk.",
        ) from error
    return target


@cache
def datasets() -> Path:
    """Folder of the tables and logs that ship with the package.

    Returns
    -------
    pathlib.Path
        Inside the installed package, or `datasets/` of the checkout.

    Raises
    ------
    TableError
        When neither place holds the tables.
    """
    here = Path(__file__).resolve().parent
    for candidate in (here / "_datasets", here.parent / "datasets"):
        if candidate.is_dir():
            return candidate
    raise TableError(
        f"The tables are missing: neither {here / '_datasets'} nor {here.parent / 'datasets'} exists.",
        "Install the package again: pip install --force-reinstall .",
    )


def user_data() -> Path:
    """Folder for this user's own tables, bench log and models (not created here).

    Returns
    -------
    pathlib.Path
        `$ADVISOR_HOME` when set, else the platform's data folder.
    """
    home = os.environ.get("ADVISOR_HOME")
    if home:
        return Path(home)
    import platformdirs

    return Path(platformdirs.user_data_path(PACKAGE_NAME))
