"""One capture of one machine: every probe once, then the decisions."""

from __future__ import annotations

import os
from dataclasses import replace

from advisor.capture import battery, box, devices, memory, processor, screen, storage
from advisor.capture.compose import compose
from advisor.capture.machine import Machine, clean, open_machine
from advisor.capture.machine_facts import MachineFacts
from advisor.errors import AccessError, AdvisorError, CaptureError
from advisor.unit import Capture

_SERIALS = {"unit serial": "product_serial", "unit uuid": "product_uuid", "board serial": "board_serial"}


def gather(machine: Machine, *, identifiers: bool = False) -> MachineFacts:
    """Run every probe on a machine; with `identifiers`, serial numbers and network addresses too."""
    why: dict[str, str] = {}
    care: dict[str, str] = {}
    facts = MachineFacts(
        processor=processor.probe(machine, why),
        box=box.probe(machine, why),
        memory=memory.probe(machine, why),
        devices=devices.probe(machine, why),
        buses=devices.buses(machine),
        disks=storage.probe(machine, why, care, identifiers=identifiers),
        panel=screen.probe(machine, why),
        batteries=battery.probe(machine, why),
        why=why,
        care=care,
    )
    return replace(facts, identifiers=_identifiers(machine, facts.disks or ())) if identifiers else facts


def _identifiers(machine: Machine, disks: tuple[storage.Disk, ...]) -> dict[str, str]:
    serials = {name: clean(machine.text(f"/sys/class/dmi/id/{file}"), 60) for name, file in _SERIALS.items()}
    serials |= {f"disk {disk.name} serial": disk.serial for disk in disks if disk.link != "usb"}
    for device in machine.devices("net"):
        if "/virtual/" not in device.path:
            serials[f"{device.name} address"] = clean(device.attribute("address"), 60)
    return {name: value for name, value in serials.items() if value}


def take(
    root: str | os.PathLike[str] = "/", *, identifiers: bool = False, speed: bool = False, tag: str | None = None
) -> Capture:
    """Capture a machine: its facts, and what could not be read. Nothing is written to it.

    Parameters
    ----------
    root : path-like
        '/' for this machine, else the folder of a recorded one.
    identifiers : bool
        Put serial numbers and network addresses in the notes.
    speed : bool
        Measure decompression and disk reads, at most 10 s; only of this machine.
    tag : str, optional
        The shop's own tag of the unit.

    Raises
    ------
    CaptureError
        When the root is no folder with a machine in it, or speed is asked of a recorded machine.
    """
    if not os.path.isdir(root):
        raise CaptureError(
            f"{clean(str(root))} is not a folder.", "Name the folder that holds the machine's sys/ and proc/."
        )
    machine = open_machine(root)
    if not machine.exists("/sys") and not machine.exists("/proc"):
        raise CaptureError(
            f"{clean(str(root))} holds neither sys/ nor proc/, so there is no machine in it.",
            "Name the folder that holds the machine's sys/ and proc/.",
        )
    is_here = os.path.realpath(root) == "/"
    if speed and not is_here:
        raise CaptureError("The speed of a recorded machine cannot be measured.", "Leave out --speed, or --root.")
    from advisor import __version__

    reader = getattr(machine, "reader", "sysfs") if is_here else "a recorded folder"
    facts = gather(machine, identifiers=identifiers)
    capture = compose(facts, f"advisor {__version__}, {reader}")
    changes: dict[str, object] = {"asset_tag": tag} if tag else {}
    unread = dict(capture.unread)
    if speed:
        figures, reasons = measure(facts)
        changes |= figures
        unread |= reasons
    return capture.model_copy(update={"unit": capture.unit.model_copy(update=changes), "unread": unread})


def measure(facts: MachineFacts) -> tuple[dict[str, object], dict[str, str]]:
    """Measure decompression, and reads of the internal disk when this user may read it.

    Parameters
    ----------
    facts : MachineFacts
        Of this very machine.

    Returns
    -------
    figures : dict of str to float
        decompress_mib_s, disk_read_mib_s, disk_access_ms, disk_near_ms, disk_read_end_mib_s.
    """
    from advisor.capture import speed

    figures: dict[str, object] = {"decompress_mib_s": round(speed.decompress_mib_s(), 2)}
    why: dict[str, str] = {}
    disks = storage.internal(facts.disks or ())
    for name in ("disk_read_mib_s", "disk_access_ms", "disk_near_ms", "disk_read_end_mib_s"):
        if not disks:
            why[name] = "no internal disk was found"
            continue
        try:
            figures[name] = round(getattr(speed, name)(f"/dev/{disks[0].name}"), 3)
        except AccessError as error:
            why[name] = "needs root (to read the disk itself)" if os.geteuid() else error.message
        except AdvisorError as error:
            why[name] = error.message
    return figures, why
