"""Recorded machines for the tests: a short TOML description expanded to the sysfs and procfs that a kernel would show.

Nothing here imports the package under test. Every machine gets serial numbers and addresses too, so that tests can see
that they are left out.
"""

from __future__ import annotations

import os
import struct
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

MACHINES = Path(__file__).parent / "machines"
SECRETS = ("SN4SECRET", "02:5e:c2:e7:00:01", "025ec2e70001", "00e04c680001", "6ba7b810-9dad-11d1")
"""What must be found nowhere unless it is asked for."""

# Feature sets of the x86-64 psABI's levels, in the kernel's words for them.
_I686 = "fpu vme de pse tsc msr pae mce cx8 apic sep mtrr pge mca cmov mmx fxsr sse sse2 pni"
_V1 = f"{_I686} syscall nx lm"
_V2 = f"{_V1} cx16 lahf_lm popcnt sse4_1 sse4_2 ssse3"
_V3 = f"{_V2} abm avx avx2 bmi1 bmi2 f16c fma movbe xsave"
_V4 = f"{_V3} avx512f avx512bw avx512cd avx512dq avx512vl"
FLAGS = {"i686": _I686, "v1": _V1, "v2": _V2, "v3": _V3, "v4": _V4}

# DSP0134 3.4.0, 7.18.1 and 7.18.2
FORMS = {"Unknown": 2, "DIMM": 9, "RowOfChips": 0x0B, "SODIMM": 0x0D}
KINDS = {
    "Unknown": 2, "DDR": 0x12, "DDR2": 0x13, "DDR3": 0x18, "DDR4": 0x1A, "LPDDR3": 0x1D, "LPDDR4": 0x1E, "DDR5": 0x22,
    "LPDDR5": 0x23,
}  # fmt: skip
# The words that udev's dmi_memory_id has for them.
_UDEV_FORMS = {"Unknown": "Unknown", "DIMM": "DIMM", "RowOfChips": "Row Of Chips", "SODIMM": "SODIMM"}


def sectors_of(gb: int) -> int:
    """Sectors of a disk sold as so many GB (IDEMA LBA1-03)."""
    return 97_696_368 + 1_953_504 * (gb - 50)


@dataclass
class Tree:
    """Files, links (absolute target) and bare folders of one machine."""

    files: dict[str, bytes] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    folders: set[str] = field(default_factory=set)

    def put(self, path: str, value: object) -> None:
        """Add a file; text gets its line end."""
        if value is not None:
            self.files[path] = value if isinstance(value, bytes) else f"{value}\n".encode()

    def all_folders(self) -> list[str]:
        """Bare folders, and those that links lead to."""
        return sorted({*self.folders, *self.links.values()})

    def write(self, root: Path) -> Path:
        """Write it below a folder, links made relative as sysfs has them."""
        for path in sorted(self.folders):
            (root / path[1:]).mkdir(parents=True, exist_ok=True)
        for path, content in self.files.items():
            target = root / path[1:]
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        for path, goal in self.links.items():
            link = root / path[1:]
            link.parent.mkdir(parents=True, exist_ok=True)
            (root / goal[1:]).mkdir(parents=True, exist_ok=True)
            link.symlink_to(os.path.relpath(root / goal[1:], link.parent))
        return root


def load(name: str) -> dict:
    """Read one description."""
    return tomllib.loads((MACHINES / f"{name}.toml").read_text(encoding="utf-8"))


def names() -> list[str]:
    """Names of all descriptions, oldest first."""
    return sorted(path.stem for path in MACHINES.glob("*.toml"))


def pci_path(at: str) -> str:
    """Where a PCI device is: on bus 0, behind a bridge, or behind a volume management device."""
    if at.count(":") == 2:
        return f"/sys/devices/pci0000:00/0000:00:0e.0/pci10000:e0/10000:e0:06.0/{at}"
    bridge = "" if at.startswith("00:") else "/0000:00:1c.0"
    return f"/sys/devices/pci0000:00{bridge}/0000:{at}"


def usb_path(at: str) -> str:
    """Where a USB interface such as '1-7:1.0' is."""
    device = at.partition(":")[0]
    return f"/sys/devices/pci0000:00/0000:00:14.0/usb{at[0]}/{device}/{at}"


def expand(machine: dict) -> Tree:
    """Expand a description."""
    tree = Tree()
    tree.folders |= {
        "/sys/firmware", "/sys/class/tpm", "/sys/class/power_supply", "/sys/class/input", "/sys/class/block",
        "/sys/class/drm", "/sys/class/net", "/sys/bus/pci/devices", "/sys/bus/usb/devices", "/proc",
    }  # fmt: skip
    _cpu(tree, machine["cpu"])
    _box(tree, machine["box"])
    _memory(tree, machine)
    buses = machine["buses"]
    _buses(tree, buses)
    for number, disk in enumerate(machine.get("disks", ())):
        _disk(tree, disk, number)
    _panel(tree, machine.get("panel"), buses)
    _input(tree, buses)
    for number, battery in enumerate(machine.get("batteries", ())):
        _battery(tree, battery, number)
    _mouse_battery(tree)
    return tree


def _cpu(tree: Tree, cpu: dict) -> None:
    per_core = cpu["threads"] // cpu["cores"] if cpu["threads"] % cpu["cores"] == 0 else 1
    # Processors with unlike cores: the first ones have two threads, the rest one.
    double = cpu["threads"] - cpu["cores"] if per_core == 1 else 0
    cores = []
    for core in range(cpu["cores"]):
        cores += [core] * (2 if core < double else per_core)
    family, model, stepping = cpu["signature"]
    lines = []
    for thread, core in enumerate(cores):
        lines.append(
            f"processor\t: {thread}\nvendor_id\t: {cpu['vendor']}\ncpu family\t: {family}\nmodel\t\t: {model}\n"
            f"model name\t: {cpu['name']}\nstepping\t: {stepping}\ncpu MHz\t\t: 800.000\nphysical id\t: 0\n"
            f"siblings\t: {cpu['threads']}\ncore id\t\t: {core}\ncpu cores\t: {cpu['cores']}\n"
            f"flags\t\t: {FLAGS[cpu['level']]}\nbogomips\t: 4000.00\n\n"
        )
        folder = f"/sys/devices/system/cpu/cpu{thread}/topology"
        tree.put(f"{folder}/core_id", core)
        tree.put(f"{folder}/physical_package_id", 0)
    tree.put("/proc/cpuinfo", "".join(lines).encode())


def _box(tree: Tree, box: dict) -> None:
    folder = "/sys/devices/virtual/dmi/id"
    tree.links["/sys/class/dmi/id"] = folder
    tree.put(f"{folder}/sys_vendor", box["maker"])
    tree.put(f"{folder}/product_name", box["product"])
    tree.put(f"{folder}/product_version", box["version"])
    tree.put(f"{folder}/board_vendor", box.get("board_maker", box["maker"]))
    tree.put(f"{folder}/board_name", box.get("board", "0K42JR"))
    tree.put(f"{folder}/chassis_type", box["chassis"])
    tree.put(f"{folder}/product_serial", "SN4SECRET")
    tree.put(f"{folder}/product_uuid", "6ba7b810-9dad-11d1-80b4-00c04fd430c8")
    tree.put(f"{folder}/chassis_asset_tag", "SN4SECRET")
    if box["efi"]:
        tree.put("/sys/firmware/efi/fw_platform_size", box["efi"])
    if "secure_boot" in box:
        variable = "SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
        tree.put(f"/sys/firmware/efi/efivars/{variable}", bytes([6, 0, 0, 0, box["secure_boot"]]))
    if "tpm_acpi" in box:
        device = f"/sys/devices/LNXSYSTM:00/LNXSYBUS:00/{box['tpm_acpi']}"
        tree.links[f"/sys/bus/acpi/devices/{box['tpm_acpi']}"] = device
        tree.put(f"{device}/hid", box["tpm_acpi"].partition(":")[0])
    if box.get("tpm") in ("1", "2"):
        device = "/sys/devices/pnp0/00:05/tpm/tpm0"
        tree.links["/sys/class/tpm/tpm0"] = device
        if box["tpm"] == "2":
            tree.put(f"{device}/tpm_version_major", "2")
        else:
            tree.links[f"{device}/device"] = "/sys/devices/pnp0/00:05"
            capabilities = "Manufacturer: 0x49465800\nTCG version: 1.2\nFirmware version: 3.19"
            tree.put("/sys/devices/pnp0/00:05/caps", capabilities)
    elif "tpm" not in box and "tpm_acpi" not in box:
        tree.folders.discard("/sys/class/tpm")


def places_of(machine: dict) -> list[tuple[int, str, str, int]]:
    """Places for memory: MiB, form, kind, speed."""
    found = []
    for place in machine["memory"].get("places", ()):
        size, form, kind, *speed = place.split()
        found.append((int(size), form, kind, int(speed[0]) if speed else 0))
    return found


def _memory(tree: Tree, machine: dict) -> None:
    memory = machine["memory"]
    tree.put("/proc/meminfo", f"MemTotal:       {memory['seen_kib']} kB\nMemFree:        {memory['seen_kib'] // 2} kB")
    places = places_of(machine)
    if not places:
        return
    if not memory.get("from_udev"):
        tree.put("/sys/firmware/dmi/tables/DMI", smbios_table(machine))
        return
    lines = [
        "E:MEMORY_ARRAY_LOCATION=System Board Or Motherboard",
        f"E:MEMORY_ARRAY_MAX_CAPACITY={memory['most_gib'] << 30}",
        "E:MEMORY_DEVICE_0_SIZE=16777216",
        "E:MEMORY_DEVICE_0_FORM_FACTOR=Chip",
        "E:MEMORY_DEVICE_0_TYPE=Flash",
    ]
    for i, (mib, form, kind, speed) in enumerate(places, 1):
        key = f"E:MEMORY_DEVICE_{i}_"
        if not mib:
            lines += [f"{key}PRESENT=0", f"{key}FORM_FACTOR={_UDEV_FORMS[form]}", f"{key}TYPE={kind}"]
            continue
        lines += [
            f"{key}SIZE={mib << 20}", f"{key}FORM_FACTOR={_UDEV_FORMS[form]}", f"{key}TYPE={kind}",
            f"{key}SPEED_MTS={speed}", f"{key}SERIAL_NUMBER=SN4SECRET", f"{key}ASSET_TAG=SN4SECRET",
        ]  # fmt: skip
    lines.append(f"E:MEMORY_ARRAY_NUM_DEVICES={len(places) + 1}")
    tree.put("/run/udev/data/+dmi:id", "\n".join(lines))


def structure(kind: int, handle: int, area: bytes, *strings: str) -> bytes:
    """One SMBIOS structure (DSP0134 3.4.0, 6.1)."""
    head = bytes([kind, 4 + len(area)]) + struct.pack("<H", handle)
    text = b"".join(s.encode() + b"\0" for s in strings) or b"\0"
    return head + area + text + b"\0"


def dump(table: bytes) -> bytes:
    """A table behind a 64-bit entry point (DSP0134 3.4.0, 5.2.2), as `dmidecode --from-dump` reads it."""
    head = bytearray(b"_SM3_\0\x18\x03\x04\x00\x01\x00" + struct.pack("<IQ", len(table), 0x20))
    head[5] = -sum(head) % 256
    return bytes(head).ljust(32, b"\0") + table


def place_area(array: int, mib: int | None, form: int, kind: int, speed: int) -> bytes:
    """Formatted area of type 17, after the header, as of SMBIOS 2.8 (DSP0134 3.4.0, 7.18)."""
    size, extended = (0xFFFF, 0) if mib is None else (mib, 0) if mib < 0x7FFF else (0x7FFF, mib)
    return struct.pack(
        "<HHHHHBBBBBHHBBBBBIHHHH",
        array, 0xFFFE, 64, 64, size, form, 0, 1, 2, kind, 0x80, speed, 3, 4, 5, 6, 1, extended, speed, 0, 0, 0,
    )  # fmt: skip


def array_area(most_kib: int, places: int, use: int = 3) -> bytes:
    """Formatted area of type 16, after the header (DSP0134 3.4.0, 7.17)."""
    short, extended = (most_kib, 0) if most_kib < 0x8000_0000 else (0x8000_0000, most_kib << 10)
    return struct.pack("<BBBIHHQ", 3, use, 3, short, 0xFFFE, places, extended)


def smbios_table(machine: dict) -> bytes:
    """A whole table, with the strings that a firmware has, serial numbers among them."""
    box = machine["box"]
    # Characteristics extension bytes: ACPI; UEFI is supported (bit 3 of the second).
    bios = struct.pack("<BBHBBQBBBBBB", 1, 2, 0xE000, 3, 0xFF, 0x08, 0x01, 0x08 if box["efi"] else 0, 1, 0, 0xFF, 0xFF)
    parts = [structure(0, 0, bios, "Firmware", "1.00", "01/02/2015")]
    system = struct.pack("<BBBB16sBBB", 1, 2, 3, 4, bytes(range(16)), 6, 0, 0)
    parts.append(structure(1, 1, system, box["maker"], box["product"], box["version"] or " ", "SN4SECRET"))
    chassis = struct.pack("<BBBBB", 1, box["chassis"] | 0x80, 2, 3, 4) + bytes([3, 3, 3, 2]) + bytes(8)
    parts.append(structure(3, 3, chassis, box["maker"], "x", "SN4SECRET", "SN4SECRET"))
    places = places_of(machine)
    parts.append(structure(16, 0x1000, array_area(machine["memory"]["most_gib"] << 20, len(places))))
    # Another array, not of system memory, must not be counted.
    parts.append(structure(16, 0x1001, array_area(16 << 10, 1, use=5)))
    parts.append(structure(17, 0x1101, place_area(0x1001, 16, 5, 9, 33), "BIOS flash", "x", "y", "SN4SECRET", "z", "p"))
    for i, (mib, form, kind, speed) in enumerate(places):
        area = place_area(0x1000, mib, FORMS[form], KINDS[kind], speed)
        strings = (f"ChannelA-DIMM{i}", f"BANK {i}", "Samsung", "SN4SECRET", "SN4SECRET", "M471A1G43DB0")
        parts.append(structure(17, 0x1100 + 16 * (i + 1), area, *strings))
    parts.append(structure(127, 0x7F00, b""))
    return b"".join(parts)


def _buses(tree: Tree, buses: dict) -> None:
    for line in buses.get("pci", ()):
        at, kind, ids, sub, driver = line.split()
        vendor, product = ids.split(":")
        sub_vendor, sub_product = sub.split(":")
        base, interface = kind.split(".")
        path = pci_path(at)
        tree.links[f"/sys/bus/pci/devices/{path.rpartition('/')[2]}"] = path
        tree.put(f"{path}/class", f"0x{base}{interface}")
        tree.put(f"{path}/vendor", f"0x{vendor}")
        tree.put(f"{path}/device", f"0x{product}")
        modalias = (
            f"pci:v0000{vendor}d0000{product}sv0000{sub_vendor}sd0000{sub_product}bc{base[:2]}sc{base[2:]}i{interface}"
        )
        head, _, tail = modalias.partition(":")
        tree.put(f"{path}/modalias", f"{head}:{_upper(tail)}")
        if driver != "-":
            tree.links[f"{path}/driver"] = f"/sys/bus/pci/drivers/{driver}"
        if at == buses.get("remapped"):
            tree.put(f"{path}/remapped_nvme", "1")
    for line in ("1-0:1.0 1d6b:0002 09.00.00 hub", *buses.get("usb", ())):
        at, ids, kind, driver = line.split()
        vendor, product = ids.upper().split(":")
        c, s, p = kind.upper().split(".")
        path = usb_path(at)
        tree.links[f"/sys/bus/usb/devices/{at}"] = path
        parent = path.rpartition("/")[0]
        tree.links[f"/sys/bus/usb/devices/{parent.rpartition('/')[2]}"] = parent
        tree.put(f"{parent}/idVendor", vendor.lower())
        tree.put(f"{parent}/serial", "SN4SECRET")
        tree.put(f"{path}/bInterfaceClass", c.lower())
        tree.put(f"{path}/modalias", f"usb:v{vendor}p{product}d0001dc00dsc00dp00ic{c}isc{s}ip{p}in{int(at[-1]):02X}")
        if driver != "-":
            tree.links[f"{path}/driver"] = f"/sys/bus/usb/drivers/{driver}"
        if driver == "uvcvideo":
            tree.links["/sys/class/video4linux/video0"] = f"{path}/video4linux/video0"
            tree.put(f"{path}/video4linux/video0/name", "Integrated Camera")
    for line in buses.get("sdio", ()):
        at, ids, driver = line.split()
        vendor, product = ids.upper().split(":")
        path = f"/sys/devices/platform/80860F14:02/mmc_host/mmc1/mmc1:0001/{at}"
        tree.links[f"/sys/bus/sdio/devices/{at}"] = path
        tree.put(f"{path}/modalias", f"sdio:c00v{vendor}d{product}")
        tree.links[f"{path}/driver"] = f"/sys/bus/sdio/drivers/{driver}"
    for number, line in enumerate(buses.get("nets", ())):
        at, kind, name = line.split()
        if at == "sdio":
            parent = tree.links["/sys/bus/sdio/devices/mmc1:0001:1"]
        else:
            parent = usb_path(at[4:]) if at.startswith("usb:") else pci_path(at)
        _net(tree, parent, name, kind, number)
    tree.put("/sys/devices/virtual/net/lo/type", "772")
    tree.links["/sys/class/net/lo"] = "/sys/devices/virtual/net/lo"


def _upper(tail: str) -> str:
    """Hexadecimal digits of a PCI modalias in capitals, its field names not."""
    numbers = tail[1:9], tail[10:18], tail[20:28], tail[30:38], tail[40:42], tail[44:46], tail[47:49]
    return "v{}d{}sv{}sd{}bc{}sc{}i{}".format(*(number.upper() for number in numbers))


def _net(tree: Tree, parent: str, name: str, kind: str, number: int) -> None:
    path = f"{parent}/net/{name}"
    tree.links[f"/sys/class/net/{name}"] = path
    tree.links[f"{path}/device"] = parent
    tree.put(f"{path}/type", "1")
    tree.put(f"{path}/ifindex", number + 2)
    tree.put(f"{path}/address", "02:5e:c2:e7:00:01")
    if kind == "wireless":
        phy = f"{parent}/ieee80211/phy0"
        tree.links[f"{path}/phy80211"] = phy
        tree.put(f"{phy}/macaddress", "02:5e:c2:e7:00:01")


def _disk(tree: Tree, disk: dict, number: int) -> None:
    name = disk["name"]
    size = disk.get("sectors", sectors_of(disk["gb"]) if "gb" in disk else 0)
    if name.startswith("nvme"):
        controller = f"{pci_path(disk['on'])}/nvme/nvme0"
        home = "/sys/devices/virtual/nvme-subsystem/nvme-subsys0" if disk.get("virtual_path") else controller
        path, device = f"{home}/{name}", home
        tree.links["/sys/class/nvme/nvme0"] = controller
        for place in {home, controller}:
            tree.put(f"{place}/model", f"{disk['model']:<40}")
            tree.put(f"{place}/serial", "SN4SECRET")
        if home != controller:
            hidden = f"{controller}/nvme0c0n1"
            tree.links["/sys/class/block/nvme0c0n1"] = hidden
            tree.put(f"{hidden}/hidden", "1")
            tree.put(f"{hidden}/size", size)
    elif name.startswith("mmcblk"):
        host = f"mmc{name[6]}"
        device = f"/sys/devices/platform/80860F14:0{name[6]}/mmc_host/{host}/{host}:0001"
        path = f"{device}/block/{name}"
        tree.put(f"{device}/type", disk["card"])
        tree.put(f"{device}/name", disk["model"])
        tree.put(f"{device}/serial", "0x5ec2e700SN4SECRET")
        tree.put(f"{device}/life_time", disk.get("life"))
        if disk["card"] == "MMC":
            boot = f"{device}/block/{name}boot0"
            tree.links[f"/sys/class/block/{name}boot0"] = boot
            tree.put(f"{boot}/size", 8192)
            tree.put(f"{boot}/dev", f"179:{16 * number + 8}")
            tree.put(f"{boot}/queue/rotational", "0")
            tree.links[f"/sys/dev/block/179:{16 * number + 8}"] = tree.links[f"/sys/block/{name}boot0"] = boot
    else:
        home = usb_path("1-3:1.0") if disk.get("usb") else f"{pci_path(disk['on'])}/ata{number + 1}"
        device = f"{home}/host{number}/target{number}:0:0/{number}:0:0:0"
        path = f"{device}/block/{name}"
        tree.put(f"{device}/model", f"{disk.get('model', ''):<16}")
    tree.links[f"{path}/device"] = device
    tree.links[f"/sys/class/block/{name}"] = path
    tree.put(f"{path}/size", size)
    major = 259 if name.startswith("nvme") else 179 if name.startswith("mmcblk") else 8
    tree.put(f"{path}/dev", f"{major}:{16 * number}")
    tree.links[f"/sys/dev/block/{major}:{16 * number}"] = tree.links[f"/sys/block/{name}"] = path
    tree.put(f"{path}/removable", int(disk.get("removable", False)))
    tree.put(f"{path}/queue/rotational", int(disk.get("spinning", False)))
    if size:
        part = f"{path}/{name}{'p' if name[-1].isdigit() else ''}1"
        tree.links[f"/sys/class/block/{part.rpartition('/')[2]}"] = part
        tree.put(f"{part}/partition", "1")
        tree.put(f"{part}/size", size - 2048)
        tree.put(f"{part}/start", 2048)
        tree.put(f"{part}/dev", f"{major}:{16 * number + 1}")
        tree.links[f"/sys/dev/block/{major}:{16 * number + 1}"] = part
    if "udev_model" in disk:
        udev = (
            f"E:ID_MODEL={disk['udev_model']}\nE:ID_SERIAL={disk['udev_model']}_SN4SECRET\nE:ID_SERIAL_SHORT=SN4SECRET"
        )
        tree.put(f"/run/udev/data/b8:{16 * number}", udev)


def edid(width: int, height: int, mm: tuple[int, int]) -> bytes:
    """An EDID 1.4 base block with one detailed timing and serial numbers (VESA E-EDID A2, 3)."""
    block = bytearray(128)
    block[0:8] = b"\x00\xff\xff\xff\xff\xff\xff\x00"
    block[8:10] = b"\x06\xaf"
    block[12:16] = b"SN4S"
    block[18:20] = b"\x01\x04"
    block[20:23] = bytes([0x95, mm[0] // 10, mm[1] // 10])
    timing = bytearray(18)
    timing[0:2] = (7020).to_bytes(2, "little")
    timing[2], timing[4] = width & 0xFF, (width >> 8) << 4
    timing[5], timing[7] = height & 0xFF, (height >> 8) << 4
    timing[12], timing[13], timing[14] = mm[0] & 0xFF, mm[1] & 0xFF, (mm[0] >> 8) << 4 | mm[1] >> 8
    timing[17] = 0x1A
    block[54:72] = timing
    block[72:90] = b"\x00\x00\x00\xff\x00SN4SECRET\n   "
    block[127] = -sum(block) % 256
    return bytes(block)


def _panel(tree: Tree, panel: dict | None, buses: dict) -> None:
    graphics = [line.split()[0] for line in buses.get("pci", ()) if line.split()[1].startswith("03")]
    if not graphics:
        return
    card = f"{pci_path(graphics[0])}/drm/card0"
    tree.links["/sys/class/drm/card0"] = card
    other = f"{card}/card0-HDMI-A-1"
    tree.links["/sys/class/drm/card0-HDMI-A-1"] = other
    tree.put(f"{other}/status", "connected")
    tree.put(f"{other}/edid", edid(2560, 1440, (597, 336)))
    tree.put(f"{other}/modes", "2560x1440\n1920x1080")
    if panel is None:
        return
    path = f"{card}/card0-{panel['connector']}"
    tree.links[f"/sys/class/drm/card0-{panel['connector']}"] = path
    tree.put(f"{path}/status", "connected")
    if "size" in panel:
        width, height = panel["size"]
        tree.put(f"{path}/edid", edid(width, height, tuple(panel["mm"])))
        tree.put(f"{path}/modes", f"{width}x{height}\n1024x768\n800x600")
    else:
        tree.put(f"{path}/edid", b"")
        tree.put(f"{path}/modes", f"{panel['mode']}\n1024x768")


def _input(tree: Tree, buses: dict) -> None:
    # properties, ev, key, abs as the kernel prints them on a 64-bit machine; bits of input-event-codes.h
    kinds = [("0", "120013", "402000000 3803078f800d001 feffffdfffefffff fffffffffffffffe", "0")]
    kinds.append(("5", "b", "e520 10000 0 0 0 0", "2e0800000000003"))
    if buses.get("touch"):
        kinds.append(("2", "b", "400 0 0 0 0 0", "260800000000003"))
    if buses.get("pen"):
        kinds.append(("2", "b", "c03 0 0 0 0 0", "1000003"))
    for number, (properties, ev, key, axes) in enumerate(kinds):
        path = f"/sys/devices/platform/i8042/serio{number}/input/input{number}"
        tree.links[f"/sys/class/input/input{number}"] = path
        tree.put(f"{path}/properties", properties)
        tree.put(f"{path}/uniq", "02:5e:c2:e7:00:01")
        for name, value in (("ev", ev), ("key", key), ("abs", axes)):
            tree.put(f"{path}/capabilities/{name}", value)


def _battery(tree: Tree, battery: dict, number: int) -> None:
    path = f"/sys/devices/LNXSYSTM:00/LNXSYBUS:00/PNP0C0A:0{number}/power_supply/BAT{number}"
    tree.links[f"/sys/class/power_supply/BAT{number}"] = path
    tree.put(f"{path}/type", "Battery")
    tree.put(f"{path}/present", "1")
    tree.put(f"{path}/serial_number", "SN4SECRET")
    for measure in ("energy", "charge"):
        if measure in battery:
            tree.put(f"{path}/{measure}_full", battery[measure][0])
            tree.put(f"{path}/{measure}_full_design", battery[measure][1])
    tree.put(f"{path}/cycle_count", battery.get("cycles"))


def _mouse_battery(tree: Tree) -> None:
    """A mouse and a pen: their batteries are not the unit's, and the names hold an address and a serial number.

    Linux 6.12, drivers/hid/hid-input.c: "hid-%s-battery" with the device's unique id.
    """
    for number, name in enumerate(("hid-02:5e:c2:e7:00:01-battery", "hid-SN4SECRET-battery")):
        path = f"/sys/devices/virtual/misc/uhid/0005:046D:B013.000{number}/power_supply/{name}"
        tree.links[f"/sys/class/power_supply/{name}"] = path
        tree.put(f"{path}/type", "Battery")
        tree.put(f"{path}/scope", "Device")
        tree.put(f"{path}/charge_full", 10)
        tree.put(f"{path}/charge_full_design", 100)
