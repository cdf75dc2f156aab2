"""Values as people write them. Expected values are arithmetic on the stated rules, by hand."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from advisor.intake import values
from advisor.intake.correct import correct
from advisor.intake.device_ids import devices
from advisor.intake.disks import disks
from advisor.intake.memory import memory
from advisor.intake.merged import pieces
from advisor.intake.parsed import UNKNOWN
from advisor.intake.values import TEXT_FIELDS, parser
from advisor.unit import DTYPES, INTAKE_COLUMNS, Unit

GB = 1e9 / 2**30  # one label GB in GiB: IEC 80000-13 and SI


@pytest.mark.parametrize(
    ("text", "gib"),
    [
        ("8", 8), ("8GB", 8), ("8 gig", 8), ("8gig", 8), ("8192 MB", 8), ("8192", 8), ("8.0", 8), ("8,0 GB", 8),
        ("8 GiB", 8),
        ("2x4GB", 8), ("2 x 4", 8), ("4+4", 8), ("4GB+4GB", 8), ("4 + 8 GB", 12), ("8GB (2x4GB)", 8), ("1x8 + 1x4", 12),
        ("16 Go", 16), ("16 GB DDR4-2400 SODIMM", 16), ("PC3-10600 4GB", 4), ("512MB", 0.5), ("1,5GB", 1.5),
        ("~8GB", 8),
        ("16,384 MB", 16), ("8 GB, 1 slot free", 8), ("8GB max 16", 8), ("8GB Kingmaker", 8), ("4×4 GB", 16),
        ("８GB", 8),
    ],
)  # fmt: skip
def test_memory(text, gib):
    total = memory(text)
    assert total.value == pytest.approx(gib)
    assert total.problem == ""


@pytest.mark.parametrize(
    ("text", "kept", "words_"),
    [
        ("5.7", 5.7, "usable part of 6 GiB"), ("3,9 GB", 3.9, "usable part of 4 GiB"), ("15.8 GiB", 15.8,
        "usable part of 16 GiB"),
        ("7", 7, "no set of modules"), ("1TB", 1024, "more than PCs have"), ("512", None, "MB or GB"), ("0", None,
        "no memory is fitted"),
        ("none", None, "no memory is fitted"), ("lots", None, "no amount"), ("8/16", None, "no amount"),
        ("8GB (2x8)", None, "contradict"), ("-8", None, "no amount"), ("8 or 16", None, "no amount"), ("9" * 300,
        None, "no amount"),
    ],
)  # fmt: skip
def test_memory_that_is_doubted(text, kept, words_):
    total = memory(text)
    assert total.value == kept
    assert words_ in total.problem
    assert "8 GB" in total.accepted


def test_memory_unknown_is_no_problem():
    for text in ("", "?", "n/a", "unknown", "-", "tbc"):
        assert memory(text) == UNKNOWN


def test_the_headers_unit_holds_for_bare_numbers():
    assert memory("8192", "mb").value == 8
    assert memory("8192", "mb").note == ""
    assert memory("512", "mb").value == 0.5
    assert memory("8GB", "mb").value == 8


@pytest.mark.parametrize(
    ("text", "soldered"),
    [("8GB soldered", True), ("8 GB onboard", True), ("4GB soldered + 4GB", False), ("8GB", None)],
)
def test_soldered_memory_is_said_beside_it(text, soldered):
    assert dict(memory(text).also).get("ram_soldered") is soldered


@pytest.mark.parametrize(
    ("text", "kind", "gb"),
    [
        ("240 SSD", "sata ssd", 240), ("240GB SSD", "sata ssd", 240), ("SSD 240", "sata ssd", 240),
        ("500gb 7200rpm", "spinning disk", 500),
        ("1TB HDD", "spinning disk", 1000), ("NVMe 256", "nvme", 256), ("256GB NVMe SSD", "nvme", 256),
        ("512 pcie ssd", "nvme", 512),
        ("128GB eMMC", "emmc", 128), ("64 emmc", "emmc", 64), ("500GB SSHD", "hybrid disk", 500), ("1,5TB HDD",
        "spinning disk", 1500),
        ("160GB IDE", "spinning disk", 160), ("1TB + 240 ssd", "sata ssd", 240), ("240 ssd + 1TB", "sata ssd", 240),
        ("256 NVMe + 1TB HDD", "nvme", 256), ("120SSD 500HDD", "sata ssd", 120), ("128GB SSD 1TB HDD", "sata ssd", 128),
        ("SSD 120 GB HDD 500 GB", "sata ssd", 120), ("500GB HDD, 16GB SSD", "spinning disk", 500),
        ("1TB HDD + 16GB Optane", "spinning disk", 1000),
        ("Crucible MX500 500 GB SSD", "sata ssd", 500), ("Model PM981 256GB NVMe", "nvme", 256), ("M.2 NVMe 512GB",
        "nvme", 512),
        ("256GB M.2 SATA", "sata ssd", 256), ("256GB mSATA", "sata ssd", 256), ("2x500GB HDD", "spinning disk",
        500), ("1 000 GB HDD", "spinning disk", 1000),
        ("32GB USB stick", "usb", 32), ("300GB SAS 10k", "spinning disk", 300),
    ],
)  # fmt: skip
def test_disks(text, kind, gb):
    found = disks(text)
    assert found.kind.value == kind
    assert found.size.value == pytest.approx(gb * GB, abs=0.01)
    assert found.kind.problem == found.size.problem == ""


@pytest.mark.parametrize("text", ["none", "no hdd", "removed", "HDD removed", "0", "diskless"])
def test_no_disk(text):
    found = disks(text)
    assert (found.kind.value, found.size.value) == ("none", 0.0)


def test_gib_is_not_gb():
    assert disks("238.47 GiB NVMe").size.value == pytest.approx(238.47)
    assert disks("256 GB NVMe").size.value == pytest.approx(238.42, abs=0.01)
    assert disks("0.5 TiB NVMe").size.value == pytest.approx(512)


def test_a_labels_size_under_a_gib_header_is_the_labels():
    # No disk holds a round 240 GiB: 240 GB drives hold 240 * 10^9 byte = 223.5 GiB.
    assert disks("240", "gib").size.value == pytest.approx(223.52, abs=0.01)
    assert disks("223.6", "gib").size.value == pytest.approx(223.6)
    assert disks("1", "tb").size.value == pytest.approx(931.32, abs=0.01)


def test_both_disks_are_reported_and_the_choice_is_said():
    note = disks("1TB HDD + 240 SSD").kind.note
    assert "240 GB sata ssd taken as the one to install on" in note
    assert "1 TB spinning disk" in note
    assert "taken as SATA" in note


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("500GB", "kind of disk is not said"), ("1", "may be GB or TB"), ("banana", "no disk is recognised"),
        ("16GB optane", "only a cache module"), ("-500", "less than nothing"), ("99999999 TB HDD",
        "no size that a disk has"),
    ],
)  # fmt: skip
def test_disks_that_are_doubted(text, problem):
    found = disks(text)
    assert problem in f"{found.kind.problem}; {found.size.problem}"


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("Laptop", "laptop"),
        ("notebook", "laptop"), ("14\" laptop", "laptop"), ("Notebook PC", "laptop"), ("SFF", "small desktop"),
        ("Desktop (SFF)", "small desktop"), ("USFF", "small desktop"), ("Mini Tower", "desktop"), ("mini pc",
        "small desktop"),
        ("AiO", "all-in-one"), ("All in One", "all-in-one"), ("2-in-1", "convertible"), ("Tablet", "tablet"),
        ("thin client", "thin client"), ("Workstation", "desktop"), ("mobile workstation", "laptop"), ("server",
        "server"),
    ],
)  # fmt: skip
def test_form_factor(text, form):
    assert values.form_factor(text).value == form


def test_form_factor_that_may_be_two_is_asked_for():
    parsed = values.form_factor("laptop/tablet")
    assert parsed.value is None
    assert parsed.problem == "may be laptop or tablet"


@pytest.mark.parametrize(
    ("text", "mode"),
    [
        ("UEFI", "uefi 64-bit"), ("uefi 64", "uefi 64-bit"), ("efi32", "uefi 32-bit"), ("32-bit UEFI", "uefi 32-bit"),
        ("legacy", "legacy bios"), ("CSM", "legacy bios"), ("BIOS", "legacy bios"), ("UEFI/Legacy", "uefi 64-bit"),
        ("no UEFI", "legacy bios"), ("UEFI (no CSM)", "uefi 64-bit"), ("yes", None), ("GPT", None), ("?", None),
    ],
)  # fmt: skip
def test_boot_mode(text, mode):
    assert values.boot_mode(text).value == mode


def test_a_bare_uefi_is_an_assumption():
    assert "taken as 64-bit" in values.boot_mode("UEFI").note
    assert values.boot_mode("64-bit UEFI").note == ""


@pytest.mark.parametrize(
    ("text", "note", "problem"),
    [
        ("u", "write '32-bit UEFI' when it is that", ""), ("UEFI BIOS", "write '32-bit UEFI' when it is that", ""),
        ("UEFI + Legacy", "both are offered", ""), ("both", "", "nothing about the firmware's width"),
        ("GPT", "", "a disk's table"), ("UEFI only", "", ""), ("open firmware", "", "no boot mode is recognised"),
    ],
)  # fmt: skip
def test_what_is_said_of_a_boot_mode(text, note, problem):
    parsed = values.boot_mode(text)
    for said, wanted in ((parsed.note, note), (parsed.problem, problem)):
        assert wanted in said and bool(said) == bool(wanted)


def test_modes_of_a_controller_that_are_no_raid():
    texts = ("NVMe", "IDE", "PATA", "legacy", "compatibility", "AHCI", "sideways")
    assert [values.storage_mode(text).value for text in texts] == ["nvme", "ide", "ide", "ide", "ide", "ahci", None]


@pytest.mark.parametrize(
    ("given", "one_form"),
    [
        ("acpi:PNP0C50:ACPI0011:", "acpi:PNP0C50:ACPI0011:"), ("hdaudio:v10EC0255r00100002a01",) * 2,
        ("hid:b0018g0001v000004F3p000031BE",) * 2, ("USB:V0BDAPC811D0200", "usb:0bda:c811"),
    ],
)  # fmt: skip
def test_aliases_of_other_buses_are_kept_as_they_are_written(given, one_form):
    """As the kernel writes them (Linux 6.12, scripts/mod/file2alias.c: do_acpi_entry, do_hda_entry, do_hid_entry)."""
    assert devices(given).value == one_form


@pytest.mark.parametrize(
    ("text", "value"),
    [("85%", 85), ("85 %", 85), ("85,5%", 85.5), ("85", 85), ("0.85", 85), (",85", 85), ("~80", 80), ("0", 0),
    ("100%", 100),
     ("1", None), ("good", None), ("200%", None), ("-5", None), ("80-90%", None)],
)  # fmt: skip
def test_share(text, value):
    parsed = values.share(text)
    assert parsed.value == (None if value is None else pytest.approx(value))
    assert bool(parsed.problem) == (value is None)


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1), ("1 free", 1), ("none", 0), ("full", 0), ("two", 2), ("3.0", 3), ("1/2", None), ("-1", None)],
)
def test_count(text, value):
    assert values.count(text).value == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("50", "mbps", 50), ("1 Gbit/s", "mbps", 1000), ("50 Mb/s", "mbps", 50), ("12.5 MB/s", "mbps", 100),
        ("500 MB/s", "mib/s", 500e6 / 2**20), ("120", "mib/s", 120), ("0,1 ms", "ms", 0.1), ("100 µs", "ms", 0.1),
        ("fast", "ms", None),
        ("0", "mbps", None), ("-5", "mib/s", None),
        # A point or comma before three digits parts thousands in one language, and a fraction in another.
        ("1.000 Mbit/s", "mbps", 1000), ("1,000", "mbps", 1000), ("1.500 MB/s", "mib/s", None), ("1,250", "mbps", None),
        ("540.125", "mib/s", 540.125), ("0.250", "mbps", 0.25), ("8.125", "ms", 8.125),
    ],
)  # fmt: skip
def test_rates(text, unit, value):
    parsed = values.rate(text, unit, 1e5)
    assert parsed.value == (None if value is None else pytest.approx(value, rel=1e-6))


def test_yes_and_no():
    assert [values.yes_no(text).value for text in ("yes", "Y", "ja", "1", "no", "N", "0", "?")] == [True] * 4 + [
        False
    ] * 3 + [None]
    assert values.soldered("soldered").value is True
    assert values.soldered("partly").value is False
    assert values.yes_no("perhaps").problem


ALIAS = "pci:v00008086d000024F3sv00008086sd00000010bc02sc80i00"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("pci:8086:24f3; usb:0bda:c811", "pci:8086:24f3;usb:0bda:c811"), ("PCI:8086:24F3", "pci:8086:24f3"),
        ("8086:24f3, 10ec:8168", "pci:8086:24f3;pci:10ec:8168"), (ALIAS, ALIAS), (ALIAS.lower(), ALIAS),
        (r"PCI\VEN_8086&DEV_24F3&SUBSYS_00108086&REV_3A", "pci:8086:24f3"), (r"USB\VID_0BDA&PID_C811", "usb:0bda:c811"),
        ("usb:0bda:c811\npci:8086:1502", "usb:0bda:c811;pci:8086:1502"), ("pci:8086:24f3;pci:8086:24f3",
        "pci:8086:24f3"),
        ("input:b0003v046DpC52Be0111-e0,1,4,k71", "input:b0003v046DpC52Be0111-e0,1,4,k71"), ("none", None), ("", None),
    ],
)  # fmt: skip
def test_devices(text, value):
    parsed = devices(text)
    assert parsed.value == value
    assert parsed.problem == ""


def test_the_bus_of_a_bare_id_is_an_assumption():
    assert devices("8086:24f3").note == "no bus is said: taken as pci:8086:24f3"
    assert devices("pci:8086:24f3").note == ""


LISTING = """00:02.0 VGA compatible controller [0300]: Intel Corporation HD Graphics 520 [8086:1916] (rev 07)
\tDeviceName: Onboard - Video
\tSubsystem: Lenovo Device [17aa:5049]
\tKernel driver in use: i915
04:00.0 Network controller [0280]: Intel Corporation Wireless 8260 [8086:24f3] (rev 3a)"""


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (
            "02:00.0 Network controller [0280]: Realtek Semiconductor Co., Ltd. Device [10ec:b822] (rev 01)",
            "pci:10ec:b822",
        ),
        ("Bus 001 Device 004: ID 0bda:b812 Realtek Semiconductor Corp. RTL88x2bu", "usb:0bda:b812"),
        ("Realtek RTL8822BE [10ec:b822]", "pci:10ec:b822"),
        # lspci prints so what its list lacks; the numbers of the makers are pci.ids'.
        ("Realtek Semiconductor Co., Ltd. Device b822", "pci:10ec:b822"),
        ("Network controller: Intel Corporation Device a0f0 (rev 20)", "pci:8086:a0f0"),
        ("[8086:24f3] [10ec:8168]", "pci:8086:24f3;pci:10ec:8168"),
        ("10ec:b822 (rev 03)", "pci:10ec:b822"),
        ("sdio:024c:b723", "sdio:024c:b723"),
    ],
)
def test_lines_of_listings_are_devices(text, value):
    parsed = devices(text)
    assert (parsed.value, parsed.problem) == (value, "")


def test_a_whole_listing_names_its_devices_and_not_their_subsystems():
    parsed = devices(LISTING)
    assert parsed.value == "pci:8086:1916;pci:8086:24f3"


def test_a_maker_with_two_numbers_is_not_guessed():
    # pci.ids: Qualcomm Atheros is 168c and 1969.
    assert devices("Qualcomm Atheros Device 0042").problem


def test_a_long_line_takes_no_long_time():
    assert devices("g[" * 40_000 + " device ").problem


def test_malformed_devices_are_named_and_good_ones_kept():
    parsed = devices("pci:8086:24f3; pci:zz:yy; 1234:5678")
    assert parsed.value == "pci:8086:24f3"
    assert "'pci:zz:yy' is no device id" in parsed.problem
    assert "1234:5678 may be a PCI or a USB id" in parsed.problem


@pytest.mark.parametrize(
    ("text", "cpu", "ram", "disk", "rest"),
    [
        ("Desk 3000 / i5-6300U 8GB", "i5-6300U", "8GB", "", "Desk 3000"),
        ("Nova 14 (i5-8250U, 8 GB, 256 GB NVMe)", "i5-8250U", "8 GB", "256 GB NVMe", "Nova 14"),
        ("Minitower 7010 i5-3470 4GB 500GB", "i5-3470", "4GB", "500GB", "Minitower 7010"),
        ("Slim 5, Intel Core2 Duo P8400 @ 2.26GHz, 2GB", "Intel Core2 Duo P8400 @ 2.26GHz", "2GB", "", "Slim 5"),
        ("Desk pro i7 8th gen", "i7 8th gen", "", "", "Desk pro"),
        ("E6400 laptop", "", "", "", "E6400 laptop"),
        ("T7500 workstation", "", "", "", "T7500 workstation"),
    ],
)  # fmt: skip
def test_descriptions_are_taken_apart(text, cpu, ram, disk, rest):
    assert pieces(text)[:4] == (cpu, ram, disk, rest)


WHOLE = [name for name, dtype in DTYPES.items() if dtype == "Int64"]


@pytest.mark.parametrize("name", WHOLE)
def test_a_cell_of_whole_numbers_takes_what_the_unit_takes(name):
    """The limits stand once, with the field of the unit: what pydantic refuses there, the cell refuses too."""
    read = parser(name)
    for text in ("1", "64", "128", "129", "255", "256", "4095", "4096", "4097", "8192", "8193", "65535", "65536"):
        try:
            taken = getattr(Unit.model_validate({name: int(text)}), name)
        except ValidationError:
            taken = None
        assert read(text).value == taken, (name, text)


@pytest.mark.parametrize(
    ("name", "good", "value", "bad"),
    [
        ("disk_read_mib_s", "500 MB/s", 500e6 / 2**20, ("0", "-5", "fast", "12 ms", "100001")),
        ("disk_read_end_mib_s", "500 MB/s", 500e6 / 2**20, ("0", "-5", "fast", "12 ms", "100001")),
        ("disk_access_ms", "0,1 ms", 0.1, ("0", "-5", "fast", "12 MB/s", "10001")),
        ("disk_near_ms", "0,1 ms", 0.1, ("0", "-5", "fast", "12 MB/s", "10001")),
    ],
)  # fmt: skip
def test_a_speed_of_a_disk_takes_what_the_unit_takes(name, good, value, bad):
    read = parser(name)
    assert read(good).value == pytest.approx(value, rel=1e-6)
    for text in bad:
        assert read(text).value is None and read(text).problem, text
    for number in (0, -5, 100_001):
        with pytest.raises(ValidationError):
            Unit.model_validate({name: number})


def test_every_field_that_sheets_carry_can_be_read_from_a_cell():
    for name in set(INTAKE_COLUMNS) - TEXT_FIELDS - {"storage_kind", "storage_gib"}:
        assert parser(name)("unknown").value is None


@pytest.mark.parametrize(
    ("cell", "modules"),
    [
        # Counted out by whoever wrote it; an amount alone tells of no modules, and soldered ones are not told apart.
        ("2x1GB", "1 GiB; 1 GiB"), ("2 x 2", "2 GiB; 2 GiB"), ("4+2 GB", "4 GiB; 2 GiB"), ("1x4gb", "4 GiB"),
        ("4GB (2x2)", "2 GiB; 2 GiB"), ("4x512MB DDR2", "0.5 GiB; 0.5 GiB; 0.5 GiB; 0.5 GiB"),
        ("2 sticks of 1 GB", "1 GiB; 1 GiB"), ("4GB", None), ("4GB DDR3", None), ("4GB soldered + 4GB", None),
    ],
)  # fmt: skip
def test_modules_that_are_counted_out_are_kept(cell: str, modules: str | None) -> None:
    assert dict(memory(cell).also).get("ram_modules") == modules


def test_typed_modules_take_the_place_of_those_that_were_read() -> None:
    unit = Unit(ram_gib=2, ram_modules="1 GiB DDR3 SODIMM 1333; 1 GiB DDR3 SODIMM 1333")
    assert correct(unit, "ram_gib", "2x4 GB").unit.ram_modules == "4 GiB; 4 GiB"
    assert correct(unit, "ram_gib", "8").unit.ram_modules is None
