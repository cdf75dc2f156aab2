"""Processor numbers without their line, among machines' numbers. Which machine carries which number: from memory."""

from __future__ import annotations

import re

import pytest

from advisor.identify.bare import locate_bare
from advisor.tables import dicts


def found(text: str) -> list[str]:
    return [text[start:end] for start, end in locate_bare(text)]


MACHINES = [
    "Latitude E6400", "Latitude E6320", "Precision T7500", "Precision M620", "Lenovo B560", "Lenovo Z530",
    "Lenovo G530",
    "Lenovo 3000 N100", "Samsung N150", "Samsung P520", "Satellite C50", "Satellite L640", "Fujitsu E620", "Asus K55",
    "ThinkPad T61", "HP Z820", "Latitude D420", "Dimension E-350", "Satellite C-50", "Satellite U300",
    "Precision T3400",
]  # fmt: skip


@pytest.mark.parametrize("text", MACHINES)
def test_a_machines_number_is_no_processor(text):
    assert found(text) == []


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("Latitude E6400 P8400", ["P8400"]), ("Latitude E6400 / E6400", ["E6400"]), ("Latitude (E6400)", ["E6400"]),
        ("E6400 2.13GHz", ["E6400"]), ("cpu E6400", ["E6400"]), ("core 2 duo E6400", ["E6400"]), ("N270", ["N270"]),
        ("Aspire One N270", ["N270"]), ("OptiPlex 755 E6400", ["E6400"]), ("X200 - P8400", ["P8400"]),
        ("Mini 8GB N270", ["N270"]), ("8GB E6400", []), ("Pavilion g6 E-350", ["E-350"]), ("asset 3470", []),
        ("shelf B24", []), ("6300U", ["6300U"]), ("", []),
    ],
)  # fmt: skip
def test_a_processors_number_is_found_where_something_shows_it(text, numbers):
    assert found(text) == numbers


def test_each_row_of_machines_numbers_keeps_one_of_the_machines():
    tokens = [token for text in MACHINES for token in text.split()]
    shared = [row["pattern"] for row in dicts("identify/machine_numbers")]
    idle = [one for one in shared if not any(re.fullmatch(one, token, re.I) for token in tokens)]
    assert idle == []
