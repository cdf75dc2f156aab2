"""Looks that take more than a pattern: several files, or what a file means, beside each other."""

from __future__ import annotations

import re
from collections.abc import Callable

from advisor.handover import apt, contents
from advisor.handover.looks import PEOPLE, Context, number_of
from advisor.handover.tree import TreeEntry

Check = Callable[[Context, TreeEntry], object]

_COMMON_NAMES = frozenset({
    "", "debian", "localhost", "localhost.localdomain", "linux", "pc", "desktop", "laptop", "notebook", "computer",
    "home", "(none)",
})  # fmt: skip
"""Names of a PC that tell nothing; 'debian' and 'localhost' are the installer's and systemd's own."""


def _hostname(context: Context, entry: TreeEntry) -> object:
    for line in context.text(entry).split("\n"):
        name = re.sub(r'^(PRETTY_HOSTNAME|LOCATION|DEPLOYMENT)="?|"$', "", line.strip())
        if entry.path == "etc/machine-info" and name == line.strip():
            continue
        if not name.startswith("#") and name.casefold() not in _COMMON_NAMES:
            return True
    return False


_GROUPS = ("etc/group", "etc/group-")


def _group(context: Context, entry: TreeEntry) -> object:
    """A group with a person's number, or with somebody in it who is no service."""
    shadow = "gshadow" in entry.path
    known = {line.partition(":")[0] for path in _GROUPS for line in context.tree.text(path).split("\n")}
    for line in context.text(entry).split("\n"):
        row = line.split(":")
        if "sub" in entry.path:
            if len(row) == 3 and row[1].isdecimal():
                return True
            continue
        if len(row) != 4:
            continue
        inside = {name for cell in (row[2:] if shadow else row[3:]) for name in cell.split(",") if name}
        if inside - context.system or (not shadow and number_of(row[2]) in PEOPLE):
            return True
        # Of a copy, a group that no file of groups has any more is one that was taken away: the account's own.
        gone = entry.path != "etc/gshadow" and row[0] not in known
        if shadow and (row[0] in context.people or gone or re.match(r"!*\$", row[1])):
            return True
    return False


def _sources(context: Context, entry: TreeEntry) -> object:
    """Any source of Debian's must be there, on a system whose packages are set up."""
    files = ["etc/apt/sources.list"]
    files += [f"etc/apt/sources.list.d/{name}" for name in context.tree.names("etc/apt/sources.list.d")]
    live = (re.search(r"^[ \t]*(deb[ \t]|Types:.*\bdeb\b)", context.tree.text(path), re.MULTILINE) for path in files)
    return not any(live) and "etc/apt/sources.list"


_OWN_EFI = {"boot", "debian", "systemd", "linux", "dell", "hp", "lenovo", "tools", "fw", "fwupd"}
"""Folders of Debian, of the fallback path, of systemd, and of makers' firmware updates."""


def _efi(context: Context, entry: TreeEntry) -> object:
    return entry.is_folder and entry.name.casefold() not in _OWN_EFI


_OTHER_SYSTEM = re.compile("(?i)windows|microsoft|bootmgfw|mac ?os")
_EFI_FOLDER = re.compile(rb"(?i)\\\0E\0F\0I\0\\\0((?:[^\\\0]\0)+)\\\0")
"""Folder below EFI that a start entry's path names, in UTF-16; UEFI specification, section 3.1.3."""


def _efivar(context: Context, entry: TreeEntry) -> object:
    """A variable is 4 bytes of attributes, then 4 of the entry's, 2 of a length, then its name in UTF-16."""
    if not re.fullmatch(r"Boot[0-9A-Fa-f]{4}-[0-9a-f-]{36}", entry.name):
        return False
    content = context.content(entry)
    name = content[10:].decode("utf-16-le", "replace").partition("\0")[0]
    folders = {found.decode("utf-16-le", "replace").casefold() for found in _EFI_FOLDER.findall(content)}
    return _OTHER_SYSTEM.search(name) or folders - _OWN_EFI


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


MOST_DAYS = 31
"""Age from which package lists are old [days]; common practice, no source."""


def _lists_old(context: Context, entry: TreeEntry) -> object:
    """The newest list's time; without lists the recipient's first refresh brings them."""
    times = [one.about.st_mtime for one in context.tree.entries(entry.path) if one.is_file and "_dists_" in one.path]
    return times and context.now - max(times) > MOST_DAYS * 86400


def _updates(context: Context, entry: TreeEntry) -> object:
    return apt.updates(context.tree, context.text(entry))


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


def _firmware(context: Context, entry: TreeEntry) -> object:
    return context.firmware


def _trim(context: Context, entry: TreeEntry) -> object:
    """On an SSD, the timer that fstrim(8) tells of, enabled by a link."""
    name = "timers.target.wants/fstrim.timer"
    return context.ssd and context.tree.entry(f"etc/systemd/system/{name}") is None


def _swaps(fstab: str) -> list[str]:
    """What the rows of fstab(5) for swap name."""
    rows = [line.split() for line in fstab.split("\n") if not line.lstrip().startswith("#")]
    return [row[0].replace('"', "") for row in rows if len(row) > 2 and row[2] == "swap"]


_RESUME = re.compile(
    r"(?im)^(?![ \t]*#).*\bresume[ \t]*=[ \t]*[\"']?((?:(?:part)?uuid|label)=[^\s\"']+|/dev/[^\s\"']+)"
)


def _resume(context: Context, entry: TreeEntry) -> object:
    """A swap to resume from, in a setting or in a start image, that is none of fstab's."""
    texts = [context.text(entry)]
    if entry.path.startswith("boot/"):
        archive = contents.members(context.content(entry, contents.MOST_UNPACKED))
        texts = [body.decode("latin-1") for name, body in archive if re.match(r"conf/conf\.d/[^/]*resume", name)]
    swaps = _swaps(context.tree.text("etc/fstab"))
    return any(one not in swaps for text in texts for one in _RESUME.findall(text))


CHECKS: dict[str, Check] = {
    "hostname": _hostname, "group": _group, "sources": _sources, "efi": _efi, "efivar": _efivar,
    "partition": _partition, "lists_old": _lists_old, "updates": _updates, "kernel": _kernel, "firmware": _firmware,
    "trim": _trim, "resume": _resume,
}  # fmt: skip
"""By the word in the table: the path that breaks the rule, or whether the entry itself does."""
