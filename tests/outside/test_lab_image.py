"""The image reader against unsquashfs and mksquashfs (squashfs-tools)."""

from __future__ import annotations

import os
import subprocess
from contextlib import nullcontext

import pytest

from advisor.errors import InputError, ToolError
from advisor.lab import installers, trees, workplace
from advisor.lab.image import MKSQUASHFS_LEVEL, count_listing, read_image, zstd_level

pytestmark = pytest.mark.outside


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("tree")
    (made / "etc").mkdir()
    for number in range(60):
        (made / "etc" / f"file {number}").write_bytes((b"line %d\n" % number) * 4000)
    (made / "etc/noise").write_bytes(os.urandom(300_000))
    (made / "etc/link").symlink_to("file 1")
    os.mkfifo(made / "pipe")
    return made


@pytest.fixture(scope="module", params=["xz", "zstd", "gzip"])
def packed(request, folder, tmp_path_factory):
    from shutil import which

    if which("mksquashfs") is None:
        pytest.skip("mksquashfs is missing")
    image = tmp_path_factory.mktemp("image") / f"{request.param}.squashfs"
    subprocess.run(
        ["mksquashfs", folder, image, "-comp", request.param, "-b", "262144", "-no-progress", "-quiet", "-all-root"],
        check=True, capture_output=True,
    )  # fmt: skip
    return request.param, image


def test_the_head_reads_as_it_was_packed(packed, need):
    need("unsquashfs")
    name, image = packed
    found = read_image(image)
    assert (found.compression, found.block_bytes) == (name, 262144)
    assert abs(found.made - image.stat().st_mtime) < 60


def test_the_counts_are_those_of_the_tree_packed(packed, folder, need):
    need("unsquashfs")
    name, image = packed
    facts = read_image(image)
    sizes = [path.stat().st_size for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]
    listed = subprocess.run(["unsquashfs", "-lls", image], capture_output=True, text=True, check=True).stdout
    entries = [line for line in listed.splitlines() if "squashfs-root/" in line]
    assert facts.installed_bytes == sum(sizes)
    assert facts.installed_files == len(list(folder.rglob("*"))) == len(entries)
    assert facts.image_bytes == image.stat().st_size
    row = facts.row()
    assert facts.unpack_s > 0 and float(row["unpack_relative"]) > 0 and row["compression"] == name


def test_the_level_of_zstd_is_read_from_the_head_and_no_other_packing_has_one(packed, need):
    need("unsquashfs")
    name, image = packed
    assert zstd_level(image) == (MKSQUASHFS_LEVEL if name == "zstd" else None)


def test_what_mksquashfs_says_its_own_level_is(need):
    need("mksquashfs")
    # The help ends with exit 1.
    said = subprocess.run(["mksquashfs", "-help"], capture_output=True, text=True)
    assert f"1 .. 22 (default {MKSQUASHFS_LEVEL})" in said.stdout + said.stderr


@pytest.mark.parametrize(("compression", "level", "read"), [("zstd", 3, 3), ("zstd", None, 15), ("xz", 3, None)])
def test_a_tree_is_packed_at_the_level_asked_for(folder, tmp_path, monkeypatch, need, compression, level, read):
    need("mksquashfs")
    need("unsquashfs")
    monkeypatch.setattr(trees, "view", lambda scratch, lower: nullcontext(folder))
    place = workplace.open_workplace(tmp_path / "rig")
    image = trees.pack(place, trees.RECIPES["xfce13"], compression, level)
    assert installers.level_of(image, "live") == read


def test_reading_writes_nothing(packed, need, tmp_path, monkeypatch):
    need("unsquashfs")
    monkeypatch.chdir(tmp_path)
    read_image(packed[1])
    assert list(tmp_path.iterdir()) == []


def test_devices_and_odd_names_are_counted():
    listing = (
        "drwxr-xr-x 0/0                27 2026-01-02 03:04 squashfs-root\n"
        "crw-rw-rw- 0/0             1,  3 2026-01-02 03:04 squashfs-root/null\n"
        "-rwsr-xr-t 0/1000           1234 2026-01-02 03:04 squashfs-root/a -> b 77 2026-01-02 03:04 c\n"
        "Parallel unsquashfs: Using 2 processors\n"
        "lrwxrwxrwx 0/0                 7 2026-01-02 03:04 squashfs-root/l -> file\n"
    )
    assert count_listing(listing) == (1234, 3)


@pytest.mark.parametrize("length", [0, 50, 96, 5000])
def test_a_cut_image_is_refused(packed, length, tmp_path):
    (tmp_path / "cut").write_bytes(packed[1].read_bytes()[:length])
    with pytest.raises(InputError, match=r"cut short|not a squashfs"):
        read_image(tmp_path / "cut")


def test_a_damaged_image_is_refused(packed, need, tmp_path):
    need("unsquashfs")
    content = bytearray(packed[1].read_bytes())
    content[len(content) // 4 :] = b"\xff" * (len(content) - len(content) // 4)
    (tmp_path / "bad").write_bytes(content)
    with pytest.raises((InputError, ToolError)):
        read_image(tmp_path / "bad")


def test_other_files_are_refused_by_name(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8" * 100)
    with pytest.raises(InputError, match=r"photo\.jpg is not a squashfs file"):
        read_image(tmp_path / "photo.jpg")
    with pytest.raises(InputError, match="does not exist"):
        read_image(tmp_path / "none")
    with pytest.raises(InputError, match="is a folder"):
        read_image(tmp_path)
