"""Memory of processes against an independent reader.

Reference: psutil, `Process.memory_full_info().pss`, which reads smaps_rollup or smaps by its own code.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from advisor.lab.watch import memory_of

pytestmark = pytest.mark.outside


def test_memory_of_a_live_process_tree_is_what_psutil_says(missing):
    try:
        import psutil
    except ImportError:
        missing("psutil")
    script = "import sys; keep = bytearray(b'x' * int(sys.argv[1])); print('up', flush=True); sys.stdin.read()"
    children = [
        subprocess.Popen(
            [sys.executable, "-c", script, str(size)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for size in (8 << 20, 24 << 20, 64 << 20)
    ]
    try:
        for child in children:
            assert child.stdout.readline() == "up\n"
        pids = [child.pid for child in children]
        ours = memory_of(pids)
        theirs = sum(psutil.Process(pid).memory_full_info().pss for pid in pids) / 2**20
        # Proportional shares move by a page or two as other processes map the same libraries: 0.004 % was seen.
        assert ours["pss_mib"] == pytest.approx(theirs, rel=0.001)
        assert ours["processes"] == 3
        # The 96 MiB that the children filled are anonymous; the interpreter's own heap comes on top, 2.8 MiB each.
        assert 96 + 3 < ours["anon_mib"] < 96 + 3 * 5
    finally:
        for child in children:
            child.communicate()
