"""A capture beside the plain tools in one run, and the largest listings: run this file with Python.

python tests/benchmarks/bench_capture.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from advisor import capture

SCRIPT = Path(capture.__file__).parent / "script.sh"
TOOLS = "lspci -nnk; lsusb; lscpu; lsblk -J -b -O; cat /proc/meminfo"
COMMAND = [sys.executable, "-c", "from advisor.cli import main; main()", "capture"]


def best(command: list[str], times: int = 5) -> float:
    """Shortest wall time of a command [s]."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        found.append(time.perf_counter() - start)
    return min(found)


def main() -> None:
    """Print the figures."""
    peer = best(["sh", "-c", TOOLS])
    python = best([sys.executable, "-c", "import pydantic, typer, pyudev, cpuinfo"])
    print(f"{'plain tools (' + TOOLS + ')':<72}{peer:7.2f} s")
    print(f"{'python importing pydantic, typer, pyudev, cpuinfo':<72}{python:7.2f} s")
    for name, command in {
        "advisor capture": COMMAND,
        "script under dash": ["dash", str(SCRIPT), "-"],
        "script under busybox sh": ["busybox", "sh", str(SCRIPT), "-"],
    }.items():
        took = best(command)
        print(f"{name:<72}{took:7.2f} s   {took / peer:5.1f} x tools   {took / python:5.1f} x imports")
    start = time.perf_counter()
    capture.take("/")
    print(f"{'capture.take() in a running interpreter':<72}{time.perf_counter() - start:7.2f} s")
    start = time.perf_counter()
    capture.take("/", speed=True)
    print(f"{'capture.take(speed=True)':<72}{time.perf_counter() - start:7.2f} s   (10 s at most)")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "listing"
        lines = "".join(f"/sys/class/block/{i}/size = 1\n" for i in range(250_000))
        for mib in (1, 2, 4, 7):
            path.write_text(lines[: mib << 20])
            start = time.process_time()
            capture.read_listings(path)
            print(f"{f'listing of {mib} MiB':<72}{time.process_time() - start:7.2f} s processor time")


if __name__ == "__main__":
    main()
