"""A capture in words, for a person at the bench."""

from __future__ import annotations

import textwrap

from advisor.capture.devices import from_modalias, named
from advisor.unit import Capture, Unit

WIDTH = 88
_LABEL = 13

_ROOT_WORDS = "needs root"


def text(capture: Capture, width: int = WIDTH) -> str:
    """Put a capture in words: what is known, what is not and why, what root would add.

    Parameters
    ----------
    capture : advisor.unit.Capture
    width : int
        Columns of the page.

    Returns
    -------
    str
    """
    unit = capture.unit
    title = " ".join(part for part in (unit.maker, unit.model) if part) or "A unit without a name"
    head = f"{title} ({unit.form_factor})" if unit.form_factor else title
    lines = [f"{unit.asset_tag}: {head}" if unit.asset_tag else head, ""]
    for label, said in _known(unit, capture.unread):
        lines += _entry(label, said, width)
    lines += _devices(unit, width)
    if unit.notes:
        lines += _entry("notes", unit.notes, width)
    lines += _unknown(capture, width)
    return "\n".join(lines) + "\n"


def _entry(label: str, said: str, width: int) -> list[str]:
    return textwrap.wrap(
        said,
        width,
        initial_indent=f"  {label:<{_LABEL}}",
        subsequent_indent=" " * (_LABEL + 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _join(*parts: object) -> str:
    return ", ".join(str(part) for part in parts if part)


def _known(unit: Unit, unread: dict[str, str]) -> list[tuple[str, str]]:
    cores = f"{unit.cpu_cores} core{'s' * (unit.cpu_cores != 1)}" if unit.cpu_cores else ""
    threads = f"{unit.cpu_threads} thread{'s' * (unit.cpu_threads != 1)}" if unit.cpu_threads else ""
    numbers = [unit.cpu_family, unit.cpu_model, unit.cpu_stepping]
    signature = "family {} model {} stepping {}".format(*numbers) if None not in numbers else ""
    memory = f"{unit.ram_gib:g} GiB" if unit.ram_gib else ""
    if memory and "ram_gib" in unread:
        memory += f" ({unread['ram_gib']})"
    slots = ""
    if unit.ram_slots is not None:
        slots = f"{unit.ram_slots} slot{'s' * (unit.ram_slots != 1)}, {unit.ram_slots_free} free"
    most = f"takes up to {unit.ram_max_gib:g} GiB, by its own word" if unit.ram_max_gib else ""
    soldered = "all soldered to the board" if unit.ram_soldered else ""
    size = f"{unit.storage_gib:.1f} GiB" if unit.storage_gib else ""
    mode = f"controller in {unit.storage_mode} mode" if unit.storage_mode else ""
    health = f"{unit.storage_health_pct:g} % of its life left" if unit.storage_health_pct is not None else ""
    boot = str(unit.boot_mode) if unit.boot_mode else ""
    secure = {True: "Secure Boot on", False: "Secure Boot off"}.get(unit.secure_boot) if "uefi" in boot else ""  # type: ignore[arg-type]
    tpm = {None: "", "none": "no TPM"}.get(unit.tpm, f"TPM {unit.tpm}")
    screen = f"{unit.screen} inch" if unit.screen and " " in unit.screen else unit.screen
    touch = {True: "touch", False: "no touch"}.get(unit.touch)  # type: ignore[arg-type]
    camera = {True: "a camera", False: "no camera"}.get(unit.camera)  # type: ignore[arg-type]
    battery = f"{unit.battery_health_pct:g} % of its design capacity" if unit.battery_health_pct is not None else ""
    cycles = f"{unit.battery_cycles} cycles" if unit.battery_cycles else ""
    speed = _join(
        f"decompression {unit.decompress_mib_s:g} MiB/s" if unit.decompress_mib_s else "",
        f"disk read {unit.disk_read_mib_s:g} MiB/s" if unit.disk_read_mib_s else "",
        f"disk access {unit.disk_access_ms:g} ms" if unit.disk_access_ms else "",
    )
    rows = [
        ("processor", _join(unit.cpu, cores, threads, signature)),
        ("memory", _join(memory, unit.ram_modules, soldered, slots, most)),
        ("disk", _join(unit.storage_kind, size, unit.storage_model, mode, health)),
        ("firmware", _join(boot, secure, tpm)),
        ("screen", _join(screen, touch if screen or unit.touch else "")),
        ("camera", camera or ""),
        ("battery", _join(battery, cycles)),
        ("Wi-Fi", unit.wireless or ""),
        ("graphics", unit.graphics or ""),
        ("wired net", unit.ethernet or ""),
        ("measured", speed),
    ]
    return [(label, said) for label, said in rows if said]


def _devices(unit: Unit, width: int) -> list[str]:
    listed = [part.strip() for part in (unit.devices or "").split(";") if part.strip()]
    if not listed:
        return []
    shown = {name for field in (unit.wireless, unit.graphics, unit.ethernet) for name in (field or "").split("; ")}
    names: dict[str, None] = {}
    for identity in listed:
        device = from_modalias(identity)
        name = named(device) if device else identity
        if name not in shown and not identity.startswith("virtio"):
            names.setdefault(name)
    lines = _entry("devices", f"{len(listed)} ids that drivers bind to", width)
    for name in names:
        lines += textwrap.wrap(
            name, width, initial_indent=" " * (_LABEL + 2), subsequent_indent=" " * (_LABEL + 4),
            break_long_words=False,
        )  # fmt: skip
    return lines


_WORDS = {
    "maker": "maker", "model": "model", "form_factor": "kind of box", "cpu": "processor", "ram_gib": "memory size",
    "ram_slots": "memory slots", "ram_slots_free": "free slots", "ram_soldered": "soldered memory",
    "ram_max_gib": "most memory", "ram_type": "memory type", "ram_modules": "memory modules",
    "storage_kind": "kind of disk", "storage_gib": "disk size", "storage_health_pct": "disk health",
    "storage_model": "disk model", "storage_mode": "controller mode", "boot_mode": "boot mode",
    "secure_boot": "Secure Boot", "tpm": "TPM", "wireless": "Wi-Fi", "graphics": "graphics", "ethernet": "wired net",
    "devices": "devices", "screen": "screen", "touch": "touch", "camera": "camera",
    "battery_health_pct": "battery health", "battery_cycles": "battery cycles", "disk_read_mib_s": "disk read",
    "disk_access_ms": "disk access",
}  # fmt: skip


def _unknown(capture: Capture, width: int) -> list[str]:
    by_reason: dict[str, list[str]] = {}
    for name, reason in capture.unread.items():
        if name == "ram_gib" and capture.unit.ram_gib is not None:
            continue
        by_reason.setdefault(reason, []).append(_WORDS.get(name, name))
    plain = {reason: names for reason, names in by_reason.items() if _ROOT_WORDS not in reason}
    with_root = [name for reason, names in by_reason.items() if _ROOT_WORDS in reason for name in names]
    lines: list[str] = []
    if plain:
        lines += ["", "Not known, or to be taken with care:"]
        for reason, names in plain.items():
            lines += textwrap.wrap(
                f"{', '.join(names)}: {reason}", width, initial_indent="  ", subsequent_indent="    ",
                break_long_words=False,
            )  # fmt: skip
    if with_root:
        lines += ["", "Root would add:"]
        lines += textwrap.wrap(", ".join(dict.fromkeys(with_root)), width, initial_indent="  ", subsequent_indent="  ")
    return lines
