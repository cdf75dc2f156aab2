"""What a user names is read and written by one function each: nothing but a plain file is replaced, nothing hangs."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from advisor import files
from advisor.errors import InputError, TableError

NULL, FULL, ZERO, RANDOM = (1, 3), (1, 7), (1, 5), (1, 8)
"""Devices of Linux, Documentation/admin-guide/devices.txt."""


def device(path: Path, numbers: tuple[int, int], kind: int = stat.S_IFCHR) -> Path:
    """A device of the test's own, so that a fault never hits the machine's."""
    try:
        os.mknod(path, kind | 0o666, os.makedev(*numbers))
        if kind == stat.S_IFCHR:
            os.close(os.open(path, os.O_RDWR | os.O_NONBLOCK))
    except OSError:
        pytest.skip("device nodes cannot be made here")
    return path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def moved(path: Path, text: str) -> None:
    """A finished file, put in the place of another."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        made = Path(folder) / "made"
        made.write_text(text)
        files.move_whole(made, path)


def moved_far(path: Path, text: str) -> None:
    """A finished file that lies on another disk."""
    replace = os.replace

    def refuses(made: Path, real: Path) -> None:
        if made.name == "made":
            raise OSError(errno.EXDEV, "Invalid cross-device link")
        replace(made, real)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(files.os, "replace", refuses)
        moved(path, text)


def written_named(path: Path, text: str) -> None:
    """Where the file system gives every file a name from its beginning."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(files, "_HANDLES", "/nowhere")
        files.write_whole(path, text)


@pytest.fixture(
    params=[files.write_whole, written_named, moved, moved_far], ids=["written", "named", "moved", "moved far"]
)
def put(request: pytest.FixtureRequest) -> Callable[[Path, str], None]:
    """The ways in which a whole file comes to its place."""
    return request.param


def test_the_null_device_takes_what_is_written_and_stays_a_device(put, tmp_path):
    path = device(tmp_path / "null", NULL)
    before = path.lstat()
    put(path, "text")
    assert stat.S_ISCHR(path.lstat().st_mode) and path.lstat().st_ino == before.st_ino
    assert names(tmp_path) == ["null"]


def test_a_full_device_is_said_and_stays_a_device(put, tmp_path):
    path = device(tmp_path / "full", FULL)
    with pytest.raises(InputError, match="No space left"):
        put(path, "text")
    assert stat.S_ISCHR(path.lstat().st_mode)


@pytest.mark.parametrize("numbers, kind", [(ZERO, stat.S_IFCHR), ((7, 9999), stat.S_IFBLK)], ids=["zero", "disk"])
def test_any_other_device_is_refused_unopened(put, tmp_path, numbers, kind):
    path = device(tmp_path / "device", numbers, kind)
    with pytest.raises(InputError, match="is a device, not a file"):
        put(path, "text")
    with pytest.raises(InputError, match="is a device, not a file"):
        files.append_whole(path, "text\n")
    assert not stat.S_ISREG(path.lstat().st_mode)


def test_a_link_is_followed_and_stays_a_link(put, tmp_path):
    real, link, dangling = tmp_path / "real", tmp_path / "link", tmp_path / "dangling"
    real.write_text("old")
    link.symlink_to(real)
    dangling.symlink_to(tmp_path / "to come")
    put(link, "new")
    put(dangling, "first")
    assert link.is_symlink() and real.read_text() == "new"
    assert dangling.is_symlink() and (tmp_path / "to come").read_text() == "first"


def test_a_link_to_a_device_stays(put, tmp_path):
    path = device(tmp_path / "null", NULL)
    link = tmp_path / "link"
    link.symlink_to(path)
    put(link, "text")
    assert link.is_symlink() and stat.S_ISCHR(path.lstat().st_mode)


def test_a_pipe_with_a_reader_gets_the_text_and_one_without_is_refused(put, tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    with pytest.raises(InputError, match="could not be written"):
        put(path, "text")
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(path.read_text()))
    reader.start()
    while True:
        try:
            put(path, "x" * 200_000)
            break
        except InputError:
            pass
    reader.join(10)
    assert got == ["x" * 200_000] and stat.S_ISFIFO(path.lstat().st_mode)


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o444, 0o755])
def test_mode_and_owner_of_a_file_are_kept(put, tmp_path, mode):
    path = tmp_path / "file"
    path.write_text("old")
    path.chmod(mode)
    if os.geteuid() == 0:
        os.chown(path, 12345, 23456)
    elif not mode & 0o200:
        pytest.skip("only root may write to it")
    before = path.stat()
    put(path, "new")
    after = path.stat()
    assert path.read_text() == "new"
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)


def test_a_new_file_has_the_users_usual_mode(tmp_path):
    old = os.umask(0o027)
    try:
        files.write_whole(tmp_path / "new", "text")
        files.write_whole(tmp_path / "secret", "text", private=True)
        moved(tmp_path / "moved", "text")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "moved").stat().st_mode) == 0o640
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640
    assert stat.S_IMODE((tmp_path / "secret").stat().st_mode) == 0o600


@pytest.fixture
def as_nobody():
    """The rights of a user who is not root."""
    if os.geteuid() != 0:
        pytest.skip("takes root to become somebody else")
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(65534)
    os.seteuid(65534)
    yield
    os.seteuid(0)
    os.setegid(0)
    os.setgroups(groups)


@pytest.fixture
def open_folder():
    """A folder that everybody may write to; tmp_path lies below one that only its owner may enter."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o777)
        for name, mode in (("read only", 0o644), ("theirs", 0o666), ("unreadable", 0)):
            (Path(folder) / name).write_text("old")
            (Path(folder) / name).chmod(mode)
        yield Path(folder)


def test_anothers_file_is_not_taken_over(put, open_folder, as_nobody):
    with pytest.raises(InputError, match="Permission denied"):
        put(open_folder / "read only", "new")
    with pytest.raises(InputError, match="belongs to another user"):
        put(open_folder / "theirs", "new")
    assert [(open_folder / name).read_text() for name in ("read only", "theirs")] == ["old", "old"]
    assert names(open_folder) == ["read only", "theirs", "unreadable"]


def test_a_forbidden_file_is_a_sentence(open_folder, as_nobody):
    with pytest.raises(InputError, match="Permission denied"):
        files.read_whole(open_folder / "unreadable")


def test_a_write_that_is_stopped_leaves_the_old_file_and_nothing_beside(put, tmp_path, monkeypatch):
    path = tmp_path / "file"
    path.write_text("old")

    def stop(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        put(path, "new")
    assert path.read_text() == "old" and names(tmp_path) == ["file"]


KILLED = """
import os, signal, sys
from advisor import files
def killed(*_):
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[2] == "synced":
    os.fsync = killed
with files.writing(sys.argv[1]) as file:
    file.write(b"half" * 5000)
    file.flush()
    if sys.argv[2] == "written":
        killed()
"""


@pytest.mark.parametrize("when", ["written", "synced"])
def test_a_program_that_is_killed_leaves_the_old_file_and_nothing_beside(tmp_path, when):
    try:
        os.close(os.open(tmp_path, os.O_WRONLY | os.O_TMPFILE))
    except OSError:
        pytest.skip("this file system gives every file a name from its beginning")
    path = tmp_path / "file"
    path.write_text("old")
    done = subprocess.run([sys.executable, "-c", KILLED, str(path), when], check=False)
    assert done.returncode == -signal.SIGKILL
    assert path.read_text() == "old" and names(tmp_path) == ["file"]


def test_the_longest_name_can_be_written_and_a_longer_one_is_a_sentence(tmp_path):
    files.write_whole(tmp_path / ("n" * 255), "text")
    with pytest.raises(InputError, match="too long"):
        files.write_whole(tmp_path / ("n" * 256), "text")
    with pytest.raises(InputError, match="too long"):
        files.read_whole(tmp_path / ("n" * 256))


def test_text_that_is_none_is_refused_before_anything_is_made(tmp_path):
    with pytest.raises(InputError, match="no character"):
        files.write_whole(tmp_path / "file", "a\udcffb")
    assert names(tmp_path) == []


@pytest.mark.parametrize("what", ["folder", "pipe", "zero", "random", "socket", "missing", "loop"])
def test_what_is_no_file_is_not_read_and_nothing_hangs(tmp_path, what):
    import socket

    path = tmp_path / what
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    elif what in ("zero", "random"):
        device(path, ZERO if what == "zero" else RANDOM)
    elif what == "socket":
        socket.socket(socket.AF_UNIX).bind(str(path))
    elif what == "loop":
        path.symlink_to(path)
    with pytest.raises(TableError) as caught:
        files.read_whole(path, error=TableError)
    assert str(path) in caught.value.message and caught.value.hint


def test_a_file_is_read_up_to_its_limit(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"12345")
    assert files.read_whole(path, 5) == b"12345"
    with pytest.raises(InputError, match="larger than 4 bytes"):
        files.read_whole(path, 4)


@pytest.mark.parametrize(
    "text, said",
    [
        ("x = " + "[" * 100_000, "nested too deeply"),
        ("x" + ".x" * 100_000 + " = 1", "dots"),
        ("x = " + "1" * 5000, "not TOML"),
        ("x = 1\nx = 2", "not TOML"),
        ("#" * (2 << 20), "larger than 1 MiB"),
        ("x = '\ufeff", "not TOML"),
        ("[" + "a" * 9000 + "]\n[" + "a" * 9000 + "]", "not TOML"),
    ],
    ids=["deep", "dotted", "huge number", "twice", "huge", "open", "long name twice"],
)
def test_hostile_toml_is_a_sentence(tmp_path, text, said):
    path = tmp_path / "file.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said) as caught:
        files.read_toml(path)
    assert str(path) in caught.value.message and len(caught.value.message) < 600


@pytest.mark.parametrize(
    "text, said",
    [
        (b"[" * 200_000, "nested too deeply"),
        (b'{"a": ' * 200_000, "nested too deeply"),
        (b'{"x": ' + b"1" * 5000 + b"}", "not JSON"),
        (b'{"x": NaN}', "NaN is no number"),
        (b'{"x": -Infinity}', "Infinity is no number"),
        (b'{"x": 1, "y": 2, "x": 3}', "'x' stands twice"),
        (b"[1]", "no object"),
        (b'{"x": 1', "not JSON"),
        (b"\xff\xfe{", "UTF-8"),
        (b"", "not JSON"),
        (b'{"x": "\x00"}', "not JSON"),
        (b'{"x": ' + b"9" * 20_000 + b".5}", "is no number"),
        (b'{"' + b"x" * 9000 + b'": 1, "' + b"x" * 9000 + b'": 2}', "stands twice"),
    ],
)
def test_hostile_json_is_a_sentence(tmp_path, text, said):
    path = tmp_path / "file.json"
    path.write_bytes(text)
    with pytest.raises(InputError, match=said) as caught:
        files.read_json(path)
    assert str(path) in caught.value.message and len(caught.value.message) < 600


def test_lines_are_added_whole(tmp_path):
    path = tmp_path / "lines"
    files.append_whole(path, "1\n", header="head\n")
    files.append_whole(path, "2\n", header="head\n")
    with path.open("a") as file:
        file.write("cut by a ki")
    files.append_whole(path, "3\n", header="head\n")
    assert path.read_text() == "head\n1\n2\n3\n"


def test_the_output_is_never_an_input_however_it_is_spelled(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "in.csv"
    path.write_text("x")
    Path("link").symlink_to(path)
    os.link(path, "hard")
    Path("folder").mkdir()
    for out in ("in.csv", "./in.csv", "folder/../in.csv", "link", "hard", str(path)):
        with pytest.raises(InputError, match="is also read"):
            files.refuse_same(out, None, "absent", path)
    files.refuse_same("other", path)
    files.refuse_same(None, path)
