"""What to prepare the evening before: sticks, packages and parts, as a list to tick and a folder to copy."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from advisor.errors import ToolError
from advisor.files import make_folder, write_whole
from advisor.phrases import counted
from advisor.plan.problem import Schedule, UnitJob
from advisor.releases import CODENAMES
from advisor.timing.conditions import MIB

if TYPE_CHECKING:
    from advisor.advice import Batch

PATIENCE_S = 900
"""For the download of one package [s]."""


@dataclass(frozen=True)
class Package:
    """A package to have on a stick: of which release, for which units, and whether it asks the network all the same."""

    name: str
    release: str
    tags: tuple[str, ...]
    network: bool


@dataclass(frozen=True)
class Evening:
    """What the planned units need."""

    images: dict[str, tuple[int, float]]  # Image: units, and its size at least [MiB]
    packages: tuple[Package, ...]
    parts: dict[str, int]  # Parts of the drawer

    def lines(self, sticks: dict[str, int]) -> list[str]:
        """The list to tick."""
        out = []
        for image, (units, mib) in self.images.items():
            many = min(sticks.get(image, 1), units)
            out.append(f"{counted(many, 'stick')} with {image}, {mib / 1024:.1f} GiB and more, for {units} units")
        for one in self.packages:
            asks = ", which builds or fetches something: network needed" if one.network else ""
            out.append(f"{one.name} of Debian {one.release} on the stick{asks}, for {', '.join(one.tags)}")
        return out + [f"{count} x {name} out of the drawer" for name, count in self.parts.items()]


def evening_of(batch: Batch, jobs: tuple[UnitJob, ...], schedule: Schedule) -> Evening:
    """What the units of a plan need."""
    size = batch.timing.conditions["image_bytes"].astype(float).to_dict()
    images: dict[str, tuple[int, float]] = {}
    tags: dict[tuple[str, str, bool], list[str]] = defaultdict(list)
    parts: dict[str, int] = defaultdict(int)
    for at in sorted(schedule):
        job = jobs[at]
        case = int(batch.case[job.row])
        units, mib = images.get(job.stick, (0, 0.0))
        images[job.stick] = (units + 1, max(mib, size[case] / MIB))
        image = batch.shop.image(job.stick)
        for one in batch.cases.bring[case]:
            tags[one.package, image.release if image else "", one.network].append(job.tag)
        for name, count in batch.kept_for(job.row).items():
            parts[name] += count
    packages = [Package(name, release, tuple(some), network) for (name, release, network), some in tags.items()]
    return Evening(images, tuple(packages), dict(parts))


def fetch(packages: tuple[Package, ...], folder: str | Path) -> tuple[list[Path], list[str]]:
    """Fetch packages with this machine's apt, into a folder by release, with their checksums.

    Nothing is installed, and nothing but the packages and SHA256SUMS is written.

    Parameters
    ----------
    folder : path-like
        Made when missing.

    Returns
    -------
    problems : list of str
        Packages that apt did not give, and what it said.

    Raises
    ------
    InputError
        When the folder cannot be made.
    ToolError
        When there is no apt-get.
    """
    root, problems = Path(folder), []
    for one in packages:
        name, _, target = one.name.partition("/")
        suite = CODENAMES.get(one.release, one.release) + (target.removeprefix(one.release) if target else "")
        where = root / f"debian-{one.release}"
        make_folder(where, "Name another one.")
        if met := _download(f"{name}/{suite}", where):
            problems.append(f"{name} of {suite} was not fetched: {met}")
    files = sorted(root.glob("debian-*/*.deb"))
    sums = [f"{hashlib.sha256(one.read_bytes()).hexdigest()}  {one.relative_to(root)}" for one in files]
    if files:
        write_whole(root / "SHA256SUMS", "\n".join(sums) + "\n")
    return files, problems


def _download(package: str, where: Path) -> str:
    """Let apt-get fetch one package into a folder; what it said where it failed."""
    try:
        done = subprocess.run(
            ["apt-get", "-q", "download", package], cwd=where, capture_output=True, text=True, timeout=PATIENCE_S,
            check=False, env={**os.environ, "LC_ALL": "C"}, errors="replace",
        )  # fmt: skip
    except FileNotFoundError as error:
        raise ToolError("There is no apt-get here.", "Fetch the packages on a machine with Debian.") from error
    except subprocess.TimeoutExpired:
        return f"it took longer than {PATIENCE_S // 60} min"
    lines = [line for line in done.stderr.splitlines() if line.startswith("E:")] or done.stderr.splitlines()
    return "" if done.returncode == 0 else (lines or ["apt-get failed"])[-1].removeprefix("E: ")[:200]
