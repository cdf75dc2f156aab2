"""SMBIOS against dmidecode and against udev's dmi_memory_id, both decoding the very table the reader gets."""

from __future__ import annotations

import importlib.util
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from advisor.capture import memory, smbios
from advisor.capture.compose import compose
from advisor.capture.listings import dmi
from advisor.capture.listings.kinds import Section
from advisor.capture.live import gather
from advisor.capture.machine import KernelDevice, RecordedMachine
from advisor.capture.machine_facts import Module
from advisor.unit import Unit

pytestmark = pytest.mark.outside

_SPEC = importlib.util.spec_from_file_location(
    "capture_machine_builder", Path(__file__).parents[1] / "capture" / "builder.py"
)
assert _SPEC is not None and _SPEC.loader is not None
builder = sys.modules.setdefault(_SPEC.name, importlib.util.module_from_spec(_SPEC))
if not hasattr(builder, "MACHINES"):
    _SPEC.loader.exec_module(builder)

WITH_TABLE = [name for name in builder.names() if builder.load(name)["memory"].get("places")]


@pytest.fixture
def dmidecode(need, tmp_path):
    """Decode a table with dmidecode (3.4 or later)."""
    program = need("dmidecode")

    def run(table: bytes) -> str:
        path = tmp_path / "table.bin"
        path.write_bytes(builder.dump(table))
        return subprocess.run([program, "--from-dump", path], capture_output=True, text=True, check=True).stdout

    return run


def blocks(text: str, title: str) -> list[dict[str, str]]:
    """Fields of each structure of a title, as dmidecode prints them."""
    found = []
    for block in text.split("\n\n"):
        head, _, body = block.partition(f"\n{title}\n")
        if body and head.startswith("Handle"):
            found.append(dict(re.findall(r"^\t([^\t:]+): (.*)$", body, re.MULTILINE)))
    return found


def mib(text: str) -> int | None:
    """A size as dmidecode prints it [MiB]."""
    if text == "No Module Installed":
        return 0
    number, _, unit = text.partition(" ")
    return (
        int(number) * {"kB": 1, "MB": 1 << 10, "GB": 1 << 20, "TB": 1 << 30}[unit] >> 10 if number.isdigit() else None
    )


def probe(tree) -> Unit:
    """Read an expanded machine."""
    return compose(gather(RecordedMachine(tree.files, tree.links, {}, tree.all_folders())), "").unit


def modules(text: str) -> list[Module]:
    """Places for system memory as dmidecode decodes them."""
    arrays = re.findall(r"^Handle (0x\w+), DMI type 16.*\n.*\n(?:\t.*\n)*?\tUse: System Memory$", text, re.MULTILINE)
    found = []
    for fields in blocks(text, "Memory Device"):
        if fields["Array Handle"] not in arrays:
            continue
        speed = fields.get("Speed", "Unknown")
        form, kind = fields["Form Factor"], fields["Type"]
        found.append(
            Module(
                mib=mib(fields["Size"]),
                form=None if form in ("Unknown", "Other") else form,
                kind=None if kind in ("Unknown", "Other") else kind,
                speed=int(speed.split()[0]) if speed != "Unknown" else None,
            )
        )
    return found


@pytest.mark.parametrize("name", WITH_TABLE)
def test_memory_of_the_recorded_machines(dmidecode, name):
    table = builder.smbios_table(builder.load(name))
    text = dmidecode(table)
    found = smbios.memory(table)
    assert list(found.modules) == modules(text)
    array = next(fields for fields in blocks(text, "Physical Memory Array") if fields["Use"] == "System Memory")
    assert found.places == int(array["Number Of Devices"])
    assert found.most_mib == mib(array["Maximum Capacity"])
    assert smbios.uefi_able(table) == ("\t\tUEFI is supported" in text)


@pytest.mark.parametrize("name", WITH_TABLE)
def test_dmidecodes_listing_gives_the_same(dmidecode, name):
    machine = builder.load(name)
    table = builder.smbios_table(machine)
    read = dmi.read(Section(dmidecode(table).split("\n")))
    assert read.memory == smbios.memory(table)
    assert read.box.uefi_able == smbios.uefi_able(table)
    assert (read.box.maker, read.box.product) == (machine["box"]["maker"], machine["box"]["product"])
    assert read.box.chassis == machine["box"]["chassis"]


# Sizes that the four ways of writing them take (DSP0134 3.4.0, 7.18: Size and Extended Size), and lengths of older
# standards.
SIZES = {
    "unknown": (0xFFFF, 0), "empty": (0, 0), "64 MiB": (64, 0), "32766 MiB": (0x7FFE, 0),
    "in KiB": (0x8000 | 512, 0), "extended 32 GiB": (0x7FFF, 32768), "extended 128 GiB": (0x7FFF, 131072),
}  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("length", [0x15, 0x1B, 0x1C, 0x22, 0x28, 0x54])
def test_every_way_of_writing_a_size(dmidecode, size, length):
    short, extended = SIZES[size]
    area = bytearray(builder.place_area(0x1000, 1024, 0x0D, 0x1A, 2400).ljust(0x50, b"\0"))
    area[0x0C - 4 : 0x0E - 4] = struct.pack("<H", short)
    area[0x1C - 4 : 0x20 - 4] = struct.pack("<I", extended)
    if short == 0x7FFF and length < 0x20:
        return  # a structure so short has no extended size
    table = (
        builder.structure(16, 0x1000, builder.array_area(64 << 20, 1))
        + builder.structure(17, 0x1100, bytes(area[: length - 4]), "a", "b", "c", "d", "e", "f")
        + builder.structure(127, 0x7F00, b"")
    )
    text = dmidecode(table)
    if size == "in KiB":
        # No whole MiB: the reader keeps to whole ones, so the size is open, and the place not empty.
        assert "\tSize: 512 kB" in text
        assert smbios.memory(table).modules[0].mib is None
    else:
        assert list(smbios.memory(table).modules) == modules(text)


@pytest.mark.parametrize("most", [4 << 20, 0x7FF0_0000, 1 << 31, 3 << 31, 1 << 33])
def test_most_memory_short_and_extended(dmidecode, most):
    table = (
        builder.structure(16, 0x1000, builder.array_area(most, 1))
        + builder.structure(17, 0x1100, builder.place_area(0x1000, 1024, 9, 0x1A, 2400), "a", "b", "c", "d", "e", "f")
        + builder.structure(127, 0x7F00, b"")
    )
    said = blocks(dmidecode(table), "Physical Memory Array")[0]["Maximum Capacity"]
    assert smbios.memory(table).most_mib == mib(said)


def test_chassis_types_are_the_standards(dmidecode):
    """All 36 types of DSP0134 3.4.0, 7.4.1, named by dmidecode; our words for forms rest on these names."""
    rows = smbios.words("chassis")
    assert sorted(rows) == list(range(1, 37))
    for number, row in rows.items():
        area = struct.pack("<BBBBB", 1, number, 0, 0, 0) + bytes([3, 3, 3, 2]) + bytes(8)
        table = builder.structure(3, 3, area, "x") + builder.structure(127, 0x7F00, b"")
        assert blocks(dmidecode(table), "Chassis Information")[0]["Type"] == row["name"]


def test_chassis_numbers_outside_the_standard_are_not_named(dmidecode):
    area = struct.pack("<BBBBB", 1, 37, 0, 0, 0) + bytes([3, 3, 3, 2]) + bytes(8)
    table = builder.structure(3, 3, area, "x") + builder.structure(127, 0x7F00, b"")
    assert "OUT OF SPEC" in blocks(dmidecode(table), "Chassis Information")[0]["Type"]
    assert 37 not in smbios.words("chassis")


@pytest.mark.parametrize("group, at, field", [("memory form", 0x0E, "Form Factor"), ("memory type", 0x12, "Type")])
def test_memory_words_are_the_standards(dmidecode, group, at, field):
    """Form factors and types of DSP0134 3.4.0, 7.18.1 and 7.18.2; what this dmidecode does not know is left out."""
    compared = 0
    for number, row in smbios.words(group).items():
        area = bytearray(builder.place_area(0x1000, 1024, 9, 0x1A, 2400))
        area[at - 4] = number
        table = (
            builder.structure(16, 0x1000, builder.array_area(4 << 20, 1))
            + builder.structure(17, 0x1100, bytes(area), "a", "b", "c", "d", "e", "f")
            + builder.structure(127, 0x7F00, b"")
        )
        said = blocks(dmidecode(table), "Memory Device")[0][field]
        if "OUT OF SPEC" in said:
            assert "from memory" in row["source"]
            continue
        compared += 1
        assert said == row["name"]
        assert (said in ("Other", "Unknown")) == (row["known"] == "no")
    assert compared >= 16


@pytest.mark.parametrize("name", WITH_TABLE)
def test_udevs_list_gives_the_same_unit(need, tmp_path, name):
    """udev's dmi_memory_id (systemd 248 or later) decodes the table; its lines are what everybody may read."""
    program = need("/usr/lib/udev/dmi_memory_id")
    machine = builder.load(name)
    dump = tmp_path / "table.bin"
    dump.write_bytes(builder.dump(builder.smbios_table(machine)))
    said = subprocess.run([program, "--from-dump", dump], capture_output=True, text=True, check=True).stdout
    tree = builder.expand(machine)
    tree.files["/sys/firmware/dmi/tables/DMI"] = builder.smbios_table(machine)
    with_root = probe(tree)
    del tree.files["/sys/firmware/dmi/tables/DMI"]
    tree.files["/run/udev/data/+dmi:id"] = "".join(f"E:{line}\n" for line in said.splitlines()).encode()
    assert with_root.ram_slots is not None or "convertible" in name
    assert probe(tree) == with_root


def test_udevs_list_is_read_from_properties():
    known = {"MEMORY_ARRAY_NUM_DEVICES": "1", "MEMORY_DEVICE_0_SIZE": str(1 << 30), "MEMORY_DEVICE_0_TYPE": "DDR4"}
    device = KernelDevice(RecordedMachine({}, {}), "/sys/devices/virtual/dmi/id", "dmi", known)
    assert memory.from_udev(device).modules == (Module(1024, None, "DDR4", None),)
