"""Rows of a user's own in every table at once, right ones, serve; a wrong one ends a command in a sentence."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

import pytest

import advisor
from advisor.files import datasets

SHEET = """asset_tag,cpu,ram_gib,storage_kind,storage_gib,wireless,graphics,devices
T-1,i5-6300U,8,ssd,240,Intel 8260,HD Graphics 520,pci:8086:24f3;pci:8086:1916
T-2,Core 2 Duo P8400,2,hdd,160,,,pci:14e4:4315
T-3,X,,,,,,
"""


def score(home: Path) -> subprocess.CompletedProcess[str]:
    (home / "in.csv").write_text(SHEET)
    return subprocess.run(
        [sys.executable, "-c", "from advisor.cli import main; main()", "score", "in.csv", "--out", "out.csv"],
        cwd=home, capture_output=True, text=True, check=False,
        env={**os.environ, "ADVISOR_HOME": str(home), "PYTHONPATH": str(Path(advisor.__file__).parents[1])},
    )  # fmt: skip


def own(home: Path, name: str, change: dict[str, str] | None = None, number: int = 0) -> Path:
    """Put a shipped row into the user's own table, with some cells changed."""
    with open(datasets() / f"{name}.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    path = home / "tables" / f"{name}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0], lineterminator="\n")
        writer.writeheader()
        writer.writerow(rows[number] | (change or {}))
    return path


@pytest.mark.slow
def test_a_right_row_in_every_table_serves(tmp_path):
    for path in datasets().rglob("*.csv"):
        name = str(path.relative_to(datasets())).removesuffix(".csv")
        if not name.startswith(("demo/", "lab/")):
            own(tmp_path, name)
    own(tmp_path, "timing/phases", {"phase": "polish", "order": "15", "title": "Polish the lid", "machine": "none"})
    own(tmp_path, "identify/microarchitectures", {"microarch": "Own Lake", "source": "mine"})
    own(tmp_path, "identify/processors", {"name": "Own 1", "number": "9999Z", "microarch": "Own Lake"})
    own(tmp_path, "editions/catalogue", {"release": "own-1", "edition": "Kiosk", "footprint_source": "mine"})
    own(tmp_path, "drivers/severity", {"module": "own_module", "source": "mine"})
    done = score(tmp_path)
    assert done.returncode in (0, 1), done.stderr
    assert "A fault of this program" not in done.stderr and "Traceback" not in done.stderr
    assert (tmp_path / "out.csv").read_text().count("\nT-") == 3


@pytest.mark.slow
def test_an_unknown_word_in_a_table_of_the_users_own_is_a_sentence(tmp_path):
    path = own(tmp_path, "timing/phases", {"machine": "gnorb"})
    done = score(tmp_path)
    assert done.returncode == 2 and not (tmp_path / "out.csv").exists()
    assert done.stderr.startswith(f"advisor: {path}, line 2, column machine: 'gnorb' is not one of: none, medium")


@pytest.mark.slow
def test_a_form_of_ids_with_other_brackets_than_groups_is_a_sentence(tmp_path):
    path = own(tmp_path, "intake/id_forms", {"form": "{}"})
    done = score(tmp_path)
    assert done.returncode == 2 and not (tmp_path / "out.csv").exists()
    assert done.stderr.startswith(f"advisor: {path} cannot be used: ")
