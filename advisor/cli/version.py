"""What `advisor --version` tells: the program, and with --verbose its tables and models and how old each is."""

from __future__ import annotations

import platform
from datetime import date
from pathlib import Path

from advisor import __version__


def program() -> str:
    """One line: the program's version and Python's."""
    return f"advisor {__version__}, Python {platform.python_version()}"


def everything(today: date | None = None) -> str:
    """Say the versions of libraries, tables and models, each with its date and how long before the archive that is.

    Parameters
    ----------
    today : datetime.date, optional
        To count the archive's own age from.

    Returns
    -------
    str
        A line each. The archive's date is that on which its packages were last read for a kernel's table.
    """
    from advisor.timing.versions import made_with

    found = _tables()
    archive = max((day for name, _, day in found if name.startswith("kernel ")), default=None)
    lines = [program(), "with " + ", ".join(f"{name} {version}" for name, version in list(made_with().items())[1:])]
    if archive is not None:
        age = ((today or date.today()) - archive).days
        ago = f"{age} day{'s' * (age != 1)} before today"
        lines.append(f"Debian's archive as last read for the kernels' tables: {archive}, {ago}.")
    lines.append(f"\n{'':<32}{'version':<32}{'as of':<12}days behind the archive")
    for name, version, day in [*found, *_models()]:
        behind = "-" if archive is None else str(max((archive - day).days, 0))
        lines.append(f"{name:<32}{version[:30]:<32}{day!s:<12}{behind}")
    return "\n".join(lines)


def _tables() -> list[tuple[str, str, date]]:
    """Name, version and date of the built tables, each by itself, and of the other tables room by room, the oldest."""
    from advisor.files import datasets, user_data
    from advisor.tables import meta

    places: dict[str, Path] = {}
    for folder in (datasets(), user_data() / "tables"):
        places |= {str(path.relative_to(folder)): path for path in sorted(folder.rglob("*.meta.toml"))}
    built, rooms = [], dict[str, list[date]]()
    for name, path in places.items():
        about = meta(path)
        day = date.fromisoformat(str(about["date"])[:10])
        kind, _, which = path.name.removesuffix(".meta.toml").partition("-")
        if kind in ("kernel", "firmware", "ids") and which:
            built.append((f"{kind} {which}", str(about.get("version", "")), day))
        else:
            rooms.setdefault(name.partition("/")[0] if "/" in name else "rehearsals", []).append(day)
    counted = [
        (f"facts: {room}", f"oldest of {len(days)} table{'s' * (len(days) > 1)}", min(days))
        for room, days in rooms.items()
    ]
    return built + counted


def _models() -> list[tuple[str, str, date]]:
    """Name, version and date of the two models that serve; of the shipped timing model the rehearsals' date."""
    from advisor.comfort.model import model
    from advisor.files import datasets
    from advisor.tables import meta
    from advisor.timing.versions import models_folder, versions

    [timing] = [one for one in versions(models_folder()) if one.serving]
    learnt = timing.learnt or str(meta(datasets() / "rehearsals.meta.toml")["date"])
    return [
        ("timing model", timing.name, date.fromisoformat(learnt[:10])),
        ("comfort model", "shipped", date.fromisoformat(str(model().about["date"])[:10])),
    ]
