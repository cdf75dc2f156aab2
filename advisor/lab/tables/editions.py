"""Remake the catalogue of editions: python -m advisor.lab.tables.editions."""

from __future__ import annotations

import argparse
import html
import re
import tempfile
from datetime import date
from pathlib import Path

import pandas as pd
import tomlkit

from advisor.errors import TableError
from advisor.files import datasets, read_text, write_whole
from advisor.lab.tables.apt import Apt, IndexedPackage, unpack
from advisor.releases import CODENAMES, KERNELS
from advisor.shop import Edition

TASKS: dict[str, str] = {
    Edition.GNOME: "task-gnome-desktop",
    Edition.PLASMA: "task-kde-desktop",
    Edition.CINNAMON: "task-cinnamon-desktop",
    Edition.MATE: "task-mate-desktop",
    Edition.XFCE: "task-xfce-desktop",
    Edition.LXQT: "task-lxqt-desktop",
    Edition.LXDE: "task-lxde-desktop",
}
"""Task package that the installer's choice of each desktop stands for."""

SYSTEM = {
    (kernel.release, kernel.architecture): (kernel.metapackage, *kernel.loader)
    for kernel in KERNELS
    if not kernel.backports
}
"""Kernel and boot loader that the installer adds to the base system."""

STANDARD = ("required", "important", "standard")
"""Priorities that make up the standard system (Debian Policy 2.5)."""

GUIDE = "installation-guide-amd64"


def source_of(release: str, architecture: str, folder: Path) -> Apt:
    """apt for what an image installs from, with a state of its own below a folder; its index is fetched."""
    state = folder / f"{release}-{architecture}"
    return Apt(CODENAMES[release], architecture, state, state / "debs", areas=("main", "non-free-firmware")).update()


def standard_system(index: dict[tuple[str, str], IndexedPackage]) -> list[str]:
    """Sorted names of the packages of priority required, important or standard."""
    return sorted({package.name for package in index.values() if package.priority in STANDARD})


def minimums(page: str) -> tuple[float, float, float]:
    """Read the least memory, recommended memory and least disk with a desktop [GiB] from the Installation Guide.

    `page` is the HTML of section 3.4, table 3.2. The gigabytes of memory are taken as GiB, as memory is made; the
    gigabytes of disk as 10**9 bytes, as disks are sold.
    """
    text = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", page)))
    found = re.search(
        r"With Desktop ([\d.]+) ?(?:GB|gigabytes) ([\d.]+) ?(?:GB|gigabytes) ([\d.]+) ?(?:GB|gigabytes)", text
    )
    if not found:
        raise TableError("Section 3.4 of the Installation Guide has no row 'With Desktop' in gigabytes.")
    least, recommended, disk = map(float, found.groups())
    return least, recommended, round(disk * 1e9 / 2**30, 2)


def guide_page(source: Apt, name: str) -> tuple[str, str]:
    """One page of the Installation Guide of a release, such as 'ch03s04.html': its HTML, and the package's version."""
    (package,) = source.packages([GUIDE])
    folder = source.folder / "guide"
    if not (folder / "usr").exists():
        unpack(source.download([package])[0], folder)
    page = (folder / f"usr/share/doc/{GUIDE}/en/{name}").read_text(encoding="utf-8")
    return page, package.version


def footprints(release: str, architecture: str, folder: Path) -> pd.DataFrame:
    """Work out the footprint of every edition on one release and architecture, a row an edition."""
    source = source_of(release, architecture, folder)
    index = source.index()
    base = [*standard_system(index), *SYSTEM[release, architecture]]
    sets = {edition: source.resolve([*base, task]) for edition, task in TASKS.items()}
    files = source.file_counts({name for chosen in sets.values() for name, _ in chosen})
    parts = ", ".join(source.parts())
    page, version = guide_page(
        source if architecture == "amd64" else source_of(release, "amd64", folder), "ch03s04.html"
    )
    least, recommended, disk = minimums(page)
    rows = []
    for edition, chosen in sets.items():
        known = [index[item] for item in chosen]
        rows.append(
            {
                "release": release,
                "architecture": architecture,
                "edition": str(edition),
                "task": TASKS[edition],
                "packages": len(known),
                "download_mib": round(sum(package.size for package in known) / 2**20),
                "installed_mib": round(sum(package.installed_kib for package in known) / 2**10),
                "installed_files": sum(files.get(package.name, 0) for package in known),
                "footprint_source": f"package index of Debian {release} ({parts}), {date.today()}",
                "min_ram_gib": least,
                "rec_ram_gib": recommended,
                "min_disk_gib": disk,
                "minimum_source": f"{GUIDE} {version}, section 3.4, table 3.2",
            }
        )
    return pd.DataFrame(rows)


def build(folder: Path, out: Path) -> pd.DataFrame:
    """Remake `editions/catalogue.csv` and its meta file in a folder; `folder` keeps apt's index and the guide."""
    frame = pd.concat([footprints(*system, folder) for system in SYSTEM], ignore_index=True)
    write_whole(out / "catalogue.csv", frame.to_csv(index=False, lineterminator="\n"))
    about = tomlkit.parse(read_text(datasets() / "editions" / "catalogue.meta.toml"))
    about["date"] = str(date.today())
    write_whole(out / "catalogue.meta.toml", tomlkit.dumps(about))
    return frame


def main() -> None:
    """Remake the catalogue."""
    parser = argparse.ArgumentParser(description="Remake the catalogue of editions from Debian's package index.")
    parser.add_argument("--work", type=Path, help="folder for apt's index and the guide (default: a temporary one)")
    parser.add_argument("--out", type=Path, default=datasets() / "editions", help="folder to write the table to")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="editions-") as temporary:
        frame = build(given.work or Path(temporary), given.out)
    print(frame.drop(columns=["footprint_source", "minimum_source", "task"]).to_string(index=False))


if __name__ == "__main__":
    main()
