"""The kinds of look that rules are made of: each says which paths one entry of a tree gives to a rule."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property

from advisor.handover import contents
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

Look = Callable[["Context", TreeEntry, LookRule], Iterable[str]]
LOOKS: dict[str, Look] = {}

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

    @cached_property
    def people(self) -> frozenset[str]:
        """Names of people's accounts, as passwd and its copies have them."""
        found = set()
        for path in ("etc/passwd", "etc/passwd-", "var/backups/passwd.bak"):
            for line in self.tree.text(path).splitlines():
                name, *rest = line.split(":")
                if len(rest) == 6 and rest[1].isdecimal() and int(rest[1]) in PEOPLE:
                    found.add(name)
        return frozenset(found)

    @cached_property
    def system(self) -> frozenset[str]:
        """Names of accounts that are no person's."""
        rows = (line.split(":") for line in self.tree.text("etc/passwd").splitlines())
        return frozenset(row[0] for row in rows if len(row) > 2 and row[2].isdecimal() and int(row[2]) not in PEOPLE)

    @cached_property
    def name_regex(self) -> re.Pattern[str] | None:
        """Any of the bench's names as a word."""
        wanted = sorted(name.encode("utf-8").decode("latin-1") for name in self.names if len(name) > 3)
        if not wanted:
            return None
        return re.compile(rf"(?i)(?<![a-z0-9])({'|'.join(map(re.escape, wanted))})(?![a-z0-9])")


def look(name: str) -> Callable[[Look], Look]:
    """Mark a function as the look of that name."""

    def keep(function: Look) -> Look:
        LOOKS[name] = function
        return function

    return keep


def simple(name: str) -> Callable[[Callable[[Context, TreeEntry, LookRule], object]], Callable[..., object]]:
    """Mark a function that only says yes or no to the entry itself."""

    def keep(function: Callable[[Context, TreeEntry, LookRule], object]) -> Callable[..., object]:
        LOOKS[name] = lambda context, entry, rule: [entry.path] if function(context, entry, rule) else []
        return function

    return keep


@simple("any")
def _any(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """Whatever is there."""
    return True


@simple("there")
@simple("unowned")
def there(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """A file that is not empty, a folder that is not, a link."""
    if entry.is_folder:
        return next(iter(context.tree.entries(entry.path)), None) is not None
    if rule.look == "unowned":
        return entry.is_file and entry.about.st_size > 0
    return entry.is_link or (entry.is_file and entry.about.st_size > 0)


@simple("file")
@simple("unowned_file")
def _file(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return entry.is_file and entry.about.st_size > 0


@simple("line")
def _line(context: Context, entry: TreeEntry, rule: LookRule) -> object:
    return entry.is_file and rule.regex.search(_COMMENT.sub("", context.text(entry)))


@simple("text")
def _text(context: Context, entry: TreeEntry, rule: LookRule) -> object:
    return entry.is_file and rule.regex.search(context.text(entry))


@simple("names")
def _names(context: Context, entry: TreeEntry, rule: LookRule) -> object:
    return context.name_regex and entry.is_file and context.name_regex.search(context.text(entry))


@simple("head")
def _head(context: Context, entry: TreeEntry, rule: LookRule) -> object:
    return entry.is_file and rule.head_regex.search(context.head(entry))


@simple("sqlite")
def _sqlite(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """One that is too large to be read surely holds something."""
    if not entry.is_file or entry.about.st_size > LARGEST:
        return entry.is_file
    log = context.tree.read(f"{entry.path}-wal")
    return bool(contents.count(context.content(entry, LARGEST), log, rule.pattern))


@simple("inside")
def _inside(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """A member of an archive by its name, or, behind '::', by its content too."""
    if not entry.is_file:
        return False
    name, _, content = rule.pattern.partition("::")
    wanted, within = re.compile(name), re.compile(content.encode()) if content else None
    archive = context.content(entry, contents.MOST_UNPACKED)
    return any(
        wanted.search(member) and (within is None or within.search(body)) for member, body in contents.members(archive)
    )


@simple("picture")
def _picture(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return entry.is_file and contents.owner_of_picture(context.content(entry))


@simple("document")
def _document(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return entry.is_file and contents.owner_of_document(context.content(entry, LARGEST))


@simple("swap")
def _swap(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    if posixpath.basename(entry.path) in ("hiberfil.sys", "pagefile.sys"):
        return entry.is_file
    read = lambda start, most: context.tree.read(entry.path, most, start)  # noqa: E731
    return entry.is_file and contents.swap_holds(read, entry.about.st_size) != ""


@simple("link")
def _link(context: Context, entry: TreeEntry, rule: LookRule) -> object:
    return entry.is_link and rule.regex.search(context.tree.target(entry.path))


@simple("masked")
def _masked(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    """systemctl(1), mask: a link to /dev/null; an empty file does the same (systemd.unit(5))."""
    if entry.is_link:
        return context.tree.target(entry.path) == "/dev/null"
    return entry.is_file and entry.about.st_size == 0


@simple("immutable")
def _immutable(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return context.tree.is_immutable(entry.path)


@simple("owned")
def _owned(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    elsewhere = not entry.path.startswith(("home/", "etc/skel/", "tmp/", "var/tmp/"))
    return elsewhere and entry.about.st_uid in PEOPLE and not context.foreign_root


@simple("odd")
def _odd(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return not (entry.is_file or entry.is_folder or entry.is_link)


@simple("skel_link")
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


@simple("skel_mode")
def _skel_mode(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    mode, about = entry.about.st_mode, entry.about
    foreign = (about.st_uid, about.st_gid) != (0, 0) and not context.foreign_root
    if entry.is_link:
        return foreign
    needed = 0o700 if entry.is_folder else 0o600
    return foreign or bool(mode & 0o6022) or mode & needed != needed


@simple("not_utf8")
def _not_utf8(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return any("\udc80" <= letter <= "\udcff" for letter in posixpath.basename(entry.path))


@simple("not_utf8_text")
def _not_utf8_text(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    try:
        context.content(entry).decode("utf-8")
    except UnicodeDecodeError as error:
        # Not of one that was cut in a letter, nor of what is no text.
        return error.end < TEXT and b"\0" not in context.head(entry)
    return False


@simple("large")
def _large(context: Context, entry: TreeEntry, rule: LookRule) -> bool:
    return entry.is_file and entry.about.st_size > LARGE


@look("package")
def _package(context: Context, entry: TreeEntry, rule: LookRule) -> Iterable[str]:
    status = context.text(entry)
    pattern = re.compile(rf"^Package: {rule.pattern}\nStatus: \S+ ok installed$", re.MULTILINE)
    return [entry.path] if pattern.search(status) else []
