"""How commands end: 0, 1 and 2 mean what the README says, and whatever is handed in, no traceback is shown."""

from __future__ import annotations

import errno
import inspect
import os
import re
import resource
import signal
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import advisor
from advisor.cli import main
from advisor.cli.faults import DETAILS

GOOD = "asset_tag,cpu,ram_gib,storage_kind,storage_gib\nT-1,i5-6300U,8,ssd,240\n"
LONG = "n" * 300
PLACES = "{f}"

READS: dict[str, tuple[str, ...]] = {
    "score": ("score", PLACES), "score --shop": ("score", "in.csv", "--shop", PLACES),
    "sheet": ("sheet", PLACES), "sheet --csv": ("sheet", "T-1", "--csv", PLACES),
    "sheet --shop": ("sheet", "T-1", "--csv", "in.csv", "--shop", PLACES),
    "capture --from": ("capture", "--from", PLACES),
    "capture --from twice": ("capture", "--from", "in.csv", "--from", PLACES),
    "log import": ("log", "import", PLACES), "learn --log": ("learn", "--log", PLACES),
    "learn --drift": ("learn", "--drift", "--log", PLACES), "learn --shop": ("learn", "--versions", "--shop", PLACES),
    "learn --rehearsals": ("learn", "--report", "--rehearsals", PLACES),
    "rehearse --image": ("rehearse", "--image", PLACES), "rehearse --predict": ("rehearse", "--predict", PLACES),
    "rehearse collect": ("rehearse", "collect", PLACES, "--out", "new.jsonl"),
    "rehearse compare": ("rehearse", "compare", PLACES),
    "rehearse compare --units": ("rehearse", "compare", "in.csv", "--units", PLACES),
    "tables build --tree": ("tables", "build", "--tree", PLACES, "--name", "x"),
}  # fmt: skip
"""Every command that reads what a user names, with the place of the name."""

WRITES: dict[str, tuple[str, ...]] = {
    "score": ("score", "in.csv", "--out", PLACES), "sheet": ("sheet", "T-1", "--csv", "in.csv", "--out", PLACES),
    "capture": ("capture", "--from", "unit.json", "--out", PLACES),
    "capture --script": ("capture", "--script", "--out", PLACES), "log export": ("log", "export", PLACES),
    "rehearse --predict": ("rehearse", "--predict", "speeds.csv", "--out", PLACES), "demo": ("demo", "--out", PLACES),
}  # fmt: skip
"""Commands that write what a user names."""


@pytest.fixture
def call(monkeypatch, capfd, tmp_path) -> Iterator[Callable[..., tuple[int, str]]]:
    """Call the command line in this process, within a minute: its exit code, and all it printed."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in.csv").write_text(GOOD)
    (tmp_path / "unit.json").write_text('{"unit": {"asset_tag": "A", "cpu": "i5-6300U"}}')

    # An endless file that is read after all must not take the machine's memory.
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, resource.getrlimit(resource.RLIMIT_AS)[1]))

    def hangs(number: int, frame: object) -> None:
        raise AssertionError("it hangs")

    def called(*words: object) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["advisor", *map(str, words)])
        signal.signal(signal.SIGALRM, hangs)
        signal.alarm(60)
        try:
            with pytest.raises(SystemExit) as ended:
                main()
        finally:
            signal.alarm(0)
        said = capfd.readouterr()
        return int(ended.value.code or 0), said.out + said.err

    yield called
    resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.getrlimit(resource.RLIMIT_AS)[1]))


def bad(kind: str, folder: Path, ending: str = "") -> str:
    """A path that cannot be read, or written, as any file should be."""
    path = folder / f"{kind}{ending}"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "endless":
        try:
            os.mknod(path, stat.S_IFCHR | 0o666, os.makedev(1, 5))
            os.close(os.open(path, os.O_RDONLY))
        except OSError:
            pytest.skip("device nodes cannot be made here")
    elif kind == "long":
        return LONG + ending
    elif kind == "below a file":
        return "in.csv/x" + ending
    elif kind in CONTENT:
        path.write_bytes(CONTENT[kind])
    return str(path)


CONTENT = {
    "empty": b"", "zeros": bytes(5000), "noise": bytes(range(256)) * 20, "deep": b"[" * 100_000,
    "deep keys": b"x" + b".x" * 50_000 + b" = 1", "deep object": b'{"a":' * 100_000,
    "huge number": b"x = " + b"1" * 10_000,
    "cut archive": b"PK\x03\x04" + bytes(100), "cut database": b"SQLite format 3\x00" + bytes(200),
    "half a letter": b"asset_tag,cpu\nT-\xed\xa0\x80,i5\n", "no JSON": b'{"unit": NaN',
}  # fmt: skip

PATHS = ["missing", "folder", "pipe", "loop", "endless", "long", "below a file"]

READERS = ["score", "score --shop", "sheet", "capture --from", "log import", "learn --log", "learn --rehearsals",
           "rehearse --predict", "rehearse collect", "rehearse compare"]  # fmt: skip
"""One command for each reader of a kind of content."""


def is_a_sentence(code: int, said: str) -> None:
    assert code == 2, said
    assert re.match(r"advisor: \S.*[.:?!]", said) or "Usage:" in said, said
    assert "Traceback" not in said and "A fault of this program" not in said, said


@pytest.mark.slow
@pytest.mark.parametrize("kind", PATHS)
@pytest.mark.parametrize("which", READS)
def test_whatever_a_path_names_it_ends_in_a_sentence(call, tmp_path, which, kind):
    path = bad(kind, tmp_path)
    is_a_sentence(*call(*(path if word == PLACES else word for word in READS[which])))


@pytest.mark.slow
@pytest.mark.parametrize("kind", CONTENT)
@pytest.mark.parametrize("which", READERS)
def test_whatever_a_file_holds_it_ends_in_a_sentence(call, tmp_path, which, kind):
    path = bad(kind, tmp_path)
    code, said = call(*(path if word == PLACES else word for word in READS[which]))
    if code != 2:
        # Some contents are what one of the commands can read, in part.
        assert code in (0, 1) and "Traceback" not in said, said
        return
    is_a_sentence(code, said)


NO_FILES = ["folder", "pipe", "loop", "long", "below a file", "no folder"]
A_FOLDER = {("demo", "folder"), ("demo", "no folder")}
"""The demo's output is a folder, made when missing."""


@pytest.mark.parametrize("which, kind", [pytest.param(w, k, marks=[pytest.mark.slow] * (w == "demo"))
                                         for w in WRITES for k in NO_FILES if (w, k) not in A_FOLDER])  # fmt: skip
def test_wherever_it_is_to_be_written_it_ends_in_a_sentence(call, tmp_path, which, kind):
    if which == "rehearse --predict":
        from advisor.timing import read_rehearsals

        read_rehearsals().conditions.iloc[:1].to_csv(tmp_path / "speeds.csv", index=False)
    ending = ".pdf" if which == "sheet" else ""
    path = f"none/x{ending}" if kind == "no folder" else bad(kind, tmp_path, ending)
    is_a_sentence(*call(*(path if word == PLACES else word for word in WRITES[which])))


IN_AND_OUT = {
    "score": ("score", "in.csv", "--out", "in.csv"),
    "plan": ("plan", "in.csv", "--out", "in.csv"),
    "score --shop": ("score", "in.csv", "--shop", "s.toml", "--out", "s.toml"),
    "sheet": ("sheet", "unit.txt", "--out", "unit.txt"), "capture": ("capture", "--from", "in.csv", "--out", "in.csv"),
    "log export": ("log", "export", "jobs.sqlite", "--log", "jobs.sqlite"),
    "learn": ("learn", "--rehearsals", "r.jsonl", "--out", "r.jsonl"),
    "learn --log": ("learn", "--log", "jobs.sqlite", "--out", "jobs.sqlite"),
    "rehearse --predict": ("rehearse", "--predict", "in.csv", "--out", "in.csv"),
    "rehearse --image": ("rehearse", "--image", "in.csv", "--out", "in.csv"),
    "rehearse collect": ("rehearse", "collect", "r.jsonl", "--out", "r.jsonl"),
    "rehearse compare": ("rehearse", "compare", "in.csv", "--out", "in.csv"),
    "rehearse campaign": ("rehearse", "campaign", "--design", "in.csv", "--out", "in.csv"),
    "rehearse sessions": ("rehearse", "sessions", "--design", "in.csv", "--core", "0", "--out", "in.csv"),
}  # fmt: skip


@pytest.mark.parametrize("which", IN_AND_OUT)
def test_what_is_read_is_not_written_over(call, tmp_path, which):
    for name in ("s.toml", "unit.txt", "jobs.sqlite", "r.jsonl"):
        (tmp_path / name).write_text("keep me")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    code, said = call(*IN_AND_OUT[which])
    is_a_sentence(code, said)
    assert "is also read" in said
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == before


def test_every_command_that_reads_and_writes_is_tried():
    """A command with a place to write and a file to read stands in the list above."""
    import typer

    from advisor.cli import _open_doors, app

    _open_doors(None)
    found = set()

    def walk(command: object, path: tuple[str, ...]) -> None:
        callback = getattr(command, "callback", None) or (lambda: None)
        given = inspect.signature(inspect.unwrap(callback)).parameters
        kinds = {name for name, one in given.items() if re.search("Path|LogFile", str(one.annotation))}
        if "out" in kinds and kinds - {"out", "work", "root", "pause_file"}:
            found.add(" ".join(path))
        for name, child in getattr(command, "commands", {}).items():
            walk(child, (*path, name))

    walk(typer.main.get_command(app), ())
    assert {"score", "sheet", "capture", "learn", "log export", "rehearse"} <= found
    assert found <= {" ".join(words[: 2 if words[0] in ("log", "rehearse") and words[1][0] != "-" else 1])
                     for words in IN_AND_OUT.values()}  # fmt: skip


# Faults of the program itself.


def broken(*_: object, **__: object) -> None:
    raise KeyError("of no use to anybody")


def test_a_fault_is_a_sentence_and_its_details_lie_in_a_file_of_the_users(call, tmp_path, monkeypatch):
    monkeypatch.setattr("advisor.intake.read", broken)
    code, said = call("score", "in.csv")
    path = tmp_path / "home" / "state" / DETAILS
    assert code == 2 and "Traceback" not in said and f"The details are in {path}." in said
    assert "KeyError: 'of no use to anybody'" in said
    assert "Traceback" in path.read_text() and stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_debug_shows_the_details_and_writes_none(call, tmp_path, monkeypatch):
    monkeypatch.setattr("advisor.intake.read", broken)
    code, said = call("--debug", "score", "in.csv")
    assert code == 2 and "Traceback" in said and not (tmp_path / "home" / "state").exists()


@pytest.mark.parametrize("what", ["a file in its place", "a link to nowhere", "a device"])
def test_details_that_cannot_be_written_are_said(call, tmp_path, monkeypatch, what):
    monkeypatch.setattr("advisor.intake.read", broken)
    home = tmp_path / "home"
    if what == "a file in its place":
        home.write_text("x")
    elif what == "a link to nowhere":
        home.symlink_to(tmp_path / "none" / "below")
    else:
        monkeypatch.setenv("ADVISOR_HOME", "/dev/null")
    code, said = call("score", "in.csv")
    assert code == 2 and "could not be written" in said and "--debug" in said and "Traceback" not in said


def test_memory_that_runs_out_is_said(call, monkeypatch):
    def gone(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("advisor.intake.read", gone)
    code, said = call("score", "in.csv")
    assert code == 2 and "memory ran out" in said


@pytest.mark.parametrize("number", [errno.EIO, errno.EROFS, errno.EDQUOT])
def test_a_disk_that_fails_is_no_fault_of_the_program(call, monkeypatch, number):
    def fails(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("advisor.intake.read", fails)
    code, said = call("score", "in.csv")
    is_a_sentence(code, said)
    assert "A disk did not do what was asked of it" in said


def test_ctrl_c_ends_with_130(call, monkeypatch):
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("advisor.intake.read", stopped)
    assert call("score", "in.csv") == (130, "advisor: stopped.\n")


def test_a_program_that_is_told_to_end_puts_away_what_it_began(tmp_path):
    script = "import os, signal, sys, tempfile; from advisor import cli\n"
    script += "def run(words):\n  with tempfile.TemporaryDirectory(dir=sys.argv[1]):\n"
    script += "    os.kill(os.getpid(), signal.SIGTERM)\n"
    script += "cli._run = run; cli.main()"
    done = subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=False, capture_output=True, text=True)
    assert done.returncode == 128 + signal.SIGTERM and done.stderr == ""
    assert not list(tmp_path.iterdir())


def test_two_files_are_not_written_to_one_place(call, tmp_path):
    (tmp_path / "link").symlink_to("out.csv")
    code, said = call("score", "in.csv", "--out", "out.csv", "--parts", "./link")
    is_a_sentence(code, said)
    assert "both name" in said and not (tmp_path / "out.csv").exists()


def test_a_model_is_not_written_onto_the_users_own_log(call, tmp_path):
    log = tmp_path / "home" / "bench_log.sqlite"
    log.parent.mkdir()
    log.write_text("keep me")
    is_a_sentence(*call("learn", "--out", log))
    assert log.read_text() == "keep me"


def test_only_unread_rows_end_with_1(call, tmp_path):
    (tmp_path / "in.csv").write_text(GOOD + "T-2,nonsense,,,\n")
    code, said = call("score", "in.csv", "--out", "out.csv")
    assert code == 1 and "1 of 2 rows could not be read" in said and (tmp_path / "out.csv").exists()
    (tmp_path / "home").mkdir()
    (tmp_path / "jobs.sqlite").write_bytes(b"SQLite format 3\x00" + bytes(4096))
    code, said = call("log", "check", "--log", "jobs.sqlite")
    assert code == 2 and "damaged" in said


# What only shows in a process of its own.


def run(script: str, tmp_path: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a shell line in which `advisor` is the command line."""
    program = f'advisor() {{ "{sys.executable}" -c "from advisor.cli import main; main()" "$@"; }}\n{script}'
    root = str(Path(advisor.__file__).parents[1])
    kept = {"PATH": os.environ["PATH"], "PYTHONPATH": root, "ADVISOR_HOME": str(tmp_path / "home"), **environment}
    kept = {name: value for name, value in kept.items() if value}
    return subprocess.run(
        ["bash", "-c", program], cwd=tmp_path, env=kept, capture_output=True, text=True, errors="replace", timeout=300,
        check=False,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(
    "line, code, said",
    [
        ("advisor tables find 8086:24f3 > /dev/full; echo $? >&2", "2", "No space left"),
        ("advisor --help > /dev/full; echo $? >&2", "2", "No space left"),
        ("advisor tables find 8086:24f3 > /dev/full 2> /dev/full; echo $? >&2", "2", ""),
        ("advisor tables find 8086:24f3 >&-; echo $? >&2", "0", ""),
        ("advisor tables find 8086:24f3 >&- 2>&- <&-; echo $?", "0", ""),
        ("advisor tables find nonsense-of-no-use 2>/dev/full >/dev/null; echo $? >&2", "", ""),
        ("advisor capture --script | true; echo ${PIPESTATUS[0]} >&2", "141", ""),
        ("advisor --help | true; echo ${PIPESTATUS[0]} >&2", "141", ""),
        ("advisor score $'no\\xffsuch'; echo $? >&2", "2", "no text in UTF-8"),
        ("advisor log add $'tag\\xff' --elapsed 5; echo $? >&2", "2", "no text in UTF-8"),
        ("cp in.csv $'s\\xff.csv'; advisor score $'s\\xff.csv' > /dev/null; echo $? >&2", "0", ""),
        ("LC_ALL=POSIX PYTHONUTF8=0 PYTHONCOERCECLOCALE=0 advisor score 'nö such'; echo $? >&2", "2", "does not exist"),
    ],
)
def test_streams_and_letters(tmp_path, line, code, said):
    (tmp_path / "in.csv").write_text(GOOD)
    done = run(line, tmp_path)
    words = (done.stderr + done.stdout).split()
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr
    if code:
        assert words and words[-1] == code, done.stderr
    assert said in done.stderr
    if code == "141":
        assert words == ["141"], "a closed pipe is no news"


@pytest.mark.slow
@pytest.mark.parametrize("environment", [{"ADVISOR_HOME": ""}, {"ADVISOR_HOME": "", "HOME": "/nonexistent/home"}])
def test_without_a_home_it_works_or_says_what_is_missing(tmp_path, environment):
    done = run("advisor score <(cat /dev/null); echo $? >&2; advisor tables find 8086:24f3; echo $? >&2", tmp_path,
               **environment)  # fmt: skip
    assert "Traceback" not in done.stderr
    assert done.stderr.split()[-1] == "0" and "is a pipe, not a file" in done.stderr
