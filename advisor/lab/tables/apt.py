"""apt with a state of its own: a release's package index and packages, read without touching the system's."""

from __future__ import annotations

import gzip
import os
import re
import shutil
import subprocess
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from advisor.errors import ToolError
from advisor.files import write_whole
from advisor.lab.workplace import run

AREAS = ("main", "contrib", "non-free", "non-free-firmware")
KEYRING = Path("/usr/share/keyrings/debian-archive-keyring.gpg")

_INST = re.compile(r"^Inst (\S+) \((\S+) .*?\[([^]]+)\]\)", re.MULTILINE)
_FIELDS = re.compile(r"^([A-Za-z0-9-]+): (.*)$", re.MULTILINE)


@dataclass(frozen=True)
class IndexedPackage:
    """A package as the index describes it; `size` of the .deb [B], `area` such as non-free-firmware."""

    name: str
    version: str
    architecture: str
    area: str
    priority: str
    size: int
    installed_kib: int
    sha256: str

    @property
    def file(self) -> str:
        """Name of its .deb."""
        return f"{self.name}_{self.version.replace(':', '%3a')}_{self.architecture}.deb"


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        raise ToolError(f"{name} is not here.", "Build tables on a Debian machine, or in its container.")
    return path


def mirror_bases() -> dict[str, str]:
    """Base addresses of 'Debian' and, if there, 'Debian-Security', without a slash, as the system's apt has them."""
    done = subprocess.run(
        [_program("apt-get"), "indextargets", "--format", "$(REPO_URI)|$(LABEL)", "Created-By: Packages"],
        capture_output=True, text=True, check=False,
        env={key: value for key, value in os.environ.items() if key != "APT_CONFIG"},
    )  # fmt: skip
    bases: dict[str, str] = {}
    for line in done.stdout.splitlines():
        address, _, label = line.partition("|")
        address = address.rstrip("/")
        if label not in ("Debian", "Debian-Security"):
            label = {"debian": "Debian", "debian-security": "Debian-Security"}.get(address.rsplit("/", 1)[-1], "")
        if label:
            bases.setdefault(label, address)
    if "Debian" not in bases:
        raise ToolError(
            "The system's apt has no source of Debian's archive to take the base address from.",
            "Add one to /etc/apt/sources.list.d and run 'apt-get update'.",
        )
    return bases


@dataclass
class Apt:
    """One release, by its code name, and architecture, with a folder for apt's state and one for packages.

    With `backports`, packages come from there where it has them; `warnings` are indexes that could not be fetched.
    """

    suite: str
    architecture: str
    folder: Path
    archives: Path
    backports: bool = False
    areas: tuple[str, ...] = AREAS
    warnings: list[str] = field(default_factory=list)

    def update(self) -> Apt:
        """Write the source list and fetch the package indexes; gives itself. ToolError when there is no index."""
        bases = mirror_bases()
        for one in (self.folder / "lists/partial", self.folder / "cache/archives/partial", self.archives):
            one.mkdir(parents=True, exist_ok=True)
        suites = [("Debian", self.suite), ("Debian", f"{self.suite}-updates")]
        suites += [("Debian-Security", f"{self.suite}-security")]
        suites += [("Debian", f"{self.suite}-backports")] if self.backports else []
        options = f"arch={self.architecture}" + (f" signed-by={KEYRING}" if KEYRING.exists() else "")
        lines = []
        for label, suite in suites:
            if label in bases:
                lines.append(f"deb [{options}] {bases[label]} {suite} {' '.join(self.areas)}\n")
            else:
                self.warnings.append(f"{suite}: no base address in the system's apt configuration")
        state = self.folder
        write_whole(state / "sources.list", "".join(lines))
        write_whole(state / "status", "")
        write_whole(
            state / "apt.conf",
            f'Dir::State "{state}";\nDir::State::lists "{state}/lists";\nDir::State::status "{state}/status";\n'
            f'Dir::Cache "{state}/cache";\nDir::Etc::sourcelist "{state}/sources.list";\n'
            'Dir::Etc::sourceparts "/dev/null";\nDir::Etc::parts "/dev/null";\nDir::Etc::preferences "/dev/null";\n'
            'Dir::Etc::preferencesparts "/dev/null";\n'
            f'APT::Architecture "{self.architecture}";\nAPT::Architectures {{ "{self.architecture}"; }};\n'
            'APT::Install-Recommends "true";\nAcquire::Languages "none";\nAPT::Sandbox::User "root";\n'
            'Acquire::Retries "2";\n' + (f'APT::Default-Release "{self.suite}-backports";\n' if self.backports else ""),
        )
        done = self.call("apt-get", "update", check=False)
        failed = re.findall(r"^E: Failed to fetch \S*/dists/(\S+)", done.stderr, re.MULTILINE)
        self.warnings += [f"{path}: index not fetched" for path in failed]
        if "release" not in self.parts():
            raise ToolError(
                f"apt could not fetch the package index of {self.suite}: {done.stderr.strip()[:300]}",
                "Check the network and the system's apt sources, then try again.",
            )
        return self

    def parts(self) -> list[str]:
        """Of 'release', 'updates', 'security' and 'backports', those whose index is here."""
        names = {"release": "", "updates": "-updates", "security": "-security", "backports": "-backports"}
        pattern = "*dists_{}_main_binary-{}_Packages*"
        lists = self.folder / "lists"
        return [
            name for name, end in names.items() if any(lists.glob(pattern.format(self.suite + end, self.architecture)))
        ]

    def call(self, *command: str, check: bool = True, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run a program of apt's on this release alone."""
        done = subprocess.run(
            [_program(command[0]), *command[1:]], capture_output=True, text=True, check=False, cwd=folder,
            errors="replace", stdin=subprocess.DEVNULL,
            env={**os.environ, "APT_CONFIG": str(self.folder / "apt.conf"), "LC_ALL": "C"},
        )  # fmt: skip
        if check and done.returncode:
            raise ToolError(f"{' '.join(command[:3])} failed: {done.stderr.strip()[-300:]}")
        return done

    def closure(self, package: str) -> list[str]:
        """Names of the kernel packages that a metapackage stands for; modules may be in a package of their own."""
        found = self.resolve(["--no-install-recommends", package])
        return [name for name, _ in found if re.match(r"linux-(image|modules|base|binary)-\d+\.", name)]

    def packages(self, names: Iterable[str]) -> list[IndexedPackage]:
        """Candidates of packages; a name that is not in the release is left out."""
        wanted = list(names)
        done = self.call("apt-cache", "show", "--no-all-versions", *wanted, check=False) if wanted else None
        return [one for stanza in (done.stdout if done else "").split("\n\n") if (one := package_of(stanza))]

    def index(self) -> dict[tuple[str, str], IndexedPackage]:
        """The whole index by name and version."""
        records = self.call("apt-cache", "dumpavail").stdout.split("\n\n")
        found = [one for record in records if (one := package_of(record)) is not None]
        return {(one.name, one.version): one for one in found}

    def names(self) -> list[str]:
        """Names of all packages."""
        return self.call("apt-cache", "pkgnames").stdout.split()

    def resolve(self, names: Sequence[str]) -> list[tuple[str, str]]:
        """Name and version of what an install onto nothing brings in, recommended packages included."""
        printed = self.call("apt-get", "install", "-s", "-q", *names).stdout
        return [(name.split(":")[0], version) for name, version, _ in _INST.findall(printed)]

    def download(self, packages: Iterable[IndexedPackage]) -> list[Path]:
        """Fetch packages in one go; apt checks their checksums. Those fetched before are not fetched again."""
        files = {package: self.archives / package.file for package in packages}
        wanted = [
            f"{package.name}={package.version}"
            for package, file in files.items()
            if not (file.is_file() and file.stat().st_size == package.size)
        ]
        if wanted:
            self.call("apt-get", "download", *wanted, folder=self.archives)
        for package, file in files.items():
            if not file.is_file():
                raise ToolError(f"apt fetched {package.name}, yet {file.name} is not in {self.archives}.")
        return list(files.values())

    def file_counts(self, wanted: Iterable[str]) -> dict[str, int]:
        """Count the files and links of packages, from the archive's lists of contents (about 50 MB to fetch).

        A package that no list knows, as a kernel of a newer security update, is fetched and counted itself. The lists
        are not checked against the signed index, as mirrors often hold another one: they are counted, not installed.
        """
        names = set(wanted)
        bases = mirror_bases()
        if "Debian-Security" not in bases:
            raise ToolError(
                "The system's apt has no source of Debian's security updates to take the base address from.",
                "Add one to /etc/apt/sources.list.d and run 'apt-get update'.",
            )
        counts: dict[str, int] = {}
        places = [f"{bases['Debian']}/dists/{self.suite}/{area}" for area in ("main", "non-free-firmware")]
        for place in [*places, f"{bases['Debian-Security']}/dists/{self.suite}-security/main"]:
            lists = [_listed(f"{place}/Contents-{architecture}.gz") for architecture in (self.architecture, "all")]
            # A security update of a package replaces it: the last list that knows the name counts.
            counts |= Counter(name for listed in lists for name in listed if name in names)
        for package in self.packages(sorted(names - counts.keys())):
            (file,) = self.download([package])
            counts[package.name] = sum(not path.endswith("/") for path, _, _ in contents(file))
        return counts


def package_of(stanza: str) -> IndexedPackage | None:
    """Read a record of the index; None for one that is no package to fetch."""
    fields: dict[str, str] = dict(_FIELDS.findall(stanza))
    if "Package" not in fields or "Size" not in fields:
        return None
    area, below, _ = fields.get("Section", "").partition("/")
    return IndexedPackage(
        fields["Package"], fields["Version"], fields.get("Architecture", ""),
        area if below and area in AREAS else "main", fields.get("Priority", ""), int(fields["Size"]),
        int(fields.get("Installed-Size", 0)), fields.get("SHA256", ""),
    )  # fmt: skip


def contents(deb: Path) -> list[tuple[str, int, str]]:
    """What a package holds: path from the root without './' (a folder's ends in '/'), size [B], a link's target."""
    found = []
    for line in run(["dpkg-deb", "-c", str(deb)]).splitlines():
        mode, _owner, size, _day, _time, rest = line.split(None, 5)
        path, _, target = rest.partition(" -> " if mode[0] == "l" else " link to ")
        found.append((path.removeprefix("./"), int(size), target.removeprefix("./")))
    return found


def unpack(deb: Path, folder: Path) -> None:
    """Unpack a package's files (no script of it is run)."""
    folder.mkdir(parents=True, exist_ok=True)
    run(["dpkg-deb", "-x", str(deb), str(folder)])


def _listed(url: str) -> Iterator[str]:
    try:
        with urllib.request.urlopen(url, timeout=60) as response, gzip.open(response, "rt", errors="replace") as lines:
            for line in lines:
                for entry in line.rsplit(None, 1)[-1].split(","):
                    yield entry.rsplit("/", 1)[-1]
    except OSError as error:
        if not (isinstance(error, urllib.error.HTTPError) and error.code == 404):
            raise ToolError(f"{url} cannot be fetched: {error}.", "Try again later.") from error
