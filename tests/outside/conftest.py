"""What outside checks share: a missing reference skips on a developer's machine and fails in CI."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest


def need(reference: str | Path) -> Path:
    """Find a reference program or file; without it skip, or fail when CI is set.

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
    """Say that a reference is missing: skip, or fail when CI is set."""
    if os.environ.get("CI"):
        pytest.fail(f"reference missing: {why}")
    pytest.skip(f"reference missing: {why}")


@pytest.fixture(name="need")
def need_fixture():
    """The function `need`, as a fixture, since test folders are no packages."""
    return need


@pytest.fixture(name="missing")
def missing_fixture():
    """The function `missing`, as a fixture."""
    return missing
