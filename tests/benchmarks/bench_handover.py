"""The hand-over check of a home of 200,000 files beside `find -type f | wc`: seconds of one core, and the most memory.

Run as `python tests/benchmarks/bench_handover.py [FILES]`. The home is mixed: texts, pictures, documents, settings.
"""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

from PIL import Image

MOST_S, MOST_MB = 20, 300
"""What the check of such a home may take of one core [s], and hold [MB]."""

CHECK = """
import re, sys, time
from advisor.handover import check
report = check(sys.argv[1])
with open("/proc/self/status") as status:
    peak = int(re.search(r"VmHWM:\\s*([0-9]+) kB", status.read())[1])
print(time.process_time(), peak * 1024 / 1e6, len(report.findings))
"""


def home(root: Path, count: int) -> None:
    """Make the files: of ten, seven texts, one picture, one document, one file of settings."""
    picture, document = io.BytesIO(), io.BytesIO()
    Image.new("RGB", (64, 64), "green").save(picture, "JPEG")
    with zipfile.ZipFile(document, "w") as archive:
        archive.writestr("meta.xml", "<office:meta/>")
    kinds = [("txt", b"text\n")] * 7 + [
        ("jpg", picture.getvalue()), ("odt", document.getvalue()), ("conf", b"[window]\nwidth=800\n"),
    ]  # fmt: skip
    for number in range(count):
        folder = root / f"home/large/d{number // 10_000}/e{number // 500}"
        if number % 500 == 0:
            folder.mkdir(parents=True)
        ending, content = kinds[number % 10]
        (folder / f"file{number}.{ending}").write_bytes(content)


def main(count: int) -> int:
    """Make the home, check it, print the figures; 1 when one is beyond its limit."""
    with tempfile.TemporaryDirectory() as folder:
        home(Path(folder), count)
        subprocess.run(f"find {folder} -type f | wc -l", shell=True, check=True, capture_output=True)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(f"find {folder} -type f | wc -l", shell=True, check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        peer = sum(after[:2]) - sum(before[:2])
        done = subprocess.run([sys.executable, "-c", CHECK, folder], check=True, capture_output=True, text=True)
    seconds, most, found = map(float, done.stdout.split())
    print(
        f"{count} files: {seconds:.1f} s of one core, {seconds / peer:.0f} times find | wc ({peer:.2f} s); "
        f"VmHWM {most:.0f} MB; {found:.0f} rules found something"
    )
    return int(found < 1 or most >= MOST_MB or seconds >= MOST_S)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if sys.argv[1:] else 200_000))
