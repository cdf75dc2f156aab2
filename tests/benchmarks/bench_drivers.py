"""Driver look-ups beside libkmod in one run, loading, memory and a whole frame: run this file with Python.

advisor tables check --kernel debian-13        # once: fetches the kernel and lets depmod index it
python tests/benchmarks/bench_drivers.py
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import drivers
from advisor.drivers import ids, packing, table_files
from advisor.lab.tables import build, check, modtree
from advisor.lab.tables.oracle import Kmod
from advisor.shop import default_shop
from advisor.unit import DTYPES, UNIT_COLUMNS

_LOAD = """
import time, numpy, pandas
from advisor.drivers import table_files
def rss(): return int(open('/proc/self/statm').read().split()[1]) * 4096 / 2**20
before, start = rss(), time.perf_counter()
table = table_files.load('debian-13'); table._packed; table._text
print((time.perf_counter() - start) * 1e3, rss() - before)
start = time.perf_counter()
for name in table_files.SHIPPED:
    one = table_files.load(name); one._packed; one._text; table_files.load_firmware(one.about['firmware'])
print((time.perf_counter() - start) * 1e3, rss() - before)
"""

_ONE = """
import time, pandas
from advisor import drivers
from advisor.shop import default_shop
from advisor.unit import Unit, frame
units = frame([Unit(wireless='Intel Wireless-AC 8260', graphics='Intel HD 520', devices='usb:8087:0a2b')])
images = default_shop().images
start = time.perf_counter(); drivers.assess(units, images); print((time.perf_counter() - start) * 1e3)
start = time.perf_counter(); drivers.assess(units, images); print((time.perf_counter() - start) * 1e3)
"""


def best(run: Callable[[], object], times: int = 7) -> float:
    """Shortest of some runs, by processor time [s]."""
    found = []
    for _ in range(times):
        start = time.process_time()
        run()
        found.append(time.process_time() - start)
    return min(found)


def lookups(tree: Path) -> None:
    """Print look-ups a second, libkmod's and ours, one core, the same modaliases."""
    folder = modtree.find(tree)
    if not (folder / "modules.alias.bin").is_file():
        raise SystemExit(f"{folder} is not indexed: run 'advisor tables check --kernel debian-13' first.")
    asked = [
        text
        for bus, texts in check.questions(modtree.read(tree)).items()
        if bus in ("pci", "usb", "unknown ids", "random subsystems")
        for text in texts
    ]
    random.Random(1).shuffle(asked)
    table = table_files.load("debian-13")
    packed = [packing.pack(text) or text for text in asked]
    count = len(asked)
    with Kmod(folder) as kmod:
        theirs = best(lambda: [kmod.lookup(text) for text in asked], 3)
    rows = {
        "strings to lists of names (resolve)": best(lambda: table.resolve(asked)),
        "strings to module numbers (pack, match)": best(
            lambda: table.match([packing.pack(text) or text for text in asked])
        ),
        "packed ids to module numbers (match)": best(lambda: table.match(packed)),
    }
    print(f"{count} PCI and USB modaliases, one core")
    print(f"  libkmod through ctypes: {count / theirs / 1e3:.0f} thousand a second")
    for name, took in rows.items():
        print(f"  {name}: {count / took / 1e6:.2f} million a second, {theirs / took:.0f} times libkmod")


def beside_dicts(count: int) -> None:
    """Print how long packed PCI ids take through sorted keys, and through dicts of the same keys; processor time."""
    table = table_files.load("debian-13")
    index, _ = table._packed["pci"]
    columns = [column.tolist() for column in (index.a, index.b, index.mask_a, index.mask_b)]
    tiers, left = [], list(range(len(index.a)))
    for tags in packing.PCI.tiers:
        need, found = packing.PCI.mask(tags), {}
        for at in left:
            if all(columns[2 + word][at] & need[word] == need[word] for word in (0, 1)):
                found.setdefault((columns[0][at] & need[0], columns[1][at] & need[1]), []).append(at)
        tiers.append((need, found))
        left = sorted(set(left) - {at for each in found.values() for at in each})
    chosen = [random.Random(1).randrange(len(index.a)) for _ in range(count)]
    a, b = index.a[chosen], index.b[chosen]
    known = np.full(count, packing.ALL, dtype=np.uint64)

    def plain() -> list[tuple[int, int]]:
        out = []
        for row, (x, y) in enumerate(zip(a.tolist(), b.tolist(), strict=True)):
            here = [at for need, found in tiers for at in found.get((x & need[0], y & need[1]), ())]
            for at in (*here, *left):
                if not ((x ^ columns[0][at]) & columns[2][at] or (y ^ columns[1][at]) & columns[3][at]):
                    out.append((row, at))
        return out

    rows, patterns = index.candidates(a, b, known, known)
    assert sorted(zip(rows.tolist(), patterns.tolist(), strict=True)) == sorted(plain())
    found, through = best(lambda: index.candidates(a, b, known, known), 5), best(plain, 5)
    print(f"{count} packed ids: {found * 1e3:.0f} ms, through dicts {through / found:.1f} times that")


def whole_frame(rows: int) -> None:
    """Print how long a frame takes on all images of the built-in shop."""
    chance = random.Random(3)
    pool = {
        bus: [f"{bus}:{key >> 16:04x}:{key & 0xFFFF:04x}" for key in chance.sample(ids.load(bus).ids.tolist(), 1500)]
        for bus in ("pci", "usb")
    }
    units = pd.DataFrame({name: pd.Series([pd.NA] * rows, dtype=DTYPES[name]) for name in UNIT_COLUMNS})
    typed = {
        "wireless": ["Intel Wireless-AC 8260", "rtl8821ce", "AX201", "Broadcom 4352", "none"],
        "graphics": ["Intel HD 520", "GeForce 940MX", "Radeon R5 M330", "UHD 620"],
        "ethernet": ["Realtek PCIe GbE", "I219-LM", "82579LM"],
    }
    for column, texts in typed.items():
        units[column] = pd.Series(chance.choices(texts, k=rows), dtype="string")
    lists = [";".join(chance.choices(pool["pci"], k=3) + chance.choices(pool["usb"], k=2)) for _ in range(rows)]
    units["devices"] = pd.Series(lists, dtype="string")
    images = default_shop().images
    start = time.perf_counter()
    found = drivers.assess(units, images)
    took = time.perf_counter() - start
    print(f"{rows} units on {len(images)} images, 3000 distinct ids: {took:.1f} s, {len(found.devices)} verdicts")


def main() -> None:
    """Run all of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cache", type=Path, default=build.default_cache())
    parser.add_argument("--rows", type=int, default=100_000)
    chosen = parser.parse_args()
    lookups(chosen.cache / "trees" / "debian-13")
    beside_dicts(20_000)
    lines = subprocess.run([sys.executable, "-c", _LOAD], capture_output=True, text=True, check=True).stdout.split()
    print(f"loading one kernel's table: {float(lines[0]):.0f} ms, {float(lines[1]):.0f} MiB")
    print(f"all five with their firmware: {float(lines[2]):.0f} ms more, {float(lines[3]):.0f} MiB in all")
    first, again = subprocess.run(
        [sys.executable, "-c", _ONE], capture_output=True, text=True, check=True
    ).stdout.split()
    print(f"one unit on five images: {float(first):.0f} ms with loading, {float(again):.1f} ms again")
    whole_frame(chosen.rows)


if __name__ == "__main__":
    main()
