"""The doors: examples that stand in the help, exit codes, clear sentences for bad input, whole files out."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pandas as pd
import pytest

from advisor.advice import SCORED_COLUMNS
from advisor.cli import DOORS

CHECKOUT = Path(__file__).resolve().parents[2]


def advisor(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user does, in its own process."""
    environment = {**os.environ, "COLUMNS": "200", "ADVISOR_HOME": str((cwd or Path(tempfile.mkdtemp())) / "home")}
    return subprocess.run(
        [sys.executable, "-c", "from advisor.cli import main; main()", *words],
        capture_output=True, text=True, cwd=cwd, env=environment, timeout=180, check=False,
    )  # fmt: skip


def sub_commands() -> list[list[str]]:
    import typer

    from advisor.cli import _open_doors, app

    _open_doors(None)
    found: list[list[str]] = []

    def walk(command: object, path: list[str]) -> None:
        children = getattr(command, "commands", {})
        if path and not children:
            found.append(path)
        for name, child in children.items():
            walk(child, [*path, name])

    walk(typer.main.get_command(app), [])
    return found


COMMANDS = sub_commands()


def test_every_door_opens() -> None:
    assert {path[0] for path in COMMANDS} == set(DOORS)


@pytest.mark.slow
@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_help_shows_an_example_of_that_command(path: list[str]) -> None:
    done = advisor(*path, "--help")
    assert done.returncode == 0
    assert "Example:" in done.stdout
    assert f"advisor {path[0]}" in done.stdout.split("Example:")[1]


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_stands_in_the_readme(path: list[str]) -> None:
    assert f"advisor {path[0]}" in (CHECKOUT / "README.md").read_text(encoding="utf-8")


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


GOOD = "asset_tag,cpu,ram_gib,storage_kind,storage_gib,lot\nT-1,i5-6300U,8,ssd,240,north\n"


@pytest.mark.slow
def test_scoring_carries_every_row_and_column_through_in_order(tmp_path: Path) -> None:
    sheet = write(tmp_path / "in.csv", GOOD + "T-2,nonsense,,,,south\nT-3,i3-7100U,4,hdd,500,east\n")
    done = advisor("score", str(sheet), "--out", "out.csv", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "1 of 3 rows could not be read" in done.stderr
    out = pd.read_csv(tmp_path / "out.csv", keep_default_na=False)
    assert list(out["asset_tag"]) == ["T-1", "T-2", "T-3"]
    assert list(out["lot"]) == ["north", "south", "east"]
    assert list(out.columns[-len(SCORED_COLUMNS) :]) == list(SCORED_COLUMNS)
    assert list(out["status"]) == ["scored", "unreadable", "scored"]
    assert out.loc[1, "advice"] == "hold"


@pytest.mark.slow
def test_good_rows_alone_exit_with_zero(tmp_path: Path) -> None:
    done = advisor("score", str(write(tmp_path / "in.csv", GOOD)), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "T-1" in done.stdout


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02\xff\xfe\x00binary" * 20, "in.csv"),
        (b"colour,weight\nred,3\n", "asset"),
    ],
)
def test_an_unusable_sheet_is_refused_in_a_sentence(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "in.csv").write_bytes(content)
    done = advisor("score", "in.csv", "--out", "out.csv", cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out.csv").exists()


def test_a_windows_encoded_sheet_is_read(tmp_path: Path) -> None:
    write(tmp_path / "in.csv", GOOD.replace("north", "Süd"), "cp1252")
    done = advisor("score", "in.csv", "--out", "out.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert pd.read_csv(tmp_path / "out.csv")["lot"].tolist() == ["Süd"]


def test_a_formula_in_a_cell_is_written_out_harmless(tmp_path: Path) -> None:
    write(tmp_path / "in.csv", GOOD.replace("north", "=1+1"))
    advisor("score", "in.csv", "--out", "out.csv", cwd=tmp_path)
    cell = pd.read_csv(tmp_path / "out.csv")["lot"].iloc[0]
    assert not cell.startswith("=")
    assert "1+1" in cell


def test_a_missing_device_table_is_named_with_what_to_do(tmp_path: Path) -> None:
    write(tmp_path / "in.csv", GOOD)
    write(tmp_path / "shop.toml", 'default_image = "x"\n[[images]]\nname = "x"\nrelease = "13"\nkernel = "no-such"\n')
    done = advisor("score", "in.csv", "--shop", "shop.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert "no-such" in done.stderr
    assert "advisor tables build" in done.stderr


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("link_mbps = -3", "link_mbps"),
        ("slots = 'many'", "slots"),
        ("colour = 'red'", "colour"),
        ("this is no toml", "not TOML"),
        ('default_image = "none-such"', "none-such"),
    ],
)
def test_a_bad_shop_file_names_the_setting(tmp_path: Path, text: str, words: str) -> None:
    write(tmp_path / "in.csv", GOOD)
    write(tmp_path / "shop.toml", text)
    done = advisor("score", "in.csv", "--shop", "shop.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr


def test_a_capture_that_is_not_json_is_refused_in_a_sentence(tmp_path: Path) -> None:
    write(tmp_path / "unit.json", "{not json")
    done = advisor("sheet", "unit.json", cwd=tmp_path)
    assert done.returncode == 2
    assert "unit.json" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_the_demo_writes_what_it_says(tmp_path: Path) -> None:
    done = advisor("demo", "--out", "shown", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "invented" in done.stdout
    assert len(pd.read_csv(tmp_path / "shown" / "scored.csv")) == 60
    assert (tmp_path / "shown" / "sheets.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.slow
def test_an_unwritable_output_leaves_nothing_behind(tmp_path: Path) -> None:
    write(tmp_path / "in.csv", GOOD)
    done = advisor("score", "in.csv", "--out", "no/such/folder/out.csv", cwd=tmp_path)
    assert done.returncode == 2
    assert "could not be written" in done.stderr


def test_a_tag_that_stands_twice_is_seen_wherever_it_stands() -> None:
    from advisor.advice import assess

    tags = ["A", "B", " A ", "", "C", "B", "D", "", "E", "A", "F"]
    raw = pd.DataFrame({"tag": tags, "CPU": [f"i5-{6200 + number}U" for number in range(len(tags))], "ram": "8"})
    whole = assess(raw).scored
    twice = [index for index, flags in enumerate(whole["flags"]) if "tag-twice" in flags]
    assert twice == [0, 1, 2, 5, 9]
