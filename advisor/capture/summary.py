"""A capture in words, for a person at the bench."""

from __future__ import annotations

import textwrap
from collections import Counter

from advisor.capture.devices import from_modalias, named
from advisor.phrases import counted, inside, spelt, titled
from advisor.unit import LABELS, BootMode, Capture, StorageKind, Unit

WIDTH = 88
_LABEL = 13

_ROOT_WORDS = "needs root"
_NO_SCREEN, _NO_BATTERY, _HEALTH = "no built-in screen", "no battery was found", "battery_health_pct"
"""Reasons that say what is not there; these are facts, not gaps."""


def text(capture: Capture, width: int = WIDTH) -> str:
    """Put a capture in words: what is known, what is not and why, what root would add.

    Parameters
    ----------
    width : int
        Columns of the page.
    """
    unit = capture.unit
    title = titled(unit.maker, unit.model) or "A unit without a name"
    head = f"{title} ({unit.form_factor})" if unit.form_factor else title
    lines = [f"{unit.asset_tag}: {head}" if unit.asset_tag else head, ""]
    for label, value in _known(unit, capture.unread):
        lines += _entry(label, value, width)
    lines += _devices(unit, width)
    if unit.notes:
        lines += _entry("notes", unit.notes, width)
    lines += _unknown(capture, width)
    return "\n".join(lines) + "\n"


def _wrapped(text: str, width: int, first: str, rest: str, hyphens: bool = True) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=hyphens
    )


def _entry(label: str, value: str, width: int) -> list[str]:
    return _wrapped(value, width, f"  {label:<{_LABEL}}", " " * (_LABEL + 2), hyphens=False)


def _join(*parts: object) -> str:
    return ", ".join(str(part) for part in parts if part)


def _memory(unit: Unit, unread: dict[str, str]) -> str:
    if not unit.ram_gib:
        return ""
    text = f"{unit.ram_gib:g} GiB"
    if "ram_gib" in unread:
        return f"{text} ({unread['ram_gib']})"
    modules = Counter(part for part in (unit.ram_modules or "").split("; ") if part)
    if modules.total() == 1:
        text += f" (one module: {unit.ram_modules})" if not unit.ram_soldered else f" ({unit.ram_modules})"
    elif modules:
        listed = (f"{count} x {name}" if count > 1 else name for name, count in modules.items())
        text += f" ({', '.join(listed)})"
    if unit.ram_soldered:
        text += ", soldered to the board"
    if unit.ram_slots is not None:
        text += f"; {counted(unit.ram_slots, 'slot') if unit.ram_slots else 'no slots'}"
        text += f", {unit.ram_slots_free} free" if unit.ram_slots else ""
    return text + (f"; by its own word the board takes {unit.ram_max_gib:g} GiB" if unit.ram_max_gib else "")


def _disk(unit: Unit) -> str:
    if unit.storage_kind == StorageKind.NONE:
        return "none"
    # The size as sold, in powers of ten, beside the size as programs count it.
    size = f"{unit.storage_gib:.1f} GiB ({unit.storage_gib * 1.073741824:.0f} GB)" if unit.storage_gib else ""
    mode = f"controller in {spelt(unit.storage_mode)} mode" if unit.storage_mode else ""
    health = f"{unit.storage_health_pct:g} % of its life left" if unit.storage_health_pct is not None else ""
    return _join(spelt(unit.storage_kind or ""), size, unit.storage_model, mode, health)


def _known(unit: Unit, unread: dict[str, str]) -> list[tuple[str, str]]:
    cores = counted(unit.cpu_cores, "core") if unit.cpu_cores else ""
    threads = counted(unit.cpu_threads, "thread") if unit.cpu_threads else ""
    numbers = [unit.cpu_family, unit.cpu_model, unit.cpu_stepping]
    signature = "family {} model {} stepping {}".format(*numbers) if None not in numbers else ""
    secure = ""
    if unit.secure_boot is not None and unit.boot_mode != BootMode.BIOS:
        secure = f"Secure Boot {'on' if unit.secure_boot else 'off'}"
    tpm = "" if unit.tpm is None else "no TPM" if unit.tpm == "none" else f"TPM {unit.tpm}"
    screen = f"{unit.screen} inch" if unit.screen and " " in unit.screen else unit.screen
    touch = {True: "touch", False: "no touch"}[unit.touch] if unit.touch or (screen and unit.touch is False) else ""
    battery = f"{unit.battery_health_pct:g} % of its design capacity" if unit.battery_health_pct is not None else ""
    cycles = counted(unit.battery_cycles, "cycle") if unit.battery_cycles else ""
    speed = _join(
        f"decompression {unit.decompress_mib_s:g} MiB/s" if unit.decompress_mib_s else "",
        f"disk read {unit.disk_read_mib_s:g} MiB/s" if unit.disk_read_mib_s else "",
        f"at its end {unit.disk_read_end_mib_s:g} MiB/s" if unit.disk_read_end_mib_s else "",
        f"disk access {unit.disk_access_ms:g} ms" if unit.disk_access_ms else "",
        f"near by {unit.disk_near_ms:g} ms" if unit.disk_near_ms else "",
    )
    rows = [
        ("processor", _join(unit.cpu, cores, threads, signature)),
        ("memory", _memory(unit, unread)),
        ("disk", _disk(unit)),
        ("firmware", _join(spelt(unit.boot_mode or ""), secure, tpm)),
        ("screen", _join(screen, touch) or ("none built in" if _NO_SCREEN in unread.get("screen", "") else "")),
        ("camera", "" if unit.camera is None else "yes" if unit.camera else "none"),
        ("battery", _join(battery, cycles) or ("none found" if _NO_BATTERY in unread.get(_HEALTH, "") else "")),
        ("Wi-Fi", unit.wireless or ""),
        ("graphics", unit.graphics or ""),
        ("wired net", unit.ethernet or ""),
        ("measured", speed),
    ]
    return [(label, value) for label, value in rows if value]


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
        lines += _wrapped(name, width, " " * (_LABEL + 2), " " * (_LABEL + 4))
    return lines


def _unknown(capture: Capture, width: int) -> list[str]:
    by_reason: dict[str, list[str]] = {}
    for name, reason in capture.unread.items():
        if name == "ram_gib" and capture.unit.ram_gib is not None:
            continue
        if _NO_SCREEN in reason or _NO_BATTERY in reason:
            continue
        by_reason.setdefault(reason, []).append(inside(LABELS.get(name, name)))
    plain = {reason: names for reason, names in by_reason.items() if _ROOT_WORDS not in reason}
    with_root = [name for reason, names in by_reason.items() if _ROOT_WORDS in reason for name in names]
    lines: list[str] = []
    if plain:
        lines += ["", "Not known, or to be taken with care:"]
        for reason, names in plain.items():
            lines += _wrapped(f"{', '.join(names)}: {reason}", width, "  ", "    ")
    if with_root:
        lines += ["", "Root would add:"]
        lines += textwrap.wrap(", ".join(dict.fromkeys(with_root)), width, initial_indent="  ", subsequent_indent="  ")
    return lines
