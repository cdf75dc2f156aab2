"""Trees: what apt says, what is counted, and what stands in for a tool that fails in them."""

from __future__ import annotations

import os
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

import pytest

from advisor.lab import trees, workplace

SIMULATED = """NOTE: This is only a simulation!
The following NEW packages will be installed:
  htop mc
Inst libssh2-1 (1.11.1-1 Debian:13.1/stable [amd64])
Inst mc (3:4.8.33-1+deb13u1 Debian:13.1/stable [amd64])
Inst htop (3.4.1-5 Debian:13.1/stable [amd64])
Conf libssh2-1 (1.11.1-1 Debian:13.1/stable [amd64])
"""
URIS = """Reading package lists...
Need to get 4,017 kB of archives.
After this operation, 14.9 MB of additional disk space will be used.
'http://127.0.0.1:1/debian/pool/main/m/mc/mc_4.8.33-1_amd64.deb' mc_3%3a4.8.33-1_amd64.deb 3900000 SHA256:ab
'http://127.0.0.1:1/debian/pool/main/h/htop/htop_3.4.1-5_amd64.deb' htop_3.4.1-5_amd64.deb 117000 SHA256:cd
"""


def test_apt_is_read():
    found = trees.parse_set(("install", "mc", "htop"), SIMULATED, URIS)
    assert (found.count, found.download_bytes) == (3, 4_017_000)
    # apt writes powers of ten: 14.9 MB.
    assert found.installed_kib == pytest.approx(14_900_000 / 1024, rel=0.01)


def test_updates_hold_the_kernel_and_the_same_draw_every_time():
    names = [f"package{number}" for number in range(300)] + ["linux-image-amd64", "dpkg", "apt"]
    few, many = (trees.update_names(names, "6.12.1-amd64", count) for count in (5, 100))
    assert few[0] == many[0] == "linux-image-6.12.1-amd64"
    assert few == many[:6]
    assert not {"dpkg", "apt", "linux-image-amd64"} & set(many)
    assert trees.update_names(names[::-1], "6.12.1-amd64", 5) == few


def test_a_tree_is_counted_as_find_counts_it(tmp_path):
    (tmp_path / "a/b").mkdir(parents=True)
    (tmp_path / "a/one").write_bytes(b"x" * 1000)
    os.link(tmp_path / "a/one", tmp_path / "a/b/same")
    (tmp_path / "a/link").symlink_to("one")
    (tmp_path / "a/b/two").write_bytes(b"y" * 234)
    entries = subprocess.run(["find", str(tmp_path), "-mindepth", "1"], capture_output=True, text=True).stdout
    assert trees.measure(tmp_path) == (1234, len(entries.splitlines()))


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--target=device", "/"), "/dev/sda1"),
        (("-t", "fs", "/boot"), "ext2"),
        (("--target", "partmap", "--device", "/dev/sda1"), "msdos"),
        (("--device", "/dev/sda1", "--target=fs_label"), ""),
    ],
)
def test_the_stand_in_for_grub_probe_answers_what_grub_mkconfig_asks(words, answer):
    script = Path(trees.__file__).with_name("grub-probe.sh")
    done = subprocess.run(["sh", str(script), *words], capture_output=True, text=True)
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, answer, "")


@pytest.mark.parametrize("compression", ["xz", None])
def test_two_who_want_the_same_image_get_one_that_was_made_once_and_whole(tmp_path, monkeypatch, compression):
    place, recipe = workplace.open_workplace(tmp_path / "rig"), trees.RECIPES["xfce13-full"]
    packed = []

    def slowly(command):
        path = Path(command[2] if compression else command[-1])
        packed.append(path)
        with path.open("wb") as file:
            file.write(b"first half, ")
            file.flush()
            time.sleep(0.3)
            file.write(b"second half")

    monkeypatch.setattr(trees, "run", slowly)
    monkeypatch.setattr(trees, "file_system", lambda root, path: None)
    monkeypatch.setattr(trees, "view", lambda scratch, lower: nullcontext(scratch))

    def image(_):
        made = trees.pack(place, recipe, compression) if compression else trees.clone_image(place, recipe)
        return made.read_bytes()

    with ThreadPoolExecutor(2) as both:
        assert list(both.map(image, range(2))) == [b"first half, second half"] * 2
    assert len(packed) == 1
