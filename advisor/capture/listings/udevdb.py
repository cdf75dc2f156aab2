"""`udevadm info --export-db`: turned into a recording of sysfs, so that the same probes read it."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable, Iterator
from dataclasses import replace

from advisor.capture.listings.kinds import ListingKind, Section, blank_or
from advisor.capture.machine import RecordedMachine, pairs, parts, whole
from advisor.capture.machine_facts import MachineFacts, Processor

_CPU = re.compile(r"cpu:type:x86,ven([0-9A-F]{4})fam([0-9A-F]{4})mod([0-9A-F]{4}):")
# Linux 6.12, arch/x86/include/asm/processor.h: X86_VENDOR_*
_VENDORS = {0: "GenuineIntel", 2: "AuthenticAMD", 5: "CentaurHauls", 9: "HygonGenuine", 10: "  Shanghai  "}

MOST_DEVICES = 4000
"""Devices of the subsystems that matter; a large server has some hundreds."""
_BLANK = re.compile(r"\s")

_ON_BUS = frozenset({"pci", "usb", "sdio", "virtio", "acpi"})
_IN_CLASS = frozenset({"block", "net", "input", "drm", "video4linux", "power_supply", "tpm", "nvme", "dmi"})
_DMI_PARTS = {"svn": "sys_vendor", "pn": "product_name", "pvr": "product_version", "ct": "chassis_type"}


def read(section: Section) -> MachineFacts:
    """Run the probes on what udev knows: without sizes of disks, which udev does not keep, and without screen."""
    from advisor.capture.live import gather

    files: dict[str, bytes] = {}
    links: dict[str, str] = {}
    folders: set[str] = set()
    processor = Processor()
    cards: dict[str, str] = {}
    for path, properties in _blocks(section.lines):
        if len(links) > MOST_DEVICES:
            break
        if "MMC_TYPE" in properties:
            cards["/sys" + path] = properties["MMC_TYPE"]
        found = _CPU.match(properties.get("MODALIAS", "")[:60])
        if found:
            vendor = _VENDORS.get(int(found[1], 16))
            processor = Processor(vendor=vendor, family=int(found[2], 16), model=int(found[3], 16))
            continue
        _plant("/sys" + path, properties, files, links, folders)
    for link in [path for path in links if path.startswith("/sys/class/block/mmcblk")]:
        disk = links[link]
        files[f"{disk}/device/type"] = cards.get(posixpath.dirname(posixpath.dirname(disk)), "").encode()
    machine = RecordedMachine(files, links, {}, sorted(folders))
    facts = gather(machine)
    # What udev does not keep is no fault of the machine, so the probes' reasons would mislead.
    kept = {name: reason for name, reason in facts.why.items() if name == "camera"}
    panel = facts.panel if "/sys/class/input" in folders else replace(facts.panel, touch=None)
    return replace(facts, processor=processor, why=kept, panel=panel, box=replace(facts.box, tpm=_tpm(facts, folders)))


def _tpm(facts: MachineFacts, folders: set[str]) -> str | None:
    return facts.box.tpm if "/sys/class/tpm" in folders and facts.box.tpm != "none" else None


def _blocks(lines: list[str]) -> Iterator[tuple[str, dict[str, str]]]:
    for part in parts(lines, lambda line, _: line.startswith("P: ")):
        path = part[0].removeprefix("P: ").strip()
        if not path.startswith("/devices/") or len(path) >= 400 or "/../" in path or _BLANK.search(path):
            continue
        known = pairs((line[3:] for line in part if line.startswith("E: ")), "=")
        yield path, {key: value[:2000] for key, value in known.items() if len(key) < 80}


def _plant(
    path: str, properties: dict[str, str], files: dict[str, bytes], links: dict[str, str], folders: set[str]
) -> None:
    subsystem, name = properties.get("SUBSYSTEM", ""), posixpath.basename(path)

    def put(attribute: str, value: str | None) -> None:
        if value:
            files[f"{path}/{attribute}"] = value.encode("utf-8", "replace")

    if subsystem in _ON_BUS:
        folder = f"/sys/bus/{subsystem}/devices"
    elif subsystem in _IN_CLASS:
        folder = f"/sys/class/{subsystem}"
    else:
        return
    folders |= {folder, path}
    links[f"{folder}/{name}"] = path
    if "DRIVER" in properties and "/" not in properties["DRIVER"]:
        links[f"{path}/driver"] = f"/sys/bus/{subsystem}/drivers/{properties['DRIVER']}"
    put("modalias", properties.get("MODALIAS"))
    if subsystem == "pci" and re.fullmatch(r"[0-9A-Fa-f]{1,6}", properties.get("PCI_CLASS", "")):
        put("class", f"0x{properties['PCI_CLASS'].lower():0>6}")
    elif subsystem == "usb":
        interface = whole(properties.get("INTERFACE", "").partition("/")[0])
        if properties.get("DEVTYPE") == "usb_interface" and interface is not None:
            put("bInterfaceClass", f"{interface:02x}")
    elif subsystem == "block":
        _plant_disk(path, properties, put)
    elif subsystem == "net":
        put("type", "1" if properties.get("DEVTYPE") not in ("wwan", "bluetooth") else None)
        if properties.get("DEVTYPE") == "wlan":
            folders.add(f"{path}/phy80211")
    elif subsystem == "power_supply":
        for key, value in properties.items():
            if key.startswith("POWER_SUPPLY_") and key != "POWER_SUPPLY_SERIAL_NUMBER":
                put(key.removeprefix("POWER_SUPPLY_").lower(), value)
    elif subsystem == "dmi":
        _plant_dmi(properties.get("MODALIAS", ""), put)
    if subsystem in ("input", "dmi"):
        kept = [
            f"E:{key}={value}\n" for key, value in properties.items() if key.startswith(("ID_INPUT_TOUCH", "MEMORY_"))
        ]
        if kept:
            files[f"/run/udev/data/+{subsystem}:{name}"] = "".join(kept).encode("utf-8", "replace")


def _plant_disk(path: str, properties: dict[str, str], put: Callable[[str, str | None], None]) -> None:
    if properties.get("DEVTYPE") == "partition":
        put("partition", "1")
        return
    rate = whole(properties.get("ID_ATA_ROTATION_RATE_RPM"))
    if rate is not None:
        put("queue/rotational", "1" if rate else "0")
    elif "/nvme" in path or "/mmc_host/" in path:
        put("queue/rotational", "0")
    put("device/model", properties.get("ID_MODEL", "").replace("_", " "))
    if "/mmc_host/" in path:
        put("device/name", properties.get("ID_NAME"))


def _plant_dmi(modalias: str, put: Callable[[str, str | None], None]) -> None:
    for part in modalias.removeprefix("dmi:").split(":"):
        for key, attribute in _DMI_PARTS.items():
            if part.startswith(key) and not part.startswith("pnr"):
                put(attribute, part[len(key) :])


UDEV = ListingKind(
    "udevadm info --export-db", re.compile(r"P: /devices/").match,
    blank_or(r"[A-Z]: "), read,
)  # fmt: skip
