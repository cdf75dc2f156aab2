"""The paced disk as fio (package fio) times it: an attached loop device, an ext4 on it, against the mechanics alone."""

from __future__ import annotations

import json
import os
import random
import subprocess

import pytest

from advisor.errors import AdvisorError
from advisor.lab import disk, groups, workplace
from advisor.lab.disk import READ, Mechanics, models

pytestmark = [
    pytest.mark.outside, pytest.mark.root, pytest.mark.slow,
    pytest.mark.skipif(os.geteuid() != 0 or not groups.homes(), reason="not root, or no control groups"),
]  # fmt: skip

MIB = 1 << 20
SLOWER = 1.3
"""On a busy machine a request may be answered late; it is never answered early, but for what is made up for."""


@pytest.fixture
def attached(tmp_path, need, missing):
    """Attach a disk by name; gives it, its folder, and a function that runs fio on it."""
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
                found = stack.enter_context(disk.attached(models.model(name), folder, made))
            except AdvisorError as error:
                missing(str(error))
            stack.enter_context(groups.Hurry(found.device))
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


def said(model: models.Model, span: tuple[float, float], depth: int, count: int = 2000) -> float:
    """Mean seconds a random read of 4 KiB by the mechanics alone."""
    made, chance = Mechanics(model), random.Random(1)
    low, high = (int(part * model.capacity / 4096) for part in span)
    for tag in range(depth):
        made.submit(tag, READ, chance.randrange(low, high) * 4096, 4096)
    for tag in range(count):
        made.wait()
        made.submit(tag, READ, chance.randrange(low, high) * 4096, 4096)
    return made.now / count


@pytest.mark.slow
@pytest.mark.parametrize(("depth", "share"), [(1, 1.0), (1, 0.01), (32, 1.0)])
def test_fio_reads_a_spinning_disk_at_random_as_the_mechanics_say(attached, depth, share):
    found = attached("7200 3.5in 500GB")
    told = fio(found.device, "--rw=randread", "--bs=4k", f"--iodepth={depth}", f"--size={round(100 * share)}%")
    wanted = said(found.model, (0, share), depth)
    # Some 600 reads: a seek and a turn spread by a third of the mean, so the mean by 1.4 %, three times that is 4 %.
    assert 0.95 * wanted < 1 / told["iops"] < SLOWER * wanted


@pytest.mark.slow
@pytest.mark.parametrize(("offset", "rate"), [("0", "outer_mb_s"), ("99%", "inner_mb_s")])
def test_fio_streams_at_the_outer_and_the_inner_rate(attached, offset, rate):
    found = attached("7200 3.5in 500GB")
    told = fio(found.device, "--rw=read", "--bs=1M", "--iodepth=1", f"--offset={offset}", "--size=4G", seconds=5)
    wanted = found.model.figures[rate] * 1e6
    assert wanted / SLOWER < told["bw_bytes"] < 1.05 * wanted


@pytest.mark.slow
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
    told = fio(str(root / "file"), "--rw=read", "--bs=1M", "--iodepth=1", f"--size={size}M", seconds=3)
    assert told["bw_bytes"] < 1.05 * found.model.figures["outer_mb_s"] * 1e6
    assert told["bw_bytes"] > found.model.figures["inner_mb_s"] * 1e6 / SLOWER
    # Within a file of 256 MiB, a thousandth of the disk, reads cost settling and half a turn at least.
    near = fio(str(root / "file"), "--rw=randread", "--bs=4k", "--iodepth=1", f"--size={size}M", seconds=5)
    f = found.model.figures
    least = f["overhead_ms"] + 30_000 / f["rpm"]
    assert 0.9 * least < 1e3 / near["iops"] < SLOWER * (least + f["seek_track_ms"] + 2.5)
    assert found.state()["reads"] > before["reads"]


@pytest.mark.slow
def test_fio_finds_flash_no_faster_than_it_is_and_faster_with_a_queue(attached):
    found = attached("emmc")
    one = fio(found.device, "--rw=randread", "--bs=4k", "--iodepth=1", seconds=4)["iops"]
    deep = fio(found.device, "--rw=randread", "--bs=4k", "--iodepth=16", seconds=4)["iops"]
    f = found.model.figures
    assert f["read_iops_1"] / SLOWER < one < 1.05 * f["read_iops_1"]
    assert f["read_iops"] / SLOWER < deep < 1.05 * f["read_iops"] and deep > 1.2 * one
