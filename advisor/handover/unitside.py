"""What the check takes from beside the tree: the bench's names, the unit's devices and disk; what it cannot judge."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from advisor.handover import apt
from advisor.handover.looks import Context
from advisor.handover.tree import Tree

if TYPE_CHECKING:
    from advisor.unit import Unit

_TOO_COMMON = frozenset({
    "user", "users", "debian", "live", "admin", "test", "guest", "owner", "home", "data", "root", "default", "student",
    "teacher", "local", "nobody", "system", "desktop", "linux", "service", "recipient", "public", "lost+found", "name",
    "backup", "mail", "games", "print", "shared", "work", "office", "school", "bench", "temp", "demo", "oem",
})  # fmt: skip
"""Account names that stand in too many files to be looked for unless they are given."""


def bench_names(context: Context, given: Iterable[str]) -> frozenset[str]:
    """Names to look for: those given, and those of accounts that left traces."""
    homes = (one.name for one in context.tree.entries("home") if one.is_folder)
    seen = {name for name in (*context.people, *homes) if name.casefold() not in _TOO_COMMON and name.isascii()}
    return frozenset(name.strip() for name in given if name.strip()) | frozenset(one for one in seen if len(one) > 3)


def release_of(tree: Tree) -> str:
    """Release of the tree's Debian, '' when it is none (os-release(5))."""
    pairs = dict(re.findall(r'^(ID|VERSION_ID)="?([^"\n]*)"?$', tree.text("etc/os-release"), re.MULTILINE))
    return pairs.get("VERSION_ID", "") if pairs.get("ID") == "debian" else ""


def firmware(tree: Tree, unit: Unit | None) -> tuple[str, ...] | None:
    """Packages of firmware that the unit's devices need and the tree lacks; None when that cannot be told."""
    if unit is None:
        return None
    from advisor.drivers import assess, table_files
    from advisor.shop import Image
    from advisor.unit import Support, frame

    release = release_of(tree)
    kernel = f"debian-{release}"
    if table_files.place(kernel) is None:
        return None
    here = tuple(sorted({name for name, _ in apt.installed(tree.text("var/lib/dpkg/status"))}))
    image = Image(name="this unit", release=release, kernel=kernel, firmware=here)
    devices = assess(frame([unit]), [image]).devices
    wanted = devices[devices["support"] == Support.NEEDS_FIRMWARE]["firmware_packages"].astype(str)
    return tuple(sorted({name for cell in wanted for name in re.split(r"[;, ]+", cell) if name}))


def has_ssd(tree: Tree, unit: Unit | None) -> bool | None:
    """Whether a disk of the unit does not turn; None when nothing tells."""
    if unit is not None and unit.storage_kind is not None:
        from advisor.unit import StorageKind

        return unit.storage_kind in (StorageKind.NVME, StorageKind.SATA_SSD, StorageKind.EMMC)
    kinds = [
        tree.text(f"{real}/queue/rotational").strip()
        for name in tree.names("sys/class/block")
        if re.match(r"(sd|nvme|mmcblk)[^/]*$", name) and (real := tree.real(f"sys/class/block/{name}"))
    ]
    return "0" in kinds if any(kinds) else None


def not_judged(context: Context, unit: Unit | None, docked: bool = False) -> tuple[str, ...]:
    """What stays open, in words, so that silence is not taken for a proof; `docked` when its whole disk is at hand."""
    tree, out = context.tree, []
    names = tree.names("boot")
    if not any(name.startswith("vmlinuz-") for name in names) and not tree.names("lib/modules"):
        out.append("starting: the tree holds no kernel")
    if not tree.text("var/lib/dpkg/status"):
        out.append("packages: the tree holds no database of dpkg's")
    if context.firmware is None:
        out.append("firmware for the unit's own devices: no capture beside it (--unit), or no table of its release")
    if context.ssd is None:
        out.append("TRIM: what kind of disk the unit has is not known")
    if not tree.names("sys/class/block"):
        beside = "" if docked else "partitions, volumes and "
        out.append(f"{beside}the firmware's start entries: only a running system shows them")
    if not context.names:
        out.append("names in other files: no name of the bench is known (--name, or bench_names in shop.toml)")
    status = tree.text("var/lib/dpkg/status")
    if status and not context.people and "gnome-initial-setup" not in {name for name, _ in apt.installed(status)}:
        asks = tree.text("etc/machine-id").strip() == "uninitialized" or not tree.entry("etc/machine-id")
        also = "" if asks else ", and machine-id(5) must be 'uninitialized' for systemd-firstboot to ask"
        out.append(f"first start: nothing of Debian's own makes the recipient's account (gnome-initial-setup){also}")
    if not tree.names("var/lib/apt/lists"):
        out.append("updates: the tree holds no package lists")
    return tuple(out)
