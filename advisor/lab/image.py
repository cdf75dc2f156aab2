"""Reading a live medium's compressed file system: how much an install from it copies, and what unpacking it costs."""

from __future__ import annotations

import os
import re
import resource
import struct
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from advisor.capture import speed
from advisor.errors import InputError, ToolError
from advisor.files import opened

MAGIC = 0x73717368
SUPERBLOCK = struct.Struct("<5I6H8Q")
COMPRESSIONS = {1: "gzip", 2: "lzma", 3: "lzo", 4: "xz", 5: "lz4", 6: "zstd"}
MIB = 1 << 20

HEADER = ",".join((
    "file", "compression", "block_bytes", "image_bytes", "installed_bytes", "installed_files", "made",
    "unpack_s_per_gib", "unpack_relative", "source",
))  # fmt: skip


@dataclass(frozen=True)
class Superblock:
    """The head of a squashfs file: inodes, largest block [B], length [B] without padding, date [s since 1970]."""

    compression: str
    block_bytes: int
    inodes: int
    bytes_used: int
    made: int
    version: str


@dataclass(frozen=True)
class ImageFacts:
    """What an image file holds.

    Attributes
    ----------
    name : str
        File name.
    superblock : Superblock
    image_bytes : int
        [B]
    installed_bytes : int
        Sum of its regular files, a hard-linked one at each of its names [B].
    installed_files : int
        Entries of every kind below the root.
    unpack_s : float
        Processor time to unpack all of it on one core of this machine [s].
    decompress_mib_s : float
        The work of `advisor capture --speed` a second of processor time, at the same time [MiB/s].
    """

    name: str
    superblock: Superblock
    image_bytes: int
    installed_bytes: int
    installed_files: int
    unpack_s: float
    decompress_mib_s: float

    @property
    def unpack_s_per_gib(self) -> float:
        """Processor time to unpack a GiB of output on one core of this machine [s/GiB]."""
        return self.unpack_s / (self.installed_bytes / (1 << 30))

    @property
    def unpack_relative(self) -> float:
        """Cost of a byte beside that of the speed test's lzma: carries over to a machine of another speed [1]."""
        return self.unpack_s * self.decompress_mib_s / (self.installed_bytes / MIB)

    def lines(self) -> list[tuple[str, str]]:
        """The facts in words."""
        import datetime

        made = datetime.datetime.fromtimestamp(self.superblock.made, datetime.UTC)
        return [
            ("File", self.name),
            ("Compression", f"{self.superblock.compression}, blocks of {self.superblock.block_bytes // 1024} KiB"),
            ("Image", f"{self.image_bytes / 1e6:.0f} MB"),
            ("Installed", f"{self.installed_bytes / 1e6:.0f} MB in {self.installed_files} files and folders"),
            ("Made", made.date().isoformat()),
            ("Unpacking on this machine", f"{self.unpack_s:.1f} s on one core ({self.unpack_s_per_gib:.1f} s a GiB)"),
            ("Unpacking, relative", f"{self.unpack_relative:.2f} of the speed test's work a byte"),
        ]


def parse_superblock(head: bytes, name: str = "the file") -> Superblock:
    """Read a squashfs superblock from the first 96 bytes; InputError when it is none of 4.0, or contradicts itself.

    Linux 6.12, fs/squashfs/squashfs_fs.h, struct squashfs_super_block, and Documentation/filesystems/squashfs.rst.
    """
    hint = "On a live medium it is usually live/filesystem.squashfs."
    if len(head) < SUPERBLOCK.size or head[:4] != MAGIC.to_bytes(4, "little"):
        raise InputError(f"{name} is not a squashfs file.", hint)
    (_, inodes, made, block_bytes, _, kind, block_log, _, _, major, minor, _, bytes_used, *_) = SUPERBLOCK.unpack_from(
        head
    )
    if (major, minor) != (4, 0):
        raise InputError(f"{name} is squashfs {major}.{minor}; 4.0 is read.", hint)
    if kind not in COMPRESSIONS or block_bytes != 1 << min(block_log, 31) or not 4096 <= block_bytes <= MIB:
        raise InputError(f"{name} has a damaged squashfs head.", "Copy the image again.")
    return Superblock(COMPRESSIONS[kind], block_bytes, inodes, bytes_used, made, f"{major}.{minor}")


# A line of `unsquashfs -lln`: mode, owner/group, size (or major, minor), date, time, name.
_ENTRY = re.compile(r"^([-dlcbps])[-rwxsStT]{9} +\d+/\d+ +(\d+)(?:, *\d+)? +\d{4}-\d\d-\d\d \d\d:\d\d ")


def count_listing(text: str) -> tuple[int, int]:
    """Sum of the regular files [B] of a listing (`unsquashfs -lln`), and its entries, the root left out."""
    size, entries = 0, 0
    for line in text.splitlines():
        found = _ENTRY.match(line)
        if found is None:
            continue
        entries += 1
        if found[1] == "-":
            size += int(found[2])
    return size, max(0, entries - 1)


def read_image(path: str | Path) -> ImageFacts:
    """Read an image file and measure what unpacking it costs; nothing of it is written or run.

    InputError when it cannot be read, is no squashfs, is cut short or holds nothing; ToolError when unsquashfs fails.
    """
    file = Path(path)
    with opened(file) as handle:
        superblock = parse_superblock(handle.read(SUPERBLOCK.size), file.name)
        image_bytes = os.fstat(handle.fileno()).st_size
    if image_bytes < superblock.bytes_used:
        raise InputError(
            f"{file.name} is cut short: {image_bytes} bytes of {superblock.bytes_used}.", "Copy the image again."
        )
    listing = _unsquashfs("-lln", str(file.resolve()))
    installed_bytes, installed_files = count_listing(listing)
    if not installed_bytes:
        raise InputError(f"{file.name} holds no files.", "On a live medium it is usually live/filesystem.squashfs.")
    before = _decompress_mib_per_cpu_s()
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = used.ru_utime + used.ru_stime
    _unsquashfs("-processors", "1", "-pf", "/dev/null", str(file.resolve()))
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return ImageFacts(
        name=file.name, superblock=superblock, image_bytes=image_bytes, installed_bytes=installed_bytes,
        installed_files=installed_files, unpack_s=used.ru_utime + used.ru_stime - start,
        decompress_mib_s=(before + _decompress_mib_per_cpu_s()) / 2,
    )  # fmt: skip


def _decompress_mib_per_cpu_s() -> float:
    # By processor time, as the unpacking is: other work on the machine then counts against neither.
    wall, cpu = time.perf_counter(), time.process_time()
    rate = speed.decompress_mib_s(1.0)
    return rate * (time.perf_counter() - wall) / (time.process_time() - cpu)


def catalogue_row(facts: ImageFacts) -> str:
    """A line of CSV under `HEADER`."""
    import csv
    import io

    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow([
        facts.name, facts.superblock.compression, facts.superblock.block_bytes, facts.image_bytes,
        facts.installed_bytes, facts.installed_files, facts.superblock.made, f"{facts.unpack_s_per_gib:.3f}",
        f"{facts.unpack_relative:.4f}", "measured: advisor rehearse --image",
    ])  # fmt: skip
    return text.getvalue()


def _unsquashfs(*words: str) -> str:
    with tempfile.TemporaryFile("w+", errors="replace") as out:
        try:
            done = subprocess.run(
                ["unsquashfs", "-no-progress", *words], stdout=out, stderr=subprocess.PIPE, text=True,
                errors="replace", env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C", "TZ": "UTC"},
            )  # fmt: skip
        except FileNotFoundError as error:
            raise ToolError("unsquashfs is missing.", "apt install squashfs-tools") from error
        out.seek(0)
        text = out.read()
    if done.returncode != 0:
        tail = " / ".join((done.stderr or text).strip().splitlines()[-3:])
        raise ToolError(f"unsquashfs could not read the image: {tail}", "Copy the image again.")
    return text
