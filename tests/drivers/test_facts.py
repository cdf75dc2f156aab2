"""Every row of the room's own tables makes sense, and meets the kernels' tables."""

from __future__ import annotations

import re

import pytest

from advisor.drivers import facts, needs, quirks, store
from advisor.drivers.kinds import Kind, of_module
from advisor.drivers.needs import Severity
from advisor.drivers.quirks import Effect
from advisor.tables import load

TABLES = ("severity", "chips", "chips_kernel", "quirks", "quirks_packages", "names", "forbidden")
ID = re.compile(r"(pci|usb|sdio):[0-9a-f]{4}:([0-9a-f]{4}|\*)")


@pytest.mark.parametrize("name", TABLES)
def test_every_row_says_where_it_is_from(name):
    rows = facts.rows(name)
    assert rows
    assert all(row["source"].strip() for row in rows)
    assert set(rows[0]) == set(load(f"drivers/{name}").columns)


@pytest.mark.parametrize("name", ["chips", "chips_kernel", "quirks", "quirks_packages", "names"])
def test_ids_are_well_formed(name):
    for row in facts.rows(name):
        for text in facts.parts(row["ids"]):
            assert text == "*" or ID.fullmatch(text), row


def test_words_are_of_the_closed_sets():
    assert {row["severity"] for row in facts.rows("severity")} <= set(Severity)
    for name in ("quirks", "quirks_packages"):
        assert {row["effect"] for row in facts.rows(name)} <= set(Effect)
    for row in facts.rows("quirks") + facts.rows("quirks_packages"):
        if row["effect"] in ("separate driver", "fetched firmware", "userspace"):
            assert row["packages"], row["code"]
        if row["effect"] == "through":
            assert row["module"], row["code"]


def test_each_module_has_one_severity():
    named = [row["module"] for row in facts.rows("severity")]
    assert len(named) == len(set(named))


def test_modules_exist_in_some_kernel():
    known = {module for name in store.SHIPPED for module in store.load(name).modules}
    for name in ("severity", "chips", "chips_kernel"):
        assert {row["module"] for row in facts.rows(name)} <= known
    assert {quirk["module"] for quirk in facts.rows("quirks") if quirk["module"]} <= known


@pytest.mark.parametrize("name", store.SHIPPED)
def test_the_severity_of_every_device_driver_that_names_firmware_is_known(name):
    table = store.load(name)
    kinds = (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET, Kind.BLUETOOTH)
    missing = {
        module
        for module, path in zip(table.modules, table.paths, strict=True)
        if of_module(path, module) in kinds and needs.files(table, module) and _binds(table, module)
    } - needs.rules().keys()
    assert not missing


def _binds(table, module: str) -> bool:
    """Whether a module binds PCI, USB or SDIO devices."""
    number = table.numbers[module]
    return any((table.arrays[f"{bus}_module"] == number).any() for bus in ("pci", "usb", "sdio"))


@pytest.mark.parametrize("name", store.SHIPPED)
def test_files_of_chips_are_files_that_the_module_names(name):
    table = store.load(name)
    matched = 0
    for row in facts.rows("chips_kernel"):
        if row["module"] not in table.numbers or not row["files"]:
            continue
        patterns = [p for p in facts.parts(row["files"]) if not p.startswith("+")]
        named = needs.files(table, row["module"])
        hits = [
            any(re.fullmatch(p.replace("*", ".*"), n.rpartition("/")[2] if "/" not in p else n) for n in named)
            for p in patterns
        ]
        matched += bool(hits) and any(hits)
    assert matched > 40


def test_quirks_of_a_device_go_before_those_of_its_maker():
    from advisor.drivers.spec import by_id

    codes = [quirk.code for quirk in quirks.of_device(by_id("pci", 0x14E4, 0x4315))]
    assert codes == ["b43", "b43-firmware"]
