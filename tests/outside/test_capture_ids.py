"""PCI ids against pci.ids and against the kernel's own aliases."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import pytest

from advisor import drivers
from advisor.capture import devices, storage

pytestmark = pytest.mark.outside

_SPEC = importlib.util.spec_from_file_location(
    "capture_machine_builder", Path(__file__).parents[1] / "capture" / "builder.py"
)
assert _SPEC is not None and _SPEC.loader is not None
builder = sys.modules.setdefault(_SPEC.name, importlib.util.module_from_spec(_SPEC))
if not hasattr(builder, "MACHINES"):
    _SPEC.loader.exec_module(builder)


@pytest.fixture
def published(need):
    """Ids of pci.ids (package pci.ids), each with the maker's name and the device's."""
    text = need("/usr/share/misc/pci.ids").read_text(encoding="utf-8", errors="replace")
    vendor, maker, known = "", "", {}
    for line in text.splitlines():
        if line.startswith("C "):
            break
        if re.match(r"[0-9a-f]{4}  ", line):
            vendor, maker = line[:4], line[6:]
        elif re.match(r"\t[0-9a-f]{4}  ", line):
            known[f"{vendor}:{line[1:5]}"] = (maker.strip(), line[7:].strip())
    return known


def test_ids_of_the_recorded_machines_are_published(published):
    """Every PCI id of a recorded machine, but for those newer than bookworm's list."""
    newer = {"8086:7d45", "8086:7d1d", "8086:7e40", "8086:550a", "10ec:b852", "144d:a80d", "8086:54d3", "1344:5413"}
    ids = {line.split()[2] for name in builder.names() for line in builder.load(name)["buses"].get("pci", ())}
    assert len(ids) > 80
    assert ids - published.keys() <= newer


def test_names_are_the_lists(published):
    """The reader that looks one name up, against the list read whole."""
    for number, (maker, name) in list(published.items())[::97]:
        vendor, product = (int(part, 16) for part in number.split(":"))
        assert devices.name_of("pci", vendor, product) == " ".join(f"{maker} {name}".split())[:200]


def test_volume_management_devices_are_the_kernels(published):
    """The ids that the kernels' own aliases bind to the module vmd (Debian 13's and its backports'), and all that
    pci.ids calls a Volume Management Device."""
    aliases = [f"pci:v00008086d0000{product:04X}sv00008086sd00000000bc01sc04i00" for product in range(0x10000)]
    bound: set[int] = set()
    for kernel in ("debian-13", "debian-13-backports"):
        answers = drivers.load(kernel).resolve(aliases)
        bound |= {product for product, modules in enumerate(answers) if modules == ["vmd"]}
    assert bound >= {0x201D, 0x28C0, 0x467F, 0x9A0B, 0xA77F}
    assert bound == storage.VMD_IDS
    named = {int(number[5:], 16) for number, (_, name) in published.items() if "Volume Management Device" in name}
    assert named <= storage.VMD_IDS
