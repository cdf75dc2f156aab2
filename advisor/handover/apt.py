"""What apt and dpkg keep: settings, versions, and which updates wait."""

from __future__ import annotations

import re
from collections.abc import Iterator

from advisor.handover.contents import unpacked
from advisor.handover.tree import Tree

LARGEST_LIST = 128 << 20
"""Most bytes read of one list of packages [bytes]; Debian's main has some 55 MB."""

_TOKEN = re.compile(
    r"""\s*(//[^\n]*|\#(?!clear|include)[^\n]*|/\*.*?\*/|"(?:[^"\\]|\\.)*"|[{};]|[^\s{};"]+)""", re.DOTALL
)


def settings(text: str) -> Iterator[tuple[str, str]]:
    """Settings of an apt.conf(5), scopes joined, comments passed by.

    Yields
    ------
    tuple of str and str
        Name such as 'Acquire::http::Proxy', and value.
    """
    scopes: list[str] = []
    words: list[str] = []
    for token in _TOKEN.findall(text):
        if token.startswith(("//", "/*", "#")):
            continue
        if token == "{":
            scopes.append(words[0].strip(':"') if words else "")
            words = []
        elif token == "}":
            scopes = scopes[:-1]
            words = []
        elif token == ";":
            if len(words) > 1:
                yield "::".join([*filter(None, scopes), words[0].strip(":")]), words[-1].strip('"')
            words = []
        else:
            words.append(token)


def version_key(version: str) -> tuple[object, ...]:
    """A key that orders versions as dpkg does (Debian Policy 5.6.12).

    Numbers stay text, shorter before longer, as one from outside may have more digits than `int` takes.
    """
    epoch, colon, rest = version.partition(":")
    if not colon:
        epoch, rest = "0", version
    upstream, _, revision = rest.rpartition("-") if "-" in rest else (rest, "", "0")
    return _number(epoch if epoch.isdecimal() else ""), _part(upstream), _part(revision)


def _number(digits: str) -> tuple[int, str]:
    plain = digits.lstrip("0")
    return len(plain), plain


def _part(text: str) -> tuple[tuple[tuple[int, ...], tuple[int, str]], ...]:
    """Letters before other signs, '~' before even the end; then numbers by value."""
    pairs = re.findall(r"([^0-9]*)([0-9]*)", text)
    return tuple(
        (
            (*(-1 if sign == "~" else ord(sign) if sign.isalpha() else ord(sign) + 256 for sign in signs), 0),
            _number(number),
        )
        for signs, number in pairs
    )


def _named(block: str) -> dict[str, str]:
    return dict(re.findall(r"^(Package|Architecture|Version): (\S+)$", block, re.MULTILINE))


def installed(status: str) -> dict[tuple[str, str], str]:
    """Version of each installed package, by name and architecture."""
    found = {}
    for block in status.split("\n\n"):
        if "\nStatus: install ok installed\n" in block or "\nStatus: hold ok installed\n" in block:
            row = _named(block)
            if len(row) == 3:
                found[row["Package"], row["Architecture"]] = row["Version"]
    return found


def updates(tree: Tree, status: str) -> list[str]:
    """Installed packages of which the lists know a newer version.

    Parameters
    ----------
    status : str
        Content of dpkg's status file.
    """
    here = installed(status)
    newer: set[str] = set()
    for name in tree.names("var/lib/apt/lists"):
        if "_Packages" in name and "backports" not in name and "experimental" not in name:
            content = unpacked(tree.read(f"var/lib/apt/lists/{name}", LARGEST_LIST), LARGEST_LIST)
            newer |= _newer(content, here)
    return sorted(newer)


def _newer(content: bytes, here: dict[tuple[str, str], str]) -> set[str]:
    """Of one list; its blocks are looked at one by one, as the whole has some 55 MB."""
    wanted = {name.encode() for name, _ in here}
    newer, at = set(), 0
    while at < len(content):
        end = content.find(b"\n\n", at)
        end = len(content) if end < 0 else end
        if content[at + 9 : content.find(b"\n", at)] in wanted:
            block = content[at:end].decode("utf-8", "replace")
            row = _named(block)
            old = here.get((row["Package"], row.get("Architecture", "")))
            if old and "Version" in row and old != row["Version"] and version_key(row["Version"]) > version_key(old):
                newer.add(row["Package"])
        at = end + 2
    return newer
