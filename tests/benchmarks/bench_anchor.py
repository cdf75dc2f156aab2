"""Decompression of a processor of speed 1, by this machine: python tests/benchmarks/bench_anchor.py (needs gcc).

Three numbers and their quotient: what one core decompresses a second of processor time; its clock, from a chain of
dependent additions (one a cycle) beside one of multiplications (three cycles each), which must agree; and its work per
clock by identify/microarchitectures. `decompress_at_one` in timing/assumed and comfort/physics is such a quotient.
"""

from __future__ import annotations

import re
import statistics
import subprocess
import tempfile
from pathlib import Path

from advisor.identify import signature
from advisor.identify.catalogue import REFERENCE_GHZ, catalogue
from advisor.lab.watch import host_speed

CHAINS = r"""
#include <stdio.h>
#include <time.h>
#define TEN(one) one one one one one one one one one one
static double used(void) { struct timespec t; clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t); return t.tv_sec + 1e-9 * t.tv_nsec; }
int main(void) {
    unsigned long x = 1, n = 30000000; double a = used();
    for (unsigned long i = 0; i < n; i++) __asm__ volatile(TEN("add $1, %0\n") : "+r"(x));
    double b = used();
    for (unsigned long i = 0; i < n; i++) __asm__ volatile(TEN("imul %0, %0\n") : "+r"(x));
    printf("%f %f\n", 10e-9 * n / (b - a), 30e-9 * n / (used() - b));
}
"""  # noqa: E501


def clock_ghz() -> tuple[float, float]:
    """Clock by additions and by multiplications [GHz]."""
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "chains"
        subprocess.run(["gcc", "-O2", "-x", "c", "-", "-o", str(program)], input=CHAINS, text=True, check=True)
        runs = [subprocess.run([program], capture_output=True, text=True, check=True).stdout.split() for _ in range(5)]
    adds, multiplications = (statistics.median(float(run[at]) for run in runs) for at in (0, 1))
    return adds, multiplications


def main() -> None:
    """Measure and print."""
    said = dict(re.findall(r"^([\w ]+?)\s*: (.*)$", Path("/proc/cpuinfo").read_text(), re.MULTILINE))
    vendor = {"GenuineIntel": "Intel", "AuthenticAMD": "AMD"}[said["vendor_id"]]
    found = signature(vendor, *(int(said[name]) for name in ("cpu family", "model", "stepping")))
    if found is None:
        raise SystemExit("This processor is in no table.")
    speeds = [host_speed() for _ in range(7)]
    adds, multiplications = clock_ghz()
    if abs(adds / multiplications - 1) > 0.05:
        raise SystemExit(f"The clock is {adds:.2f} or {multiplications:.2f} GHz: something else ran beside.")
    ipc = catalogue().microarchs[found[0]]["ipc"]
    speed = ipc * adds / REFERENCE_GHZ
    print(f"{found[0]}, {adds:.2f} GHz (multiplications {multiplications:.2f}), speed {speed:.2f}")
    middle, low, high = statistics.median(speeds), min(speeds), max(speeds)
    print(f"decompression {middle:.1f} MiB/s of processor time ({low:.1f} to {high:.1f})")
    print(f"decompression at speed 1: {middle / speed:.1f} MiB/s")


if __name__ == "__main__":
    main()
