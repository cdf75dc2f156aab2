"""What the first start of an installed tree reads and works until somebody can log in, in an emulator that counts.

`python -m advisor.lab.starts FOLDER TREE...`, with trees built there (`advisor rehearse build`). qemu counts
instructions (`-icount`), so the processor's work is told in MiB of decompression by the same count, whatever machine
emulates; and it names each read of the disk, so that one which goes on where the last ended is no seek.
"""

from __future__ import annotations

import lzma
import re
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from advisor.capture.speed import LZMA_PRESET, fixed_buffer
from advisor.errors import ToolError
from advisor.lab.trees import RECIPES, file_system, kernel_of, layers, view
from advisor.lab.workplace import Workplace, open_workplace, require, run

MIB = 1 << 20
TOOLS = {"qemu-system-x86_64": "qemu-system-x86", "mke2fs": "e2fsprogs"}
ROUNDS = 20
WORD = "advisor-start"

ANCHOR = f"""import lzma, time
packed = open("/packed.xz", "rb").read()
start = time.process_time()
for _ in range({ROUNDS}):
    lzma.decompress(packed)
print(time.process_time() - start)
"""

TOLD = f"""#!/bin/sh
until pgrep -f '[g]reeter' >/dev/null; do sleep 1; done
sleep 10
set -- $(head -n 1 /proc/stat)
spent="$2 $3 $4 $7 $8"
echo "{WORD} $spent ticks, $(python3 /anchor.py) s" >/dev/ttyS0
systemctl poweroff --force --force
"""
"""Waits for the greeter and ten seconds more, tells the ticks at work by then, and times decompression."""

UNIT = """[Unit]
After=graphical.target
[Service]
Type=oneshot
ExecStart=/told
[Install]
WantedBy=graphical.target
"""

_READ = re.compile(rb"virtio_blk_handle_read .* sector (\d+) nsectors (\d+)")
_SPENT = re.compile(rf"{WORD} ([\d ]+) ticks, ([\d.]+) s")
SECTOR, TICKS_S = 512, 100


@dataclass(frozen=True)
class Start:
    """A start: MiB read, kernel and initramfs included; reads that are no continuation; MiB of decompression."""

    read_mib: float
    seeks: int
    decompress_mib: float


def measure(place: Workplace, name: str, seconds: float = 1800.0) -> Start:
    """Start a built tree once on one core with 2 GiB; without AppArmor, whose profiles are compiled once."""
    require(TOOLS)
    with tempfile.TemporaryDirectory(dir=place.runs) as folder:
        scratch = Path(folder)
        disk, log, serial = scratch / "disk", scratch / "log", scratch / "serial"
        with view(scratch / "view", layers(place, RECIPES[name])) as root:
            _prepare(root)
            for part in ("vmlinuz", "initrd.img"):
                (scratch / part).write_bytes((root / "boot" / f"{part}-{kernel_of(root)}").read_bytes())
            file_system(root, disk)
        loaded = sum((scratch / part).stat().st_size for part in ("vmlinuz", "initrd.img"))
        run([
            "timeout", f"{seconds:g}", "qemu-system-x86_64", "-machine", "q35,accel=tcg", "-m", "2048",
            "-icount", "shift=0,sleep=off", "-display", "none", "-no-reboot", "-serial", f"file:{serial}",
            "-trace", "virtio_blk_handle_read", "-D", str(log), "-drive", f"file={disk},format=raw,if=virtio",
            "-kernel", str(scratch / "vmlinuz"), "-initrd", str(scratch / "initrd.img"),
            "-append", "root=/dev/vda rw quiet console=ttyS0 apparmor=0",
        ])  # fmt: skip
        return figures(serial.read_text(errors="replace"), log.read_bytes(), loaded)


def _prepare(root: Path) -> None:
    """Put into a tree what tells the figures of its start."""
    (root / "packed.xz").write_bytes(lzma.compress(fixed_buffer(), preset=LZMA_PRESET))
    (root / "anchor.py").write_text(ANCHOR)
    (root / "told").write_text(TOLD)
    (root / "told").chmod(0o755)
    units = root / "etc/systemd/system"
    (units / f"{WORD}.service").write_text(UNIT)
    (units / "graphical.target.wants").mkdir(exist_ok=True)
    (units / "graphical.target.wants" / f"{WORD}.service").symlink_to(f"/etc/systemd/system/{WORD}.service")


def figures(serial: str, log: bytes, loaded: int) -> Start:
    """Put together what a start said over its serial line and which reads the emulator named; `loaded` beside [B]."""
    spent = _SPENT.search(serial)
    if spent is None:
        raise ToolError("The start did not come to its greeter.", serial[-400:])
    at, size, seeks = -1, 0, 0
    for first, count in ((int(a), int(b)) for a, b in _READ.findall(log)):
        seeks += first != at
        at, size = first + count, size + count
    work_s = sum(map(int, spent[1].split())) / TICKS_S
    return Start((SECTOR * size + loaded) / MIB, seeks, work_s * ROUNDS / float(spent[2]))


if __name__ == "__main__":
    for tree in sys.argv[2:]:
        print(tree, measure(open_workplace(sys.argv[1]), tree))
