"""The package index of a release, read with apt itself in a folder of its own: nothing of the host is touched."""

from __future__ import annotations

import gzip
import os
import re
import subprocess
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from advisor.errors import ToolError
from advisor.lab.tables.fetch import mirror_bases
from advisor.shop import CODENAMES

KEYRING = "/usr/share/keyrings/debian-archive-keyring.gpg"

_INST = re.compile(r"^Inst (\S+) \((\S+) .*?\[([^]]+)\]\)", re.MULTILINE)


@cache
def mirrors() -> tuple[str, str]:
    """Base addresses of the archive and of its security updates, as the system's own apt is set up.

    Returns
    -------
    tuple of str
        Without a slash at the end.

    Raises
    ------
    ToolError
        When apt is missing or lacks one of the two sources.
    """
    bases = mirror_bases()
    if "Debian-Security" not in bases:
        raise ToolError(
            "The system's apt has no source of Debian's security updates to take the base address from.",
            "Add one to /etc/apt/sources.list.d and run 'apt-get update'.",
        )
    return bases["Debian"].rstrip("/"), bases["Debian-Security"].rstrip("/")


@dataclass(frozen=True)
class Package:
    """What the index says of one binary package.

    Attributes
    ----------
    name, version, priority : str
    download_bytes : int
        Size of the package file [bytes].
    installed_kib : int
        Its own statement of the space it takes [KiB].
    """

    name: str
    version: str
    priority: str
    download_bytes: int
    installed_kib: int


@dataclass(frozen=True)
class Suite:
    """A release and an architecture, with the folder that apt keeps their index in.

    Attributes
    ----------
    release : str
        Such as '13'.
    architecture : str
        'amd64' or 'i386'.
    folder : pathlib.Path
        Made by `prepare`.
    """

    release: str
    architecture: str
    folder: Path

    def prepare(self) -> Suite:
        """Write the sources and fetch the index.

        Returns
        -------
        Suite
            Itself.

        Raises
        ------
        ToolError
            When apt is missing or no index can be fetched.
        """
        for name in ("state/lists/partial", "cache/archives/partial"):
            (self.folder / name).mkdir(parents=True, exist_ok=True)
        (self.folder / "status").touch()
        code = CODENAMES[self.release]
        signed = f"deb [signed-by={KEYRING}]"
        areas = "main non-free-firmware"
        archive, security = mirrors()
        (self.folder / "sources.list").write_text(
            f"{signed} {archive} {code} {areas}\n{signed} {archive} {code}-updates {areas}\n"
            f"{signed} {security} {code}-security {areas}\n"
        )
        where = self.folder
        (self.folder / "apt.conf").write_text(
            f'Dir::State "{where}/state";\nDir::State::status "{where}/status";\nDir::Cache "{where}/cache";\n'
            f'Dir::Etc::sourcelist "{where}/sources.list";\nDir::Etc::sourceparts "/dev/null";\n'
            'Dir::Etc::parts "/dev/null";\nDir::Etc::preferences "/dev/null";\n'
            'Dir::Etc::preferencesparts "/dev/null";\n'
            f'APT::Architecture "{self.architecture}";\nAPT::Architectures {{ "{self.architecture}"; }};\n'
            'APT::Sandbox::User "root";\nAPT::Install-Recommends "true";\nAcquire::Languages "none";\n'
        )
        self.apt("update")
        if not self.packages():
            raise ToolError(
                f"apt fetched no index for Debian {self.release} {self.architecture}.",
                "Check the network connection and try again.",
            )
        return self

    def parts(self) -> list[str]:
        """Name the parts of the archive whose index is here; a mirror that is just being renewed may lack one.

        Returns
        -------
        list of str
            Of 'release', 'updates' and 'security'.
        """
        code = CODENAMES[self.release]
        found = []
        for name, part in (("release", code), ("updates", f"{code}-updates"), ("security", f"{code}-security")):
            if list((self.folder / "state/lists").glob(f"*dists_{part}_main_binary-{self.architecture}_Packages*")):
                found.append(name)
        return found

    def apt(self, *arguments: str, tool: str = "apt-get", cwd: Path | None = None) -> str:
        """Run apt on this suite alone and give what it printed.

        Parameters
        ----------
        *arguments : str
        tool : str
            'apt-get' or 'apt-cache'.
        cwd : pathlib.Path, optional

        Returns
        -------
        str

        Raises
        ------
        ToolError
            When the program is missing or says that it failed.
        """
        environment = {**os.environ, "APT_CONFIG": str(self.folder / "apt.conf"), "LC_ALL": "C"}
        try:
            done = subprocess.run(
                [tool, *arguments], env=environment, cwd=cwd, capture_output=True, text=True, stdin=subprocess.DEVNULL
            )
        except FileNotFoundError as error:
            raise ToolError(f"{tool} is not installed.", "This works on Debian and needs the package apt.") from error
        # `update` fails as a whole when one of several mirrors is behind; what was fetched is judged by the caller,
        # and a simulated install that is not confirmed ends with 1 by design.
        if done.returncode and arguments[0] not in ("update", "install"):
            raise ToolError(f"{tool} {arguments[0]} failed: {done.stderr.strip().splitlines()[-1:]}.")
        if done.returncode and "--assume-no" not in arguments and arguments[0] == "install":
            raise ToolError(f"apt cannot resolve {' '.join(arguments[1:4])} ...: {done.stderr.strip()[-300:]}.")
        return done.stdout

    def packages(self) -> dict[tuple[str, str], Package]:
        """Read the whole index.

        Returns
        -------
        dict
            (name, version) to what the index says.
        """
        found: dict[tuple[str, str], Package] = {}
        for record in self.apt("dumpavail", tool="apt-cache").split("\n\n"):
            fields = dict(re.findall(r"^(Package|Version|Priority|Size|Installed-Size): (.*)$", record, re.MULTILINE))
            if "Package" in fields and "Size" in fields:
                package = Package(
                    fields["Package"], fields["Version"], fields.get("Priority", ""),
                    int(fields["Size"]), int(fields.get("Installed-Size", 0)),
                )  # fmt: skip
                found[package.name, package.version] = package
        return found

    def resolve(self, names: Sequence[str]) -> list[tuple[str, str]]:
        """Ask apt what an install onto nothing would bring in, recommendations included as the installer does.

        Parameters
        ----------
        names : sequence of str

        Returns
        -------
        list of (str, str)
            Name and version of every package, in apt's order.

        Raises
        ------
        ToolError
            When the packages cannot be installed together.
        """
        printed = self.apt("install", "-s", "-q", *names)
        return [(name.split(":")[0], version) for name, version, _ in _INST.findall(printed)]

    def files(self, wanted: Iterable[str]) -> dict[str, int]:
        """Count the files of packages from the archive's lists of contents (about 50 MB to fetch).

        A package that no list knows, as a kernel of a newer security update, is fetched and counted itself.

        The lists are not checked against the signed index, as mirrors often hold a newer or older one; they are only
        counted, never installed from.

        Parameters
        ----------
        wanted : iterable of str
            Package names.

        Returns
        -------
        dict of str to int
            Files and symbolic links, folders not counted.

        Raises
        ------
        ToolError
            When a list cannot be fetched.
        """
        names = set(wanted)
        counts: dict[str, int] = {}
        code = CODENAMES[self.release]
        archive, security = mirrors()
        places = [f"{archive}/dists/{code}/{area}" for area in ("main", "non-free-firmware")]
        places.append(f"{security}/dists/{code}-security/main")
        for place in places:
            seen: dict[str, int] = {}
            for architecture in (self.architecture, "all"):
                for name in _listed(f"{place}/Contents-{architecture}.gz"):
                    if name in names:
                        seen[name] = seen.get(name, 0) + 1
            # A security update of a package replaces it: the last list that knows the name counts.
            counts |= seen
        for name in sorted(names - counts.keys()):
            counts[name] = self._count_in_package(name)
        return counts

    def _count_in_package(self, name: str) -> int:
        folder = self.folder / "debs"
        folder.mkdir(exist_ok=True)
        if not list(folder.glob(f"{name}_*.deb")):
            self.apt("download", name, cwd=folder)
        package = next(folder.glob(f"{name}_*.deb"))
        listing = subprocess.run(["dpkg-deb", "-c", str(package)], capture_output=True, text=True, check=True).stdout
        return sum(not line.startswith("d") for line in listing.splitlines())


def _listed(url: str) -> Iterator[str]:
    try:
        with urllib.request.urlopen(url, timeout=60) as response, gzip.open(response, "rt", errors="replace") as lines:
            for line in lines:
                for entry in line.rsplit(None, 1)[-1].split(","):
                    yield entry.rsplit("/", 1)[-1]
    except urllib.error.HTTPError as error:
        if error.code != 404:
            raise ToolError(f"{url} cannot be fetched: {error}.", "Try again later.") from error
    except OSError as error:
        raise ToolError(f"{url} cannot be fetched: {error}.", "Try again later.") from error
