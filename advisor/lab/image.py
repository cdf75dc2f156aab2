"""Reading a live medium's compressed file system: how much an install from it copies, and what unpacking it costs."""

from __future__ import annotations

import datetime
import os
import re
import resource
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import InputError, ToolError
from advisor.files import opened
from advisor.lab.watch import host_speed
from advisor.lab.workplace import QUIET, run

MAGIC, HEAD_BYTES = b"hsqs", 96
"""First bytes and length of the head of a squashfs file: Linux 6.12, fs/squashfs/squashfs_fs.h."""

MIB = 1 << 20
MKSQUASHFS_LEVEL = 15
"""zstd level of an image whose head names none: squashfs-tools 4.5, zstd_wrapper.h (ZSTD_DEFAULT_COMPRESSION_LEVEL)."""

_USUAL = "On a live medium it is usually live/filesystem.squashfs."

# A line of `unsquashfs -lln`: mode, owner/group, size (or major, minor), date, time, name.
_ENTRY = re.compile(r"^([-dlcbps])[-rwxsStT]{9} +\d+/\d+ +(\d+)(?:, *\d+)? +\d{4}-\d\d-\d\d \d\d:\d\d ")


@dataclass(frozen=True)
class ImageFacts:
    """What an image file holds: sizes [B], entries below its root, when it was made [s since 1970].

    `unpack_s` is the processor time to unpack all of it on one core of this machine [s], `decompress_mib_s` the work of
    `advisor capture --speed` a second of processor time, at the same time [MiB/s].
    """

    file: str
    compression: str
    block_bytes: int
    image_bytes: int
    installed_bytes: int
    installed_files: int
    made: int
    unpack_s: float
    decompress_mib_s: float

    def row(self) -> dict[str, str]:
        """The facts as a row of a table: unpacking a GiB of output [s], and beside the speed test's work a byte [1].

        The last carries over to a machine of another speed.
        """
        plain = ("file", "compression", "block_bytes", "image_bytes", "installed_bytes", "installed_files", "made")
        return {
            **{name: str(getattr(self, name)) for name in plain},
            "unpack_s_per_gib": f"{self.unpack_s / (self.installed_bytes / (1 << 30)):.3f}",
            "unpack_relative": f"{self.unpack_s * self.decompress_mib_s / (self.installed_bytes / MIB):.4f}",
            "source": "measured: advisor rehearse --image",
        }

    def lines(self) -> list[tuple[str, str]]:
        """The facts in words."""
        made, row = datetime.datetime.fromtimestamp(self.made, datetime.UTC), self.row()
        return [
            ("File", self.file),
            ("Compression", f"{self.compression}, blocks of {self.block_bytes // 1024} KiB"),
            ("Image", f"{self.image_bytes / 1e6:.0f} MB"),
            ("Installed", f"{self.installed_bytes / 1e6:.0f} MB in {self.installed_files} files and folders"),
            ("Made", made.date().isoformat()),
            ("Unpacking here", f"{self.unpack_s:.1f} s on one core ({float(row['unpack_s_per_gib']):.1f} s a GiB)"),
            ("Unpacking, relative", f"{float(row['unpack_relative']):.2f} of the speed test's work a byte"),
        ]


def count_listing(text: str) -> tuple[int, int]:
    """Sum of the regular files [B] of a listing (`unsquashfs -lln`), and its entries, the root left out."""
    found = [match for line in text.splitlines() if (match := _ENTRY.match(line))]
    return sum(int(one[2]) for one in found if one[1] == "-"), max(0, len(found) - 1)


def read_image(path: str | Path) -> ImageFacts:
    """Read an image file and measure what unpacking it costs; nothing of it is written or run.

    InputError when it cannot be read, is no squashfs, is cut short or holds nothing; ToolError when unsquashfs fails.
    """
    file = Path(path)
    with opened(file) as handle:
        head, image_bytes = handle.read(HEAD_BYTES), os.fstat(handle.fileno()).st_size
    if len(head) < HEAD_BYTES or not head.startswith(MAGIC):
        raise InputError(f"{file.name} is not a squashfs file.", _USUAL)
    real = str(file.resolve())
    superblock = _unsquashfs("-s", real)
    size, block = (_figure(rf"^{name} (\d+)", superblock) for name in ("Filesystem size", "Block size"))
    if image_bytes < size:
        raise InputError(f"{file.name} is cut short: {image_bytes} bytes of {size}.", "Copy the image again.")
    compression = re.search(r"^Compression (\w+)", superblock, re.MULTILINE)
    installed_bytes, installed_files = count_listing(_unsquashfs("-lln", real))
    if not installed_bytes:
        raise InputError(f"{file.name} holds no files.", _USUAL)
    # By processor time, as the unpacking is: other work on the machine then counts against neither.
    before, start = host_speed(), _children_s()
    _unsquashfs("-processors", "1", "-pf", "/dev/null", real)
    unpack_s = _children_s() - start
    return ImageFacts(
        file.name, compression[1] if compression else "", block, image_bytes, installed_bytes, installed_files,
        _figure(r"^(\d+)", _unsquashfs("-fstime", real)), unpack_s,
        (before + host_speed()) / 2,
    )  # fmt: skip


def zstd_level(path: Path) -> int | None:
    """Level at which an image was packed with zstd, by its own head; None of one packed otherwise."""
    superblock = _unsquashfs("-s", str(path))
    if not re.search("^Compression zstd$", superblock, re.MULTILINE):
        return None
    found = re.search(r"^\tcompression-level (\d+)$", superblock, re.MULTILINE)
    return int(found[1]) if found else MKSQUASHFS_LEVEL


def _figure(pattern: str, text: str) -> int:
    found = re.search(pattern, text, re.MULTILINE)
    if found is None:
        raise ToolError("unsquashfs does not tell what was asked.", "squashfs-tools 4.5 or newer is needed.")
    return int(found[1])


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _unsquashfs(*words: str) -> str:
    environment = {**QUIET, "TZ": "UTC"}
    try:
        return run(["unsquashfs", "-no-progress", *words], env=environment)
    except ToolError as error:
        raise ToolError(f"The image was not read: {error.message}", error.hint or "Copy the image again.") from error
