"""Every file that is named from outside is read and written here, and the project's own data is found."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import io
import json
import math
import os
import secrets
import shutil
import signal
import stat
import sys
import tomllib
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from advisor.errors import AdvisorError, InputError, TableError

if TYPE_CHECKING:
    import pandas as pd

PACKAGE_NAME = "bench-advisor"

Refusal = Callable[[str, str], AdvisorError]
"""Which error a reader raises, of a message and a hint."""

LARGEST = 256 << 20
"""Largest file that is read unless a caller says otherwise [bytes]."""

LARGEST_SETTINGS = 1 << 20
"""Largest TOML that is read [bytes]; a shop with hundreds of parts has some 50 KB."""

MOST_DOTS = 100
"""Most dots in a line of TOML: the time that a dotted key takes grows with their square."""

MOST_REASON = 300
"""Most characters of what a parser says that go into a message: it may hold a whole word of the file."""

_OPEN = os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY
_NULLS = (os.makedev(1, 3), os.makedev(1, 7))
"""/dev/null and /dev/full, from Linux, Documentation/admin-guide/devices.txt: they take writes and keep nothing."""


@contextlib.contextmanager
def opened(path: str | os.PathLike[str], error: Refusal = InputError, hint: str = "") -> Iterator[BinaryIO]:
    """Open a file that somebody named for reading, if it is a regular file: a pipe or a device might never end.

    Parameters
    ----------
    error : callable
        Makes the error to raise.
    hint : str
        Next step, where the file cannot be read.

    Raises
    ------
    AdvisorError
        When it is missing, a folder, pipe or device, or may not be read.
    """
    try:
        # Looked at before it is opened, as opening a device may already do something; and after, as it may change.
        kind = _kind(os.stat(path).st_mode)
        if not kind:
            with os.fdopen(os.open(path, os.O_RDONLY | _OPEN), "rb") as file:
                kind = _kind(os.fstat(file.fileno()).st_mode)
                if not kind:
                    yield file
    except OSError as problem:
        if isinstance(problem, AdvisorError):
            raise
        reason = "does not exist" if isinstance(problem, FileNotFoundError) else f"cannot be read: {_reason(problem)}"
        raise error(f"{path} {reason}.", hint or "Look at its name and its rights.") from problem
    except ValueError as problem:
        # Of a name with a NUL in it; an error of the package is one too.
        if "null byte" not in str(problem):
            raise
        raise error(f"{str(path)!r} is no file name.", hint) from problem
    if kind:
        raise error(f"{path} is {kind}, not a file.", "Name a file.")


def read_whole(path: str | os.PathLike[str], most: int = LARGEST, error: Refusal = InputError, hint: str = "") -> bytes:
    """Read a file that somebody named, up to a size.

    Parameters
    ----------
    most : int
        Largest size accepted [bytes].
    error : callable
        Makes the error to raise.
    hint : str
        Next step, where the file cannot be read.

    Raises
    ------
    AdvisorError
        As `opened`, and when it is larger.
    """
    with opened(path, error, hint) as file:
        content = file.read(most + 1) or b""
    refuse_large(content, str(path), most, error)
    return content


def refuse_large(content: bytes, name: str, most: int, error: Refusal = InputError) -> None:
    """Refuse what has more than so many bytes."""
    if len(content) > most:
        size = f"{most >> 20} MiB" if most >> 20 else f"{most} bytes"
        raise error(f"{name} is larger than {size}, so it was not read.", "Is it the right file?")


def refuse_odd(path: str | os.PathLike[str], error: Refusal = InputError) -> None:
    """Refuse a folder, pipe or device where a file is meant; a path that names nothing passes, and nothing is opened.

    Parameters
    ----------
    error : callable
        Makes the error to raise.

    Raises
    ------
    AdvisorError
    """
    kind = ""
    with contextlib.suppress(OSError):
        kind = _kind(os.stat(path).st_mode)
    if kind:
        raise error(f"{path} is {kind}, not a file.", "Name a file.")


def is_there(path: str | os.PathLike[str], error: Refusal = InputError) -> bool:
    """Whether a path names anything at all; what may not be looked at is no reason to go on as if there were nothing.

    Parameters
    ----------
    error : callable
        Makes the error to raise.

    Raises
    ------
    AdvisorError
        When its folder may not be looked into.
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as problem:
        raise error(f"{path} cannot be read: {_reason(problem)}.", "Look at the rights of its folder.") from problem
    return True


def read_text(path: str | os.PathLike[str], most: int = LARGEST, error: Refusal = InputError, hint: str = "") -> str:
    """Read a text in UTF-8, with or without a byte order mark; see `read_whole`.

    Raises
    ------
    AdvisorError
        Also when it is no text.
    """
    try:
        return read_whole(path, most, error, hint).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line, byte = problem.object[: problem.start].count(b"\n") + 1, problem.object[problem.start]
        raise error(f"{path} is not UTF-8: line {line}, byte {byte:#04x}.", hint or "Save it as UTF-8.") from problem


def read_toml(path: str | os.PathLike[str], error: Refusal = InputError, hint: str = "") -> dict[str, Any]:
    """Read a TOML file; see `read_whole`.

    Raises
    ------
    AdvisorError
        Also when it is no TOML, or of a shape that nobody writes by hand.
    """
    return parse_toml(read_text(path, LARGEST_SETTINGS, error, hint), str(path), error, hint)


def read_csv(path: str | os.PathLike[str], what: str, **how: Any) -> pd.DataFrame:
    """Read a CSV that somebody named; see `read_whole`.

    Parameters
    ----------
    what : str
        What it is called in messages, such as 'bench log'.
    **how
        As `pandas.read_csv` takes it.

    Raises
    ------
    InputError
        Also when it is no CSV.
    """
    import pandas as pd

    text = read_text(path)
    try:
        return pd.read_csv(io.StringIO(text), **how)
    except (ValueError, OverflowError) as problem:
        raise InputError(f"The {what} {path} cannot be read: {problem}.", "It must be a CSV in UTF-8.") from problem


def parse_toml(text: str, name: str, error: Refusal = InputError, hint: str = "") -> dict[str, Any]:
    """Parse TOML of a shape that somebody might write by hand.

    Parameters
    ----------
    name : str
        What it is called in messages.

    Raises
    ------
    AdvisorError
        When it is no TOML, is nested too deeply, or has a line of very many dots.
    """
    if any(line.count(".") > MOST_DOTS for line in text.splitlines()):
        raise error(f"{name} has a line with more than {MOST_DOTS} dots, which no settings need.", hint)
    try:
        return tomllib.loads(text)
    # Numbers of thousands of digits and tables nested thousands deep are refused by Python, not by tomllib.
    except (ValueError, RecursionError) as problem:
        raise error(f"{name} is not TOML: {_reason(problem)}.", hint) from problem


def read_json(
    path: str | os.PathLike[str], most: int = LARGEST, error: Refusal = InputError, hint: str = ""
) -> dict[str, Any]:
    """Read a JSON file that holds one object; see `read_whole`.

    Raises
    ------
    AdvisorError
        Also when it is no JSON, names a key twice, holds NaN or an infinity, or is no object.
    """
    content = parse_json(read_text(path, most, error, hint), str(path), error, hint)
    if not isinstance(content, dict):
        raise error(f"{path} is JSON, but no object.", hint)
    return content


def parse_json(text: str, name: str, error: Refusal = InputError, hint: str = "") -> Any:
    """Parse JSON strictly: no key twice, no number that is not finite.

    Parameters
    ----------
    name : str
        What it is called in messages.

    Raises
    ------
    AdvisorError
        When it is not such JSON.
    """
    try:
        return json.loads(text, parse_constant=_number, parse_float=_number, object_pairs_hook=_once)
    except (ValueError, RecursionError) as problem:
        raise error(f"{name} is not JSON that can be used: {_reason(problem)}.", hint) from problem


def _number(word: str) -> float:
    value = float(word)
    if not math.isfinite(value):
        raise ValueError(f"{word} is no number")
    return value


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"{next(name for name in names if names.count(name) > 1)!r} stands twice")
    return made


def _reason(problem: BaseException) -> str:
    if isinstance(problem, RecursionError):
        return "it is nested too deeply"
    return shortened(str(getattr(problem, "strerror", None) or problem))


def shortened(reason: str) -> str:
    """A reason of at most `MOST_REASON` characters, its middle left out."""
    half = MOST_REASON // 2
    return reason if len(reason) <= MOST_REASON else f"{reason[: half - 3]} ... {reason[2 - half :]}"


def _kind(mode: int) -> str:
    """What a path is in words; '' for a regular file."""
    kinds = {
        stat.S_IFREG: "", stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device", stat.S_IFSOCK: "a socket",
    }  # fmt: skip
    return kinds.get(stat.S_IFMT(mode), "something else")


def write_whole(path: str | os.PathLike[str], content: str | bytes, *, private: bool = False) -> Path:
    """Write a file so that a reader sees the old content or all of the new, never a part.

    A link is followed and stays a link; a file that was there keeps its mode and owner. A pipe, /dev/null and the
    like, and what the standard output goes to, are written through; any other device is refused.

    Parameters
    ----------
    path : path-like
        Where to write; its folder must exist.
    content : str or bytes
        Text is written as UTF-8.
    private : bool
        Make a new file readable for its owner alone.

    Returns
    -------
    pathlib.Path
        The path written.

    Raises
    ------
    InputError
        When the folder is missing or cannot be written to, the disk is full, or the path is no file.
    """
    try:
        data = content.encode("utf-8") if isinstance(content, str) else content
    except UnicodeEncodeError as problem:
        raise InputError(f"{path} was not written: {problem.object[problem.start]!r} is no character.") from problem
    with writing(path, private=private) as file:
        file.write(data)
    return Path(path)


@contextlib.contextmanager
def writing(path: str | os.PathLike[str], *, private: bool = False) -> Iterator[BinaryIO]:
    """Open a file to be written piece by piece, whole or not at all; see `write_whole`.

    Yields
    ------
    binary file
        What is written counts once the block ends without an error.

    Raises
    ------
    InputError
        As `write_whole`.
    """
    target = Path(path)
    with told(f"{target} could not be written", ANOTHER_FOLDER):
        there = _there(target)
        if there is not None and not _replaceable(there):
            with os.fdopen(_through(target, there), "wb") as file:
                yield file
        else:
            with _replacing(target, there, 0o600 if private else 0o666) as file:
                yield file


ANOTHER_FOLDER = "Choose a folder that exists and that you may write to, with room left on its disk."


def move_whole(made: str | os.PathLike[str], path: str | os.PathLike[str]) -> None:
    """Put a finished file in the place of another; see `write_whole`. It is copied where it lies on another disk.

    Raises
    ------
    InputError
        As `write_whole`.
    """
    target = Path(path)
    with told(f"{target} could not be written", ANOTHER_FOLDER):
        there = _there(target)
        if there is None or _replaceable(there):
            real = _asked(target, there)
            with open(made, "rb") as file:
                _settle(target, file.fileno(), there)
            try:
                os.replace(made, real)
                return
            except OSError as problem:
                if problem.errno != errno.EXDEV:
                    raise
    with open(made, "rb") as file, writing(target) as out:
        shutil.copyfileobj(file, out, 1 << 20)


@contextlib.contextmanager
def told(what: str, hint: str) -> Iterator[None]:
    """Say what the system refuses in a sentence.

    Parameters
    ----------
    what : str
        What could not be done.
    hint : str
        Next step.

    Raises
    ------
    InputError
        In place of an OSError.
    """
    try:
        yield
    except OSError as problem:
        if isinstance(problem, AdvisorError):
            raise
        raise InputError(f"{what}: {_reason(problem)}.", hint) from problem


def make_folder(path: str | os.PathLike[str], hint: str) -> None:
    """Make a folder, and those above it, where they are missing; InputError when that cannot be done."""
    with told(f"The folder {path} cannot be made", hint):
        Path(path).mkdir(parents=True, exist_ok=True)


@contextlib.contextmanager
def ends_tidily() -> Iterator[None]:
    """Let a request to end (SIGTERM) unwind, so that what is in hand is put away."""

    def stop(number: int, frame: object) -> None:
        raise SystemExit(128 + number)

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _there(path: Path) -> os.stat_result | None:
    try:
        return os.stat(path)
    except FileNotFoundError:
        return None


def _own_output(there: os.stat_result) -> int:
    """Number of the standard stream that goes to this very file, pipe or terminal; 0 for none."""
    for number in (1, 2):
        with contextlib.suppress(OSError):
            if os.path.samestat(there, os.fstat(number)):
                return number
    return 0


def _through(path: Path, there: os.stat_result) -> int:
    """A handle of what is written to as it comes."""
    number = _own_output(there)
    if number:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(AttributeError, OSError, ValueError):
                stream.flush()
        return os.dup(number)
    if stat.S_ISFIFO(there.st_mode) or (stat.S_ISCHR(there.st_mode) and there.st_rdev in _NULLS):
        # Without waiting: a pipe that nobody reads is refused by the kernel.
        handle = os.open(path, os.O_WRONLY | _OPEN)
        os.set_blocking(handle, True)
        return handle
    raise InputError(f"{path} is {_kind(there.st_mode)}, not a file; nothing was written.", "Name a file.")


@contextlib.contextmanager
def _replacing(path: Path, there: os.stat_result | None, mode: int) -> Iterator[BinaryIO]:
    real = _asked(path, there)
    temporary = real.parent / f"{_UNFINISHED}{secrets.token_hex(8)}"
    handle, named = _begun(temporary, mode if there is None else 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            _settle(path, file.fileno(), there)
            if not named:
                # An absolute source: the folder's handle only makes this the call that follows the link.
                os.link(f"{_HANDLES}/{handle}", temporary, src_dir_fd=handle, follow_symlinks=True)
        os.replace(temporary, real)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise


_UNFINISHED, _HANDLES = ".advisor-", "/proc/self/fd"


def is_unfinished(name: str) -> bool:
    """Whether a file of this name is what a kill left of one that was being written."""
    return name.startswith(_UNFINISHED)


def _begun(temporary: Path, mode: int) -> tuple[int, bool]:
    """A new file to write, and whether it has its name by now.

    It has none until it is whole where the file system can do that: a kill then leaves nothing of it.
    """
    if os.path.isdir(_HANDLES):
        with contextlib.suppress(OSError):
            return os.open(temporary.parent, os.O_WRONLY | os.O_TMPFILE | os.O_CLOEXEC, mode), False
    return os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode), True


def _replaceable(there: os.stat_result) -> bool:
    """Whether a new file may stand in the place of this: no pipe or device, and nothing that is being written to."""
    return stat.S_ISREG(there.st_mode) and not _own_output(there)


def _asked(path: Path, there: os.stat_result | None) -> Path:
    """The file itself behind links; OSError where it may not be written.

    A question for the kernel: it also guards links in folders that all may write to.
    """
    if there is not None:
        os.close(os.open(path, os.O_WRONLY | _OPEN))
    return Path(os.path.realpath(path))


def _settle(path: Path, handle: int, there: os.stat_result | None) -> None:
    """Give a file owner and mode of the one it replaces, and see it onto the disk."""
    if there is not None:
        _keep_owner(path, handle, there)
    os.fsync(handle)


def _keep_owner(path: Path, handle: int, there: os.stat_result) -> None:
    made = os.fstat(handle)
    if (made.st_uid, made.st_gid) != (there.st_uid, there.st_gid):
        try:
            os.fchown(handle, there.st_uid, there.st_gid)
        except PermissionError as problem:
            raise InputError(
                f"{path} belongs to another user or group, which writing it anew would change; it stays as it is.",
                "Name another file.",
            ) from problem
    os.fchmod(handle, there.st_mode & 0o777)


def append_whole(path: str | os.PathLike[str], text: str, header: str = "") -> None:
    """Add lines to a file and see them onto the disk; what a kill left half-written at its end is taken off first.

    Parameters
    ----------
    text : str
        Whole lines.
    header : str
        Line that an empty or new file gets first.

    Raises
    ------
    InputError
        When it cannot be written, or is no regular file.
    """
    with told(f"{path} could not be written", "Name another file."):
        there = _there(Path(path))
        if there is not None and (kind := _kind(there.st_mode)):
            raise InputError(f"{path} is {kind}, not a file; nothing was written.", "Name a file.")
        with os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | _OPEN, 0o666), "r+b") as file:
            # A lock lets two campaigns share one file.
            fcntl.flock(file, fcntl.LOCK_EX)
            content = file.read()
            whole = content.rfind(b"\n") + 1
            file.truncate(whole)
            file.seek(whole)
            file.write((text if whole else header + text).encode())
            file.flush()
            os.fsync(file.fileno())


def refuse_same(out: str | os.PathLike[str] | None, *inputs: str | os.PathLike[str] | None) -> None:
    """Refuse to write onto what is read, however it is spelled.

    Raises
    ------
    InputError
        When `out` is one of the inputs.
    """
    for one in inputs:
        try:
            same = out is not None and one is not None and os.path.samefile(out, one) and Path(one).is_file()
        except (OSError, ValueError):
            continue
        if same:
            raise InputError(f"{out} is also read ({one}), so it is not written over.", "Name another file to write.")


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


def user_state() -> Path:
    """Folder for what only helps to look into a fault (not created here)."""
    home = os.environ.get("ADVISOR_HOME")
    if home:
        return Path(home) / "state"
    import platformdirs

    return Path(platformdirs.user_state_path(PACKAGE_NAME))
