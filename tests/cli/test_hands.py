"""Commands on the hands: the steps of a unit, and what would save hands."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from advisor.files import datasets

DEMO = datasets() / "demo"
SHEET, SHOP = str(DEMO / "intake.csv"), str(DEMO / "shop.toml")


def advisor(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command in a home of its own."""
    env = {key: value for key, value in os.environ.items() if key != "ADVISOR_LOG"} | {"ADVISOR_HOME": str(home)}
    command = [sys.executable, "-c", "from advisor.cli import main; main()", *words]
    return subprocess.run(command, check=False, capture_output=True, text=True, env=env, cwd=home)


def test_the_steps_of_a_unit_are_printed(tmp_path):
    said = advisor(tmp_path, "sheet", "OM-1001", "--csv", SHEET, "--shop", SHOP, "--steps")
    assert said.returncode == 0
    for words in ("OM-1001: ", "type: sudo apt update", "Fetch the unit from the shelf", "stand by"):
        assert words in said.stdout


@pytest.mark.slow
def test_steps_are_written_as_text_alone(tmp_path):
    call = ("sheet", "OM-1001", "--csv", SHEET, "--shop", SHOP, "--steps", "--out")
    assert advisor(tmp_path, *call, "steps.txt").returncode == 0
    assert "Fetch the unit" in (tmp_path / "steps.txt").read_text(encoding="utf-8")
    refused = advisor(tmp_path, *call, "steps.pdf")
    assert refused.returncode == 2 and ".txt" in refused.stderr


@pytest.mark.slow
def test_what_would_save_hands_is_said(tmp_path):
    lines = advisor(tmp_path, "learn", "--savings", SHEET, "--shop", SHOP).stdout.splitlines()
    assert lines[0].startswith("would save") and any(line.startswith("preseeded installer") for line in lines)
    assert "as no log tells" in lines[-1]
