"""Driver tables against kmod: its library on freshly fetched packages, and its own matching on the committed tables."""

from __future__ import annotations

import random
from functools import cache

import pytest

from advisor.drivers import table_files
from advisor.errors import ToolError
from advisor.lab.tables import build, check
from advisor.lab.tables.oracle import Kmod, index_tree

pytestmark = pytest.mark.outside

CI_KERNEL = "debian-13"
"""The kernel that is fetched; `advisor tables check` does the same for all of them."""


@cache
def checked(kernel: str) -> check.CheckReport:
    return check.check_kernel(kernel, build.default_cache(), print)


@pytest.fixture
def report(need, missing) -> check.CheckReport:
    for program in ("apt-get", "apt-cache", "dpkg-deb", "depmod", "modinfo"):
        need(program)
    try:
        return checked(CI_KERNEL)
    except ToolError as error:
        missing(str(error))
        raise


@pytest.mark.slow
def test_a_fresh_kernel_package_gives_kmods_module_sets(report):
    # Reference: libkmod (package libkmod2) on the kernel package that apt's index names now; every alias of every
    # module once, ids that nothing knows, known devices with random subsystem ids. Sets must be equal, all of them.
    assert report.queries["pci"] > 8_000 and report.queries["usb"] > 8_000
    assert report.queries["unknown ids"] == 2_000 and report.queries["random subsystems"] == 500
    assert report.wrong == []


@pytest.mark.slow
def test_firmware_lists_are_modinfos(report):
    # Reference: `modinfo -F firmware` (package kmod) of 50 modules drawn with a fixed seed.
    assert report.firmware == 50
    assert report.firmware_wrong == []


@pytest.mark.slow
@pytest.mark.parametrize("name", table_files.SHIPPED)
def test_committed_tables_answer_as_kmods_own_matching(name, tmp_path, missing):
    # Reference: libkmod reading the table's aliases as `alias PATTERN MODULE` lines of its configuration, which it
    # matches one by one with fnmatch(3). 150 look-ups a kernel, as each takes kmod milliseconds.
    table = table_files.load(name)
    config = tmp_path / "aliases.conf"
    loadable = {module for module, inside in zip(table.modules, table.builtin, strict=True) if not inside}
    kept = [(pattern, module) for pattern, module in table.aliases if module in loadable]
    config.write_text("".join(f"alias {pattern} {module}\n" for pattern, module in kept if " " not in pattern))
    chance = random.Random(7)
    buses = ("pci:", "usb:", "hid:", "acpi*:", "hdaudio:", "sdio:")
    asked = [
        check.concrete(pattern, chance)
        for bus in buses
        for pattern, _ in chance.sample([row for row in kept if row[0].startswith(bus)], 20)
    ] + check.unknown_ids(30, chance)
    tree = tmp_path / "lib/modules/1.0.0"
    tree.mkdir(parents=True)
    for file in ("modules.order", "modules.builtin", "modules.builtin.modinfo"):
        (tree / file).touch()
    try:
        with Kmod(index_tree(tmp_path, "1.0.0"), config) as kmod:
            theirs = kmod.resolve(asked)
    except ToolError as error:
        missing(str(error))
    ours = [[module for module in modules if module in loadable] for modules in table.resolve(asked)]
    assert sum(map(bool, theirs)) >= 110
    assert [row for row in zip(asked, ours, theirs, strict=True) if row[1] != row[2]] == []
