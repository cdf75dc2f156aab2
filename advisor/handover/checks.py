"""Looks that take more than a pattern: several files, or what a file means, beside each other."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable

from advisor.handover import apt, contents
from advisor.handover.looks import PEOPLE, Context, look
from advisor.handover.rules import LookRule
from advisor.handover.tree import TreeEntry

CHECKS: dict[str, Callable[[Context, TreeEntry], Iterable[str]]] = {}


@look("check")
def _check(context: Context, entry: TreeEntry, rule: LookRule) -> Iterable[str]:
    return CHECKS[rule.pattern](context, entry)


def check(function: Callable[[Context, TreeEntry], Iterable[str]]) -> Callable[[Context, TreeEntry], Iterable[str]]:
    """Mark a function as the check of its name."""
    CHECKS[function.__name__.removeprefix("_")] = function
    return function


def _yes(entry: TreeEntry, holds: object) -> list[str]:
    return [entry.path] if holds else []


_COMMON_NAMES = frozenset({
    "", "debian", "localhost", "localhost.localdomain", "linux", "pc", "desktop", "laptop", "notebook", "computer",
    "home", "(none)",
})  # fmt: skip
"""Names of a PC that tell nothing; 'debian' and 'localhost' are the installer's and systemd's own."""


@check
def _hostname(context: Context, entry: TreeEntry) -> Iterable[str]:
    for line in context.text(entry).splitlines():
        name = re.sub(r'^(PRETTY_HOSTNAME|LOCATION|DEPLOYMENT)="?|"$', "", line.strip())
        if entry.path == "etc/machine-info" and name == line.strip():
            continue
        if not name.startswith("#") and name.casefold() not in _COMMON_NAMES:
            return [entry.path]
    return []


@check
def _group(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A group with a person's number, or with somebody in it who is no service."""
    shadow = "gshadow" in entry.path
    for line in context.text(entry).splitlines():
        row = line.split(":")
        if "sub" in entry.path:
            if len(row) == 3 and row[1].isdecimal():
                return [entry.path]
            continue
        if len(row) != 4:
            continue
        inside = {name for cell in (row[2:] if shadow else row[3:]) for name in cell.split(",") if name}
        if inside - context.system or (not shadow and row[2].isdecimal() and int(row[2]) in PEOPLE):
            return [entry.path]
        if shadow and (row[0] in context.people or re.match(r"!*\$", row[1])):
            return [entry.path]
    return []


_ASKED = re.compile(
    r"^Name: (netcfg/(wireless_(wpa|wep|essid)|get_hostname|get_domain|get_ipaddress|get_nameservers|get_gateway)\S*"
    r"|passwd/(root-password|user-password|user-fullname|username)\S*|mirror/http/(proxy|hostname)|mirror/https/proxy"
    r"|(user-setup|network-console|partman-crypto|grub-installer)\S*(passw|passphrase)\S*"
    r"|\S*(password|passphrase|_pass|/secret)\S*)$",
    re.IGNORECASE | re.MULTILINE,
)
_PLAIN_ANSWERS = re.compile(r"|debian|localhost|localdomain|[\w.]*debian\.org|true|false|no|yes|none", re.IGNORECASE)


@check
def _debconf(context: Context, entry: TreeEntry) -> Iterable[str]:
    """Answers of the installer, and any password that a package asked for (debconf-devel(7), the database's format)."""
    for block in context.text(entry).split("\n\n"):
        value = re.search(r"^Value: ?(.*)$", block, re.MULTILINE)
        if value and _ASKED.search(block) and not _PLAIN_ANSWERS.fullmatch(value[1].strip()):
            return [entry.path]
    return []


_AWAY = re.compile(
    r"(?i)^(localhost|10\.|127\.|192\.168\.|172\.(1[6-9]|2\d|3[01])\.|[^_]*\.(local|lan|home|internal)_)"
)


@check
def _lists(context: Context, entry: TreeEntry) -> Iterable[str]:
    name = entry.path.rpartition("/")[2]
    return _yes(entry, entry.is_file and (_AWAY.match(name) or ":3142" in name or "%3a3142" in name.casefold()))


_PROXY = re.compile(r"(?i)acquire::(\w+::)*(proxy|proxy-auto-detect|proxyautodetect)(::[^:]+)?$")


@check
def _apt_conf(context: Context, entry: TreeEntry) -> Iterable[str]:
    return _yes(entry, entry.is_file and any(
        _PROXY.match(key) and value.casefold() not in ("", "direct", "false")
        for key, value in apt.settings(context.text(entry))
    ))  # fmt: skip


_OFF = (
    (r"apt::periodic::(enable|update-package-lists|unattended-upgrade)", r"0"),
    (r"acquire::(check-valid-until|check-date)", r"false|0|no"),
    (r"(apt::get::allowunauthenticated|acquire::allowinsecurerepositories|acquire::https::verify-peer"
     r"|acquire::https::verify-host|acquire::allowweakrepositories)", r"true|1|yes"),
    (r"acquire::https(::\S+)?::verify-(peer|host)", r"false|0|no"),
    (r"apt::default-release", r".+"),
    (r"acquire::(\S+::)?(cainfo|capath|sslcert|sslkey|crlfile)", r".+"),
    (r"dir(::\S+)?", r"/(mnt|media|srv|home|root|tmp|opt)/.*"),
    (r"dpkg::(pre|post)-\S+", r".*(/home/|/root/|bench).*"),
)  # fmt: skip
_RIGHT = re.compile(r"(?i)acquire::https::verify-(peer|host)=(true|1|yes)")


@check
def _apt_off(context: Context, entry: TreeEntry) -> Iterable[str]:
    pairs = apt.settings(context.text(entry)) if entry.is_file else []
    return _yes(entry, any(
        re.fullmatch(key, name.casefold()) and re.fullmatch(value, value_found, re.IGNORECASE)
        and not _RIGHT.fullmatch(f"{name}={value_found}")
        for name, value_found in pairs for key, value in _OFF
    ))  # fmt: skip


@check
def _sources(context: Context, entry: TreeEntry) -> Iterable[str]:
    """Any source of Debian's must be there, on a system whose packages are set up."""
    files = ["etc/apt/sources.list"]
    files += [f"etc/apt/sources.list.d/{name}" for name in context.tree.names("etc/apt/sources.list.d")]
    lines = [
        line for path in files for line in context.tree.text(path).splitlines() if not line.lstrip().startswith("#")
    ]
    live = any(re.match(r"\s*(deb\s|Types:.*\bdeb\b)", line) for line in lines)
    return [] if live else ["etc/apt/sources.list"]


_OWN_EFI = {"boot", "debian", "systemd", "linux", "dell", "hp", "lenovo", "tools", "fw", "fwupd"}
"""Folders of Debian, of the fallback path, of systemd, and of makers' firmware updates."""


@check
def _efi(context: Context, entry: TreeEntry) -> Iterable[str]:
    return _yes(entry, entry.is_folder and entry.path.rpartition("/")[2].casefold() not in _OWN_EFI)


_OTHER_SYSTEM = re.compile("(?i)windows|microsoft|bootmgfw|mac ?os")
_EFI_FOLDER = re.compile(rb"(?i)\\\0E\0F\0I\0\\\0((?:[^\\\0]\0)+)\\\0")
"""Folder below EFI that a start entry's path names, in UTF-16; UEFI specification, section 3.1.3."""


@check
def _efivar(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A variable is 4 bytes of attributes, then 4 of the entry's, 2 of a length, then its name in UTF-16."""
    if not re.fullmatch(r"Boot[0-9A-Fa-f]{4}-[0-9a-f-]{36}", entry.path.rpartition("/")[2]):
        return []
    content = context.content(entry)
    name = content[10:].decode("utf-16-le", "replace").partition("\0")[0]
    folders = {found.decode("utf-16-le", "replace").casefold() for found in _EFI_FOLDER.findall(content)}
    return _yes(entry, _OTHER_SYSTEM.search(name) or folders - _OWN_EFI)


@check
def _partition(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A partition with a file system, neither mounted, nor swap or volume in use, nor in fstab."""
    tree, name = context.tree, entry.path.rpartition("/")[2]
    base = tree.real(entry.path)
    if base is None or not tree.entry(f"{base}/partition") or tree.text(f"{base}/removable").strip() == "1":
        return []
    number = tree.text(f"{base}/dev").strip()
    known = dict(
        line[2:].partition("=")[::2]
        for line in tree.text(f"run/udev/data/b{number}").splitlines()
        if line.startswith("E:")
    )
    mounted = re.search(rf"^\S+ \S+ {re.escape(number)} ", tree.text("proc/self/mountinfo"), re.MULTILINE)
    swapped = re.search(rf"^/dev/{re.escape(name)}\s", tree.text("proc/swaps"), re.MULTILINE)
    held = any(tree.entries(f"{base}/holders"))
    named = {known.get("ID_FS_UUID"), known.get("ID_PART_ENTRY_UUID"), known.get("ID_FS_LABEL")} - {None}
    in_fstab = any(one and one in tree.text("etc/fstab") for one in named) or f"/dev/{name} " in tree.text("etc/fstab")
    return _yes(entry, known.get("ID_FS_TYPE") and not (mounted or swapped or held or in_fstab))


_STARTERS = re.compile(r"^\s*(?:TryExec|Exec)\s*=\s*\"?([^\s\"]+)", re.MULTILINE)


def _program(context: Context, name: str) -> bool:
    places = (
        [name]
        if name.startswith("/")
        else [f"{one}/{name}" for one in ("usr/bin", "usr/local/bin", "usr/games", "usr/sbin", "bin")]
    )
    return any(context.tree.real(place) is not None for place in places)


@check
def _starter(context: Context, entry: TreeEntry) -> Iterable[str]:
    names = [
        one
        for one in _STARTERS.findall(context.text(entry))
        if not one.startswith(("$", "~")) and one not in ("env", "sh")
    ]
    return _yes(entry, any(not _program(context, one) for one in names))


_PICTURES = re.compile(
    r"(/(?:usr|opt|var|srv|etc|home|media|mnt|root)/[^\s\"'<>;&]+\.(?:jpe?g|png|svg|webp|bmp|jxl))", re.IGNORECASE
)


@check
def _wallpaper(context: Context, entry: TreeEntry) -> Iterable[str]:
    if not entry.is_file or (entry.path.rpartition("/")[2] in ("user",) and b"\0" in context.head(entry)[:0]):
        return []
    return _yes(entry, any(context.tree.real(one) is None for one in _PICTURES.findall(context.text(entry))))


MOST_DAYS = 31
"""Age from which package lists are old [days]; common practice, no source."""


@check
def _lists_old(context: Context, entry: TreeEntry) -> Iterable[str]:
    """The newest list's time; without lists the recipient's first refresh brings them."""
    times = [one.about.st_mtime for one in context.tree.entries(entry.path) if one.is_file and "_dists_" in one.path]
    return _yes(entry, times and context.now - max(times) > MOST_DAYS * 86400)


@check
def _updates(context: Context, entry: TreeEntry) -> Iterable[str]:
    return _yes(entry, apt.updates(context.tree, context.text(entry)))


@check
def _kernel(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A tree without any kernel is not one that starts; that is said, and nothing is found."""
    names = context.tree.names("boot")
    kernels = {
        name.removeprefix("vmlinuz-")
        for name in names
        if name.startswith("vmlinuz-") and not name.endswith(("~", ".bak"))
    }
    modules = {name for name in context.tree.names("lib/modules") if context.tree.names(f"lib/modules/{name}/kernel")}
    newest = max(kernels | modules, key=apt.version_key, default=None)
    if newest is None:
        return []
    if newest not in kernels:
        return [f"lib/modules/{newest}"]
    image = f"boot/initrd.img-{newest}"
    about = context.tree.entry(image)
    if about is None or about.about.st_size < 1 << 16:
        return [f"boot/vmlinuz-{newest}" if about is None else image]
    menu = context.tree.text("boot/grub/grub.cfg")
    return ["boot/grub/grub.cfg"] if menu and f"vmlinuz-{newest}" not in menu else []


@check
def _firmware(context: Context, entry: TreeEntry) -> Iterable[str]:
    return _yes(entry, context.firmware)


@check
def _trim(context: Context, entry: TreeEntry) -> Iterable[str]:
    """On an SSD, the timer that fstrim(8) tells of, enabled by a link."""
    name = "timers.target.wants/fstrim.timer"
    return _yes(entry, context.ssd and context.tree.entry(f"etc/systemd/system/{name}") is None)


def _swaps(fstab: str) -> list[str]:
    """What the rows of fstab(5) for swap name."""
    rows = [line.split() for line in fstab.splitlines() if not line.lstrip().startswith("#")]
    return [row[0].replace('"', "") for row in rows if len(row) > 2 and row[2] == "swap"]


_RESUME = re.compile(
    r"(?im)^(?![ \t]*#).*\bresume[ \t]*=[ \t]*[\"']?((?:(?:part)?uuid|label)=[^\s\"']+|/dev/[^\s\"']+)"
)


@check
def _resume(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A swap to resume from, in a setting or in a start image, that is none of fstab's."""
    texts = [context.text(entry)]
    if entry.path.startswith("boot/"):
        archive = contents.members(context.content(entry, contents.MOST_UNPACKED))
        texts = [body.decode("latin-1") for name, body in archive if re.match(r"conf/conf\.d/[^/]*resume", name)]
    swaps = _swaps(context.tree.text("etc/fstab"))
    return _yes(entry, any(one not in swaps for text in texts for one in _RESUME.findall(text)))


@check
def _swap_missing(context: Context, entry: TreeEntry) -> Iterable[str]:
    """A swap file that fstab names and the tree does not hold."""
    files = [one for one in _swaps(context.text(entry)) if one.startswith("/") and not one.startswith("/dev/")]
    return _yes(entry, any(context.tree.real(one) is None for one in files))
