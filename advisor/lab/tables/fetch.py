"""Fetch Debian's kernel and firmware packages with apt, from its own source list and state folder."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from advisor.errors import InputError, ToolError
from advisor.files import write_whole

AREAS = ("main", "contrib", "non-free", "non-free-firmware")
_FOR_BOARDS = re.compile("hexagon-dsp-|firmware-qcom-dsp|raspi-firmware")
"""Packages of firmware for boards that are no PCs."""
_KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")


@dataclass(frozen=True)
class Recipe:
    """Where a kernel's packages come from.

    Attributes
    ----------
    name : str
        The driver table's name.
    suite : str
        Debian's code name of the release.
    backports : bool
        Kernel and firmware packages come from its backports where these have them.
    architecture : str
    metapackage : str
        The package that stands for the newest kernel of the suite.
    firmware : str
        Name of the firmware table that belongs to it.
    """

    name: str
    suite: str
    backports: bool
    architecture: str
    metapackage: str
    firmware: str


RECIPES: dict[str, Recipe] = {
    recipe.name: recipe
    for recipe in (
        Recipe("debian-12", "bookworm", False, "amd64", "linux-image-amd64", "debian-12"),
        Recipe("debian-12-backports", "bookworm", True, "amd64", "linux-image-amd64", "debian-12-backports"),
        Recipe("debian-13", "trixie", False, "amd64", "linux-image-amd64", "debian-13"),
        Recipe("debian-13-backports", "trixie", True, "amd64", "linux-image-amd64", "debian-13-backports"),
        Recipe("debian-12-i386", "bookworm", False, "i386", "linux-image-686-pae", "debian-12"),
    )
}
"""The kernels whose tables ship with the package."""


@dataclass(frozen=True)
class Package:
    """A package as the archive's index describes it.

    Attributes
    ----------
    name, version, architecture, section, area, source : str
        `area` is main, contrib, non-free or non-free-firmware.
    size : int
        Of the .deb [bytes].
    sha256 : str
    """

    name: str
    version: str
    architecture: str
    section: str
    area: str
    source: str
    size: int
    sha256: str


@dataclass
class Apt:
    """apt with a state of its own, which never touches the system's.

    Parameters
    ----------
    recipe : Recipe
    cache : pathlib.Path
        Folder for the state and the downloads, outside any checkout.

    Attributes
    ----------
    warnings : list of str
        Indexes that could not be fetched.
    """

    recipe: Recipe
    cache: Path
    warnings: list[str] = field(default_factory=list)

    @property
    def _state(self) -> Path:
        return self.cache / "apt" / self.recipe.name

    @property
    def archives(self) -> Path:
        """Folder of the downloaded packages."""
        return self.cache / "debs"

    def update(self) -> None:
        """Write the source list and fetch the package indexes.

        Raises
        ------
        ToolError
            When apt is missing, or the release's own index cannot be fetched.
        """
        bases = mirror_bases()
        state = self._state
        for folder in ("lists/partial", "cache/archives/partial"):
            (state / folder).mkdir(parents=True, exist_ok=True)
        self.archives.mkdir(parents=True, exist_ok=True)
        suites = [("Debian", self.recipe.suite), ("Debian", f"{self.recipe.suite}-updates")]
        suites += [("Debian-Security", f"{self.recipe.suite}-security")]
        if self.recipe.backports:
            suites.append(("Debian", f"{self.recipe.suite}-backports"))
        options = f"arch={self.recipe.architecture}" + (f" signed-by={_KEYRING}" if _KEYRING.exists() else "")
        lines = []
        for label, suite in suites:
            if label in bases:
                lines.append(f"deb [{options}] {bases[label]} {suite} {' '.join(AREAS)}\n")
            else:
                self.warnings.append(f"{suite}: no base address in the system's apt configuration")
        write_whole(state / "sources.list", "".join(lines))
        write_whole(state / "status", "")
        write_whole(
            state / "apt.conf",
            f'Dir::State "{state}";\nDir::State::lists "{state}/lists";\nDir::State::status "{state}/status";\n'
            f'Dir::Cache "{state}/cache";\nDir::Etc::sourcelist "{state}/sources.list";\n'
            'Dir::Etc::sourceparts "/dev/null";\nDir::Etc::preferences "/dev/null";\n'
            'Dir::Etc::preferencesparts "/dev/null";\n'
            f'APT::Architecture "{self.recipe.architecture}";\n'
            f'APT::Architectures {{ "{self.recipe.architecture}"; }};\n'
            'Acquire::Languages "none";\nAPT::Sandbox::User "root";\nAcquire::Retries "2";\n'
            + (f'APT::Default-Release "{self.recipe.suite}-backports";\n' if self.recipe.backports else ""),
        )
        done = self._run("apt-get", "update", check=False)
        failed = re.findall(r"^E: Failed to fetch \S*/dists/(\S+)", done.stderr, re.MULTILINE)
        self.warnings += [f"{path}: index not fetched" for path in failed]
        if not self.packages([self.recipe.metapackage]):
            raise ToolError(
                f"apt could not fetch the package indexes of {self.recipe.suite}: {done.stderr.strip()[:300]}",
                "Check the network and the system's apt sources, then run 'advisor tables build' again.",
            )

    def _run(self, *command: str, check: bool = True, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
        if shutil.which(command[0]) is None:
            raise ToolError(f"{command[0]} is not here.", "Build tables on a Debian machine, or in its container.")
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, cwd=folder, errors="replace",
            env={**os.environ, "APT_CONFIG": str(self._state / "apt.conf"), "LC_ALL": "C"},
        )  # fmt: skip
        if check and done.returncode:
            raise ToolError(f"{' '.join(command[:3])} failed: {done.stderr.strip()[-300:]}")
        return done

    def closure(self, package: str) -> list[str]:
        """Name the kernel packages that a metapackage stands for in this suite.

        Returns
        -------
        list of str
            Such as linux-image-6.12.118+deb13-amd64; modules may be in a package of their own.
        """
        done = self._run("apt-get", "install", "--print-uris", "-y", "--no-install-recommends", package, check=False)
        names = re.findall(r"^'\S+' (\S+?)_\S+\.deb", done.stdout, re.MULTILINE)
        if done.returncode or not names:
            raise ToolError(f"apt cannot resolve {package} in {self.recipe.suite}: {done.stderr.strip()[-300:]}")
        names = [name.replace("%3a", ":") for name in names]
        return [name for name in names if re.match(r"linux-(image|modules|base|binary)-\d+\.", name)]

    def packages(self, names: Iterable[str]) -> list[Package]:
        """Look up the candidates of packages; a name that is not in the suite is left out.

        Parameters
        ----------
        names : iterable of str

        Returns
        -------
        list of Package
        """
        wanted = list(names)
        if not wanted:
            return []
        done = self._run("apt-cache", "show", "--no-all-versions", *wanted, check=False)
        return [package for stanza in done.stdout.split("\n\n") if (package := _package(stanza)) is not None]

    def firmware_packages(self) -> list[Package]:
        """Candidates of the packages that may hold firmware files: by their name, and all of non-free-firmware."""
        names = self._run("apt-cache", "pkgnames").stdout.split()
        chosen = sorted(name for name in names if _may_hold_firmware(name) and not _FOR_BOARDS.match(name))
        chosen += sorted(
            name for name in self._area_names("non-free-firmware") - set(chosen) if not _FOR_BOARDS.match(name)
        )
        return self.packages(chosen)

    def _area_names(self, area: str) -> set[str]:
        done = self._run("apt-cache", "dumpavail")
        names = set()
        for stanza in done.stdout.split("\n\n"):
            if re.search(rf"^Section: {area}/", stanza, re.MULTILINE):
                found = re.search(r"^Package: (\S+)", stanza, re.MULTILINE)
                if found:
                    names.add(found[1])
        return names

    def download(self, packages: Iterable[Package]) -> list[Path]:
        """Fetch packages in one go; apt checks their checksums. Those fetched before are not fetched again.

        Returns
        -------
        list of pathlib.Path
            The .deb files, in the order given.
        """
        chosen = list(packages)
        files = [
            self.archives / f"{package.name}_{package.version.replace(':', '%3a')}_{package.architecture}.deb"
            for package in chosen
        ]
        wanted = [
            f"{package.name}={package.version}"
            for package, file in zip(chosen, files, strict=True)
            if not (file.is_file() and file.stat().st_size == package.size)
        ]
        if wanted:
            self._run("apt-get", "download", *wanted, folder=self.archives)
        for package, file in zip(chosen, files, strict=True):
            if not file.is_file():
                raise ToolError(f"apt fetched {package.name}, yet {file.name} is not in {self.archives}.")
        return files


def _package(stanza: str) -> Package | None:
    fields: dict[str, str] = dict(re.findall(r"^([A-Za-z0-9-]+): (.*)$", stanza, re.MULTILINE))
    if "Package" not in fields or "Filename" not in fields:
        return None
    section = fields.get("Section", "")
    area = section.split("/")[0] if "/" in section and section.split("/")[0] in AREAS else "main"
    return Package(
        fields["Package"], fields["Version"], fields["Architecture"], section, area,
        fields.get("Source", fields["Package"]).split()[0], int(fields["Size"]), fields.get("SHA256", ""),
    )  # fmt: skip


def _may_hold_firmware(name: str) -> bool:
    """Whether a package of another area than non-free-firmware is worth looking into for firmware files."""
    return name in ("wireless-regdb", "alsa-topology-conf") or (
        "firmware" in name and not re.search(r"-(tools?|source|doc|dev|installer|loaders?)$|^(python|lib|gnome)", name)
    )


def mirror_bases() -> dict[str, str]:
    """Base addresses of the archive and of its security updates, as the system's own apt is set up.

    Returns
    -------
    dict of str to str
        Keys 'Debian' and, when the system has it, 'Debian-Security'.

    Raises
    ------
    ToolError
        When apt is missing or has no source of Debian's own archive.
    """
    program = shutil.which("apt-get")
    if program is None:
        raise ToolError("apt-get is not here.", "Build tables on a Debian machine, or in its container.")
    environment = {key: value for key, value in os.environ.items() if key != "APT_CONFIG"}
    done = subprocess.run(
        [program, "indextargets", "--format", "$(REPO_URI)|$(ORIGIN)|$(LABEL)|$(CODENAME)", "Created-By: Packages"],
        capture_output=True, text=True, check=False, env=environment,
    )  # fmt: skip
    bases: dict[str, str] = {}
    for line in done.stdout.splitlines():
        address, _origin, label, _suite = f"{line}|||".split("|")[:4]
        if label not in ("Debian", "Debian-Security"):
            trimmed = address.rstrip("/")
            label = {"debian": "Debian", "debian-security": "Debian-Security"}.get(trimmed.rsplit("/", 1)[-1], "")
        if label:
            bases.setdefault(label, address)
    if "Debian" not in bases:
        raise ToolError(
            "The system's apt has no source of Debian's archive to take the base address from.",
            "Add one to /etc/apt/sources.list.d and run 'apt-get update'.",
        )
    return bases


def contents(deb: Path) -> list[tuple[str, int, str]]:
    """List what a package holds.

    Parameters
    ----------
    deb : pathlib.Path

    Returns
    -------
    list of (path, size, target)
        Path from the root without leading './'; size [bytes]; target of a link, else ''.
    """
    done = subprocess.run(["dpkg-deb", "-c", str(deb)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise InputError(f"{deb} cannot be read: {done.stderr.strip()}.")
    found = []
    for line in done.stdout.splitlines():
        mode, _owner, size, _day, _time, rest = line.split(None, 5)
        path, _, target = rest.partition(" -> " if mode[0] == "l" else " link to ")
        found.append((path.removeprefix("./"), int(size), target.removeprefix("./")))
    return found


def unpack(deb: Path, folder: Path) -> None:
    """Unpack a package's files (no script of it is run)."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["dpkg-deb", "-x", str(deb), str(folder)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise InputError(f"{deb} cannot be unpacked: {done.stderr.strip()}.")
