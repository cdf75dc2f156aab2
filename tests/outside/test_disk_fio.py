"""The paced disk as fio (package fio) times it: an attached loop device, an ext4 on it, against the mechanics alone."""

from __future__ import annotations

import json
import os
import random
import subprocess

import pytest

from advisor.errors import AdvisorError
from advisor.lab import disk, groups, workplace
from advisor.lab.disk import models
from tests.lab.mechanics import READ, Mechanics

pytestmark = [
    pytest.mark.outside, pytest.mark.root, pytest.mark.slow,
    pytest.mark.skipif(os.geteuid() != 0 or not groups.homes(), reason="not root, or no control groups"),
]  # fmt: skip

MIB = 1 << 20
SLOWER = 1.5
"""On a busy machine a request is answered late. What the machine itself takes for one is measured beside it, the disk
held; if the rest takes this much longer than it is to, it is measured again, up to `TRIES` times."""
TRIES = 6


@pytest.fixture
def attached(tmp_path, need, missing):
    """Attach a disk by name, nothing of it paced before `pace_of` says so."""
    from contextlib import ExitStack

    for program in ("fio", "gcc", "mke2fs", "fusermount3"):
        need(program)
    with ExitStack() as stack:
        place = workplace.open_workplace(tmp_path / "rig")
        folder = stack.enter_context(workplace.run_folder(place, "fio"))

        def attach(name: str) -> disk.PacedDisk:
            made = groups.Groups(folder.name)
            made.make(groups.Limits())
            try:
                found = stack.enter_context(disk.attached(models.model(name), folder, made, held=True))
            except AdvisorError as error:
                missing(str(error))
            stack.enter_context(groups.hurried(found.device))
            return found

        yield attach


def fio(path: str, *words: str, seconds: int = 8) -> dict[str, float]:
    """Requests a second and bytes a second of one fio job, before other work on the machine."""
    done = subprocess.run(
        ["chrt", "--rr", "1", "fio", "--name=job", f"--filename={path}", "--direct=1", "--ioengine=libaio",
         "--output-format=json", "--time_based", f"--runtime={seconds}", "--allow_file_create=0", *words],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)["jobs"][0]["read"]


def read_s(path: str, words: list[str], seconds: int) -> float:
    return 1 / fio(path, *words, seconds=seconds)["iops"]


def reads_in(wanted: float, path: str, words: list[str], own: float, seconds: int, spread: float = 0.05) -> None:
    """A read takes what the mechanics say, but for what the machine takes and what is made up for of that [s]."""
    least = max(wanted - disk.LATENCY_S, 0) + min(own, disk.LATENCY_S)
    for _ in range(TRIES):
        found = read_s(path, words, seconds)
        assert found > (1 - spread) * least
        if found < SLOWER * (wanted + own):
            return
    raise AssertionError(f"{found} s a read, {wanted} s by the mechanics, {own} s by the machine")


def said(model: models.DiskModel, span: tuple[float, float], depth: int, count: int = 2000) -> float:
    """Mean seconds a random read of 4 KiB by the mechanics alone."""
    made, chance = Mechanics(model), random.Random(1)
    low, high = (int(part * model.capacity / 4096) for part in span)
    for tag in range(depth):
        made.submit(tag, READ, chance.randrange(low, high) * 4096, 4096)
    for tag in range(count):
        made.wait()
        made.submit(tag, READ, chance.randrange(low, high) * 4096, 4096)
    return made.now / count


@pytest.mark.parametrize(("depth", "share"), [(1, 1.0), (1, 0.01), (32, 1.0)])
def test_fio_reads_a_spinning_disk_at_random_as_the_mechanics_say(attached, depth, share):
    found = attached("7200 3.5in 500GB")
    words = ["--rw=randread", "--bs=4k", f"--iodepth={depth}", f"--size={round(100 * share)}%"]
    own = read_s(found.device, words, 1)
    found.pace()
    # Some 300 reads: a seek and a turn spread by a third of the mean, so the mean by 2 %, three times that is 6 %.
    reads_in(said(found.model, (0, share), depth), found.device, words, own, 4, spread=0.06)


@pytest.mark.parametrize(("offset", "rate"), [("0", "outer_mb_s"), ("99%", "inner_mb_s")])
def test_fio_streams_at_the_outer_and_the_inner_rate(attached, offset, rate):
    found = attached("7200 3.5in 500GB")
    words = ["--rw=read", "--bs=1M", "--iodepth=1", f"--offset={offset}", "--size=4G"]
    own = read_s(found.device, words, 1)
    found.pace()
    reads_in(MIB / (found.model.figures[rate] * 1e6), found.device, words, own, 2)


def test_files_of_an_ext4_on_it_are_read_at_the_disks_pace(attached):
    found = attached("5400 2.5in")
    root = found.folder / "root"
    root.mkdir()
    workplace.guard_device(found.device, found.folder)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-E", "nodiscard", found.device], check=True)
    subprocess.run(["mount", "-o", "nodiscard", found.device, str(root)], check=True)
    size = 256
    with open(root / "file", "wb") as file:
        for _ in range(size):
            file.write(os.urandom(MIB))
        file.flush()
        os.fsync(file.fileno())
    subprocess.run(["umount", str(root)], check=True)
    subprocess.run(["mount", "-o", "nodiscard", found.device, str(root)], check=True)
    before = found.state()
    path, f = str(root / "file"), found.model.figures
    stream = ["--rw=read", "--bs=1M", "--iodepth=1", f"--size={size}M"]
    near = ["--rw=randread", "--bs=4k", "--iodepth=1", f"--size={size}M"]
    own, own_near = read_s(path, stream, 1), read_s(path, near, 1)
    found.pace()
    between = (1 / f["outer_mb_s"] + 1 / f["inner_mb_s"]) / 2
    reads_in(MIB / 1e6 * between, path, stream, own, 2, spread=between * f["outer_mb_s"] - 0.95)
    # Within a file of 256 MiB, a thousandth of the disk, reads cost settling and half a turn at least.
    least = (f["overhead_ms"] + 30_000 / f["rpm"]) / 1e3
    reads_in(least + (f["seek_track_ms"] + 1) / 1e3, path, near, own_near, 3, spread=0.25)
    assert found.state()["reads"] > before["reads"]


def test_fio_finds_flash_no_faster_than_it_is_and_faster_with_a_queue(attached):
    found = attached("emmc")
    one, deep = (["--rw=randread", "--bs=4k", f"--iodepth={depth}"] for depth in (1, 16))
    own, own_deep = read_s(found.device, one, 1), read_s(found.device, deep, 1)
    found.pace()
    f = found.model.figures
    assert 1.2 * f["read_iops_1"] < f["read_iops"]
    reads_in(1 / f["read_iops_1"], found.device, one, own, 2)
    reads_in(1 / f["read_iops"], found.device, deep, own_deep, 2)
