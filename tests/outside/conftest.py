"""What outside checks share: a missing reference skips on a developer's machine and fails in CI."""

from __future__ import annotations

import fnmatch
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest


def need(reference: str | Path) -> Path:
    """Find a reference program or file; without it skip.

    Parameters
    ----------
    reference : str or pathlib.Path
        A program's name, looked up on PATH and in the sbin folders, or a path.

    Returns
    -------
    pathlib.Path
    """
    path = Path(reference)
    if path.is_absolute():
        found = path if path.exists() else None
    else:
        name = shutil.which(str(reference), path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
        found = Path(name) if name else None
    if found is None:
        missing(f"{reference} is not here")
        raise AssertionError("unreachable")
    return found


def missing(why: str) -> None:
    """Skip for want of a reference, which is a failure in CI (`tests/conftest.py`)."""
    pytest.skip(f"reference missing: {why}")


@pytest.fixture(name="need", scope="session")
def need_fixture():
    """The function `need`, as a fixture, since test folders are no packages."""
    return need


@pytest.fixture(name="missing", scope="session")
def missing_fixture():
    """The function `missing`, as a fixture."""
    return missing


@pytest.fixture(scope="session")
def kept(pytestconfig) -> Callable[[str], Path]:
    """Function from a name to a folder that outlives the run, beside pytest's own cache and without its plugin, too."""

    def folder(name: str) -> Path:
        path = pytestconfig.rootpath / ".pytest_cache" / "d" / name
        path.mkdir(parents=True, exist_ok=True)
        return path

    return folder


@pytest.fixture(scope="session")
def debian_package(kept) -> Callable[[str, str], Path]:
    """Function from a package's name and a recipe of `advisor.lab.tables.build` to a folder with its files.

    A '*' in the name stands for the newest of the packages that fit, such as 'linux-headers-*-common'.
    apt keeps a state of its own in pytest's cache folder; nothing is installed and no script of the package is run.
    """
    from advisor.errors import AdvisorError
    from advisor.lab.tables.apt import Apt, unpack
    from advisor.lab.tables.build import RECIPES, apt_of

    cache = kept("debian")
    ready: dict[str, Apt] = {}

    def fetch(name: str, recipe: str = "debian-13") -> Path:
        folder = cache / recipe / name.replace("*", "newest")
        if (folder / "complete").exists():
            return folder
        try:
            if recipe not in ready:
                ready[recipe] = apt_of(RECIPES[recipe], cache).update()
            names = [name]
            if "*" in name:
                listed = ready[recipe].names()
                names = fnmatch.filter(listed, name)
            found = ready[recipe].packages(names)
            found.sort(key=lambda package: [int(part) for part in re.findall(r"\d+", package.version)], reverse=True)
            if not found:
                missing(f"{name} is not in {recipe}")
            folder.mkdir(parents=True, exist_ok=True)
            unpack(ready[recipe].download(found[:1])[0], folder)
            (folder / "complete").write_text(found[0].version)
        except AdvisorError as error:
            missing(f"{name} of {recipe}: {error}")
        return folder

    return fetch


@pytest.fixture(scope="session")
def wheel(kept) -> Callable[[str, str], Path]:
    """Function from a Python package's name and version to its wheel, fetched without its dependencies."""
    cache = kept("wheels")

    def fetch(name: str, version: str) -> Path:
        found = sorted(cache.glob(f"{name}-{version}-*.whl"))
        if not found:
            command = [
                sys.executable,
                "-m",
                "pip",
                "download",
                "-q",
                "--no-deps",
                "-d",
                str(cache),
                f"{name}=={version}",
            ]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            found = sorted(cache.glob(f"{name}-{version}-*.whl"))
            if not found:
                missing(f"{name} {version}: {done.stderr.strip()[-200:]}")
        return found[0]

    return fetch
