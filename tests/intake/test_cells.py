"""Cells as people fill them: `cells.csv` says for each what is right, written before the reader was run on it.

A row holds the header, the cell ('|' between several of one row), the facts that must come out ('?' for unknown, '~'
for text that must hold the words, `storage_gb` in GB of 10^9 byte) and what must be asked or said ('-' for nothing).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from advisor.identify import processors
from advisor.intake import understand
from advisor.intake.disks import GB_IN_GIB

CELLS = list(csv.DictReader(Path(__file__).with_name("cells.csv").open(encoding="utf-8")))
WITHOUT_PROCESSOR = ("CPU", "Model", "Specs", "Notes")


def sheet(header: str, cell: str) -> pd.DataFrame:
    row = {"Asset": "A1"} | dict(zip(header.split("|"), cell.split("|"), strict=True))
    if not header.startswith(WITHOUT_PROCESSOR):
        row |= {"Processor": "i5-6300U"}
    return pd.DataFrame([row])


def shown(value: object) -> str:
    return "?" if pd.isna(value) else str(value)


def wrong(row: dict[str, str]) -> list[str]:
    """What of a row's expectation does not hold."""
    read = understand(sheet(row["column"], row["cell"]))
    unit = read.units.iloc[0]
    facts = unit.to_dict() | processors(read.units).iloc[0].to_dict()
    facts |= {"cpu": unit["cpu"], "storage_gb": unit["storage_gib"] / GB_IN_GIB}
    bad = []
    for expected in filter(None, row["expect"].split("; ")):
        name, sign, value = (
            expected.partition("~") if "~" in expected.partition("=")[0] else expected.partition("=")
        )  # fmt: skip
        found = facts[name]
        if sign == "~":
            holds = value.lower() in shown(found).lower()
        elif value != "?" and not pd.isna(found) and isinstance(found, float):
            holds = found == pytest.approx(float(value), rel=1e-3)
        else:
            holds = shown(found) == value
        bad += [] if holds else [f"{expected}, but is {shown(found)!r}"]
    problems = read.problems[read.problems["problem"].ne("no processor is given")]
    said = [*(problems["value"] + ": " + problems["problem"]), *read.notes["note"]]
    if row["asked"] == "-":
        bad += [f"nothing should be said, but is: {said}"] if said else []
    elif row["asked"] and not any(row["asked"].lower() in text.lower() for text in said):
        bad.append(f"{row['asked']!r} should be said, but there is: {said}")
    return bad


@pytest.mark.parametrize("row", CELLS, ids=lambda row: f"{row['column']}: {row['cell']}")
def test_a_cell_gives_its_facts_and_asks_about_the_rest(row):
    assert not wrong(row), row["why"]


def test_there_are_cells_enough_and_each_says_why():
    assert len(CELLS) >= 250
    assert all(row["why"] and (row["expect"] or row["asked"]) for row in CELLS)
    assert len({(row["column"], row["cell"]) for row in CELLS}) == len(CELLS)
