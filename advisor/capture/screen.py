"""Built-in screen, touch and camera."""

from __future__ import annotations

import math
import re

from advisor.capture.machine import Attempt, KernelDevice, Machine
from advisor.capture.machine_facts import Findings, MachineFacts, Panel
from advisor.unit import FormFactor

PANEL_SIZES = (
    7.0, 8.0, 8.9, 10.1, 10.5, 10.6, 11.6, 12.1, 12.3, 12.5, 13.0, 13.3, 13.5, 14.0, 14.1, 15.0, 15.4, 15.6, 16.0, 17.0,
    17.3, 18.4, 19.0, 19.5, 20.0, 21.5, 22.0, 23.0, 23.6, 23.8, 24.0, 27.0,
)  # fmt: skip
"""Diagonals that panels are sold by [inch]; common practice, no source. EDID rounds to whole millimetres, so 344 mm by
194 mm, 15.55 inch, is the panel sold as 15.6."""

_WITHOUT = (FormFactor.DESKTOP, FormFactor.SMALL_DESKTOP, FormFactor.SERVER, FormFactor.THIN_CLIENT)
"""Desktop boards with a mobile graphics chip list a panel that is not there."""

_BUILT_IN = re.compile(r"card\d{1,3}-(eDP|LVDS|DSI)-")
_MODE = re.compile(r"(\d{3,5})x(\d{3,5})")
_EDID_START = b"\x00\xff\xff\xff\xff\xff\xff\x00"

# Linux 6.12, include/uapi/linux/input-event-codes.h
_EV_ABS, _ABS_X, _ABS_MT_X, _BTN_TOUCH, _BTN_PEN, _DIRECT = 0x03, 0x00, 0x35, 0x14A, 0x140, 0x01


def probe(machine: Machine, why: dict[str, str]) -> Panel:
    """Read the built-in screen, whether it takes touch, and whether there is a camera; what hinders goes to `why`."""
    width, height, inches = _screen(machine, why)
    inputs = machine.devices("input")
    touch: bool | None = any(_is_touchscreen(device) for device in inputs)
    # PNP0C50 is a HID device on I2C (HID over I2C Protocol Specification 1.0).
    on_i2c = any(name.startswith("PNP0C50") for name in machine.names("/sys/bus/acpi/devices"))
    if not machine.exists("/sys/class/input"):
        touch, why["touch"] = None, "the running kernel lists no input devices"
    elif not touch and on_i2c and not any("/i2c-" in device.path for device in inputs):
        touch, why["touch"] = None, "a touch device on I2C has no driver in the running system"
    return Panel(width, height, inches, touch, _camera(machine, why))


def _screen(machine: Machine, why: dict[str, str]) -> tuple[int | None, int | None, float | None]:
    connectors = [device for device in machine.devices("drm") if "-" in device.name]
    if not connectors:
        why["screen"] = "no graphics driver that lists its connectors is loaded"
        return None, None, None
    why["screen"] = "no built-in screen is connected (eDP, LVDS or DSI)"
    for device in connectors:
        if not _BUILT_IN.match(device.name) or device.attribute("status") == "disconnected":
            continue
        found = parse_edid(machine.data(f"{device.path}/edid") or b"")
        mode = _MODE.match(device.attribute("modes") or "")
        if found is None and mode:
            found = (int(mode[1]), int(mode[2]), None)
        if found:
            del why["screen"]
            return found
        state = machine.reading(f"{device.path}/edid")
        why["screen"] = f"{device.name} gives no usable EDID" + (f" ({state})" if state is not Attempt.READ else "")
    return None, None, None


def parse_edid(block: bytes) -> tuple[int, int, float | None] | None:
    """Width, height [pixels] and diagonal [inch, None when unstated] of the native size in an EDID block of 128 bytes
    or more, None when it is damaged or has no detailed timing. Source: VESA E-EDID Standard, Release A2, 3.10.2
    (detailed timing) and 3.6.2 (image size).
    """
    if len(block) < 128 or not block.startswith(_EDID_START) or sum(block[:128]) % 256:
        return None
    timing = block[54:72]
    if timing[0:2] == b"\0\0":
        return None
    width = timing[2] | (timing[4] & 0xF0) << 4
    height = timing[5] | (timing[7] & 0xF0) << 4
    if timing[17] & 0x80:
        height *= 2
    mm = (timing[12] | (timing[14] & 0xF0) << 4, timing[13] | (timing[14] & 0x0F) << 8)
    if not all(mm):
        mm = (block[21] * 10, block[22] * 10)
    if not (width and height):
        return None
    return width, height, nominal_inches(*mm) if all(mm) else None


def nominal_inches(width_mm: float, height_mm: float) -> float:
    """Diagonal [inch] of an image [mm] as panels are sold: the usual size within 0.12 inch, else to a tenth."""
    inches = math.hypot(width_mm, height_mm) / 25.4
    nearest = min(PANEL_SIZES, key=lambda size: abs(size - inches))
    return nearest if abs(nearest - inches) <= 0.12 else round(inches, 1)


def _bits(text: str | None, width: int = 64) -> int:
    """A bitmap as sysfs prints it: words in hex, as wide as the kernel's, highest first."""
    value = 0
    for word in (text or "").split()[:64]:
        try:
            value = value << width | int(word[:16], 16)
        except ValueError:
            return 0
    return value


def _is_touchscreen(device: KernelDevice) -> bool:
    """The rule of udev's input_id: absolute axes on the screen itself, touched by a finger and not a pen."""
    mark = device.property("ID_INPUT_TOUCHSCREEN")
    if mark:
        return mark == "1"
    places = {"EV": "capabilities/ev", "PROP": "properties", "ABS": "capabilities/abs", "KEY": "capabilities/key"}
    bitmaps = {name: device.attribute(place) or "" for name, place in places.items()}
    return device.name.startswith("input") and takes_touch(bitmaps)


def takes_touch(bitmaps: dict[str, str]) -> bool:
    """Whether an input device is a touchscreen, by its bitmaps EV, PROP, ABS and KEY (one without ABS is believed)."""
    axes_text, keys_text = bitmaps.get("ABS"), bitmaps.get("KEY", "")
    # 64 axes and 768 keys take one and at most twelve words of a kernel of 64 bits.
    width = 32 if len((axes_text or "").split()) > 1 or len(keys_text.split()) > 12 else 64
    axes, keys = _bits(axes_text, width), _bits(keys_text, width)
    if not (_bits(bitmaps.get("EV")) >> _EV_ABS & 1 and _bits(bitmaps.get("PROP")) >> _DIRECT & 1):
        return False
    touched = keys >> _BTN_TOUCH & 1 or axes >> _ABS_MT_X & 1
    on_screen = axes_text is None or axes >> _ABS_X & 1 or axes >> _ABS_MT_X & 1
    return bool(touched and on_screen and not keys >> _BTN_PEN & 1)


def _camera(machine: Machine, why: dict[str, str]) -> bool | None:
    for device in machine.devices("video4linux"):
        if "/virtual/" not in device.path and not device.path.startswith("/sys/devices/platform/"):
            return True
    usb = machine.devices("usb")
    if any((device.attribute("bInterfaceClass") or "").lower() == "0e" for device in usb):
        return True
    for device in machine.devices("pci"):
        if (device.attribute("class") or "").lower().startswith("0x0480"):
            why["camera"] = "the processor's imaging unit is on, but no driver has found a camera behind it"
            return None
    if usb:
        return False
    why["camera"] = "the running kernel lists no USB devices"
    return None


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill screen, touch and camera of the Unit."""
    panel = facts.panel
    found.tell("touch", panel.touch)
    found.tell("camera", panel.camera)
    size = f" {panel.inches:.1f}" if panel.inches else ""
    screen = f"{panel.width}x{panel.height}{size}" if panel.width and panel.height else None
    reason = facts.why.get("screen", "the source does not describe the screen")
    if found.values.get("form_factor") in _WITHOUT:
        screen, reason = None, "a unit of this form has no built-in screen"
    found.tell("screen", screen, reason)
