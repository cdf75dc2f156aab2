"""Cells as people fill them: `cells.csv` says for each what is right, written before the reader was run on it.

A row holds the header, the cell ('|' between several of one row), the facts that must come out ('?' for unknown, '~'
for text that must hold the words, `storage_gb` in GB of 10^9 byte) and what must be asked or said ('-' for nothing).
"""

from __future__ import annotations

import csv
import re
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pytest

from advisor.identify import processors
from advisor.intake import understand
from advisor.intake.disks import GB_IN_GIB

CELLS = list(csv.DictReader(Path(__file__).with_name("cells.csv").open(encoding="utf-8")))
WITHOUT_PROCESSOR = ("CPU", "Model", "Specs", "Notes")


class Read(NamedTuple):
    """One sheet of all cells under one header."""

    facts: pd.DataFrame
    problems: pd.DataFrame
    notes: pd.DataFrame


@cache
def read(header: str) -> Read:
    """Read all cells of a header as one sheet, a row a cell."""
    cells = [row["cell"].split("|") for row in CELLS if row["column"] == header]
    raw = pd.DataFrame(cells, columns=header.split("|"))
    raw.insert(0, "Asset", [f"A{number}" for number in range(len(raw))])
    if not header.startswith(WITHOUT_PROCESSOR):
        raw["Processor"] = "i5-6300U"
    sheet = understand(raw)
    facts = sheet.units.assign(storage_gb=sheet.units["storage_gib"] / GB_IN_GIB)
    known = processors(sheet.units)
    facts = facts.assign(**{name: known[name] for name in known.columns if name not in facts})
    return Read(facts, sheet.problems, sheet.notes)


def shown(value: object) -> str:
    return "?" if pd.isna(value) else str(value)


def wrong(row: dict[str, str]) -> list[str]:
    """What of a row's expectation does not hold."""
    sheet = read(row["column"])
    place = [one["cell"] for one in CELLS if one["column"] == row["column"]].index(row["cell"])
    facts = sheet.facts.iloc[place]
    bad = []
    for expected in filter(None, row["expect"].split("; ")):
        name, sign, value = re.fullmatch(r"(\w+)([=~])(.*)", expected).groups()
        found = facts[name]
        if sign == "~":
            holds = value.lower() in shown(found).lower()
        elif value != "?" and not pd.isna(found) and isinstance(found, float):
            holds = found == pytest.approx(float(value), rel=1e-3)
        else:
            holds = shown(found) == value
        bad += [] if holds else [f"{expected}, but is {shown(found)!r}"]
    problems = sheet.problems[sheet.problems["problem"].ne("no processor is given")]
    problems = problems[problems["row"].eq(place + 1)]
    notes = sheet.notes[sheet.notes["row"].eq(place + 1)]
    said = [*(problems["value"] + ": " + problems["problem"]), *notes["note"]]
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


def test_the_memory_is_read_where_no_processor_is():
    sheet = understand(pd.DataFrame({"Asset": ["A", "B"], "CPU": ["", "?"], "RAM": ["4 gigs onboard", "2x2048 pc3"]}))
    assert sheet.units["ram_gib"].tolist() == [4.0, 4.0]
    assert sheet.units["cpu"].isna().all()


def test_a_cell_of_its_own_wins_over_what_stands_elsewhere():
    raw = pd.DataFrame(
        {
            "Asset": ["A"], "CPU": ["i5-3470 4GB 500GB HDD"], "RAM": ["8 DDR4"], "Storage": ["240 SSD"],
            "RAM type": ["DDR3L"], "SATA mode": ["AHCI"], "Notes": ["RAID On, no disk, has E8400 in it"],
        }
    )  # fmt: skip
    unit = understand(raw).units.iloc[0]
    assert (unit["ram_gib"], unit["ram_type"], unit["storage_kind"]) == (8.0, "DDR3", "sata ssd")
    assert (unit["storage_mode"], unit["cpu"]) == ("ahci", "i5-3470 4GB 500GB HDD")


def test_several_columns_may_hold_several_fields():
    raw = pd.DataFrame({"Asset": ["A"], "Model / CPU": ["HP 6005 Pro / X2 B24"], "RAM+SSD": ["8+256"]})
    sheet = understand(raw)
    unit = sheet.units.iloc[0]
    assert (unit["model"], unit["cpu"], unit["ram_gib"], unit["storage_kind"]) == (
        "HP 6005 Pro", "X2 B24", 8.0, "sata ssd",
    )  # fmt: skip
    how = sheet.columns.set_index("header")["how"]
    assert how["RAM+SSD"] == "holds ram_gib, ssd together"


def test_a_processors_number_that_two_carry_is_left_to_the_processor_room():
    raw = pd.DataFrame(
        {"Asset": ["A", "B"], "Model": ["OptiPlex 755 E8400 Q6600", "OptiPlex 755 E6300"], "CPU": ["", ""]}
    )
    sheet = understand(raw)
    assert sheet.units["cpu"].isna().tolist() == [True, False]
    assert "several processors" in sheet.problems.query("row == 1")["problem"].iloc[0]
