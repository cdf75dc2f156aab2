"""Put a leftover into a tree: text, bytes, a database with its log, or what '!…' says."""

from __future__ import annotations

import io
import os
import stat
import tarfile
import zipfile
from pathlib import Path

from base import put, special


def plant(root: Path, path: str, content: object) -> None:
    """See `leftovers`."""
    if isinstance(content, dict):
        for ending, part in content.items():
            put(root, path + ending, part)
    elif content is None:
        put(root, f"{path}/.kept", "x")
    elif isinstance(content, str) and content.startswith("!") and content[1:5] != "<arc":
        _special(root, path, *content[1:].partition(":")[::2])
    else:
        assert isinstance(content, str | bytes)
        put(root, path, content)


def _special(root: Path, path: str, kind: str, value: str) -> None:
    place = root / path
    place.parent.mkdir(parents=True, exist_ok=True)
    if kind == "link":
        place.unlink(missing_ok=True)
        place.symlink_to(value)
    elif kind == "owner":
        if not place.exists():
            put(root, path, "x")
        os.chown(place, 1000, 1000)
    elif kind == "mode":
        place.chmod(int(value, 8))
    elif kind == "fifo":
        special(place, stat.S_IFIFO)
    elif kind == "owned":
        put(root, path, value)
        with (root / "var/lib/dpkg/info/bash.list").open("a") as file:
            file.write(f"/{path}\n")
    elif kind in ("zip", "tar"):
        _archive(place, kind, *value.partition(":")[::2])
    else:
        raise ValueError(kind)


def _archive(place: Path, kind: str, name: str, content: str) -> None:
    if kind == "zip":
        with zipfile.ZipFile(place, "w") as archive:
            archive.writestr(name, content)
    else:
        with tarfile.open(place, "w:gz") as tar:
            about = tarfile.TarInfo(name)
            about.size = 1
            tar.addfile(about, io.BytesIO(b"x"))
