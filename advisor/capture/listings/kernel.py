"""The kernel's own log, from `dmesg` or `journalctl -k`: devices, processor, memory, disks and firmware not found."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, field, replace

from advisor.capture.listings.kinds import ListingKind, Section
from advisor.capture.listings.pci import SLOT, known
from advisor.capture.machine import bytes_of, clean
from advisor.capture.machine_facts import Box, BusDevice, Disk, MachineFacts, Memory, Processor
from advisor.phrases import few

_STAMP = re.compile(
    r"\s{0,4}(?:(?:\w{3} [ \d]\d [\d:]{8}|\d{4}-\d\d-\d\dT\S{8,32}) \S{1,64} kernel: ?)?"
    r"(?:\[(?:\s{0,8}\d{1,9}\.\d{3,6}|\w{3} \w{3} [ \d]\d [\d:]{8} \d{4})\](?:\[\s*[TC]\d+\])? ?)?"
)
_LOADS = re.compile(r"Direct firmware load for (\S{3,120}) failed|firmware: failed to load (\S{3,120}) \(")
_START = re.compile(
    r"\s{0,4}(?:\w{3} [ \d]\d [\d:]{8} \S{1,64} kernel: |\d{4}-\d\d-\d\dT\S{8,32} \S{1,64} kernel: "
    r"|\[\s{0,8}\d{1,9}\.\d{3,6}\]|\[\w{3} \w{3} [ \d]\d [\d:]{8} \d{4}\]|.{0,80}Direct firmware load for \S)"
)
_PCI = re.compile(rf"pci ({SLOT}): \[([0-9a-f]{{4}}):([0-9a-f]{{4}})\] type [0-9a-f]{{2}} class 0x([0-9a-f]{{6}})")
_WIFI = re.compile(rf"iwlwifi ({SLOT}): PCI dev ([0-9a-f]{{4}})/([0-9a-f]{{4}})")
_USB = re.compile(r"usb \S{1,12}: New USB device found, idVendor=([0-9a-f]{4}), idProduct=([0-9a-f]{4})")
_CPU = re.compile(
    r"(?:smpboot: )?CPU0: (.{6,80}?)(?: \(family: 0x([0-9a-f]{1,3}), model: 0x([0-9a-f]{1,3}), "
    r"stepping: 0x([0-9a-f]{1,2})\)| stepping ([0-9a-f]{2}))\s*\Z"
)
_MEMORY = re.compile(r"Memory: \d{4,12}[Kk]/(\d{4,12})[Kk] available")
_DMI = re.compile(r"DMI: (.{3,120}?)(?:/[^/,]{1,40})?, BIOS ")
_MAKERS = ("Hewlett-Packard", "HP", "LENOVO", "Dell Inc.", "Dell Computer Corporation", "ASUSTeK COMPUTER INC.",
           "ASUSTeK Computer Inc.", "Acer", "TOSHIBA", "FUJITSU SIEMENS", "FUJITSU", "FUJITSU CLIENT COMPUTING LIMITED",
           "SAMSUNG ELECTRONICS CO., LTD.", "Sony Corporation", "Apple Inc.", "Microsoft Corporation",
           "Gigabyte Technology Co., Ltd.", "Micro-Star International Co., Ltd.", "Panasonic Corporation",
           "Intel Corporation")  # fmt: skip
"""Makers as their firmware spells them, to part the kernel's 'maker model'; from memory."""
_ATA = re.compile(r"(ata\d{1,2}\.\d\d): ATA-\S{1,4}: (.{3,40}?), ")
_SECTORS = re.compile(r"(ata\d{1,2}\.\d\d): (\d{5,15}) sectors, ")
_SCSI = re.compile(r"sd \S{3,12}: \[(sd[a-z]{1,2})\] (?:(\d{5,15}) 512-byte (?:logical blocks|hardware sectors)|"
                   r"(Attached SCSI removable disk))")  # fmt: skip
_NVME = re.compile(r"(?:nvme \S{4,8}: pci function|(nvme\d{1,2}n\d{1,2}): p\d)")
_CARD = re.compile(r"(mmc\d{1,2}): new .{0,60}?(MMC|SD\w{0,4}) card")
_MMC = re.compile(r"(mmcblk\d{1,2}): (mmc\d{1,2}):\S{1,8} .{0,24}?(\d{1,4}(?:\.\d{1,2})? (?:GiB|MiB))")
_AHCI = re.compile(rf"ahci ({SLOT}): ")
_EFI = re.compile(r"efi: EFI v\d|EFI v\d\.\d+ by ")
_SECURE = re.compile(r"[Ss]ecure ?[Bb]oot (enabled|disabled)")
MOST_FILES = 12


@dataclass
class _Log:
    devices: list[BusDevice] = field(default_factory=list)
    named: list[BusDevice] = field(default_factory=list)
    disks: dict[str, Disk] = field(default_factory=dict)
    cards: dict[str, str] = field(default_factory=dict)
    files: dict[str, None] = field(default_factory=dict)
    processor: Processor = field(default_factory=Processor)
    box: Box = field(default_factory=Box)
    seen_kib: int | None = None


def read(section: Section) -> MachineFacts:
    """Read the kernel's log."""
    log = _Log()
    for at, line in enumerate(section.lines):
        stamp = _STAMP.match(line)
        text = line[stamp.end() if stamp else 0 :][:400]
        rest = itertools.takewhile(lambda one: one.strip() and not _START.match(one), section.lines[at + 1 : at + 4])
        if text.strip() and _START.match(line):
            _message(" ".join([text.rstrip(), *(one.strip() for one in rest)]) if not _closed(text) else text, log)
    # What the driver of the disk says and what the block layer says of it are one disk: they count the same sectors.
    sizes = [disk.size for name, disk in log.disks.items() if name.startswith("ata")]
    disks = [disk for name, disk in log.disks.items() if not (name.startswith("sd") and disk.size in sizes)]
    missing = f"the kernel asked for firmware that it did not find: {few(list(log.files), MOST_FILES)}"
    return MachineFacts(
        processor=log.processor,
        box=log.box,
        memory=Memory(seen_kib=log.seen_kib),
        devices=tuple(log.devices) or None,
        named=tuple(dict.fromkeys(log.named)),
        disks=tuple(disks) or None,
        firmware=tuple(log.files),
        care={"firmware": missing} if log.files else {},
    )


def _closed(text: str) -> bool:
    """Whether a message is whole as it stands: one that a mail broke is long, and says nothing yet."""
    return len(text) < 40 or bool(_LOADS.search(text) or _CPU.match(text) or _ATA.match(text) or _DMI.match(text))


def _message(text: str, log: _Log) -> None:
    loads = _LOADS.search(text)
    if loads:
        log.files.setdefault((loads[1] or loads[2]).rstrip(".,"))
    elif found := _PCI.match(text):
        kind = int(found[4], 16)
        made = known(int(found[2], 16), int(found[3], 16), kind >> 8, interface=kind & 0xFF)
        log.devices.append(replace(made, at=found[1]))
    elif found := _WIFI.match(text):
        made = known(0x8086, int(found[2], 16), 0x0280, sub=(0x8086, int(found[3], 16)))
        log.devices.append(replace(made, at=found[1], driver="iwlwifi"))
    elif found := _USB.match(text):
        if found[1] != "1d6b":
            log.devices.append(BusDevice("usb", int(found[1], 16), int(found[2], 16)))
    elif found := _AHCI.match(text):
        log.named.append(BusDevice("pci", kind=0x0106, at=found[1], driver="ahci"))
    elif (found := _CPU.match(text)) and log.processor.name is None:
        family, model, stepping, old = (int(one, 16) if one else None for one in found.groups()[1:])
        stepping = old if stepping is None else stepping
        log.processor = Processor(name=clean(found[1]), family=family, model=model, stepping=stepping)
    elif found := _MEMORY.match(text):
        log.seen_kib = int(found[1])
    elif found := _DMI.match(text):
        maker = next((one for one in sorted(_MAKERS, key=len, reverse=True) if found[1].startswith(one + " ")), None)
        log.box = replace(log.box, maker=maker, product=clean(found[1][len(maker) if maker else 0 :], 80))
    elif _EFI.match(text):
        log.box = replace(log.box, efi=True)
    elif found := _SECURE.search(text):
        log.box = replace(log.box, secure_boot=found[1] == "enabled")
    else:
        _disk(text, log)


def _disk(text: str, log: _Log) -> None:
    if found := _ATA.match(text):
        log.disks[found[1]] = replace(log.disks.get(found[1], Disk(found[1])), link="ata", model=clean(found[2], 60))
    elif found := _SECTORS.match(text):
        log.disks[found[1]] = replace(log.disks.get(found[1], Disk(found[1], link="ata")), size=int(found[2]) * 512)
    elif found := _SCSI.match(text):
        before = log.disks.get(found[1], Disk(found[1]))
        size = int(found[2]) * 512 if found[2] else before.size
        log.disks[found[1]] = replace(before, size=size, removable=bool(found[3]) or before.removable)
    elif found := _NVME.match(text):
        name = found[1] or "nvme0n1"
        log.disks.setdefault(name, Disk(name, link="nvme", spinning=False))
    elif found := _CARD.match(text):
        log.cards[found[1]] = "mmc" if found[2] == "MMC" else "sd"
    elif found := _MMC.match(text):
        log.disks.setdefault(found[1], Disk(found[1], bytes_of(found[3]), log.cards.get(found[2], "sd"), False))


def _goes_on(line: str, lines: list[str]) -> bool:
    return not line.strip() or (len(lines[-1]) >= 55 and len(line) <= 80 and bool(_START.match(lines[-1])))


DMESG = ListingKind("the kernel's log", _START.match, _goes_on, read)
