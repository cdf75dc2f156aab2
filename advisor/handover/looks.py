"""The kinds of look that rules are made of: each says whether one entry of a tree breaks a rule."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property

from advisor.handover import apt, contents
from advisor.handover.rules import LookRule
from advisor.handover.tree import LARGEST, Tree, TreeEntry

HEAD = 4096
"""Bytes at the beginning of a file that are looked into for marks of its kind [bytes]."""

TEXT = 8 << 20
"""Most bytes of a text that are looked into [bytes]."""

LARGE = 5_000_000
"""Size from which a file of the skeleton is named as large [bytes]; common practice, no source."""

PEOPLE = range(1000, 60_000)
"""Numbers of people's accounts (Debian Policy 9.2.2)."""


def number_of(cell: str) -> int | None:
    """An account's or group's number, which has 32 bits (credentials(7)); None when it is none."""
    return int(cell) if re.fullmatch("[0-9]{1,10}", cell) else None


_COMMENT = re.compile(r"^[ \t]*(#|;|//[ \t]|--[ \t]).*$", re.MULTILINE)


@dataclass
class Context:
    """What a look may ask of the tree, the shop and the unit beside it."""

    tree: Tree
    names: frozenset[str] = frozenset()
    now: float = 0
    firmware: tuple[str, ...] | None = None
    ssd: bool | None = None
    _cache: dict[str, tuple[str, bytes]] = field(default_factory=dict)

    def head(self, entry: TreeEntry) -> bytes:
        """The beginning of a file."""
        return self._kept("head", entry, HEAD)

    def content(self, entry: TreeEntry, most: int = TEXT) -> bytes:
        """A file's content up to a size."""
        return self._kept(f"content {most}", entry, most)

    def _kept(self, what: str, entry: TreeEntry, most: int) -> bytes:
        """Rules that look into the same file follow each other: its content is read once."""
        if what not in self._cache or self._cache[what][0] != entry.path:
            readable = entry.is_file and entry.about.st_size > 0
            self._cache[what] = (entry.path, self.tree.read(entry.path, most) if readable else b"")
        return self._cache[what][1]

    def text(self, entry: TreeEntry) -> str:
        """A file's text, unpacked, byte by byte, so that no encoding can hide anything."""
        return contents.unpacked(self.content(entry), LARGEST).decode("latin-1")

    @cached_property
    def foreign_root(self) -> bool:
        """Whether the tree was unpacked by somebody who is not root, so that owners in it say nothing."""
        top = self.tree.entry("")
        return top is None or top.about.st_uid != 0

    def accounts(self, path: str) -> Iterator[tuple[str, int, str]]:
        """Name, number and home of each account in a file such as passwd(5)."""
        for line in self.tree.text(path).split("\n"):
            row = line.split(":")
            if len(row) == 7 and (number := number_of(row[2])) is not None:
                yield row[0], number, row[5]

    @cached_property
    def people(self) -> frozenset[str]:
        """Names of people's accounts, as passwd and its copies have them."""
        copies = ("etc/passwd", "etc/passwd-", "var/backups/passwd.bak")
        return frozenset(name for path in copies for name, number, _ in self.accounts(path) if number in PEOPLE)

    @cached_property
    def system(self) -> frozenset[str]:
        """Names of accounts that are no person's."""
        return frozenset(name for name, number, _ in self.accounts("etc/passwd") if number not in PEOPLE)

    @cached_property
    def name_regex(self) -> re.Pattern[str] | None:
        """Any of the bench's names as a word."""
        wanted = sorted(name.encode("utf-8").decode("latin-1") for name in self.names if len(name) > 3)
        if not wanted:
            return None
        return re.compile(rf"(?i)(?<![a-z0-9])({'|'.join(map(re.escape, wanted))})(?![a-z0-9])")


def _holds_something(context: Context, entry: TreeEntry) -> bool:
    """A file or a folder that is not empty."""
    if entry.is_folder:
        return next(iter(context.tree.entries(entry.path)), None) is not None
    return entry.is_full


def _sqlite(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """One that is too large to be read surely holds something."""
    if not entry.is_file or entry.about.st_size > LARGEST:
        return entry.is_file
    log = context.tree.read(f"{entry.path}-wal")
    return bool(contents.count(context.content(entry, LARGEST), log, rule.pattern))


def _inside(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """A member of an archive by its name, or, behind '::', by its content too."""
    if not entry.is_file:
        return False
    name, _, content = rule.pattern.partition("::")
    wanted, within = re.compile(name), re.compile(content.encode())
    archive = context.content(entry, contents.MOST_UNPACKED)
    return any(wanted.search(member) and within.search(body) for member, body in contents.members(archive))


def _swap(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    if not entry.is_file or posixpath.basename(entry.path) in ("hiberfil.sys", "pagefile.sys"):
        return entry.is_file
    return contents.swap_holds(lambda start, most: context.tree.read(entry.path, most, start), entry.about.st_size)


def _skel_link(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """One that will be right in the new home leads below /usr, /etc or the like, or stays inside."""
    if not entry.is_link:
        return False
    target = context.tree.target(entry.path)
    if target.startswith("/"):
        away = re.match(r"/(home|root|media|mnt|tmp|run|var/tmp|etc/skel)(/|$)", posixpath.normpath(target))
        return bool(away) or context.tree.real(target) is None
    inside = posixpath.normpath(posixpath.join(posixpath.dirname(entry.path), target))
    return not inside.startswith("etc/skel/") or context.tree.real(inside) is None


def _skel_mode(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    mode, about = entry.about.st_mode, entry.about
    foreign = (about.st_uid, about.st_gid) != (0, 0) and not context.foreign_root
    if entry.is_link:
        return foreign
    needed = 0o700 if entry.is_folder else 0o600
    return foreign or bool(mode & 0o6022) or mode & needed != needed


def _not_utf8_text(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    try:
        context.content(entry).decode("utf-8")
    except UnicodeDecodeError as error:
        # Not of one that was cut in a letter, nor of what is no text.
        return error.end < TEXT and b"\0" not in context.head(entry)
    return False


_PLAIN_ANSWERS = re.compile(r"|debian|localhost|localdomain|[\w.]*debian\.org|true|false|no|yes|none", re.IGNORECASE)


def _debconf(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """Answers of the installer, and any password that a package asked for (debconf-devel(7), the database's format)."""
    for block in context.text(entry).split("\n\n"):
        value = re.search(r"^Value: ?(.*)$", block, re.MULTILINE)
        if value and rule.regex.search(block) and not _PLAIN_ANSWERS.fullmatch(value[1].strip()):
            return True
    return False


_PROGRAMS = ("usr/bin", "usr/local/bin", "usr/games", "usr/sbin", "bin")


def _missing(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """A file that the text names is not there; a bare name is a program's."""
    for name in rule.regex.findall(context.text(entry)):
        places = [name] if name.startswith("/") else [f"{folder}/{name}" for folder in _PROGRAMS]
        known = name.startswith(("$", "~")) or name in ("env", "sh")
        if not known and all(context.tree.real(place) is None for place in places):
            return True
    return False


_OF_PEOPLE = ("home/", "etc/skel/", "tmp/", "var/tmp/")
"""Folders in which files may belong to people."""

Look = Callable[[Context, TreeEntry, LookRule], object]

LOOKS: dict[str, Look] = {
    "any": lambda context, entry, rule: True,
    "there": lambda context, entry, rule: entry.is_link or _holds_something(context, entry),
    "unowned": lambda context, entry, rule: _holds_something(context, entry),
    "file": lambda context, entry, rule: entry.is_full,
    "unowned_file": lambda context, entry, rule: entry.is_full,
    "line": lambda context, entry, rule: entry.is_file and rule.regex.search(_COMMENT.sub("", context.text(entry))),
    "text": lambda context, entry, rule: entry.is_file and rule.regex.search(context.text(entry)),
    "names": lambda context, entry, rule: (
        entry.is_file and context.name_regex and context.name_regex.search(context.text(entry))
    ),
    "head": lambda context, entry, rule: entry.is_file and rule.head_regex.search(context.head(entry)),
    "sqlite": _sqlite,
    "inside": _inside,
    "picture": lambda context, entry, rule: entry.is_file and contents.owner_of_picture(context.content(entry)),
    "document": lambda context, entry, rule: (
        entry.is_file and contents.owner_of_document(context.content(entry, LARGEST))
    ),
    "swap": _swap,
    "link": lambda context, entry, rule: entry.is_link and rule.regex.search(context.tree.target(entry.path)),
    # systemctl(1), mask: a link to /dev/null; an empty file does the same (systemd.unit(5)).
    "masked": lambda context, entry, rule: (
        context.tree.target(entry.path) == "/dev/null" if entry.is_link else entry.is_file and not entry.is_full
    ),
    "immutable": lambda context, entry, rule: context.tree.is_immutable(entry.path),
    "owned": lambda context, entry, rule: (
        not entry.path.startswith(_OF_PEOPLE) and entry.about.st_uid in PEOPLE and not context.foreign_root
    ),
    "odd": lambda context, entry, rule: not (entry.is_file or entry.is_folder or entry.is_link),
    "skel_link": _skel_link,
    "skel_mode": _skel_mode,
    "not_utf8": lambda context, entry, rule: any("\udc80" <= letter <= "\udcff" for letter in entry.name),
    "not_utf8_text": _not_utf8_text,
    "large": lambda context, entry, rule: entry.is_file and entry.about.st_size > LARGE,
    "name": lambda context, entry, rule: entry.is_file and rule.regex.search(entry.name),
    "apt": lambda context, entry, rule: any(
        rule.regex.fullmatch(f"{name}={value}") for name, value in apt.settings(context.text(entry))
    ),
    "debconf": _debconf,
    "missing": _missing,
    "package": lambda context, entry, rule: re.search(
        rf"^Package: {rule.pattern}\nStatus: \S+ ok installed$", context.text(entry), re.MULTILINE
    ),
}
"""By the word in the table: the path that breaks the rule, or whether the entry itself does."""
