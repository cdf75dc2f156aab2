"""A disk in a dock: its other partitions are judged by what mkfs, mkswap and blkid of Debian write and read."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import zlib

import pytest
from base import plant_clean

from advisor.handover import check

pytestmark = [
    pytest.mark.root,
    pytest.mark.skipif(os.geteuid() != 0 or not shutil.which("addpart"), reason="needs root, and partitions on a file"),
    pytest.mark.skipif(not shutil.which("mkfs.ext4"), reason="Debian package e2fsprogs is not installed"),
]

STARTS_MIB = (1, 21, 24, 27, 30, 33, 36)
"""Root, the unit's own start partition, an old one, clean swap, used swap, hibernated swap, an old volume."""


def run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=60).stdout.strip()


@pytest.fixture(scope="module")
def disk(tmp_path_factory):
    """A disk whose root is mounted; the kernel is told of each partition by addpart(8)."""
    folder = tmp_path_factory.mktemp("dock")
    (folder / "disk").touch()
    os.truncate(folder / "disk", 40 << 20)
    loop = run("losetup", "--find", "--show", str(folder / "disk"))
    try:
        for at, start in enumerate(STARTS_MIB, 1):
            run("addpart", loop, str(at), str(start * 2048), str((20 if at == 1 else 2) * 2048))
        run("mkfs.ext4", "-q", f"{loop}p1")
        run("mkfs.ext4", "-q", "-U", "0b1c0b1c-0000-4000-8000-000000000001", f"{loop}p2")
        run("mkfs.ext4", "-q", "-L", "GIVER", f"{loop}p3")
        for at in (4, 5, 6):
            run("mkswap", f"{loop}p{at}")
        with open(f"{loop}p5", "r+b") as swap:
            swap.seek(1 << 20)
            swap.write(b"page of a letter")
        with open(f"{loop}p6", "r+b") as swap:
            swap.seek(4086)
            swap.write(b"S1SUSPEND\0")
        with open(f"{loop}p7", "r+b") as volume:
            # A physical volume's label (LVM2, lib/label/label.h): in sector 1 id, sector, checksum, offset, type.
            rest = (struct.pack("<I", 32) + b"LVM2 001" + b"a" * 32).ljust(492, b"\0")
            checksum = zlib.crc32(rest, 0xF597A6CF ^ 0xFFFFFFFF) ^ 0xFFFFFFFF
            volume.seek(512)
            volume.write(b"LABELONE" + struct.pack("<QI", 1, checksum) + rest)
        (folder / "root").mkdir()
        run("mount", f"{loop}p1", str(folder / "root"))
        plant_clean(folder / "root")
        with (folder / "root/etc/fstab").open("a") as fstab:
            fstab.write("UUID=0b1c0b1c-0000-4000-8000-000000000001 /boot ext4 defaults 0 2\n")
        yield loop, folder / "root"
    finally:
        subprocess.run(["umount", str(folder / "root")], check=False)
        for at in range(1, len(STARTS_MIB) + 1):
            subprocess.run(["delpart", loop, str(at)], check=False, capture_output=True)
        subprocess.run(["losetup", "--detach", loop], check=False)


def test_partitions_beside_the_root_are_found(disk):
    loop, root = disk
    report = check(root)
    found = {one.rule: one.paths for one in report.findings}
    assert found["old-partition"] == (f"{loop}p3", f"{loop}p7")
    assert found["swap-partition"] == (f"{loop}p5", f"{loop}p6")
    assert not any(line.startswith("partitions") for line in report.not_judged)
    [mend] = [one.mend for one in report.findings if one.rule == "swap-partition"]
    assert f"of={loop}p5 " in mend and "# deletes" in mend


def test_a_folder_of_this_machines_own_disk_is_no_dock(disk, tmp_path):
    plant_clean(tmp_path)
    report = check(tmp_path)
    assert report.findings == () and any(line.startswith("partitions, volumes") for line in report.not_judged)
