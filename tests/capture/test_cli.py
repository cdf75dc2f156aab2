"""`advisor capture` as it is called: what it prints, what it writes, how it ends."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from advisor import capture
from advisor.unit import Unit

LAPTOP = "2016-laptop-skylake-udev-memory"


def advisor(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Call the command line."""
    program = "from advisor.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env={**os.environ, "COLUMNS": "100"},
    )


def test_this_machine_in_words():
    done = advisor("capture")
    assert done.returncode == 0, done.stderr
    assert "  processor    " in done.stdout and "  memory       " in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 88
    assert "None" not in done.stdout


def test_module_is_called_like_a_function():
    assert isinstance(capture(), Unit)
    assert capture() == capture.probe("/")


def test_the_example_of_the_help_works(tmp_path):
    help_text = advisor("capture", "--help").stdout
    example = re.search(r"Example: advisor (.*)", help_text)[1].split()
    done = advisor(*example, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads((tmp_path / "unit-017.json").read_text())["unit"]["asset_tag"] == "017"


def test_every_option_is_explained():
    text = " ".join(advisor("capture", "--help").stdout.split())
    for option in ("--out", "--tag", "--speed", "--identifiers", "--root", "--from", "--script", "--watch"):
        assert re.search(rf"{option}( [A-Z]+)? [A-Z][a-z]", text), option


def test_a_recorded_machine_in_words(roots):
    done = advisor("capture", "--root", roots(LAPTOP), "--tag", "017")
    text = " ".join(done.stdout.split())
    assert done.returncode == 0, done.stderr
    assert text.startswith("017: LENOVO ThinkPad T460 (20FMS0AA00) (laptop)")
    for said in (
        "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz, 2 cores, 4 threads",
        "8 GiB (one module: 8 GiB DDR3 SODIMM 1600); 2 slots, 1 free; by its own word the board takes 32 GiB",
        "SATA SSD, 223.6 GiB (240 GB), INTEL SSDSCKKF240H6L, controller in AHCI mode",
        "UEFI 64-bit, Secure Boot off, TPM 2.0",
        "1920x1080 14.0 inch, no touch", "65.6 % of its design capacity, 455 cycles", "8086:24f3",
        "Root would add: disk life left",
    ):  # fmt: skip
        assert said in text
    # The Wi-Fi chip is named once, not again among the other devices.
    assert text.count("8086:24f3") == 1


def test_script_is_printed_written_and_read_back(roots, tmp_path):
    printed = advisor("capture", "--script")
    assert printed.stdout.startswith("#!/bin/sh\n")
    written = advisor("capture", "--script", "--out", tmp_path / "capture.sh")
    assert written.returncode == 0
    assert (tmp_path / "capture.sh").read_text() == printed.stdout
    environment = {**os.environ, "ADVISOR_ROOT": str(roots(LAPTOP))}
    out = tmp_path / "unit.txt"
    done = subprocess.run(
        ["sh", tmp_path / "capture.sh", out], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and f"advisor capture --from {out}" in done.stdout
    read = advisor("capture", "--from", out, "--out", tmp_path / "unit.json")
    assert read.returncode == 0, read.stderr
    assert capture.read_capture(tmp_path / "unit.json").unit == capture.probe(roots(LAPTOP))


def test_script_says_when_it_cannot_write(tmp_path):
    script = Path(capture.__file__).parent / "script.sh"
    done = subprocess.run(["sh", script, tmp_path / "none" / "unit.txt"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "could not be written" in done.stderr


def test_several_listings_at_once(tmp_path):
    (tmp_path / "a.txt").write_text("03:00.0 Network controller [0280]: Intel Corporation Wireless 8260 [8086:24f3]\n")
    (tmp_path / "b.txt").write_text("MemTotal:        8033032 kB\n")
    done = advisor("capture", "--from", tmp_path / "a.txt", "--from", tmp_path / "b.txt")
    assert done.returncode == 0, done.stderr
    assert "Wireless 8260 [8086:24f3]" in done.stdout and "8 GiB" in done.stdout


def test_a_capture_file_is_shown(tmp_path):
    advisor("capture", "--out", tmp_path / "unit.json", "--tag", "X9")
    assert advisor("capture", "--from", tmp_path / "unit.json").stdout.startswith("X9: ")


@pytest.mark.parametrize(
    "arguments, said",
    [
        (["--script", "--watch"], "--script and --watch cannot be used together"),
        (["--from", "x", "--root", "y"], "--root and --from cannot be used together"),
        (["--script", "--speed"], "--speed has no meaning with --script"),
        (["--from", "x", "--identifiers"], "--identifiers has no meaning with --from"),
        (["--root", "/nowhere"], "/nowhere is not a folder"),
        (["--from", "/nowhere"], "/nowhere does not exist"),
        (["--out", "/"], "/ is a folder"),
        (["--out", "/nowhere/unit.json"], "could not be written"),
    ],
)
def test_wrong_calls_end_with_2_and_a_sentence(arguments, said):
    done = advisor("capture", *arguments)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr and len(done.stderr.splitlines()) >= 2


def test_a_folder_without_a_machine(tmp_path):
    done = advisor("capture", "--root", tmp_path)
    assert done.returncode == 2 and "no machine in it" in done.stderr


def test_speed_of_a_recorded_machine_is_refused(roots):
    done = advisor("capture", "--root", roots(LAPTOP), "--speed")
    assert done.returncode == 2


def test_nothing_of_the_root_is_changed(roots):
    def state() -> list[tuple[str, float, int]]:
        found = []
        for folder, _, files in os.walk(roots(LAPTOP)):
            for name in files:
                about = os.lstat(os.path.join(folder, name))
                found.append((os.path.join(folder, name), about.st_mtime, about.st_size))
        return sorted(found)

    before = state()
    capture.take(roots(LAPTOP))
    assert state() == before


def test_probes_open_nothing_for_writing(roots):
    """Python's own audit events for every file opened, on this machine and on a recorded one."""
    program = """
    import os, sys
    from advisor import capture
    capture.take(sys.argv[1])  # imports and compiled modules done
    opened = []
    sys.addaudithook(lambda event, about: opened.append(about) if event == "open" else None)
    capture.take("/")
    capture.take(sys.argv[1])
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
    bad = [about for about in opened if isinstance(about[2], int) and about[2] & writing and about[0] != "/dev/null"]
    assert len(opened) > 100 and not bad, bad
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), roots(LAPTOP)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_importing_the_room_is_light():
    """Neither pandas nor pyudev is needed to read a capture, nor pandas to take one."""
    program = (
        "import sys, advisor.capture\n"
        "advisor.capture.read_capture, advisor.capture.take\n"
        "import advisor.capture.live\n"
        "assert 'pandas' not in sys.modules and 'numpy' not in sys.modules\n"
        "advisor.capture.probe()\n"
        "assert 'pandas' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
