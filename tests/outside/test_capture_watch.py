"""`advisor capture --watch` in an umockdev testbed that plugs a Wi-Fi adapter in, as the kernel would announce it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap

import pytest

pytestmark = pytest.mark.outside

# Runs under the system's Python, which has GObject introspection; the watcher is a child of it within the testbed.
# The testbed's threads race for the signal mask that a child begins with, so that only SIGKILL ends it for certain.
# A device of another kind, which nobody asked for, comes first: the watch goes on.
DRIVER = """
import os, subprocess, sys, threading, time
import gi
gi.require_version("UMockdev", "1.0")
from gi.repository import UMockdev

bed = UMockdev.Testbed.new()
hub = bed.add_device("usb", "usb1", None, ["bInterfaceClass", "09", "modalias", "usb:x"], ["DEVTYPE", "usb_device"])
pci = bed.add_device("pci", "0000:00:14.0", None,
    ["class", "0x0c0330", "modalias", "pci:v00008086d00009D2Fsv000017AAsd00005050bc0Csc03i30"], [])
watcher = subprocess.Popen(sys.argv[1:], stdout=subprocess.PIPE, text=True)
threading.Timer(200, watcher.kill).start()
print(watcher.stdout.readline(), end="", flush=True)
bed.uevent(bed.add_device("misc", "of-no-use", None, [], []), "change")
time.sleep(1)
stick = bed.add_device("usb", "1-1:1.0", hub,
    ["bInterfaceClass", "ff", "modalias", "usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00"],
    ["DEVTYPE", "usb_interface"])
bed.uevent(stick, "add")
for _ in range(5):
    print(watcher.stdout.readline(), end="", flush=True)
bed.uevent(stick, "remove")
bed.remove_device(stick)
print(watcher.stdout.readline(), end="", flush=True)
print(watcher.stdout.readline(), end="", flush=True)
watcher.kill()
os._exit(0)
"""


@pytest.mark.slow
def test_an_adapter_is_seen_coming_and_going(need, missing, tmp_path):
    python = need("/usr/bin/python3")
    wrapper = need("umockdev-wrapper")
    if subprocess.run([python, "-c", "import gi; gi.require_version('UMockdev', '1.0')"], check=False).returncode:
        missing("gir1.2-umockdev-1.0 and python3-gi")
    driver = tmp_path / "driver.py"
    driver.write_text(textwrap.dedent(DRIVER))
    watcher = "from advisor.cli import main; import sys; sys.argv = ['advisor', 'capture', '--watch']; main()"
    done = subprocess.run(
        [wrapper, python, driver, sys.executable, "-u", "-c", watcher],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    lines = done.stdout.splitlines()
    assert len(lines) == 8, done.stderr
    assert lines[0].startswith("Watching.")
    assert re.fullmatch(r"\d\d:\d\d:\d\d", lines[1])
    assert "plugged in" in lines[2] and "0bda:c811" in lines[2]
    assert "usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00" in lines[3]
    assert "no driver of the running system has taken it" in lines[4]
    # A vendor's own class without a driver: it may be a Wi-Fi adapter, so that there is none is no longer known.
    assert lines[5].strip() == "wireless: none -> not known"
    assert "gone" in lines[7] and "0bda:c811" in lines[7]
