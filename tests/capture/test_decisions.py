"""What is decided from facts: values worked out by hand from the sources named beside them."""

from __future__ import annotations

import os
import threading

import pytest

from advisor.capture import battery, box, devices, health, memory, passthrough, processor, screen, storage, watch
from advisor.capture.compose import compose
from advisor.capture.machine import Attempt, FolderMachine, RecordedMachine, clean, whole
from advisor.capture.machine_facts import (
    Box,
    BusDevice,
    Cell,
    Disk,
    Findings,
    MachineFacts,
    Memory,
    Module,
    Panel,
    Processor,
    Wear,
    fill,
)
from advisor.unit import BootMode, FormFactor, StorageKind, StorageMode

GIB = 1 << 30


def decided(room, facts, form=None):
    """Values, reasons and notes that a room decides on for a unit of a form."""
    found = Findings({} if form is None else {"form_factor": form})
    room.decide(facts, found)
    return found.values, found.why, found.notes


# MemTotal of machines of known size: what firmware, graphics and kernel keep differs, the module sizes do not.
@pytest.mark.parametrize(
    "seen_kib, gib",
    [
        (506_000, 0.5), (1_015_848, 1), (1_801_520, 2), (2_940_000, 3), (3_482_984, 4), (3_978_000, 4), (5_951_056, 6),
        (7_064_896, 8), (8_058_992, 8), (12_165_432, 12), (16_362_040, 16), (24_684_096, 24), (32_758_000, 32),
        (65_800_000, 64), (131_000_000, 128),
    ],
)  # fmt: skip
def test_memory_is_rounded_up_to_a_size_that_is_sold(seen_kib, gib):
    assert memory.fitted_gib(seen_kib) == gib
    values, why, _ = decided(memory, MachineFacts(memory=Memory(seen_kib=seen_kib)))
    assert values["ram_gib"] == gib
    assert "rounded up" in why["ram_gib"] and "root" not in why["ram_gib"]
    _, why, _ = decided(
        memory,
        MachineFacts(memory=Memory(seen_kib=seen_kib), why={"ram_slots": "needs root (SMBIOS table)"}),
    )
    assert "the exact size needs root" in why["ram_gib"]


def test_a_stepping_of_nought_is_known():
    taken = compose(MachineFacts(processor=Processor(name="Intel(R) N100", stepping=0)), "")
    assert taken.unit.cpu_stepping == 0 and "cpu_stepping" not in taken.unread


def test_a_list_that_holds_less_than_the_kernel_uses_is_not_believed():
    facts = MachineFacts(memory=Memory(seen_kib=8_058_992, modules=(Module(4096, "SODIMM", "DDR3", 1600),), places=1))
    values, why, _ = decided(memory, facts)
    assert values == {"ram_gib": 8.0}
    assert "less than" in why["ram_slots"]


def test_a_board_that_claims_less_than_is_fitted_is_not_believed():
    module = Module(8192, "SODIMM", "DDR3", 1600)
    values, why, _ = decided(memory, MachineFacts(memory=Memory(modules=(module, module), places=2, most_mib=8192)))
    assert values.get("ram_max_gib") is None and "less than is fitted" in why["ram_max_gib"]


def test_places_announced_and_listed_must_agree():
    values, why, _ = decided(
        memory, MachineFacts(memory=Memory(modules=(Module(4096, "DIMM", "DDR3", 1600),), places=4))
    )
    assert values.get("ram_slots") is None
    assert why["ram_slots"] == "the board announces 4 places for memory but lists 1"


def test_a_module_of_unknown_size_leaves_the_total_to_the_kernel():
    modules = (Module(None, "SODIMM", "DDR4", None), Module(4096, "SODIMM", "DDR4", 2400))
    values, _, _ = decided(memory, MachineFacts(memory=Memory(seen_kib=12_165_432, modules=modules, places=2)))
    assert values["ram_gib"] == 12
    assert values["ram_modules"] == "size unknown DDR4 SODIMM; 4 GiB DDR4 SODIMM 2400"


def test_lpddr_on_a_camm_can_be_unplugged():
    assert memory.soldered(Module(16384, "CAMM", "LPDDR5", 7500)) is False
    assert memory.soldered(Module(16384, "SODIMM", "LPDDR5", 6400)) is True  # firmware often claims a SODIMM
    assert memory.soldered(Module(16384, None, "DDR4", 3200)) is None


@pytest.mark.parametrize(
    "maker, product, version, board, expected",
    [
        ("LENOVO", "20FMS0AA00", "ThinkPad T460", "20FM", ("LENOVO", "ThinkPad T460 (20FMS0AA00)")),
        ("Dell Inc.", "OptiPlex 745", "Not Specified", "0RF703", ("Dell Inc.", "OptiPlex 745")),
        ("System manufacturer", "System Product Name", "System Version", "P5Q", ("ASUS", "P5Q")),
        ("To Be Filled By O.E.M.", "To Be Filled By O.E.M.", "x", "Default string", ("ASUS", None)),
        ("", "  ", "1.0", None, ("ASUS", None)),
        ("LENOVO", "INVALID", "INVALID", "3098", ("LENOVO", "3098")),
    ],
)
def test_names_that_nobody_filled_in_are_no_names(maker, product, version, board, expected):
    facts = MachineFacts(
        box=Box(maker=clean(maker), product=clean(product), version=version, board_maker="ASUS", board=board)
    )
    values, why, _ = decided(box, facts)
    assert (values["maker"], values["model"]) == expected
    assert ("model" in why) == (expected[1] is None)


@pytest.mark.parametrize(
    "chassis, model, form",
    [
        (3, "HP t630 Thin Client", FormFactor.THIN_CLIENT), (3, "HP t520 Flexible Series TC", FormFactor.THIN_CLIENT),
        (35, "Wyse 5070 Thin Client", FormFactor.THIN_CLIENT), (3, "FUTRO S920", FormFactor.THIN_CLIENT),
        (3, "HP Compaq dc7900", FormFactor.DESKTOP), (10, "Latitude E6410", FormFactor.LAPTOP),
        (12, "Docked", None), (2, "X", None), (99, "X", None), (None, "X", None),
    ],
)  # fmt: skip
def test_form_factor(chassis, model, form):
    values, why, _ = decided(box, MachineFacts(box=Box(product=model, chassis=chassis)))
    assert values["form_factor"] is form
    assert ("form_factor" in why) == (form is None)


@pytest.mark.parametrize(
    "said, mode",
    [(Box(efi=True, efi_bits=64), BootMode.UEFI64), (Box(efi=True, efi_bits=32), BootMode.UEFI32),
     (Box(efi=True), None), (Box(efi=False), BootMode.BIOS), (Box(), None)],
)  # fmt: skip
def test_boot_mode(said, mode):
    assert decided(box, MachineFacts(box=said))[0].get("boot_mode") is mode


def test_a_legacy_start_on_firmware_that_can_do_uefi_is_said():
    _, why, _ = decided(box, MachineFacts(box=Box(efi=False, uefi_able=True)))
    assert "can start UEFI too" in why["boot_mode"]


def test_efi_without_the_size_has_its_reason():
    machine = RecordedMachine({"/sys/firmware/efi/runtime": b"0x1"}, {})
    why: dict[str, str] = {}
    taken = compose(MachineFacts(box=box.probe(machine, why), why=why), "")
    assert taken.unit.boot_mode is None and "fw_platform_size" in taken.unread["boot_mode"]


# Millimetres as EDIDs of panels state them; the size is the one on the data sheet.
@pytest.mark.parametrize(
    "width, height, inches",
    [(344, 193, 15.6), (344, 194, 15.6), (309, 173, 14.0), (309, 174, 14.0), (293, 165, 13.3), (277, 156, 12.5),
     (256, 144, 11.6), (382, 215, 17.3), (331, 207, 15.4), (303, 190, 14.1), (286, 214, 14.1), (195, 113, 8.9),
     (222, 125, 10.1), (476, 268, 21.5), (527, 296, 23.8), (509, 286, 23.0), (600, 340, 27.2), (400, 300, 19.7)],
)  # fmt: skip
def test_diagonals_as_panels_are_sold(width, height, inches):
    assert screen.nominal_inches(width, height) == inches


def test_event_bits_of_64_and_32_bit_kernels():
    """The same touchscreen: a kernel of 32 bits prints words of 32 bits."""
    wide = {"ev": "b", "key": "400 0 0 0 0 0", "abs": "260800000000003", "properties": "2"}
    narrow = {"ev": "b", "key": "400 0 0 0 0 0 0 0 0 0 0", "abs": "2608000 3", "properties": "2"}
    pad = {"ev": "b", "key": "e520 10000 0 0 0 0", "abs": "260800000000003", "properties": "5"}
    for words, touch in ((wide, True), (narrow, True), (pad, False)):
        home = "/sys/devices/x/input/input0"
        files = {f"{home}/capabilities/{k}": v.encode() for k, v in words.items() if k != "properties"}
        files[f"{home}/properties"] = words["properties"].encode()
        panel = screen.probe(RecordedMachine(files, {"/sys/class/input/input0": home}), {})
        assert panel.touch is touch


def test_udevs_word_on_a_touchscreen_stands():
    home = "/sys/devices/x/input/input0"
    files = {"/run/udev/data/+input:input0": b"E:ID_INPUT=1\nE:ID_INPUT_TOUCHSCREEN=1\n", f"{home}/name": b"x"}
    assert screen.probe(RecordedMachine(files, {"/sys/class/input/input0": home}), {}).touch is True


def test_desktops_have_no_built_in_screen():
    values, why, _ = decided(screen, MachineFacts(panel=Panel(1024, 768, 15.0)), FormFactor.DESKTOP)
    assert values.get("screen") is None and "no built-in screen" in why["screen"]


@pytest.mark.parametrize(
    "cells, health_pct, cycles",
    [
        ([Cell(19_380, 23_480, "energy", 121)], 82.5, 121),
        ([Cell(19_020, 23_200, "energy", 141), Cell(12_760, 23_200, "energy", 398)], 68.5, 398),
        ([Cell(19_020, 23_200, "energy"), Cell(1000, 2000, "charge")], None, None),
        ([Cell(None, 2000, "charge", 5)], None, 5), ([Cell(2000, 0, "charge")], None, None),
        ([Cell(40_000, 2000, "charge")], None, None), ([Cell(0, 2000, "charge")], 0.0, None),
    ],
)  # fmt: skip
def test_batteries(cells, health_pct, cycles):
    values, why, _ = decided(battery, MachineFacts(batteries=tuple(cells)), FormFactor.LAPTOP)
    assert values.get("battery_health_pct") == health_pct
    assert values.get("battery_cycles") == cycles
    # A battery that states 0 is told from one that is merely worn.
    assert ("battery_health_pct" in why) == (not health_pct)


def test_no_battery_in_a_laptop_and_in_a_desktop():
    for form, words in ((FormFactor.LAPTOP, "gauge"), (FormFactor.DESKTOP, "no battery was found")):
        assert words in decided(battery, MachineFacts(batteries=()), form)[1]["battery_health_pct"]


def disk(name: str, gib: float, **said) -> Disk:
    return Disk(name=name, size=int(gib * GIB), **{"spinning": False, "removable": False, **said})


NVME, SSD = disk("nvme0n1", 238, link="nvme"), disk("sda", 223, link="ata")
HDD, BIG = disk("sdb", 465, link="ata", spinning=True), disk("sdc", 931, link="ata", spinning=True)
CACHE = disk("sdd", 22, link="ata", model="SanDisk SSD U100 24GB")
OPTANE = disk("nvme1n1", 54, link="nvme", model="INTEL MEMPEK1W058GA")
STICK, CARD = disk("sde", 28, link="usb", removable=True), disk("mmcblk1", 59, link="sd")
EMMC, SMALL = disk("mmcblk0", 29, link="mmc"), disk("sda", 7, link="ata")
USB_DISK = disk("sdf", 931, link="usb", spinning=True)


@pytest.mark.parametrize(
    "disks, order",
    [
        ([HDD, SSD], [SSD, HDD]), ([SSD, NVME], [NVME, SSD]), ([CACHE, HDD], [HDD, CACHE]),
        ([OPTANE, HDD], [HDD, OPTANE]),
        ([STICK, SMALL], [SMALL]), ([CARD, EMMC, STICK], [EMMC]), ([EMMC, HDD], [EMMC, HDD]), ([HDD, BIG], [BIG, HDD]),
        ([USB_DISK, HDD], [HDD]), ([STICK, CARD], []), ([CACHE], [CACHE]), ([], []),
    ],
)  # fmt: skip
def test_the_disk_to_install_on(disks, order):
    assert storage.internal(tuple(disks)) == order


def test_no_disk_is_a_fact_unless_a_controller_may_hide_one():
    raid = BusDevice("pci", 0x8086, 0x2822, kind=0x0104, driver="ahci")
    ahci = BusDevice("pci", 0x8086, 0x9D03, kind=0x0106, driver="ahci")
    values, _, _ = decided(storage, MachineFacts(disks=(STICK,), devices=(ahci,)))
    assert (values["storage_kind"], values["storage_gib"]) == (StorageKind.NONE, 0.0)
    values, why, _ = decided(storage, MachineFacts(disks=(STICK,), devices=(raid,)))
    assert values.get("storage_kind") is None and "may hide one" in why["storage_kind"]
    assert values["storage_mode"] is StorageMode.RAID


def test_a_controller_without_a_driver_may_hide_a_disk():
    """As in a rescue shell whose kernel was not given its modules."""
    ahci = BusDevice("pci", 0x8086, 0x9D03, kind=0x0106, driver="ahci")
    nvme = BusDevice("pci", 0x144D, 0xA808, kind=0x0108)
    values, why, _ = decided(storage, MachineFacts(disks=(), devices=(ahci, nvme)))
    assert values.get("storage_kind") is None and "144d:a808 has no driver" in why["storage_kind"]
    values, why, _ = decided(storage, MachineFacts(disks=(HDD,), devices=(ahci, nvme)))
    assert values["storage_kind"] is StorageKind.HDD and "may hide a further disk" in why["storage_kind"]


def test_a_touchpad_or_screen_without_a_driver_leaves_touch_open():
    files = {"/sys/devices/platform/i8042/serio0/input/input0/name": b"keyboard"}
    links = {"/sys/class/input/input0": "/sys/devices/platform/i8042/serio0/input/input0"}
    folder = ["/sys/bus/acpi/devices/PNP0C50:00"]
    assert screen.probe(RecordedMachine(files, links), {}).touch is False
    why: dict[str, str] = {}
    assert screen.probe(RecordedMachine(files, links, {}, folder), why).touch is None and "I2C" in why["touch"]


def test_the_second_graphics_chips_panel_is_found():
    """Two graphics chips, both with an eDP connector; the first one's gives nothing."""
    home = "/sys/devices/x/drm"
    files = {f"{home}/card{n}-eDP-{n}/status": b"connected" for n in (1, 2)}
    files[f"{home}/card2-eDP-2/modes"] = b"1920x1080\n"
    links = {f"/sys/class/drm/card{n}-eDP-{n}": f"{home}/card{n}-eDP-{n}" for n in (1, 2)}
    why: dict[str, str] = {}
    panel = screen.probe(RecordedMachine(files, links), why)
    assert (panel.width, panel.height) == (1920, 1080) and "screen" not in why


def test_further_disks_are_noted_because_they_have_to_be_erased_too():
    _, _, notes = decided(storage, MachineFacts(disks=(SSD, HDD, STICK)))
    assert notes == ["further internal disk: 465.0 GiB spinning disk"]


def test_a_failing_disk_is_said_though_its_figure_is_known():
    worn = Disk(**{**vars(SSD), "wear": Wear(0.0, "SMART: the disk says that it is failing", True)})
    values, why, _ = decided(storage, MachineFacts(disks=(worn,)))
    assert values["storage_health_pct"] == 0.0 and "failing" in why["storage_health_pct"]


# JESD84-B51, DEVICE_LIFE_TIME_EST_TYP_A and B: 01h is 0 % to 10 % of the life used, 0Ah 90 % to 100 %, 0Bh exceeded;
# PRE_EOL_INFO: 03h urgent.
@pytest.mark.parametrize(
    "life, spare, left",
    [("0x01 0x01", "0x01", 90), ("0x03 0x05", "0x01", 50), ("0x0a 0x01", "0x01", 0), ("0x0b 0x0b", "0x01", 0),
     ("0x01 0x01", "0x03", 0), ("0x00 0x00", "0x00", None), ("0x0c 0x01", None, None), (None, None, None),
     ("junk", "x", None), ("0x02 0x00", None, 80)],
)  # fmt: skip
def test_emmc_life(life, spare, left):
    assert health.emmc(life, spare).left_pct == left


def test_percentage_used_of_the_standard_goes_before_the_makers_attributes():
    """ACS-3, Device Statistics: byte 8 of page 07h, valid with bits 7 and 6 of the flags in byte 15."""
    page = bytearray(512)
    page[2], page[8], page[15] = 7, 12, 0xC0
    block = bytearray(512)
    block[2:14] = bytes([177, 0x33, 0, 50, 50, 0, 0, 0, 0, 0, 0, 0])
    samsung = Disk("sda", link="ata", spinning=False, model="Samsung SSD 850 EVO 250GB")
    assert health.ata(samsung, bytes(block), bytes(page), False).left_pct == 88
    page[15] = 0x80  # supported, but not valid
    assert health.ata(samsung, bytes(block), bytes(page), False).left_pct == 50


def test_smartctls_answers():
    nvme = Disk("nvme0n1", link="nvme", spinning=False)
    log = '{"nvme_smart_health_information_log": {"percentage_used": 7, "available_spare": 100, "critical_warning": 0}}'
    assert health.smartctl(log, nvme).left_pct == 93
    ssd = Disk("sda", link="ata", spinning=False, model="SanDisk SD8SN8U256G1001")
    pages = '{"ata_device_statistics": {"pages": [{"number": 7, "table": [{"offset": 8, "value": 3}]}]}}'
    assert health.smartctl(pages, ssd).left_pct == 97
    assert health.smartctl('{"endurance_used": {"current_percent": 4}}', ssd).left_pct == 96
    failing = '{"smart_status": {"passed": false}}'
    assert health.smartctl(failing, ssd).left_pct == 0.0
    said = health.smartctl('{"smartctl": {"messages": [{"string": "open failed"}]}}', ssd)
    assert said.left_pct is None and "open failed" in said.said
    for broken in ("", "[]", "{}", '{"ata_smart_attributes": 5}', "{" * 5000):
        assert health.smartctl(broken, ssd).left_pct is None


def test_ata_commands_only_read():
    """SAT-3, ATA PASS-THROUGH (16): byte 1 bits 4 to 1 are the protocol, 4 PIO data-in, 3 non-data; byte 14 is the
    command. ACS-3: B0h/D0h SMART READ DATA, B0h/DAh SMART RETURN STATUS, both with C24F in LBA high and mid;
    2Fh READ LOG EXT."""
    read = passthrough.ata_command_block(0xB0, 0xD0, lba=0xC24F00, count=1)
    assert (read[0], read[1] >> 1, read[4], read[6], read[10], read[12], read[14]) == (
        0x85,
        4,
        0xD0,
        1,
        0x4F,
        0xC2,
        0xB0,
    )
    assert read[2] == 0x0E  # from the device, length in blocks in the sector count
    status = passthrough.ata_command_block(0xB0, 0xDA, lba=0xC24F00, reading=False)
    assert (status[1] >> 1, status[2], status[4], status[14]) == (3, 0x20, 0xDA, 0xB0)
    log = passthrough.ata_command_block(0x2F, 0, lba=0x0704, count=1, extended=True)
    assert (log[1], log[8], log[10], log[14]) == (4 << 1 | 1, 4, 7, 0x2F)


@pytest.mark.parametrize("middle, high, failing", [(0x4F, 0xC2, False), (0xF4, 0x2C, True), (0, 0, None)])
def test_smart_return_status(middle, high, failing):
    """SAT-3, ATA Status Return Descriptor: code 09h of 0Ch bytes; LBA mid at its byte 9, high at byte 11."""
    descriptor = bytes([0x09, 0x0C, 0, 0, 0, 0, 0, 0, 0, middle, 0, high, 0, 0x50])
    sense = bytes([0x72, 0x01, 0, 0x1D, 0, 0, 0, 14]) + descriptor
    assert passthrough.failing_from_sense(sense) is failing
    assert passthrough.failing_from_sense(b"") is None
    assert passthrough.failing_from_sense(sense[:12]) is None


def test_atheros_that_claims_ethernet_is_wireless():
    old = BusDevice("pci", 0x168C, 0x001C, kind=0x0200)
    wired = BusDevice("pci", 0x1969, 0x1063, kind=0x0200)
    assert devices.is_wireless(old) and not devices.is_wired(old)
    assert devices.is_wired(wired) and not devices.is_wireless(wired)


def test_a_list_of_devices_without_end_is_cut_and_said():
    many = tuple(BusDevice("pci", 0x8086, i, f"pci:v00008086d{i:08X}sv0000sd0000", 0x0300) for i in range(2000))
    values, why, _ = decided(devices, MachineFacts(devices=many))
    assert len(values["devices"]) <= 19_000
    assert "of 2000 are kept" in why["devices"]


@pytest.mark.parametrize(
    "modalias, bus, ids, kind",
    [
        ("pci:v00008086d000024F3sv00008086sd00001130bc02sc80i00", "pci", (0x8086, 0x24F3), 0x0280),
        ("usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00", "usb", (0x0BDA, 0xC811), 0xFF),
        ("sdio:c00v02D0d4324", "sdio", (0x02D0, 0x4324), None),
        ("virtio:d00000001v00001AF4", "virtio", (0x1AF4, 1), None),
    ],
)  # fmt: skip
def test_modaliases_are_taken_apart(modalias, bus, ids, kind):
    found = devices.from_modalias(modalias)
    assert (found.bus, (found.vendor, found.product), found.kind, found.identity) == (bus, ids, kind, modalias)
    for broken in (modalias[:-1] + "*", modalias[:10], modalias + "x", "acpi:PNP0C0A:", ""):
        assert devices.from_modalias(broken) is None


@pytest.mark.parametrize(
    "text, base, number",
    [("12", 10, 12), ("0x1f", 16, 31), ("-3", 10, -3), ("1_000", 10, None), ("١٢", 10, None), ("", 10, None),
     (None, 10, None), ("9" * 50, 10, None), ("x", 10, None)],
)  # fmt: skip
def test_whole_numbers(text, base, number):
    assert whole(text, base) == number


def test_names_lose_what_is_not_printable():
    assert clean("a\x1b[31m\tb\x00\n c\u202e") == "a [31m b c"
    assert clean("\x00\x01") is None
    assert len(clean("x" * 1000)) == 200


def test_fill_keeps_what_is_known():
    assert fill(Processor(name="a", cores=2), Processor(name="b", model=5)) == Processor(name="a", model=5, cores=2)


def test_cores_of_a_processor_without_core_ids():
    """A single core of 2006: the kernel prints no 'core id'."""
    text = "processor\t: 0\nvendor_id\t: GenuineIntel\ncpu family\t: 6\nmodel\t\t: 13\nmodel name\t: Pentium M\n"
    found = processor.parse(text)
    assert (found.cores, found.threads, found.model) == (None, 1, 13)


def test_a_recording_does_not_lead_outside(tmp_path):
    (tmp_path / "sys").mkdir()
    (tmp_path / "proc").mkdir()
    secret = tmp_path.parent / "secret"
    secret.write_text("secret")
    (tmp_path / "proc" / "cpuinfo").symlink_to(secret)
    (tmp_path / "sys" / "class").symlink_to("/sys/class")
    machine = FolderMachine(tmp_path)
    assert machine.data("/proc/cpuinfo") is None
    assert machine.reading("/proc/cpuinfo") is Attempt.ABSENT
    assert machine.names("/sys/class") == []
    assert machine.data("/../secret") is None


def test_links_in_a_ring_end():
    machine = RecordedMachine({}, {"/sys/a": "/sys/b", "/sys/b": "/sys/a"})
    assert machine.resolve("/sys/a/x") is None
    assert machine.devices("block") == []


def test_what_may_not_be_read_is_told_from_what_is_not_there():
    refused = {"/sys/firmware/dmi/tables/DMI": Attempt.ROOT}
    machine = RecordedMachine({"/sys/class/dmi/id/x": b"1"}, {}, refused)
    held, absent = dict[str, str](), dict[str, str]()
    memory.probe(machine, held)
    memory.probe(RecordedMachine({}, {}), absent)
    assert "needs root" in held["ram_slots"] and "no SMBIOS table" in absent["ram_slots"]


STICK_IN = BusDevice("usb", 0x0BDA, 0xC811, "usb:v0BDApC811d0200dc00dsc00dp00icFFiscFFipFFin00", 0xFF)


def test_what_changed_since_the_last_look(no_names):
    bound = BusDevice(**{**vars(STICK_IN), "driver": "rtw88_8821cu", "wireless": True})
    before, plugged, up = MachineFacts(devices=()), MachineFacts(devices=(STICK_IN,)), MachineFacts(devices=(bound,))
    assert watch.changes(before, before) == []
    lines = watch.changes(before, plugged)
    assert "plugged in" in lines[0] and "usb:0bda:c811" in lines[0]
    assert STICK_IN.modalias in lines[1] and "no driver" in lines[2]
    lines = watch.changes(plugged, up)
    assert "driver rtw88_8821cu, a wireless interface came up" in lines[0]
    assert lines[1] == "wireless: not known -> usb:0bda:c811"
    assert watch.changes(up, before)[0].startswith("gone")


def test_a_burst_of_events_is_one_look():
    events = iter(["add", "add", "bind", None, None, "add", None])
    waits, looks = [], []

    def poll(seconds):
        waits.append(seconds)
        try:
            return next(events)
        except StopIteration:
            raise KeyboardInterrupt from None

    with pytest.raises(KeyboardInterrupt):
        looks.extend(watch.bursts(poll, clock=lambda: 0.0))
    # The event that was none of those asked for is waited out, without a look.
    assert waits == [None, watch.QUIET_S, watch.QUIET_S, watch.QUIET_S, None, None, watch.QUIET_S, None]
    assert len(looks) == 2


def test_a_burst_without_end_is_looked_at_all_the_same():
    ticks = iter(range(1000))
    looks = watch.bursts(lambda seconds: "event", clock=lambda: float(next(ticks)))
    assert [next(looks) for _ in range(3)] == [None] * 3


def test_a_pipe_in_a_recorded_folder_is_not_waited_for(tmp_path):
    """Opening it to read would wait for a writer; one that comes after a minute ends a wait that should not be."""
    os.mkfifo(tmp_path / "pipe")
    writer = threading.Timer(60, lambda: os.close(os.open(tmp_path / "pipe", os.O_RDWR)))
    writer.start()
    assert FolderMachine(tmp_path).reading("/pipe") is Attempt.BROKEN
    assert FolderMachine(tmp_path).data("/pipe") is None
    writer.cancel()
