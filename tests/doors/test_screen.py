"""Nothing that a sheet, a log, a capture or a file's name holds commands the terminal; one place prints."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

import advisor.cli
from advisor.cli import main
from advisor.cli.screen import one_line, plain

DOORS = Path(advisor.cli.__file__).parent

NASTY = {
    "escape sequence": "\x1b[31mred\x1b[0m",
    "title": "\x1b]0;owned\x07",
    "one-byte sequence": "\x9b31m",
    "backspace": "A\x08B",
    "carriage return": "fine\rGONE",
    "delete": "a\x7fb",
    "right to left": "a\u202eb\u202c",
    "isolate": "a\u2066b\u2069",
    "mark": "a\u200fb",
    "line separator": "a\u2028b",
    "no byte order": "a\ufeffb",
    "half a letter": "a\udcffb",
    "bell": "\x07",
    "shift out": "\x0e",
    "tag letters": "a\U000e0041b",
}
COMMANDS = {letter for text in NASTY.values() for letter in text if not letter.isascii() or not letter.isprintable()}


@pytest.mark.parametrize("what", NASTY)
def test_what_commands_a_terminal_is_spelled_out(what):
    shown = plain(f"x {NASTY[what]} y")
    assert not COMMANDS & set(shown)
    assert shown.startswith("x ") and shown.endswith(" y") and "\\" in shown


@pytest.mark.parametrize(
    "text", ["", "plain", "Süd – 5 µs ≥ 3 × 2", "tab\there", "two\nlines\n", "no\u00a0break", "名前", "ไทย"]
)
def test_what_can_be_printed_stays(text):
    assert plain(text) == text


def test_a_line_break_in_a_cell_makes_no_line():
    assert one_line("a\nFORGED  line\r\n\tb") == "a FORGED line b"


def test_one_place_prints():
    """No module of the command line prints by itself, and the callbacks of other rooms get the same function."""
    for path in DOORS.glob("*.py"):
        if path.name == "screen.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute):
                assert node.attr not in ("echo", "secho"), f"{path.name}, line {node.lineno}"
                assert not (node.attr == "write" and "std" in ast.unparse(node)), f"{path.name}, line {node.lineno}"
            if isinstance(node, ast.Name):
                assert node.id != "print", f"{path.name}, line {node.lineno}"


@pytest.fixture
def call(monkeypatch, capsys, tmp_path):
    """Call the command line in this process: its exit code, and all it printed."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    monkeypatch.chdir(tmp_path)

    def called(*words: object) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["advisor", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out + said.err

    return called


EVIL = "\x1b]0;owned\x07\x1b[2J\u202e\x9b1m"


def clean(said: str) -> bool:
    """Nothing on the screen commands it, and what can be read of the text is there."""
    return not set(EVIL) & set(said) - set("]0;owned[2J1m") and "owned" in said


def test_score_shows_no_commands_of_a_cell(call, tmp_path):
    sheet = tmp_path / "in.csv"
    sheet.write_text(
        f'asset_tag,cpu,ram_gib,\x1b[2J\n"{EVIL}A",i5-6300U,8,x\n"B\nC",nonsense\x1b[2J,4,y\n', encoding="utf-8"
    )
    code, said = call("score", sheet, "--columns")
    assert code == 0 and clean(said)
    assert "\nC " not in said


@pytest.mark.slow
def test_the_log_shows_no_commands_of_a_tag(call):
    assert call("log", "add", f"{EVIL}A", "--elapsed", "60", "--note", EVIL)[0] == 0
    assert call("log", "start", f"{EVIL}\nFORGED", "copy")[0] == 0
    for words in (("log", "list"), ("log", "running")):
        code, said = call(*words)
        assert code == 0 and clean(said) and "\nFORGED" not in said


@pytest.mark.slow
def test_an_error_shows_no_commands_of_a_files_name_and_is_one_line(call, tmp_path):
    for words in (
        ("score", f"{EVIL}\nadvisor: all is well.csv"),
        ("sheet", f"{EVIL}.json"),
        ("capture", "--from", EVIL),
    ):
        code, said = call(*words)
        assert code == 2 and clean(said) and "\nadvisor: all is well" not in said


@pytest.mark.slow
def test_a_wrong_call_shows_no_commands_of_its_words(call):
    code, said = call("score", "x", f"--{EVIL}")
    assert code == 2 and clean(said)
    code, said = call(EVIL)
    assert code == 2 and clean(said)


@pytest.mark.slow
def test_a_sheet_and_a_capture_show_no_commands(call, tmp_path):
    unit = tmp_path / "unit.json"
    unit.write_text(
        '{"unit": {"asset_tag": "\\u001b[2JA", "cpu": "i5-6300U", "maker": "\\u009b2J", "notes": "\\u202e"}}'
    )
    for words in (("sheet", unit), ("capture", "--from", unit)):
        code, said = call(*words)
        assert code == 0 and not set(EVIL) & set(said) - set("]0;owned[2J1m")
