"""Memory: what the firmware lists (SMBIOS, or udev's copy of it), and what the kernel has left for use."""

from __future__ import annotations

import re

from advisor.capture import smbios
from advisor.capture.machine import Attempt, KernelDevice, Machine, clean, whole
from advisor.capture.machine_facts import Findings, MachineFacts, Memory, Module, fill

TABLE = "/sys/firmware/dmi/tables/DMI"

SIZES_GIB = (
    0.25, 0.375, 0.5, 0.75, 1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16, 18, 20, 24, 32, 36, 40, 48, 64,
    80, 96, 128, 160, 192, 256, 384, 512, 768, 1024, 1536, 2048,
)  # fmt: skip
"""Sizes that one, two or four modules of the sold sizes make up [GiB]; common practice, no source."""

_NOT_RAM = frozenset({"ROM", "Flash", "EEPROM", "FEPROM", "EPROM", "Logical non-volatile device"})

_SEEN = re.compile(r"^MemTotal:\s{0,20}(\d{1,12}) kB", re.MULTILINE)


def probe(machine: Machine, why: dict[str, str]) -> Memory:
    """Read the memory; why the firmware's list could not be read goes into `why` under 'ram_slots'."""
    found = Memory(seen_kib=parse_meminfo(machine.text("/proc/meminfo") or ""))
    table = machine.data(TABLE)
    listed = smbios.memory(table) if table else Memory()
    if not listed.modules:
        known = (device for device in machine.devices("dmi") if device.name == "id")
        listed = from_udev(next(known, KernelDevice(machine, "/sys/devices/virtual/dmi/id", "dmi")))
    if listed.modules:
        return fill(found, listed)
    if table:
        why["ram_slots"] = "the firmware's table lists no memory"
    elif machine.reading(TABLE) is Attempt.ROOT:
        why["ram_slots"] = "needs root (SMBIOS table), or a live medium whose udev lists memory"
    elif not machine.exists("/sys/class/dmi/id"):
        why["ram_slots"] = "this machine's firmware has no SMBIOS table"
    else:
        why["ram_slots"] = "the SMBIOS table could not be read"
    return found


def parse_meminfo(content: str) -> int | None:
    """MemTotal [KiB] of the text of /proc/meminfo."""
    found = _SEEN.search(content[:4096])
    return int(found[1]) if found else None


def from_udev(device: KernelDevice) -> Memory:
    """Read the list that udev's dmi_memory_id (systemd 248 and later) keeps on the 'dmi' device for everybody."""
    count = whole(device.property("MEMORY_ARRAY_NUM_DEVICES"))
    modules: list[Module] = []
    others = 0
    for i in range(min(count or 0, 128)):
        key = f"MEMORY_DEVICE_{i}_"
        form, kind = (clean(device.property(f"{key}{part}"), 40) for part in ("FORM_FACTOR", "TYPE"))
        if kind in _NOT_RAM:
            # The list also holds the firmware's own flash chips.
            others += 1
            continue
        present = device.property(f"{key}PRESENT")
        size = whole(device.property(f"{key}SIZE"))
        mib = 0 if present == "0" else (size >> 20 if size else None)
        speed = whole(device.property(f"{key}SPEED_MTS"))
        modules.append(Module(mib, known_word(form, "memory form"), known_word(kind, "memory type"), speed))
    most = whole(device.property("MEMORY_ARRAY_MAX_CAPACITY"))
    listed = any(module.mib for module in modules)
    return Memory(
        modules=tuple(modules) if listed else None,
        places=count - others if count and listed else None,
        most_mib=most >> 20 if most and listed else None,
    )


def known_word(name: str | None, group: str) -> str | None:
    """The standard's own spelling of a 'memory form' or 'memory type'; None for no such word, and for 'not known'."""
    return smbios.known(smbios.number_of(name, group), group)


def fitted_gib(seen_kib: int) -> float | None:
    """Smallest usual size [GiB] that holds MemTotal [KiB], which is what is fitted less what firmware, graphics and the
    kernel itself took; None when it is more than any.
    """
    return next((float(size) for size in SIZES_GIB if size * 1024 * 1024 >= seen_kib), None)


def soldered(module: Module) -> bool | None:
    """Whether a place is chips on the board rather than a socket; None when the firmware does not say."""
    if module.form == "CAMM":
        return False
    named = {"memory type": module.kind, "memory form": module.form}
    kind, form = (smbios.words(group).get(smbios.number_of(name, group) or 0, {}) for group, name in named.items())
    if kind.get("soldered") == "yes":
        return True
    return form["soldered"] == "yes" if form.get("soldered") else None


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill the fields `ram_*` of the Unit."""
    memory = facts.memory
    seen_gib = memory.seen_kib / 1024 / 1024 if memory.seen_kib else None
    fitted = [module for module in memory.modules or () if module.mib != 0]
    total = sum(module.mib or 0 for module in fitted) / 1024
    counted = bool(fitted) and all(module.mib for module in fitted)
    missing = facts.why.get("ram_slots", "the source does not list memory modules")
    if counted and seen_gib and total < seen_gib * 0.999:
        missing = f"the firmware lists {total:g} GiB, less than the {seen_gib:.2f} GiB the kernel uses"
        counted, fitted = False, []
    if seen_gib and not counted:
        better = "; the exact size needs root" if "needs root" in facts.why.get("ram_slots", "") else ""
        found.why["ram_gib"] = f"rounded up from the {seen_gib:.2f} GiB that the kernel uses{better}"
    size = total if counted else fitted_gib(memory.seen_kib) if memory.seen_kib else None
    found.tell("ram_gib", size, "neither /proc/meminfo nor the SMBIOS table was there to read")
    if not fitted:
        found.leave(("ram_slots", "ram_slots_free", "ram_soldered", "ram_max_gib", "ram_type", "ram_modules"), missing)
        return
    _slots(memory, fitted, found)
    kinds = sorted({module.kind for module in fitted if module.kind})
    mixed = f"mixed: {', '.join(kinds)}" if kinds else "the firmware does not say"
    found.tell("ram_type", kinds[0] if len(kinds) == 1 else None, mixed)
    found.tell("ram_modules", "; ".join(_described(module) for module in fitted))
    most = (memory.most_mib or 0) / 1024
    less = f"the board claims to take {most:g} GiB, less than is fitted" if most else "the firmware does not say"
    found.tell("ram_max_gib", most if most and most >= total else None, less)


def _slots(memory: Memory, fitted: list[Module], found: Findings) -> None:
    modules = memory.modules or ()
    states = [soldered(module) for module in fitted]
    on_board = sum(state is True for state in states)
    whole_state = True if on_board == len(states) else False if False in states else None
    found.tell("ram_soldered", whole_state, "the firmware does not say what form the memory has")
    # An empty place on a board with soldered memory counts as a socket only when it says that it is one.
    empty = [soldered(module) for module in modules if module.mib == 0]
    free = sum(state is False or (not on_board and state is None) for state in empty)
    reason = ""
    if memory.places is not None and memory.places != len(modules):
        reason = f"the board announces {memory.places} places for memory but lists {len(modules)}"
    elif on_board and None in empty:
        reason = "some memory is soldered, and the firmware does not say whether the empty places are sockets"
    elif on_board and None in states:
        reason = "the firmware does not say which modules are soldered"
    found.tell("ram_slots", None if reason else len(fitted) - on_board + free, reason)
    found.tell("ram_slots_free", None if reason else free, reason)


def _described(module: Module) -> str:
    mib = module.mib or 0
    size = "size unknown" if not mib else f"{mib / 1024:g} GiB" if mib >= 1024 else f"{mib} MiB"
    return " ".join(part for part in (size, module.kind, module.form, str(module.speed or "")) if part)
