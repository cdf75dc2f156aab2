"""Tables on disk: what is read back, and what is refused with what to run."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from advisor.drivers import table_files
from advisor.errors import InputError, TableError
from advisor.lab.tables.arrays import save
from advisor.lab.tables.build import build_tree, changes, firmware_paths
from advisor.releases import CODENAMES, KERNELS


@pytest.fixture
def home(tmp_path, monkeypatch) -> Path:
    """A user data folder of its own, with a copy of the table debian-13 named 'mine'."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    arrays, about = table_files.arrays_of("kernel", "debian-13")
    arrays = {key: value for key, value in arrays.items() if key not in ("format", "stamp")}
    about = {key: value for key, value in about.items() if key not in ("format", "sha256")}
    save(tmp_path / "tables" / "drivers", "kernel", "mine", arrays, about)
    yield tmp_path / "tables" / "drivers"
    table_files.forget()


def test_every_shipped_table_loads_and_states_where_it_is_from():
    for name in table_files.SHIPPED:
        table = table_files.load(name)
        assert table.about["packages"] and all(len(package["sha256"]) == 64 for package in table.about["packages"])
        assert {"title", "source", "date", "licence", "remake", "version", "firmware"} <= table.about.keys()
        firmware = table_files.load_firmware(table.about["firmware"])
        assert {package.area for package in firmware.by_name.values()} <= {
            "main",
            "contrib",
            "non-free",
            "non-free-firmware",
        }


def test_a_users_own_table_is_found(home):
    table = table_files.load("mine")
    assert table.resolve(["pci:v00008086d000010D3sv00008086sd0000A01Fbc02sc00i00"]) == [["e1000e"]]
    assert "mine" in table_files.names()


def damage(path: Path, change) -> None:
    path.write_bytes(change(path.read_bytes()))


@pytest.mark.parametrize(
    "change",
    [lambda data: data[:-2000], lambda data: b"", lambda data: data[:5000] + b"x" + data[5001:]],
    ids=["cut short", "empty", "one byte"],
)
def test_a_damaged_table_is_refused_with_what_to_run(home, change):
    damage(home / "kernel-mine.npz", change)
    with pytest.raises(TableError) as refused:
        table_files.load("mine")
    assert "damaged" in refused.value.message
    assert "advisor tables build" in refused.value.hint


def test_a_newer_format_is_refused(home):
    meta = home / "kernel-mine.meta.toml"
    meta.write_text(meta.read_text().replace("format = 1", "format = 2", 1))
    with pytest.raises(TableError) as refused:
        table_files.load("mine")
    assert "format 2" in refused.value.message
    assert "newer version" in refused.value.hint


def test_another_kernels_table_is_refused(home):
    for ending in (".npz", ".meta.toml"):
        (home / f"kernel-mine{ending}").rename(home / f"kernel-other{ending}")
    table_files.forget()
    with pytest.raises(TableError) as refused:
        table_files.load("other")
    assert "kernel mine" in refused.value.message


def test_a_missing_table_names_those_that_are_there():
    with pytest.raises(TableError) as refused:
        table_files.load("no-such")
    assert "debian-13" in refused.value.message
    assert "--tree DIR --name no-such" in refused.value.hint


@pytest.mark.parametrize("name", ["../debian-13", "a/b", "", ".hidden"])
def test_a_name_is_no_path(name):
    assert table_files.place(name) is None


def test_meta_files_hold_any_text(tmp_path):
    content = {
        "format": 1, "text": 'a "quoted" \\ line\nand\ttab \x01', "list": ["a", "b"], "yes": True,
        "columns": {"a b": "c", "d-e": "f"}, "packages": [{"name": "x", "size": 3}, {"name": "y", "size": 4}],
    }  # fmt: skip
    written = save(tmp_path, "ids", "own", {"a": np.zeros(1)}, content)
    found = tomllib.loads(written.with_suffix(".meta.toml").read_text(encoding="utf-8"))
    assert {key: found[key] for key in content} == content


def test_links_to_folders_give_the_files_behind_them():
    # As firmware-nvidia-graphics has it: nvidia/ad103/gsp is a link to ../ad102/gsp.
    listed = [
        ("usr/lib/firmware/nvidia/ad102/gsp/", 0, ""),
        ("usr/lib/firmware/nvidia/ad102/gsp/booter.bin", 5, ""),
        ("usr/lib/firmware/nvidia/ad103/gsp", 0, "../ad102/gsp"),
        ("usr/lib/firmware/a.bin", 0, "b/a.bin"),
        ("usr/share/doc/x", 1, ""),
    ]
    assert firmware_paths(listed) == ["a.bin", "nvidia/ad102/gsp/booter.bin", "nvidia/ad103/gsp/booter.bin"]


def test_a_table_says_what_changed():
    old = table_files.load("debian-12")
    new = table_files.load("debian-13")
    found = changes(old, new)
    # Linux 6.2 added rtw88's USB drivers (Documentation: Debian 13's kernel is 6.12, Debian 12's 6.1).
    assert "rtw88_8821cu" in found["modules_added"]
    assert found["since"] == old.version
    assert found["aliases_added"] > 1000


@pytest.mark.parametrize("name", ["debian-13", "With Blank", "../x", ""])
def test_a_tree_cannot_take_a_bad_name(name, tmp_path):
    with pytest.raises(InputError):
        build_tree(tmp_path, name)


def test_a_folder_without_modules_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    with pytest.raises(InputError) as refused:
        build_tree(tmp_path, "mine")
    assert "lib/modules/VERSION" in refused.value.hint


def test_arrays_hold_no_python_objects():
    for kind in ("kernel", "firmware"):
        arrays, _ = table_files.arrays_of(kind, "debian-13")
        assert all(array.dtype != object for array in arrays.values())
    assert isinstance(arrays["file"], np.ndarray)


def test_each_release_stands_once_with_its_code_name_and_kernels() -> None:
    # Code names: Debian's Release files. Aliases of what is built in: what each table holds.
    assert CODENAMES == {"12": "bookworm", "13": "trixie"}
    assert [(one.name, one.firmware) for one in KERNELS] == [
        ("debian-12", "debian-12"), ("debian-12-backports", "debian-12-backports"), ("debian-13", "debian-13"),
        ("debian-13-backports", "debian-13-backports"), ("debian-12-i386", "debian-12"),
    ]  # fmt: skip
    for one in KERNELS:
        table = table_files.load(one.name)
        assert table.about["firmware"] == one.firmware
        assert table.states_builtin == one.builtin_aliases, one.name
