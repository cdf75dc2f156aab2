"""`lsblk`: plain, with -o, -b or -P, and with -J."""

from __future__ import annotations

import re
from typing import Any

from advisor.capture.listings.kinds import ListingKind, Section
from advisor.capture.machine import bytes_of, clean
from advisor.capture.machine_facts import Disk, MachineFacts

MOST_DISKS = 64
_LINKS = {"nvme": "nvme", "sata": "ata", "ata": "ata", "usb": "usb", "mmc": "mmc", "virtio": "virtio", "sas": "scsi"}
_NAME = re.compile(r"[\w!/.-]{1,60}")
_DISK = re.compile(r"(?:sd[a-z]{1,2}|hd[a-z]|vd[a-z]|xvd[a-z]|nvme\d{1,2}n\d{1,2}|mmcblk\d{1,2}(?:boot\d)?)\Z")
_TREE = re.compile(r"[\s├└│─|`?.-]{0,20}")
_TYPES = r"(?:disk|part|loop|rom|lvm|crypt|dm|md|mpath|raid\d{1,2}|linear)"
_PLACE = r"(?:/\S*|\[SWAP\])"
_CELLS = {
    "MAJ:MIN": r"\d{1,4}:\d{1,6}", "RM": "[01]", "RO": "[01]", "ROTA": "[01]", "HOTPLUG": "[01]", "RAND": "[01]",
    "SIZE": r"\d[\d.,]{0,20}[BKMGTPE]?", "TYPE": _TYPES, "TRAN": r"(?:sata|nvme|usb|ata|mmc|sas|fc|spi|iscsi|virtio)",
    "HCTL": r"\d{1,3}:\d{1,3}:\d{1,3}:\d{1,5}", "STATE": r"(?:running|live|suspended|offline)",
    "MOUNTPOINT": _PLACE, "MOUNTPOINTS": _PLACE,
    "FSTYPE": r"(?:ext[234]|[vx]?fat|exfat|ntfs|btrfs|xfs|f2fs|swap|crypto_LUKS|iso9660|squashfs|\w{2,12}_member)",
}  # fmt: skip
"""How a cell of a column looks, where that is certain."""


def read_rows(rows: Any) -> MachineFacts:
    """Read what stands under "blockdevices" in `lsblk -J`, best with -b and -O."""
    if not isinstance(rows, list):
        return MachineFacts()
    kept = [row for row in rows[:1000] if isinstance(row, dict) and isinstance(row.get("name"), str)]
    return _disks([{key.upper(): value for key, value in row.items() if isinstance(key, str)} for row in kept])


def _disks(rows: list[dict[str, Any]]) -> MachineFacts:
    from advisor.capture.storage import NOT_A_DISK

    names = {row["NAME"].removeprefix("/dev/") for row in rows if bytes_of(row.get("SIZE")) != 0}
    disks = []
    for row in rows:
        name = row["NAME"].removeprefix("/dev/")
        kind = row.get("TYPE") or ("disk" if _DISK.match(name) else "")
        if not _NAME.fullmatch(name) or kind != "disk" or NOT_A_DISK.match(name):
            continue
        size = bytes_of(row.get("SIZE"))
        if size == 0:
            continue
        model, vendor = row.get("MODEL"), row.get("VENDOR")
        named = clean(model.replace("_", " "), 60) if isinstance(model, str) else None
        link = _link(name, row.get("TRAN"), names) or ("ata" if str(vendor).strip() == "ATA" else None)
        spinning, removable = _truth(row.get("ROTA")), _truth(row.get("RM"))
        disks.append(Disk(name=name, size=size, link=link, spinning=spinning, removable=removable, model=named))
    return MachineFacts(disks=tuple(disks[:MOST_DISKS]))


def _link(name: str, transport: Any, names: set[str]) -> str | None:
    if name.startswith("mmcblk"):
        # Every eMMC since 4.3 (JESD84-A43) has boot partitions, which lsblk lists beside it; a card has none. Where it
        # is the only disk that is listed, the listing may be cut short.
        others = any("boot0" in one or (_DISK.match(one) and not one.startswith("mmcblk")) for one in names)
        return "mmc" if f"{name}boot0" in names else "sd" if others else None
    if isinstance(transport, str) and transport in _LINKS:
        return _LINKS[transport]
    if name.startswith("nvme"):
        return "nvme"
    if name.startswith("hd"):
        return "ata"
    return "virtio" if name.startswith(("vd", "xvd")) else None


def _truth(value: Any) -> bool | None:
    if isinstance(value, bool):
        return value
    return {"1": True, "0": False, 1: True, 0: False}.get(value) if isinstance(value, str | int) else None


_HEADER = re.compile(r"\s{0,8}(?:NAME|KNAME|PATH)\s(?:\s{0,80}[A-Z][A-Z:-]{1,11}){1,40}\s*\Z")
_PAIRS = re.compile(r'(?:K?NAME|PATH)="[^"]{1,60}"')
_PAIR = re.compile(r'([A-Z:-]{2,12})="([^"]{0,200})"')


def read(section: Section) -> MachineFacts:
    """Read the table, or the pairs, that lsblk prints."""
    rows: list[dict[str, Any]] = []
    columns: list[tuple[str, int, int]] = []
    for line in section.lines:
        if _HEADER.match(line):
            columns = [(found[0], found.start(), found.end()) for found in re.finditer(r"\S+", line)]
        elif _PAIRS.match(line.strip()):
            rows.append(dict(_PAIR.findall(line)))
        elif columns and line.strip():
            rows.append(_cells(line, columns))
    for row in rows:
        row.setdefault("NAME", row.get("KNAME") or row.get("PATH") or "")
    # That no row is a disk's says little: the paste may have lost it.
    found = _disks(rows)
    return found if found.disks else MachineFacts()


def _cells(line: str, columns: list[tuple[str, int, int]]) -> dict[str, Any]:
    """Cells of a row: by where they stand under their headers, or by their looks where blanks were lost."""
    lead = _TREE.match(line)
    start = lead.end() if lead else 0
    first = line[start:].split(" ", 1)[0]
    cells: dict[str, Any] = {columns[0][0]: first if not start else f"-{first}"}
    rest = " " * (start + len(first)) + line[start + len(first) :]
    placed = _by_place(rest, columns[1:])
    fits = all(re.fullmatch(_CELLS[name], cell) for name, cell in placed.items() if name in _CELLS and cell)
    wanted = {name for name, _, _ in columns} & {"TYPE", "SIZE"}
    if not fits or not all(placed.get(name) for name in wanted):
        placed = _by_looks(rest, [name for name, _, _ in columns[1:]]) or (placed if fits else {})
    return cells | placed


def _by_place(rest: str, columns: list[tuple[str, int, int]]) -> dict[str, str]:
    """Words by the header that they reach under; of two, the header that begins nearest."""
    cells: dict[str, str] = {}
    for found in re.finditer(r"\S+(?: \S+)*", rest):
        under = [name for name, start, end in columns if found.start() < end and start < found.end()]
        if len(under) == 1:
            cells[under[0]] = found[0]
            continue
        for word in re.finditer(r"\S+", found[0]):
            at, stop = found.start() + word.start(), found.start() + word.end()
            near = min(columns, key=lambda column: min(abs(column[1] - at), abs(column[2] - stop)))
            cells[near[0]] = f"{cells[near[0]]} {word[0]}" if near[0] in cells else word[0]
    return cells


def _by_looks(rest: str, columns: list[str]) -> dict[str, str]:
    parts = [rf"(?:\s+(?P<c{at}>{_CELLS.get(name, '[^ ].*?')}))?" for at, name in enumerate(columns)]
    found = re.fullmatch("".join(parts) + r"\s*", rest[:400]) if len(columns) <= 12 else None
    return {name: found[f"c{at}"] for at, name in enumerate(columns) if found[f"c{at}"]} if found else {}


def _goes_on(line: str, lines: list[str]) -> bool:
    if not line.strip():
        return False
    if _PAIRS.match(lines[-1].strip()):
        return bool(_PAIRS.match(line.strip()))
    lead = _TREE.match(line)
    word = line[lead.end() if lead else 0 :].split(" ", 1)[0]
    return bool(lead and lead.end()) or bool(re.fullmatch(r"[a-z]{2,8}\d{0,3}[a-z0-9]{0,12}(?:[-.]\S*)?", word))


LSBLK = ListingKind("lsblk", re.compile(rf"{_HEADER.pattern}|{_PAIRS.pattern}").match, _goes_on, read)
