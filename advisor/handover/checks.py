"""Looks that take more than a pattern: several files, or what a file means, beside each other."""

from __future__ import annotations

import re
from collections.abc import Callable

from advisor.handover import apt, contents
from advisor.handover.looks import PEOPLE, Context
from advisor.handover.tree import TreeEntry

Check = Callable[[Context, TreeEntry], object]

CHECKS: dict[str, Check] = {}
"""By the word in the table: the path that breaks the rule, or whether the entry itself does."""


def check(function: Check) -> Check:
    """Mark a function as the check of its name."""
    CHECKS[function.__name__.removeprefix("_")] = function
    return function


_COMMON_NAMES = frozenset({
    "", "debian", "localhost", "localhost.localdomain", "linux", "pc", "desktop", "laptop", "notebook", "computer",
    "home", "(none)",
})  # fmt: skip
"""Names of a PC that tell nothing; 'debian' and 'localhost' are the installer's and systemd's own."""


@check
def _hostname(context: Context, entry: TreeEntry) -> object:
    for line in context.text(entry).splitlines():
        name = re.sub(r'^(PRETTY_HOSTNAME|LOCATION|DEPLOYMENT)="?|"$', "", line.strip())
        if entry.path == "etc/machine-info" and name == line.strip():
            continue
        if not name.startswith("#") and name.casefold() not in _COMMON_NAMES:
            return True
    return False


@check
def _group(context: Context, entry: TreeEntry) -> object:
    """A group with a person's number, or with somebody in it who is no service."""
    shadow = "gshadow" in entry.path
    for line in context.text(entry).splitlines():
        row = line.split(":")
        if "sub" in entry.path:
            if len(row) == 3 and row[1].isdecimal():
                return True
            continue
        if len(row) != 4:
            continue
        inside = {name for cell in (row[2:] if shadow else row[3:]) for name in cell.split(",") if name}
        if inside - context.system or (not shadow and row[2].isdecimal() and int(row[2]) in PEOPLE):
            return True
        if shadow and (row[0] in context.people or re.match(r"!*\$", row[1])):
            return True
    return False


_ASKED = re.compile(
    r"^Name: (netcfg/(wireless_(wpa|wep|essid)|get_hostname|get_domain|get_ipaddress|get_nameservers|get_gateway)\S*"
    r"|passwd/(root-password|user-password|user-fullname|username)\S*|mirror/http/(proxy|hostname)|mirror/https/proxy"
    r"|(user-setup|network-console|partman-crypto|grub-installer)\S*(passw|passphrase)\S*"
    r"|\S*(password|passphrase|_pass|/secret)\S*)$",
    re.IGNORECASE | re.MULTILINE,
)
_PLAIN_ANSWERS = re.compile(r"|debian|localhost|localdomain|[\w.]*debian\.org|true|false|no|yes|none", re.IGNORECASE)


@check
def _debconf(context: Context, entry: TreeEntry) -> object:
    """Answers of the installer, and any password that a package asked for (debconf-devel(7), the database's format)."""
    for block in context.text(entry).split("\n\n"):
        value = re.search(r"^Value: ?(.*)$", block, re.MULTILINE)
        if value and _ASKED.search(block) and not _PLAIN_ANSWERS.fullmatch(value[1].strip()):
            return True
    return False


_AWAY = re.compile(
    r"(?i)^(localhost|10\.|127\.|192\.168\.|172\.(1[6-9]|2\d|3[01])\.|[^_]*\.(local|lan|home|internal)_)"
)


@check
def _lists(context: Context, entry: TreeEntry) -> object:
    name = entry.name.casefold()
    return entry.is_file and (_AWAY.match(name) or ":3142" in name or "%3a3142" in name)


_PROXY = re.compile(r"(?i)acquire::(\w+::)*(proxy|proxy-auto-detect|proxyautodetect)(::[^:]+)?$")


@check
def _apt_conf(context: Context, entry: TreeEntry) -> object:
    return entry.is_file and any(
        _PROXY.match(key) and value.casefold() not in ("", "direct", "false")
        for key, value in apt.settings(context.text(entry))
    )  # fmt: skip


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
def _apt_off(context: Context, entry: TreeEntry) -> object:
    pairs = apt.settings(context.text(entry)) if entry.is_file else []
    return any(
        re.fullmatch(key, name.casefold()) and re.fullmatch(value, value_found, re.IGNORECASE)
        and not _RIGHT.fullmatch(f"{name}={value_found}")
        for name, value_found in pairs for key, value in _OFF
    )  # fmt: skip


@check
def _sources(context: Context, entry: TreeEntry) -> object:
    """Any source of Debian's must be there, on a system whose packages are set up."""
    files = ["etc/apt/sources.list"]
    files += [f"etc/apt/sources.list.d/{name}" for name in context.tree.names("etc/apt/sources.list.d")]
    live = (re.search(r"^[ \t]*(deb[ \t]|Types:.*\bdeb\b)", context.tree.text(path), re.MULTILINE) for path in files)
    return not any(live) and "etc/apt/sources.list"


_OWN_EFI = {"boot", "debian", "systemd", "linux", "dell", "hp", "lenovo", "tools", "fw", "fwupd"}
"""Folders of Debian, of the fallback path, of systemd, and of makers' firmware updates."""


@check
def _efi(context: Context, entry: TreeEntry) -> object:
    return entry.is_folder and entry.name.casefold() not in _OWN_EFI


_OTHER_SYSTEM = re.compile("(?i)windows|microsoft|bootmgfw|mac ?os")
_EFI_FOLDER = re.compile(rb"(?i)\\\0E\0F\0I\0\\\0((?:[^\\\0]\0)+)\\\0")
"""Folder below EFI that a start entry's path names, in UTF-16; UEFI specification, section 3.1.3."""


@check
def _efivar(context: Context, entry: TreeEntry) -> object:
    """A variable is 4 bytes of attributes, then 4 of the entry's, 2 of a length, then its name in UTF-16."""
    if not re.fullmatch(r"Boot[0-9A-Fa-f]{4}-[0-9a-f-]{36}", entry.name):
        return False
    content = context.content(entry)
    name = content[10:].decode("utf-16-le", "replace").partition("\0")[0]
    folders = {found.decode("utf-16-le", "replace").casefold() for found in _EFI_FOLDER.findall(content)}
    return _OTHER_SYSTEM.search(name) or folders - _OWN_EFI


@check
def _partition(context: Context, entry: TreeEntry) -> object:
    """A partition with a file system, neither mounted, nor swap or volume in use, nor in fstab."""
    tree, name = context.tree, entry.name
    base = tree.real(entry.path)
    if base is None or not tree.entry(f"{base}/partition") or tree.text(f"{base}/removable").strip() == "1":
        return False
    number = tree.text(f"{base}/dev").strip()
    known = dict(re.findall(r"^E:([^=\n]*)=?(.*)", tree.text(f"run/udev/data/b{number}"), re.MULTILINE))
    mounted = re.search(rf"^\S+ \S+ {re.escape(number)} ", tree.text("proc/self/mountinfo"), re.MULTILINE)
    swapped = re.search(rf"^/dev/{re.escape(name)}\s", tree.text("proc/swaps"), re.MULTILINE)
    held = any(tree.entries(f"{base}/holders"))
    named = [known.get(one, "") for one in ("ID_FS_UUID", "ID_PART_ENTRY_UUID", "ID_FS_LABEL")]
    in_fstab = any(one in tree.text("etc/fstab") for one in (*filter(None, named), f"/dev/{name} "))
    return known.get("ID_FS_TYPE") and not (mounted or swapped or held or in_fstab)


_STARTERS = re.compile(r"^\s*(?:TryExec|Exec)\s*=\s*\"?([^\s\"]+)", re.MULTILINE)


_PROGRAMS = ("usr/bin", "usr/local/bin", "usr/games", "usr/sbin", "bin")


@check
def _starter(context: Context, entry: TreeEntry) -> object:
    for name in _STARTERS.findall(context.text(entry)):
        places = [name] if name.startswith("/") else [f"{folder}/{name}" for folder in _PROGRAMS]
        known = name.startswith(("$", "~")) or name in ("env", "sh")
        if not known and all(context.tree.real(place) is None for place in places):
            return True
    return False


_PICTURES = re.compile(
    r"(/(?:usr|opt|var|srv|etc|home|media|mnt|root)/[^\s\"'<>;&]+\.(?:jpe?g|png|svg|webp|bmp|jxl))", re.IGNORECASE
)


@check
def _wallpaper(context: Context, entry: TreeEntry) -> object:
    return entry.is_file and any(context.tree.real(one) is None for one in _PICTURES.findall(context.text(entry)))


MOST_DAYS = 31
"""Age from which package lists are old [days]; common practice, no source."""


@check
def _lists_old(context: Context, entry: TreeEntry) -> object:
    """The newest list's time; without lists the recipient's first refresh brings them."""
    times = [one.about.st_mtime for one in context.tree.entries(entry.path) if one.is_file and "_dists_" in one.path]
    return times and context.now - max(times) > MOST_DAYS * 86400


@check
def _updates(context: Context, entry: TreeEntry) -> object:
    return apt.updates(context.tree, context.text(entry))


@check
def _kernel(context: Context, entry: TreeEntry) -> object:
    """A tree without any kernel is not one that starts; that is said, and nothing is found."""
    names = [name for name in context.tree.names("boot") if not name.endswith(("~", ".bak"))]
    kernels = {name.removeprefix("vmlinuz-") for name in names if name.startswith("vmlinuz-")}
    modules = {name for name in context.tree.names("lib/modules") if context.tree.names(f"lib/modules/{name}/kernel")}
    newest = max(kernels | modules, key=apt.version_key, default=None)
    if newest is None:
        return False
    if newest not in kernels:
        return f"lib/modules/{newest}"
    image = context.tree.entry(f"boot/initrd.img-{newest}")
    if image is None:
        return f"boot/vmlinuz-{newest}"
    if image.about.st_size < 1 << 16:
        return image.path
    menu = context.tree.text("boot/grub/grub.cfg")
    return menu and f"vmlinuz-{newest}" not in menu and "boot/grub/grub.cfg"


@check
def _firmware(context: Context, entry: TreeEntry) -> object:
    return context.firmware


@check
def _trim(context: Context, entry: TreeEntry) -> object:
    """On an SSD, the timer that fstrim(8) tells of, enabled by a link."""
    name = "timers.target.wants/fstrim.timer"
    return context.ssd and context.tree.entry(f"etc/systemd/system/{name}") is None


def _swaps(fstab: str) -> list[str]:
    """What the rows of fstab(5) for swap name."""
    rows = [line.split() for line in fstab.splitlines() if not line.lstrip().startswith("#")]
    return [row[0].replace('"', "") for row in rows if len(row) > 2 and row[2] == "swap"]


_RESUME = re.compile(
    r"(?im)^(?![ \t]*#).*\bresume[ \t]*=[ \t]*[\"']?((?:(?:part)?uuid|label)=[^\s\"']+|/dev/[^\s\"']+)"
)


@check
def _resume(context: Context, entry: TreeEntry) -> object:
    """A swap to resume from, in a setting or in a start image, that is none of fstab's."""
    texts = [context.text(entry)]
    if entry.path.startswith("boot/"):
        archive = contents.members(context.content(entry, contents.MOST_UNPACKED))
        texts = [body.decode("latin-1") for name, body in archive if re.match(r"conf/conf\.d/[^/]*resume", name)]
    swaps = _swaps(context.tree.text("etc/fstab"))
    return any(one not in swaps for text in texts for one in _RESUME.findall(text))


@check
def _swap_missing(context: Context, entry: TreeEntry) -> object:
    """A swap file that fstab names and the tree does not hold."""
    files = [one for one in _swaps(context.text(entry)) if one.startswith("/") and not one.startswith("/dev/")]
    return any(context.tree.real(one) is None for one in files)
