"""Listings that technicians already have, alone and together. Excerpts are composed in the tools' formats."""

from __future__ import annotations

import json

import pytest

from advisor.capture import read_listings
from advisor.capture.listings import missing, read_files, read_machines
from advisor.capture.listings.blocks import bytes_of
from advisor.errors import CaptureError
from advisor.unit import BootMode, FormFactor, StorageKind, StorageMode

LSPCI_NN = """00:00.0 Host bridge [0600]: Intel Corporation Xeon E3-1200 v5 [8086:1904] (rev 08)
00:02.0 VGA compatible controller [0300]: Intel Corporation Skylake GT2 [HD Graphics 520] [8086:1916] (rev 07)
00:17.0 SATA controller [0106]: Intel Corporation Sunrise Point-LP SATA Controller [AHCI mode] [8086:9d03] (rev 21)
00:1f.6 Ethernet controller [0200]: Intel Corporation Ethernet Connection I219-LM [8086:156f] (rev 21)
03:00.0 Network controller [0280]: Intel Corporation Wireless 8260 [8086:24f3] (rev 3a)
"""
LSPCI_NNK = """00:02.0 VGA compatible controller [0300]: Intel Corporation Skylake GT2 [8086:1916] (rev 07)
\tSubsystem: Lenovo Device [17aa:5050]
\tKernel driver in use: i915
\tKernel modules: i915
0000:00:0e.0 RAID bus controller [0104]: Intel Corporation Volume Management Device NVMe RAID Controller [8086:9a0b]
\tKernel driver in use: vmd
"""
LSUSB = """Bus 001 Device 001: ID 1d6b:0002 Linux Foundation 2.0 root hub
Bus 001 Device 003: ID 04ca:7066 Lite-On Technology Corp. Integrated Camera
Bus 001 Device 002: ID 0bda:c811 Realtek Semiconductor Corp. 802.11ac NIC
"""
CPUINFO = """processor\t: 0
vendor_id\t: GenuineIntel
cpu family\t: 6
model\t\t: 78
model name\t: Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz
stepping\t: 3
physical id\t: 0
siblings\t: 2
core id\t\t: 0
cpu cores\t: 2
flags\t\t: fpu sse2 lm

processor\t: 1
vendor_id\t: GenuineIntel
cpu family\t: 6
model\t\t: 78
model name\t: Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz
stepping\t: 3
physical id\t: 0
siblings\t: 2
core id\t\t: 1
cpu cores\t: 2
flags\t\t: fpu sse2 lm
"""
LSCPU = """Architecture:            x86_64
  CPU op-mode(s):        32-bit, 64-bit
CPU(s):                  4
Vendor ID:               GenuineIntel
  Model name:            Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz
    CPU family:          6
    Model:               78
    Thread(s) per core:  2
    Core(s) per socket:  2
    Socket(s):           1
    Stepping:            3
    Flags:               fpu sse2 lm
"""
LSCPU_J = json.dumps(
    {
        "lscpu": [
            {"field": "Architecture:", "data": "x86_64"},
            {"field": "CPU(s):", "data": "4"},
            {
                "field": "Vendor ID:",
                "data": "GenuineIntel",
                "children": [
                    {
                        "field": "Model name:",
                        "data": "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz",
                        "children": [
                            {"field": "CPU family:", "data": "6"},
                            {"field": "Model:", "data": "78"},
                            {"field": "Stepping:", "data": "3"},
                            {"field": "Core(s) per socket:", "data": "2"},
                            {"field": "Socket(s):", "data": "1"},
                            {"field": "Flags:", "data": "fpu sse2 lm"},
                        ],
                    }
                ],
            },
        ]
    },
    indent=3,
)
LSBLK = json.dumps(
    {
        "blockdevices": [
            {"name": "loop0", "size": "4K", "type": "loop", "rm": False},
            {
                "name": "sda", "maj:min": "8:0", "rm": False, "size": "223,6G", "ro": False, "type": "disk",
                "tran": "sata", "rota": False, "model": "INTEL SSDSCKKF240H6L",
                "children": [{"name": "sda1", "size": "223G", "type": "part"}],
            },
            {"name": "sdb", "rm": True, "size": "28.7G", "type": "disk", "tran": "usb", "rota": True},
            {"name": "sr0", "rm": True, "size": "1024M", "type": "rom", "tran": "sata"},
        ]
    },
    indent=3,
)  # fmt: skip
DMIDECODE = """# dmidecode 3.4
Getting SMBIOS data from sysfs.
SMBIOS 2.8 present.

Handle 0x0000, DMI type 0, 24 bytes
BIOS Information
\tVendor: LENOVO
\tCharacteristics:
\t\tPCI is supported
\t\tUEFI is supported
\tBIOS Revision: 1.48

Handle 0x0001, DMI type 1, 27 bytes
System Information
\tManufacturer: LENOVO
\tProduct Name: 20FMS0AA00
\tVersion: ThinkPad T460
\tSerial Number: PC0SECRET

Handle 0x0003, DMI type 3, 22 bytes
Chassis Information
\tManufacturer: LENOVO
\tType: Notebook
\tSerial Number: PC0SECRET

Handle 0x0005, DMI type 16, 23 bytes
Physical Memory Array
\tLocation: System Board Or Motherboard
\tUse: System Memory
\tMaximum Capacity: 32 GB
\tNumber Of Devices: 2

Handle 0x0006, DMI type 17, 40 bytes
Memory Device
\tArray Handle: 0x0005
\tSize: 8192 MB
\tForm Factor: SODIMM
\tType: DDR3
\tSpeed: 1600 MHz
\tSerial Number: SECRET

Handle 0x0007, DMI type 17, 40 bytes
Memory Device
\tArray Handle: 0x0005
\tSize: No Module Installed
\tForm Factor: SODIMM
\tType: Unknown
"""
UDEV = """P: /devices/system/cpu/cpu0
E: DEVPATH=/devices/system/cpu/cpu0
E: SUBSYSTEM=cpu
E: MODALIAS=cpu:type:x86,ven0000fam0006mod004E:feature:,0000,0001

P: /devices/pci0000:00/0000:00:17.0
E: DRIVER=ahci
E: PCI_CLASS=10601
E: PCI_ID=8086:9D03
E: MODALIAS=pci:v00008086d00009D03sv000017AAsd00005050bc01sc06i01
E: SUBSYSTEM=pci

P: /devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda
N: sda
E: DEVNAME=/dev/sda
E: DEVTYPE=disk
E: SUBSYSTEM=block
E: ID_MODEL=INTEL_SSDSCKKF240H6L
E: ID_SERIAL=INTEL_SSDSCKKF240H6L_SECRET
E: ID_ATA_ROTATION_RATE_RPM=0

P: /devices/pci0000:00/0000:00:14.0/usb1/1-8/1-8:1.0
E: DEVTYPE=usb_interface
E: DRIVER=uvcvideo
E: INTERFACE=14/1/0
E: MODALIAS=usb:v04CAp7066d0014dcEFdsc02dp01ic0Eisc01ip00in00
E: SUBSYSTEM=usb

P: /devices/pci0000:00/0000:00:1c.2/0000:03:00.0
E: DRIVER=iwlwifi
E: PCI_CLASS=28000
E: MODALIAS=pci:v00008086d000024F3sv00008086sd00001130bc02sc80i00
E: SUBSYSTEM=pci

P: /devices/pci0000:00/0000:00:1c.2/0000:03:00.0/net/wlp3s0
E: DEVTYPE=wlan
E: INTERFACE=wlp3s0
E: ID_NET_NAME_MAC=wlx025ec2e70001
E: SUBSYSTEM=net

P: /devices/LNXSYSTM:00/PNP0C0A:00/power_supply/BAT0
E: POWER_SUPPLY_TYPE=Battery
E: POWER_SUPPLY_PRESENT=1
E: POWER_SUPPLY_CYCLE_COUNT=121
E: POWER_SUPPLY_ENERGY_FULL_DESIGN=23480000
E: POWER_SUPPLY_ENERGY_FULL=19380000
E: POWER_SUPPLY_SERIAL_NUMBER=SECRET
E: SUBSYSTEM=power_supply

P: /devices/virtual/dmi/id
E: MODALIAS=dmi:bvnLENOVO:bvrR06ET71W:bd01/15/2020:svnLENOVO:pn20FMS0AA00:pvrThinkPadT460:rvnLENOVO:rn20FMS0AA00:ct10:
E: MEMORY_ARRAY_NUM_DEVICES=2
E: MEMORY_ARRAY_MAX_CAPACITY=34359738368
E: MEMORY_DEVICE_0_SIZE=8589934592
E: MEMORY_DEVICE_0_FORM_FACTOR=SODIMM
E: MEMORY_DEVICE_0_TYPE=DDR3
E: MEMORY_DEVICE_0_SPEED_MTS=1600
E: MEMORY_DEVICE_0_SERIAL_NUMBER=SECRET
E: MEMORY_DEVICE_1_PRESENT=0
E: MEMORY_DEVICE_1_FORM_FACTOR=SODIMM
E: SUBSYSTEM=dmi
"""
ALL = "\n".join([LSPCI_NN, LSUSB, CPUINFO, LSCPU, LSCPU_J, LSBLK, DMIDECODE, UDEV])


def test_lspci_nn():
    unit = read_listings(LSPCI_NN).unit
    assert unit.devices.split("; ") == [
        "pci:v00008086d00001904sv*sd*bc06sc00i*",
        "pci:v00008086d00001916sv*sd*bc03sc00i*",
        "pci:v00008086d00009D03sv*sd*bc01sc06i*",
        "pci:v00008086d0000156Fsv*sd*bc02sc00i*",
        "pci:v00008086d000024F3sv*sd*bc02sc80i*",
    ]
    assert unit.wireless == "Intel Corporation Wireless 8260 [8086:24f3] (rev 3a)"
    assert unit.graphics == "Intel Corporation Skylake GT2 [HD Graphics 520] [8086:1916] (rev 07)"
    assert unit.ethernet == "Intel Corporation Ethernet Connection I219-LM [8086:156f] (rev 21)"
    assert unit.storage_mode is StorageMode.AHCI
    assert unit.storage_kind is None


def test_lspci_nnk_names_the_volume_management_device():
    unit = read_listings(LSPCI_NNK).unit
    assert unit.devices == (
        "pci:v00008086d00001916sv000017AAsd00005050bc03sc00i*; pci:v00008086d00009A0Bsv*sd*bc01sc04i*"
    )
    assert unit.storage_mode is StorageMode.VMD


WHOLE = (
    "00:00.0 Host bridge [0600]: Intel Corporation Device [8086:1904]\n",
    "00:17.0 SATA controller [0106]: Intel Corporation Device [8086:9d03]\n",
    "00:1f.0 ISA bridge [0601]: Intel Corporation Device [8086:9d48]\n",
)


@pytest.mark.parametrize("gone", range(3))
def test_a_list_is_whole_with_both_bridges_and_a_disk_controller(gone):
    """Every PC since 1998 has both bridges; common practice, no source."""
    assert read_listings("".join(WHOLE)).unit.graphics == "none"
    part = read_listings("".join(WHOLE[:gone] + WHOLE[gone + 1 :]))
    assert part.unit.graphics is None and part.unit.ethernet is None
    assert part.unread["graphics"] == "none among the PCI devices that the source lists, which may not be all"
    assert read_listings(LSUSB).unread["graphics"] == "the source does not list PCI devices"


def test_lspci_without_names_and_without_ids():
    assert read_listings("00:02.0 0300: 8086:1916 (rev 07)\n03:00.0 0280: 8086:24f3\n").unit.devices == (
        "pci:v00008086d00001916sv*sd*bc03sc00i*; pci:v00008086d000024F3sv*sd*bc02sc80i*"
    )
    plain = read_listings("03:00.0 Network controller: Intel Corporation Wireless 8260 (rev 3a)\n\n")
    assert plain.unit.wireless == "Intel Corporation Wireless 8260 (rev 3a)"
    assert plain.unit.devices is None
    assert "devices" in plain.unread


def test_lsusb_leaves_hubs_out():
    unit = read_listings(LSUSB).unit
    assert unit.devices == "usb:04ca:7066; usb:0bda:c811"
    assert unit.camera is None


def test_lsusb_v_knows_the_camera():
    text = LSUSB + "Device Descriptor:\n  bLength 18\n      bInterfaceClass        14 Video\n"
    assert read_listings(text).unit.camera is True


@pytest.mark.parametrize("text", [CPUINFO, LSCPU, LSCPU_J], ids=["cpuinfo", "lscpu", "lscpu -J"])
def test_processor(text):
    unit = read_listings(text).unit
    assert (unit.cpu, unit.cpu_vendor) == ("Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz", "GenuineIntel")
    assert (unit.cpu_family, unit.cpu_model, unit.cpu_stepping, unit.cpu_cores) == (6, 78, 3, 2)
    assert unit.cpu_flags == "fpu sse2 lm"


def test_lsblk():
    unit = read_listings(LSBLK).unit
    assert unit.storage_kind is StorageKind.SATA_SSD
    assert unit.storage_gib == 223.6
    assert unit.storage_model == "INTEL SSDSCKKF240H6L"
    assert unit.notes is None


def test_lsblk_of_several_disks_without_transport_is_no_guess():
    rows = [{"name": n, "size": "100G", "type": "disk", "rm": False} for n in ("sda", "sdb")]
    taken = read_listings(json.dumps({"blockdevices": rows}) + "\n")
    assert taken.unit.storage_kind is None and taken.unit.storage_gib is None
    assert "lsblk -O -J" in taken.unread["storage_gib"]
    assert taken.unit.notes == "disk: 100.0 GiB; disk: 100.0 GiB"


def test_lsblk_tells_a_card_from_an_emmc():
    rows = [{"name": n, "size": "29G", "type": "disk"} for n in ("mmcblk0", "mmcblk0boot0", "mmcblk1")]
    unit = read_listings(json.dumps({"blockdevices": rows}) + "\n").unit
    assert unit.storage_kind is StorageKind.EMMC
    assert unit.notes is None


@pytest.mark.parametrize(
    "text, expected",
    [("238.5G", 256087425024), ("1T", 1 << 40), ("512M", 512 << 20), ("0B", 0), ("931,5G", 1000190509056), (5, 5),
     ("many", None), ("1e9", None), (True, None), (None, None), ("9" * 30 + "G", None), (-1, None)],
)  # fmt: skip
def test_sizes_as_lsblk_writes_them(text, expected):
    assert bytes_of(text) == expected


def test_dmidecode():
    taken = read_listings(DMIDECODE)
    unit = taken.unit
    assert (unit.maker, unit.model, unit.form_factor) == ("LENOVO", "ThinkPad T460 (20FMS0AA00)", FormFactor.LAPTOP)
    assert (unit.ram_gib, unit.ram_slots, unit.ram_slots_free, unit.ram_max_gib) == (8.0, 2, 1, 32.0)
    assert unit.ram_modules == "8 GiB DDR3 SODIMM 1600"
    assert unit.boot_mode is None  # that the firmware can start UEFI does not say how it is set
    assert "SECRET" not in taken.model_dump_json()


def test_udev_database(no_names):
    taken = read_listings(UDEV)
    unit = taken.unit
    assert (unit.cpu_vendor, unit.cpu_family, unit.cpu_model) == ("GenuineIntel", 6, 78)
    assert unit.wireless == "8086:24f3"
    assert (unit.storage_kind, unit.storage_mode, unit.storage_gib) == (StorageKind.SATA_SSD, StorageMode.AHCI, None)
    assert unit.storage_model == "INTEL SSDSCKKF240H6L"
    assert unit.camera is True
    assert (unit.battery_health_pct, unit.battery_cycles) == (82.5, 121)
    assert (unit.ram_gib, unit.ram_slots, unit.ram_slots_free) == (8.0, 2, 1)
    assert unit.form_factor is FormFactor.LAPTOP
    assert "SECRET" not in taken.model_dump_json() and "025ec2e70001" not in taken.model_dump_json()


def test_all_in_one_text():
    taken = read_listings(ALL)
    unit = taken.unit
    assert unit.cpu == "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz"
    assert unit.model == "ThinkPad T460 (20FMS0AA00)"
    assert (unit.storage_gib, unit.storage_mode) == (223.6, StorageMode.AHCI)
    assert (unit.ram_gib, unit.ram_slots_free) == (8.0, 1)
    # What udev knows by its whole modalias is not listed again by its id.
    listed = unit.devices.split("; ")
    assert "pci:v00008086d000024F3sv00008086sd00001130bc02sc80i00" in listed
    assert not any("d000024F3sv*" in one for one in listed) and "pci:v00008086d00001916sv*sd*bc03sc00i*" in listed
    assert unit.wireless == "Intel Corporation Wireless 8260 [8086:24f3]"
    assert unit.boot_mode is not BootMode.UEFI64


def test_order_of_listings_does_not_matter():
    parts = [LSPCI_NN, LSUSB, CPUINFO, LSBLK, DMIDECODE, UDEV]
    forth, back = (read_listings("\n".join(order)).unit for order in (parts, parts[::-1]))
    assert forth.model_dump(exclude={"devices"}) == back.model_dump(exclude={"devices"})
    assert set(forth.devices.split("; ")) == set(back.devices.split("; "))


def test_windows_line_ends_and_byte_order_marks(tmp_path):
    path = tmp_path / "listing.txt"
    for content in (
        LSPCI_NN.replace("\n", "\r\n").encode("utf-8-sig"),
        LSPCI_NN.encode("utf-16"),
        b"\xa0caf\xe9\n" + LSPCI_NN.encode(),
    ):
        path.write_bytes(content)
        assert read_listings(path).unit.wireless == "Intel Corporation Wireless 8260 [8086:24f3] (rev 3a)"


def test_listings_of_two_machines_are_refused():
    other = CPUINFO.replace("i5-6300U CPU @ 2.40GHz", "i3-3217U CPU @ 1.80GHz")
    with pytest.raises(CaptureError, match="two machines"):
        read_listings(LSCPU + other)


def test_one_processor_named_twice_is_one_machine():
    """With and without its clock: 'i3-2100 CPU @ 3.10GHz' and 'i3-2100 CPU'."""
    short = "Processor Information\n\tVersion: Intel(R) Core(TM) i5-6300U CPU\n"
    assert len(read_machines(LSCPU + "\n" + short)) == 1


def test_machines_in_one_paste_are_kept_apart():
    other = (
        LSPCI_NN.replace("8086:1904", "8086:0154").replace("8086:1916", "8086:0166").replace("8086:9d03", "8086:1e03")
    )
    other = (
        other.replace("8086:156f", "8086:1502").replace("8086:24f3", "8086:0082").replace("Wireless 8260", "Centrino")
    )
    cpu = CPUINFO.replace("i5-6300U CPU @ 2.40GHz", "i5-3320M CPU @ 2.60GHz")
    first, second = read_machines(f"{LSPCI_NN}\n{LSCPU}\n{other}\n{cpu}")
    assert "24f3" in first.unit.wireless and first.unit.cpu.startswith("Intel(R) Core(TM) i5-6300U")
    assert "0082" in second.unit.wireless and second.unit.cpu.startswith("Intel(R) Core(TM) i5-3320M")
    assert "PCI address" in second.unread["machine"]


def test_contradictions_are_named_with_both():
    taken = read_listings(LSCPU + "\n" + CPUINFO.replace("stepping\t: 3", "stepping\t: 9"))
    assert taken.unit.cpu_stepping == 3
    assert "lscpu says '3', /proc/cpuinfo says '9'" in taken.unread["cpu_stepping"]


def test_every_part_of_a_text_is_accounted_for():
    taken = read_listings(
        f"Hello, this is my PC\n$ lspci -nn\n{LSPCI_NN}$ iwconfig\nlo  no wireless extensions.\n{LSCPU}"
    )
    assert taken.ledger == [
        "line 1: left, no listing that is known",
        "lines 3 to 7: lspci, gave 5 devices",
        "line 9: left, what 'iwconfig' gave is not read",
        "lines 10 to 21: lscpu, gave processor",
    ]


def test_a_capture_keeps_nothing_of_what_was_pasted_along():
    """Wi-Fi keys, names of networks, of people and of machines, and serial numbers of what is not read."""
    text = (
        f"psk=SECRET1\n$ lspci -nn\n{LSPCI_NN}$ sudo nmcli device wifi connect SECRET2 password SECRET3\nSECRET4 72\n"
        f"$ lshw\nSECRET5\n    serial: SECRET6\n$ iw dev\n\tssid SECRET7\n{LSCPU}"
    )
    taken = read_listings(text)
    assert "SECRET" not in taken.model_dump_json()
    assert any("what 'nmcli' gave is not read" in line for line in taken.ledger)


def test_what_is_missing_and_the_one_command_for_it():
    said = missing(read_listings(LSPCI_NN + LSUSB + CPUINFO))
    assert said == (
        "Still missing: the memory, free memory slots, the disk, the disk's health and the battery. This gives it: "
        "sudo sh -c 'free; dmidecode; lsblk -O -J; smartctl -x /dev/sda; upower -d'"
    )
    assert "lspci -nnk" in missing(read_listings("03:00.0 Network controller: Intel Corporation Wireless 8260\n\n"))


def test_a_folder_and_standard_input_together(tmp_path):
    (tmp_path / "a.txt").write_text(LSPCI_NN)
    (tmp_path / "b.txt").write_text(LSCPU)
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\0\0")
    [taken] = read_files([tmp_path], "MemTotal:        8033032 kB\n")
    assert taken.unit.ram_gib == 8 and taken.unit.cpu and taken.unit.wireless
    assert any("picture.png" in line and "not text" in line for line in taken.ledger)
    assert any(line.startswith("a.txt, lines 1 to 5: lspci") for line in taken.ledger)
    (tmp_path / "none").mkdir()
    with pytest.raises(CaptureError, match="folder without files"):
        read_files([tmp_path / "none"])


@pytest.mark.parametrize(
    "text, gib",
    [
        ("              total        used        free\nMem:        3988084     1106984     2881100\n", 4),
        ("               total        used        free      shared  buff/cache   available\n"
         "Mem:           7,6Gi       2,1Gi       3,0Gi       300Mi       2,5Gi       5,0Gi\n", 8),
        ("$ free -m\n              total        used        free\nMem:          15905        5012        1200\n", 16),
        ("Mem:          15905        5012        1200\n", 16),
        ("             gesamt     benutzt        frei\nSpeicher:   8033032     1106984     2881100\n", 8),
        ("$ free -g\n              total        used        free\nMem:              7           1           5\n", 8),
    ],
)  # fmt: skip
def test_free(text, gib):
    assert read_listings(text + "\n").unit.ram_gib == gib


LSBLK_WIDE = """NAME   MAJ:MIN RM   SIZE RO TYPE MOUNTPOINTS   MODEL                 TRAN   ROTA
sda      8:0    0 465,8G  0 disk               WDC WD5000LPVX-22V0TT0 sata      1
├─sda1   8:1    0   512M  0 part /boot/efi                                      1
└─sda2   8:2    0 465,3G  0 part /                                              1
sdb      8:16   1  14,9G  0 disk               Cruzer Blade           usb       1
sr0     11:0    1  1024M  0 rom                DVD-RAM UJ8C1          sata      1
"""


LSBLK_LOST = "\n".join(" ".join(line.split()) for line in LSBLK_WIDE.splitlines()) + "\n"


@pytest.mark.parametrize("text", [LSBLK_WIDE, LSBLK_LOST], ids=["as printed", "blanks lost"])
def test_lsblk_as_a_table(text):
    unit = read_listings(text).unit
    assert (unit.storage_kind, unit.storage_gib) == (StorageKind.HDD, 465.8)
    assert unit.storage_model == "WDC WD5000LPVX-22V0TT0"
    assert unit.notes is None


def test_lsblk_in_pairs():
    unit = read_listings('NAME="nvme0n1" SIZE="238.5G" TYPE="disk" MODEL="THNSN5256GPUK" ROTA="0" TRAN="nvme"\n\n').unit
    assert (unit.storage_kind, unit.storage_gib, unit.storage_model) == (StorageKind.NVME, 238.5, "THNSN5256GPUK")


def test_lscpu_in_german_and_french():
    german = LSCPU
    for english, word in (("Architecture", "Architektur"), ("CPU op-mode(s)", "CPU Operationsmodus"),
                          ("Vendor ID", "Anbieterkennung"), ("Model name", "Modellname"),
                          ("CPU family", "Prozessorfamilie"), ("Model:", "Modell:"),
                          ("Core(s) per socket", "Kern(e) pro Sockel"),
                          ("Thread(s) per core", "Thread(s) pro Kern"), ("Socket(s)", "Sockel")):  # fmt: skip
        german = german.replace(english, word)
    french = LSCPU.replace("Architecture:", "Architecture\xa0:").replace("Model name:", "Nom de modèle\xa0:")
    for text in (german, french):
        unit = read_listings(text).unit
        assert unit.cpu == "Intel(R) Core(TM) i5-6300U CPU @ 2.40GHz" and unit.cpu_cores == 2
    assert read_listings(german).unit.cpu_model == 78


def test_an_op_mode_of_32_bit_decides_the_level():
    from advisor.identify import processors
    from advisor.unit import frame

    text = "Architecture:        i686\nCPU op-mode(s):      32-bit\nModel name:          Intel(R) Celeron(R) CPU\n"
    assert processors(frame([read_listings(text).unit]))["cpu_level"].iloc[0] == "i686"


def test_hardware_sections():
    text = """17: PCI 300.0: 0282 WLAN controller
  [Created at pci.386]
  Hardware Class: network
  Model: "Intel Wireless 8260"
  Vendor: pci 0x8086 "Intel Corporation"
  Device: pci 0x24f3 "Wireless 8260"
  SubVendor: pci 0x8086 "Intel Corporation"
  Driver: "iwlwifi"
"""
    assert read_listings(text).unit.devices == "pci:8086:24f3"


SMART_JSON = {
    "smartctl": {"version": [7, 3]}, "device": {"name": "/dev/sda", "type": "sat", "protocol": "ATA"},
    "model_name": "Samsung SSD 860 EVO 250GB", "user_capacity": {"bytes": 250059350016}, "rotation_rate": 0,
    "smart_status": {"passed": True},
    "ata_smart_attributes": {"table": [{"id": 177, "name": "Wear_Leveling_Count", "value": 93, "raw": {"value": 61}}]},
}  # fmt: skip


def test_smartctl_json_beside_lsblk():
    unit = read_listings(json.dumps(SMART_JSON, indent=2) + "\n" + "NAME SIZE TYPE ROTA\nsda  232.9G disk 0\n").unit
    assert (unit.storage_kind, unit.storage_gib, unit.storage_health_pct) == (StorageKind.SATA_SSD, 232.89, 93)
    assert unit.storage_model == "Samsung SSD 860 EVO 250GB"


def test_a_new_edid_decode_of_a_panel():
    text = """edid-decode (hex):

Block 0, Base EDID:
  EDID Structure Version & Revision: 1.4
  Basic Display Parameters & Features:
    Maximum image size: 31 cm x 17 cm
  Detailed Timing Descriptors:
    DTD 1:  1920x1080   60.000000 Hz  16:9     66.660 kHz    141.400000 MHz (309 mm x 174 mm)
"""
    assert read_listings(text).unit.screen == "1920x1080 14.0"


def test_a_newer_recording_is_refused():
    with pytest.raises(CaptureError, match="newer version: its format is 2"):
        read_listings("bench-advisor recording 2\n/proc/meminfo = MemTotal: 1 kB\n")


def test_a_recording_that_is_cut_short_says_so():
    taken = read_listings("bench-advisor recording 1\n/proc/meminfo = MemTotal:       8033032 kB\n")
    assert taken.unit.ram_gib == 8.0
    assert "cut short" in taken.unread["recording"]


def test_json_that_is_cut_short_is_said_and_the_rest_read():
    taken = read_listings(LSPCI_NN + LSBLK[:100])
    assert taken.unit.wireless
    assert "cut short" in taken.unread["listing"]


@pytest.mark.parametrize("text", ["\n", "hello\nworld\n", "{}\n", '{"a": 1}\n', "\0\n", "P: x\nE: y\n"])
def test_what_is_no_listing_is_refused_with_what_would_be(text):
    with pytest.raises(CaptureError) as refused:
        read_listings(text)
    assert "lspci -nn" in refused.value.hint


def test_huge_and_missing_files(tmp_path):
    path = tmp_path / "huge"
    with open(path, "wb") as file:
        file.truncate(9 << 20)
    with pytest.raises(CaptureError, match="larger than 8 MiB"):
        read_listings(path)
    with pytest.raises(CaptureError, match="does not exist"):
        read_listings(tmp_path / "none")
    with pytest.raises(CaptureError, match="is a folder"):
        read_listings(tmp_path)
    with pytest.raises(CaptureError, match="lines"):
        read_listings("\n" * 300_001)


def test_text_is_never_markup_or_path():
    text = "bench-advisor recording 1\n/sys/class/dmi/id/product_name = <b>=cmd|' /C calc'!A0</b>\x1b[31m\n"
    unit = read_listings(text).unit
    assert unit.model == "<b>=cmd|' /C calc'!A0</b>"
    path = "bench-advisor recording 1\n/sys/class/dmi/id -> /etc\n/sys/class/dmi/id/../../../../etc/passwd = x\n"
    assert read_listings(path + "/proc/meminfo = MemTotal: 1048576 kB\n").unit.maker is None
