"""Make quirks_packages.csv: facts that Debian's own packages hold as lists of ids.

NVIDIA's driver series by device id (package nvidia-detect) and the fingerprint readers that the userspace driver knows
(package libfprint-2-2: its hwdb, made by its own tool).

    advisor tables build --kernel debian-12 --kernel debian-13 --cache DIR   # fetches the package indexes
    python datasets/drivers/from_packages.py DIR > datasets/drivers/quirks_packages.csv
"""

from __future__ import annotations

import csv
import re
import sys
import tempfile
from pathlib import Path

from advisor.lab.tables import build
from advisor.lab.tables.apt import Apt, unpack

RELEASES = {"12": "debian-12", "13": "debian-13"}
# Series from the newest down, the list of nvidia-detect that names its chips, and the package that holds the driver.
SERIES = (
    ("current", "nvidia.ids", "nvidia-driver"),
    ("470", "nvidia-tesla-470.ids", "nvidia-tesla-470-driver"),
    ("390", "nvidia-legacy-390xx.ids", "nvidia-legacy-390xx-driver"),
    ("340", "nvidia-legacy-340xx.ids", "nvidia-legacy-340xx-driver"),
    ("304", "nvidia-legacy-304xx.ids", "nvidia-legacy-304xx-driver"),
    ("173", "nvidia-legacy-173xx.ids", "nvidia-legacy-173xx-driver"),
    ("96", "nvidia-legacy-96xx.ids", ""),
    ("71", "nvidia-legacy-71xx.ids", ""),
)
FIELDS = ("code", "ids", "effect", "module", "packages", "reason", "action", "source")


def unpacked(apts: dict[str, Apt], name: str, folder: Path) -> dict[str, tuple[Path, str]]:
    """Fetch and unpack a package of each release: folder and version."""
    found = {}
    for release, apt in apts.items():
        packages = apt.packages([name])
        if packages:
            place = folder / f"{name}-{release}"
            unpack(apt.download(packages)[0], place)
            found[release] = (place, packages[0].version)
    return found


def nvidia(apts: dict[str, Apt], folder: Path) -> list[dict[str, str]]:
    """Rows of NVIDIA's driver series."""
    trees = unpacked(apts, "nvidia-detect", folder)
    place, version = trees["13"]
    lists = {
        series: re.findall(r"^10DE([0-9A-F]{4})", (place / "usr/share/nvidia" / name).read_text(), re.MULTILINE)
        for series, name, _ in SERIES
    }
    rows = []
    taken: set[str] = set()
    for series, _, package in SERIES:
        ids = sorted(set(lists[series]) - taken)
        taken.update(ids)
        there = [release for release, apt in apts.items() if package and apt.packages([package])]
        where = " and ".join(f"Debian {release}" for release in there)
        if series == "current":
            reason = f"NVIDIA's own driver for it is nvidia-driver (non-free), in {where}."
            action = "Leave it to nouveau, or install nvidia-driver where speed is asked for."
        elif there:
            others = " and ".join(f"Debian {release}" for release in apts if release not in there)
            reason = (
                f"NVIDIA's own driver for it is series {series}: {package} (non-free) in {where}; {others} has none."
            )
            action = f"Leave it to nouveau, or use {where} with {package}."
        else:
            reason = f"NVIDIA's own driver for it ended with series {series}, which neither Debian 12 nor 13 has."
            action = "Leave it to nouveau."
        rows.append({
            "code": f"nvidia-{series}", "ids": "; ".join(f"pci:10de:{text.lower()}" for text in ids),
            "effect": "driver series", "packages": "; ".join(f"{release}:{package}" for release in there),
            "reason": reason, "action": action, "source": f"device lists of package nvidia-detect {version}",
        })  # fmt: skip
    return rows


def fingerprint(apts: dict[str, Apt], folder: Path) -> list[dict[str, str]]:
    """Rows of fingerprint readers: those that libfprint drives, by release, and those it knows that it does not."""
    trees = unpacked(apts, "libfprint-2-2", folder)
    drives: dict[str, set[str]] = {}
    refuses: set[str] = set()
    versions = []
    for release, (place, version) in trees.items():
        versions.append(f"libfprint-2-2 {version} (Debian {release})")
        text = next(place.rglob("60-autosuspend-libfprint-2.hwdb")).read_text()
        known, _, unknown = text.partition("# Known unsupported devices")
        for vendor, device in re.findall(r"^usb:v(\w{4})p(\w{4})", known, re.MULTILINE):
            drives.setdefault(f"usb:{vendor.lower()}:{device.lower()}", set()).add(release)
        refuses |= {
            f"usb:{v.lower()}:{d.lower()}" for v, d in re.findall(r"^usb:v(\w{4})p(\w{4})", unknown, re.MULTILINE)
        }
    source = "60-autosuspend-libfprint-2.hwdb of " + ", ".join(versions)
    rows = []
    for releases in sorted({tuple(sorted(found)) for found in drives.values()}):
        ids = sorted(text for text, found in drives.items() if tuple(sorted(found)) == releases)
        where = " and ".join(f"Debian {release}" for release in releases)
        rows.append({
            "code": "fingerprint", "ids": "; ".join(ids), "effect": "userspace",
            "packages": "; ".join(f"{release}:libfprint-2-2" for release in releases),
            "reason": f"The kernel needs no driver for it; libfprint of {where} drives it.",
            "action": "Enrol a finger under Users in the desktop's settings to try it.", "source": source,
        })  # fmt: skip
    refuses -= set(drives)
    rows.append({
        "code": "fingerprint-unsupported", "ids": "; ".join(sorted(refuses)), "effect": "no driver",
        "reason": "libfprint lists this reader as known and not supported.",
        "action": "Tell the recipient that the reader stays dead; passwords work.", "source": source,
    })  # fmt: skip
    return rows


def main(cache: Path) -> None:
    """Print the table."""
    apts = {release: build.apt_of(build.RECIPES[name], cache) for release, name in RELEASES.items()}
    for apt in apts.values():
        apt.update()
    with tempfile.TemporaryDirectory() as folder:
        rows = nvidia(apts, Path(folder)) + fingerprint(apts, Path(folder))
    writer = csv.DictWriter(sys.stdout, FIELDS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    main(Path(sys.argv[1]))
