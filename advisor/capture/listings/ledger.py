"""What became of each part of a text, and what to ask for."""

from __future__ import annotations

from advisor.capture.listings.kinds import Section
from advisor.capture.listings.sections import BROKEN
from advisor.capture.machine import clean
from advisor.capture.machine_facts import MachineFacts
from advisor.phrases import joined
from advisor.unit import PORTABLE, Capture, StorageKind

MOST_ENTRIES = 60


def told_of(kind: str, facts: MachineFacts) -> str:
    """What a listing of a kind gave."""
    gave = ", ".join(_gave(facts))
    reason = "; ".join(facts.why.values()) or "nothing in it is of use here"
    return f"{kind}, gave {gave}" if gave else f"{kind}, left, {reason}"


def left(part: Section) -> str:
    """What is said of lines that are no listing: none of what stands in them, as a capture keeps this and is handed on.

    Lines of networks with their keys are pasted along, and a command's own words may hold a password.
    """
    if part.command == BROKEN:
        return f"left, {BROKEN}"
    program = next((word for word in str(clean(part.command, 40) or "").split() if word != "sudo"), "")
    return f"left, what '{program}' gave is not read" if program else "left, no listing that is known"


def _gave(facts: MachineFacts) -> tuple[str, ...]:
    processor, box, memory, panel = facts.processor, facts.box, facts.memory, facts.panel
    listed, named = facts.devices or (), [one for one in facts.named if one.name]
    counted = (
        (len(listed), "device", "devices"), (len(named), "name of a device", "names of devices"),
        (len(facts.disks or ()), "disk", "disks"), (len(facts.batteries or ()), "battery", "batteries"),
        (len(memory.modules or ()), "memory place", "memory places"),
        (len(facts.firmware), "firmware file that is missing", "firmware files that are missing"),
    )  # fmt: skip
    told_facts = [f"{count} {one if count == 1 else many}" for count, one, many in counted if count]
    single = (
        (processor.name or processor.model or processor.flags, "processor"), (box.product or box.maker, "model"),
        (memory.seen_kib, "memory in use"), (panel.width, "screen"), (panel.touch is not None, "touch"),
        (panel.camera is not None, "camera"), (box.efi is not None, "boot mode"), (box.chassis, "kind of box"),
    )  # fmt: skip
    return (*told_facts, *(word for value, word in single if value))


def told(entries: list[tuple[Section, str]]) -> list[str]:
    """What became of each part of a text, in order; beyond `MOST_ENTRIES` only their number."""
    lines = []
    for part, said in sorted(entries, key=lambda entry: (entry[0].source, entry[0].first))[:MOST_ENTRIES]:
        where = f"lines {part.first} to {part.last}" if part.last > part.first else f"line {part.first}"
        place = ", ".join(one for one in (part.source, where if part.first else "") if one)
        lines.append(f"{place}: {said}")
    rest = len(entries) - MOST_ENTRIES
    return [*lines, f"and {rest} more parts"] if rest > 0 else lines


_ASKED = (
    (("cpu",), "the processor", "lscpu"),
    (("ram_gib",), "the memory", "free"),
    (("ram_slots_free",), "free memory slots", "dmidecode"),
    (("storage_kind", "storage_gib"), "the disk", "lsblk -O -J"),
    (("devices", "graphics", "ethernet"), "ids of devices", "lspci -nnk"),
    (("wireless",), "Wi-Fi", "lspci -nnk; lsusb"),
    (("storage_health_pct",), "the disk's health", "smartctl -x /dev/DISK"),
)


def missing(capture: Capture) -> str:
    """Say in one paragraph what a capture still lacks, and the one command that would give it.

    Returns
    -------
    str
        '' when it lacks nothing that the advice asks for.
    """
    unit = capture.unit
    asked = list(_ASKED)
    if unit.form_factor in (*PORTABLE, None):
        asked.append((("battery_health_pct",), "the battery", "upower -d"))
    lacks: list[str] = []
    commands: dict[str, None] = {}
    for names, word, command in asked:
        by_name = names[0] == "devices" and "by name only" in capture.unread.get("devices", "")
        fact_missing = by_name or any(getattr(unit, name) is None for name in names)
        if not fact_missing or (names[0] == "wireless" and unit.devices and "usb:" in unit.devices):
            continue
        lacks.append(word)
        commands |= dict.fromkeys(command.split("; "))
    if not lacks:
        return ""
    disk = "nvme0" if unit.storage_kind == StorageKind.NVME else "sda"
    all_of_it = "; ".join(commands).replace("DISK", disk)
    whole = f"sudo {all_of_it}" if len(commands) == 1 else f"sudo sh -c '{all_of_it}'"
    return f"Still missing: {joined(lacks)}. This gives it: {whole}"
