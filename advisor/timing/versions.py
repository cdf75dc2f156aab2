"""Versions of the timing model: kept side by side as plain JSON, with a pointer to the one that serves.

A version is a file of numbers and text, `timing-0001.json`; `serving.json` beside them names the one in use, and
`levels.json` the levels that its intervals are served at. Nothing is ever unpickled. A format that stores estimator
objects, as skops does, ties a file to the libraries' versions and needs a list of trusted types to be loaded safely;
the fitted model here is a few hundred coefficients and steps, which JSON holds, anybody can read, and no library can
turn into code. What could still go wrong is checked: a newer format, a newer package, other tables under it.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache, lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any

from advisor import __version__, tables
from advisor.errors import AdvisorError, InputError, TableError
from advisor.files import PACKAGE_NAME, datasets, is_there, make_folder, read_json, user_data, write_whole
from advisor.timing.kept import LARGEST_MODEL
from advisor.timing.model import TimingModel, load_model

SHIPPED = "shipped"
"""Name of the version that ships with the package."""

POINTER, LEVELS = "serving.json", "levels.json"
LAYOUT = 1
"""Format of the pointer and of the levels."""

LIBRARIES = ("numpy", "pandas", "scipy", "scikit-learn")
BELOW = (
    "timing/assumed",
    "timing/storage_rates",
    "timing/phases",
    "timing/operators",
    "timing/operations",
    "timing/screens",
)
"""Tables that a log's correction stands on: with others under it, it would correct what is no longer said."""


@dataclass(frozen=True)
class Version:
    """A version that is kept."""

    name: str  # Such as '0003', or 'shipped'
    learnt: str  # When, ISO 8601; '' for the shipped one
    basis: str  # What it rests on
    accepted: bool | None  # What the gate said; None for the shipped one
    gate: dict[str, Any]  # The gate's figures, an `advisor.benchlog.gate.Judgement`
    serving: bool
    problem: str = ""  # Why it cannot be used; '' when it can


def models_folder(log: str | Path | None = None) -> Path:
    """Folder of the versions, beside the bench log (not created here).

    Parameters
    ----------
    log : path-like, optional
        The bench log; `$ADVISOR_LOG`, else the user's own, when left out.
    """
    path = log or os.environ.get("ADVISOR_LOG")
    return (Path(path).absolute().parent if path else user_data()) / "models"


def made_with() -> dict[str, str]:
    """Versions of this package and of the libraries that a model is made with."""
    out = {PACKAGE_NAME: __version__}
    for name in LIBRARIES:
        with contextlib.suppress(metadata.PackageNotFoundError):
            out[name] = metadata.version(name)
    return out


@cache
def tables_mark() -> str:
    """A mark of the tables that a log's correction stands on; it changes when any cell of them does."""
    text = "\n".join(tables.load(name).frame.to_csv(index=False) for name in BELOW)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def keep(model: TimingModel, folder: Path, gate: dict[str, Any], notes: dict[str, Any] | None = None) -> str:
    """Keep a model as a new version; it does not serve yet.

    Parameters
    ----------
    folder : pathlib.Path
        Made when missing.
    gate : dict
        Plain numbers and text: what the gate said.
    notes : dict, optional
        More to be kept in `about`.

    Returns
    -------
    str
        Its name.

    Raises
    ------
    InputError
        When it cannot be written.
    """
    make_folder(folder, "Name a log in a folder that you may write to with --log FILE.")
    number = max((int(path.stem[7:]) for path in _files(folder)), default=0) + 1
    while True:
        name = f"{number:04d}"
        about = {
            **model.about, **(notes or {}), "version": name, "made_with": made_with(), "tables": tables_mark(),
            "learnt": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"), "gate": gate,
        }  # fmt: skip
        target = folder / f"timing-{name}.json"
        fresh = replace(model, about=about, levels={}).save(folder / f".timing-{name}.{os.getpid()}")
        try:
            # A link never replaces a version that another process kept meanwhile.
            os.link(fresh, target)
        except FileExistsError:
            number += 1
            continue
        except OSError:
            os.replace(fresh, target)
        finally:
            fresh.unlink(missing_ok=True)
        return name


def _files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.glob("timing-*.json") if _number(path.stem[7:]))


def _number(name: str) -> int:
    """Number of a version; 0 when it is none."""
    return int(name) if re.fullmatch("[0-9]{1,9}", name) else 0


def pointed(folder: Path) -> str:
    """Name of the version that serves; 'shipped' when none was chosen.

    Raises
    ------
    TableError
        When the pointer is damaged.
    """
    path, hint = folder / POINTER, "Choose what serves anew with: advisor learn --use shipped"
    if not is_there(path, TableError):
        return SHIPPED
    content = read_json(path, LARGEST_MODEL, TableError, hint)
    name = content.get("serving")
    if content.get("format") != LAYOUT or not isinstance(name, str) or not (name == SHIPPED or _number(name)):
        raise TableError(f"{path}, which says what timing model serves, is damaged: {str(name)[:60]!r}.", hint)
    return name


def read_version(name: str, folder: Path) -> TimingModel:
    """Read a version, if this package may use it.

    Parameters
    ----------
    name : str
        Such as '3', '0003' or 'shipped'.

    Raises
    ------
    InputError
        When there is none of that name, or it was made by a newer package or on other tables; the hint says what to do.
    """
    if name == SHIPPED:
        of_user = user_data() / "timing" / "model.json"
        if not is_there(of_user, TableError):
            return load_model(datasets() / "timing" / "model.json")
        return load_model(of_user, f"advisor learn --out {of_user}. Or take it away.")
    path = folder / f"timing-{_number(name):04d}.json"
    if not _number(name) or not is_there(path, TableError):
        raise InputError(
            f"There is no version {name!r} of the timing model in {folder}.", "List them: advisor learn --versions"
        )
    anew = "advisor learn. Or go back with: advisor learn --use shipped"
    model = load_model(path, anew)
    problem = _problem(model.about)
    if problem:
        raise InputError(f"Version {name} of the timing model {problem}.", f"Learn anew with: {anew}")
    return model


def _problem(about: dict[str, Any]) -> str:
    made = about.get("made_with")
    theirs = str(made.get(PACKAGE_NAME, "")) if isinstance(made, dict) else ""
    ours = made_with().get(PACKAGE_NAME, "")
    if not theirs:
        return "does not say what it was made with"
    if ours and _release(theirs) > _release(ours):
        return f"was made by version {theirs} of this package, which is newer than this one ({ours})"
    if about.get("tables") != tables_mark():
        return "corrects other tables of times than those in use now"
    return ""


def _release(text: str) -> tuple[int, ...]:
    """First two numbers of a version; a third only mends and changes no format."""
    numbers = [int(part) for part in text.split("+")[0].split(".")[:2] if part.isdigit()]
    return tuple(numbers) if numbers else (0,)


def use(name: str, folder: Path) -> TimingModel:
    """Let a version serve.

    Returns
    -------
    TimingModel
        That version, read and checked before anything is changed.

    Raises
    ------
    InputError
        When it cannot be used, or the pointer cannot be written.
    """
    model = read_version(name, folder)
    if name == SHIPPED and not folder.is_dir():
        return model
    content = {
        "format": LAYOUT,
        "serving": name if name == SHIPPED else f"{_number(name):04d}",
        "since": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
    }
    write_whole(folder / POINTER, json.dumps(content, indent=1) + "\n")
    return model


def versions(folder: Path) -> list[Version]:
    """Every version there is, the shipped one first."""
    try:
        serving = pointed(folder)
    except AdvisorError:
        serving = ""
    out = []
    for name in (SHIPPED, *(path.stem[7:] for path in _files(folder))):
        try:
            model = load_model(folder / f"timing-{name}.json") if name != SHIPPED else read_version(name, folder)
            gate = model.about.get("gate", {})
            problem = _problem(model.about) if name != SHIPPED else ""
            out.append(
                Version(
                    name, str(model.about.get("learnt", "")), _basis(model),
                    bool(gate.get("accepted")) if name != SHIPPED else None, dict(gate), name == serving,
                    f"it {problem}" if problem else "",
                )
            )  # fmt: skip
        except AdvisorError as error:
            out.append(Version(name, "", "", None, {}, name == serving, error.message))
    return out


def _basis(model: TimingModel) -> str:
    return replace(model, about={**model.about, "version": SHIPPED}).basis


def write_levels(levels: dict[str, float], units: int, folder: Path) -> None:
    """Write the levels that intervals are served at.

    Parameters
    ----------
    levels : dict of str to float
        By kind of storage, '' for all others.
    units : int
        Logged units they rest on.
    folder : pathlib.Path
        Nothing is written when it is missing and there are no levels.
    """
    if not levels and not folder.is_dir():
        return
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / LEVELS, json.dumps({"format": LAYOUT, "units": units, "levels": levels}, indent=1) + "\n")


def read_levels(folder: Path) -> dict[str, float]:
    """Levels to serve intervals at, by kind of storage; none when the log has given none."""
    path, hint = folder / LEVELS, "Take the file away; the log gives the levels anew with the next unit logged."
    if not is_there(path, TableError):
        return {}
    content = read_json(path, LARGEST_MODEL, TableError, hint)
    found = content.get("levels")
    if content.get("format") != LAYOUT or not isinstance(found, dict):
        raise TableError(f"{path}, which holds the levels of intervals, is damaged.", hint)
    for kind, level in found.items():
        if isinstance(level, bool) or not isinstance(level, (int, float)) or not -10 <= level <= 10:
            raise TableError(f"{path} is damaged: the level of {kind[:60]!r} is {str(level)[:60]}.", hint)
    return {kind: float(level) for kind, level in found.items()}


def serving_model() -> TimingModel:
    """The model that serves: the version this shop chose or the gate let in, else the one that ships.

    Returns
    -------
    TimingModel
        With the levels that its intervals are served at. Read again when any of the files has changed.

    Raises
    ------
    InputError
        When it cannot be used; the hint says what to do.
    """
    folder = models_folder()
    watched = (folder / POINTER, folder / LEVELS, user_data() / "timing" / "model.json")
    return _serving(folder, tuple(_stamp(path) for path in watched))


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return (0, 0)
    return (found.st_mtime_ns, found.st_ino)


@lru_cache(maxsize=4)
def _serving(folder: Path, stamps: tuple[tuple[int, int], ...]) -> TimingModel:
    model = read_version(pointed(folder), folder)
    return replace(model, levels=read_levels(folder))
