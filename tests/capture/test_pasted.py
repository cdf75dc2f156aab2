"""Real listings as people posted them, each fact expected by hand before the program read them.

The threads are named in `listings/sources.csv`; expected facts are in `listings/expected.csv`. Ids behind plain names
are from pci.ids 2023.04.10 and, of several with one name, the one that the thread's machine has (from memory).
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import pytest

from advisor.capture import read_listings
from advisor.drivers import assess
from advisor.drivers.asked import name_packages
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import find
from advisor.identify import processors
from advisor.shop import Image
from advisor.unit import Capture, frame

HERE = Path(__file__).parent / "listings"
KINDS = {"wireless_id": Kind.WIRELESS, "graphics_id": Kind.GRAPHICS, "ethernet_id": Kind.ETHERNET}


def _rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


EXPECTED: dict[str, list[tuple[str, str]]] = defaultdict(list)
for _row in _rows("expected.csv"):
    EXPECTED[_row["fixture"]].append((_row["field"], _row["expected"]))
PLAIN_NAMES = [(name, field, said) for name, facts in EXPECTED.items() for field, said in facts if field in KINDS]


def test_every_listing_has_its_source_and_its_expectations():
    files = {path.stem for path in HERE.glob("*.txt")}
    assert files == {row["fixture"] for row in _rows("sources.csv")} == EXPECTED.keys()
    assert len(files) >= 60
    assert all(row["source"] for row in _rows("sources.csv"))


def taken_ids(taken: Capture, kind: Kind) -> list[set[str]]:
    """For each device of a kind, the ids that it was taken as; an empty set for one that stays open."""
    specs = [spec for spec in find(frame([taken.unit])).specs if spec.kind is kind]
    return [
        {f"{one.vendor:04x}:{one.device:04x}" for one in (spec.candidates or (spec,)) if spec.exact and one.vendor >= 0}
        for spec in specs
    ]


def _check(taken: Capture, field: str, expected: str) -> None:
    unit = taken.unit
    if field == "devices_count":
        assert len((unit.devices or "").split("; ")) == int(expected)
    elif field == "flags_hold":
        assert set(expected.split()) <= set((unit.cpu_flags or "").split())
    elif field == "notes_hold":
        assert expected in (unit.notes or "")
    elif field == "level":
        assert processors(frame([unit]))["cpu_level"].iloc[0] == expected
    elif field == "missing":
        assert expected in taken.unread["firmware"]
    elif field == "package":
        assert (f"bring {expected} " if expected else "no package") in name_packages(taken).unread["firmware"]
    elif field == "ledger":
        assert any(expected in line for line in taken.ledger), taken.ledger
    elif field == "said":
        assert any(expected in reason for reason in taken.unread.values())
    else:
        value = getattr(unit, field)
        if expected == "":
            assert value is None
        else:
            assert str(value) == expected or (
                isinstance(value, float) and value == pytest.approx(float(expected), abs=0.05)
            )


@pytest.mark.parametrize(
    "name, field, expected",
    [(name, field, said) for name, facts in EXPECTED.items() for field, said in facts if field not in KINDS],
)
def test_fact(name, field, expected):
    _check(read_listings(HERE / f"{name}.txt"), field, expected)


def test_devices_are_right_or_open():
    """At least 95 of 100 devices are right, and none is taken for another."""
    right, open_, wrong = [], [], []
    for name, field, expected in PLAIN_NAMES:
        found = taken_ids(read_listings(HERE / f"{name}.txt"), KINDS[field])
        taken = set().union(*found)
        truths = [set(one.split("|")) for one in expected.split()]
        for truth in truths:
            (right if truth & taken else open_).append((name, field, sorted(truth), found))
        wrong += [(name, field, expected, ids) for ids in found if ids and not any(ids & truth for truth in truths)]
    assert not wrong, wrong
    assert len(right) >= 0.95 * (len(right) + len(open_)), open_


def test_parts_of_the_chipset_are_what_their_class_says():
    """A bridge is never graphics without a driver: of every device that a listing gives a class, the class decides."""
    taken = [read_listings(path).unit for path in sorted(HERE.glob("*.txt"))]
    units = frame([unit for unit in taken if unit.devices])
    verdicts = assess(units, [Image(name="13", release="13", kernel="debian-13", firmware=("area:non-free-firmware",))])
    devices = verdicts.devices
    kinds = {spec.text: spec for spec in find(units).specs}
    bridges = {text for text, spec in kinds.items() if spec.class_code is not None and spec.class_code >> 16 == 0x06}
    assert len(bridges) > 20
    told = devices[devices["device"].isin(bridges)]
    assert set(told["kind"]) == {"other"} and set(told["support"]) == {"works"}
    graphics = devices[devices["kind"].eq("graphics") & devices["device"].str.startswith("pci:")]
    assert all((kinds[text].class_code or 0x030000) >> 16 == 0x03 for text in set(graphics["device"]) & set(kinds))
    assert devices["support"].ne("unknown").mean() > 0.9
