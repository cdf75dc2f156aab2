"""The devices on PCI, USB, SDIO and virtio buses, and what they are called."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path

from advisor.capture.machine import Machine, clean
from advisor.capture.machine_facts import BusDevice, Findings, MachineFacts

MOST_DEVICES = 400
"""More than any PC has; what a listing claims beyond is left out, and said."""

LONGEST_LIST = 19_000
"""Most characters of the list of devices."""

NONE = "none"
"""What a field says when it is known that the unit has no such device."""

NAME_LISTS = {
    "pci": ("/usr/share/misc/pci.ids", "/usr/share/hwdata/pci.ids"),
    "usb": ("/usr/share/misc/usb.ids", "/usr/share/hwdata/usb.ids"),
}
"""Where Debian keeps the id lists (packages pci.ids, usb.ids, hwdata); they only give names."""

_ETHERNET, _WIRELESS = 0x0200, 0x0280
_ATHEROS_WIRELESS = 0x168C
"""PCI vendor 168c made wireless chips alone, some of which claim to be Ethernet (pci.ids; wired ones are 1969)."""

_VENDOR, _PRODUCT = "(?P<vendor>[0-9A-F]{4})", "(?P<product>[0-9A-F]{4})"
_IN_MODALIAS = {
    "pci": re.compile(
        rf"pci:v0{{4}}{_VENDOR}d0{{4}}{_PRODUCT}sv(?:[0-9A-F]{{8}}|\*)sd(?:[0-9A-F]{{8}}|\*)"
        r"bc(?P<base>[0-9A-F]{2})sc(?P<kind>[0-9A-F]{2})i(?:[0-9A-F]{2}|\*)\Z"
    ),
    "usb": re.compile(
        rf"usb:v{_VENDOR}p{_PRODUCT}d[0-9A-F]{{4}}dc[0-9A-F]{{2}}dsc[0-9A-F]{{2}}dp[0-9A-F]{{2}}"
        r"ic(?P<kind>[0-9A-F]{2})isc[0-9A-F]{2}ip[0-9A-F]{2}in[0-9A-F]{2}\Z"
    ),
    "sdio": re.compile(rf"sdio:c[0-9A-F]{{2}}v{_VENDOR}d{_PRODUCT}\Z"),
    "virtio": re.compile(rf"virtio:d0{{4}}{_PRODUCT}v0{{4}}{_VENDOR}\Z"),
}


def buses(machine: Machine) -> frozenset[str]:
    """Buses whose list of devices is there and not empty (every PC has a PCI bus, and every USB bus a root hub)."""
    return frozenset(bus for bus in _IN_MODALIAS if machine.names(f"/sys/bus/{bus}/devices"))


def probe(machine: Machine, why: dict[str, str]) -> tuple[BusDevice, ...] | None:
    """List the devices on the buses that drivers bind to by id.

    Returns
    -------
    devices : tuple of BusDevice, or None
        None when no bus was there to read. USB hubs are left out, and so are repeated interfaces of one device.
    """
    if not any(machine.exists(f"/sys/bus/{bus}/devices") for bus in _IN_MODALIAS):
        why["devices"] = "/sys/bus was not there to read"
        return None
    network = _network(machine)
    found: list[BusDevice] = []
    for bus in _IN_MODALIAS:
        for device in machine.devices(bus):
            known = from_modalias(device.attribute("modalias") or "")
            if known is None or (known.bus == "usb" and known.kind == 0x09):
                continue
            interfaces = {kind for path, kind in network if path.startswith(device.path + "/") or path == device.path}
            found.append(
                replace(
                    known,
                    at=device.name,
                    driver=device.link("driver"),
                    wireless="wireless" in interfaces or None,
                    wired=("wired" in interfaces and "wireless" not in interfaces) or None,
                )
            )
    return unique(found)


def unique(devices: Iterable[BusDevice]) -> tuple[BusDevice, ...]:
    """Drop repeats of one modalias or id, keeping the order."""
    kept: dict[str, BusDevice] = {}
    for device in devices:
        kept.setdefault(device.identity.casefold(), device)
    return tuple(kept.values())


def from_modalias(modalias: str) -> BusDevice | None:
    """Take a modalias apart ('*' for a PCI device's subsystem and interface); None when unlisted or not whole."""
    bus = modalias.partition(":")[0]
    pattern = _IN_MODALIAS.get(bus)
    found = pattern.match(modalias) if pattern and len(modalias) < 200 else None
    if not found:
        return None
    said = {name: int(digits, 16) for name, digits in found.groupdict().items()}
    kind = said["base"] << 8 | said["kind"] if bus == "pci" else said.get("kind")
    return BusDevice(bus, said["vendor"], said["product"], modalias, kind)


def _network(machine: Machine) -> list[tuple[str, str]]:
    """Network interfaces that stand on a device: path of the device, and 'wireless' or 'wired'."""
    found = []
    for device in machine.devices("net"):
        path = device.path.partition("/net/")[0]
        # Mobile broadband and Bluetooth are told by their names; a recording keeps a mark instead of the name.
        mobile = device.name.startswith(("wwan", "wwp", "wwx", "bnep")) or machine.exists(f"{device.path}/mobile")
        if "/virtual/" in device.path:
            continue
        if machine.exists(f"{device.path}/phy80211") or machine.exists(f"{device.path}/wireless"):
            found.append((path, "wireless"))
        elif device.attribute("type") == "1" and not mobile:
            found.append((path, "wired"))
    return found


@cache
def _name_list(bus: str) -> str:
    for place in NAME_LISTS.get(bus, ()):
        try:
            return Path(place).read_text(encoding="utf-8", errors="replace")
        except OSError:
            continue
    return ""


@cache
def name_of(bus: str, vendor: int, product: int) -> str | None:
    """Name of a 'pci' or 'usb' device from the system's own id list; None without that list or its vendor."""
    found = re.search(rf"\n{vendor:04x}  (.*)((?:\n(?![0-9a-fA-F]).*)*)", _name_list(bus))
    if not found:
        return None
    one = re.search(rf"\n\t{product:04x}  (.*)", found[2])
    return clean(f"{found[1]} {one[1]}" if one else found[1])


def named(device: BusDevice) -> str:
    """A device as people name it, with its id: 'Intel Corporation Wireless 8260 [8086:24f3]'."""
    name = device.name
    if device.vendor is not None:
        number = f"{device.vendor:04x}:{device.product:04x}"
        number = number if device.bus == "pci" else f"{device.bus}:{number}"
        name = name or name_of(device.bus, device.vendor, device.product)
        name = f"{name} [{number}]" if name else number
    return f"{name} (rev {device.rev})" if device.rev else str(name)


_NAMED_WIRELESS = re.compile(r"802\.11|wireless|wi-?fi|\bWLAN|\bAR[59]\d{3}", re.IGNORECASE)


def is_wireless(device: BusDevice) -> bool:
    """Whether a device is a Wi-Fi chip, from its class, its vendor (or its name, where it has no id: some such chips
    claim to be Ethernet) or the interface its driver made.
    """
    atheros = device.vendor == _ATHEROS_WIRELESS
    claims = atheros or (device.vendor is None and bool(_NAMED_WIRELESS.search(device.name or "")))
    kind = device.kind if device.bus == "pci" else None
    return bool(device.wireless) or kind == _WIRELESS or (kind == _ETHERNET and claims)


def is_wired(device: BusDevice) -> bool:
    """Whether a device is a wired network chip; a virtio one is counted as the PCI device it stands on."""
    if is_wireless(device) or device.bus == "virtio":
        return False
    return bool(device.wired) or (device.bus == "pci" and device.kind == _ETHERNET)


def is_graphics(device: BusDevice) -> bool:
    """Whether a device is a graphics chip (PCI base class 03h)."""
    return device.bus == "pci" and device.kind is not None and device.kind >> 8 == 0x03


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill devices, wireless, graphics and ethernet of the Unit."""
    tests = {"wireless": is_wireless, "graphics": is_graphics, "ethernet": is_wired}
    nameless = sum(one.name is not None for one in facts.named)
    if facts.devices is None and not nameless:
        found.leave(("devices", *tests), facts.why.get("devices", "the source does not list devices"))
        return
    if nameless:
        many = f"{nameless} device{'s are' if nameless > 1 else ' is'}"
        found.why["devices"] = f"{many} known by name only; lspci -nnk gives the ids"
    given = facts.devices or ()
    listed = given[:MOST_DEVICES]
    while sum(len(device.identity) + 2 for device in listed) > LONGEST_LIST:
        listed = listed[: len(listed) * 3 // 4]
    if len(given) > len(listed):
        found.why["devices"] = f"only the first {len(listed)} of {len(given)} are kept"
    found.tell("devices", "; ".join(device.identity for device in listed) or None)
    held = {one.at for one in listed if one.at}
    only = tuple(one for one in facts.named if one.name and one.at not in held)
    for name, test in tests.items():
        names = [named(device) for device in (*listed, *only) if test(device)]
        doubt = "" if names else _doubt(name, facts)
        found.tell(name, None if doubt else "; ".join(list(dict.fromkeys(names))[:6]) or NONE, doubt)


def _doubt(name: str, facts: MachineFacts) -> str:
    """Why a device of a kind that was not found may be there all the same, '' when it cannot."""
    devices = facts.devices or ()
    if "pci" not in facts.buses:
        if facts.named or any(d.bus == "pci" for d in devices):
            return "none among the PCI devices that the source lists, which may not be all"
        return "the source does not list PCI devices"
    if name == "wireless":
        if "usb" not in facts.buses:
            return "none on PCI, and the source does not list USB devices"
        if any(d.bus in ("usb", "sdio") and d.driver is None and d.kind in (None, 0xFF) for d in devices):
            return "none on PCI, but a device without a driver may be one: its class does not say"
    if name == "ethernet" and any(d.kind == 0x0680 and d.vendor == 0x10DE and d.driver is None for d in devices):
        return "a bridge of the chipset, without a driver, may be one: nForce network chips call themselves so"
    return ""
