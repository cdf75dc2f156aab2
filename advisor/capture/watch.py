"""Watching a machine: what changes when a device is plugged in or out, so that an adapter can be tried."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from advisor.capture.compose import compose
from advisor.capture.devices import named
from advisor.capture.live import gather
from advisor.capture.machine import LiveMachine
from advisor.capture.machine_facts import BusDevice, MachineFacts
from advisor.errors import ToolError
from advisor.unit import Capture

SUBSYSTEMS = ("pci", "usb", "block", "net", "power_supply", "sdio", "video4linux", "drm")
QUIET_S = 0.8
"""No event for so long [s] ends a burst: one stick makes a dozen events."""
LONGEST_BURST_S = 5.0

_SHOWN = (
    "wireless", "ethernet", "graphics", "camera", "touch", "screen", "storage_kind", "storage_gib", "storage_model",
    "ram_gib", "battery_health_pct",
)  # fmt: skip


def changes(before: MachineFacts, after: MachineFacts) -> list[str]:
    """Say what differs between two looks at one machine.

    Returns
    -------
    list of str
        A line a difference: devices plugged in or out with their modalias, drivers bound, and changed facts.
    """
    old = {device.identity: device for device in before.devices or ()}
    new = {device.identity: device for device in after.devices or ()}
    lines = [f"gone        {named(device)}" for key, device in old.items() if key not in new]
    for key, device in new.items():
        if key not in old:
            lines += [f"plugged in  {named(device)}", f"            {key}", f"            {_state(device)}"]
        elif _state(device) != _state(old[key]):
            lines.append(f"now         {named(device)}: {_state(device)}")
    unit_before, unit_after = compose(before, "").unit, compose(after, "").unit
    for name in _SHOWN:
        a, b = getattr(unit_before, name), getattr(unit_after, name)
        if a != b:
            said = ("not known" if value is None else str(value) for value in (a, b))
            lines.append(f"{name}: {' -> '.join(said)}")
    return lines


def _state(device: BusDevice) -> str:
    if device.wireless:
        return f"driver {device.driver}, a wireless interface came up"
    if device.wired:
        return f"driver {device.driver}, a wired interface came up"
    if device.driver:
        return f"driver {device.driver}"
    return "no driver of the running system has taken it"


def bursts(poll: Callable[[float | None], Any], clock: Callable[[], float] = time.monotonic) -> Iterator[None]:
    """Turn single events into bursts: gives None each time the machine has come to rest after one or more.

    `poll` waits for an event for so many seconds (None: for ever) and gives it, or None when the time is over or it was
    none of those asked for; `clock` counts seconds.
    """
    while True:
        # An event of another subsystem ends the wait, too, and gives None.
        while poll(None) is None:
            pass
        start = clock()
        while clock() - start < LONGEST_BURST_S and poll(QUIET_S) is not None:
            pass
        yield None


def watch(report: Callable[[list[str], Capture], None], started: Callable[[], None] = lambda: None) -> None:
    """Look again each time a device is plugged in or out, until interrupted.

    Parameters
    ----------
    report : callable
        Given the lines of `changes` and the new capture, each time something differs.
    started : callable
        Called once, when the first look is done and nothing can be missed any more.

    Raises
    ------
    ToolError
        When pyudev cannot listen to the kernel here.
    """
    from advisor import __version__

    try:
        import pyudev

        here = LiveMachine()
        # Without the udev daemon its own events never come; the kernel's always do.
        source = "udev" if Path("/run/udev/control").exists() else "kernel"
        monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source=source)
        for subsystem in SUBSYSTEMS:
            monitor.filter_by(subsystem)
        monitor.start()
    except (ImportError, OSError) as error:
        raise ToolError(
            f"The kernel's device events cannot be listened to here: {error}.",
            "Plug the device in, then run: advisor capture",
        ) from error
    before = gather(here)
    started()
    for _ in bursts(lambda seconds: monitor.poll(timeout=seconds)):
        after = gather(here)
        lines = changes(before, after)
        if lines:
            report(lines, compose(after, f"advisor {__version__}, watching"))
        before = after
