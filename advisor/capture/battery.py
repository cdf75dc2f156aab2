"""The battery: capacity when full, against the design, and charge cycles."""

from __future__ import annotations

from advisor.capture.machine import Machine
from advisor.capture.machine_facts import Cell, Findings, MachineFacts
from advisor.unit import PORTABLE


def probe(machine: Machine, why: dict[str, str]) -> tuple[Cell, ...] | None:
    """Read the unit's own batteries (not those of mice and the like); why not goes into `why`.

    Returns
    -------
    batteries : tuple of Cell, or None
        None when the kernel keeps no list of power supplies.

    Notes
    -----
    energy_* is in µWh, charge_* in µAh; cycle_count 0 means not available [1]_ [2]_.

    References
    ----------
    .. [1] Linux 6.12, Documentation/power/power_supply_class.rst
    .. [2] Linux 6.12, Documentation/ABI/testing/sysfs-class-power
    """
    if not machine.exists("/sys/class/power_supply"):
        why["battery_health_pct"] = "the running kernel lists no power supplies"
        return None
    cells = []
    for device in machine.devices("power_supply"):
        if device.attribute("type") != "Battery" or device.attribute("scope") == "Device":
            continue
        if device.attribute("present") == "0":
            continue
        for measure in ("energy", "charge"):
            full, design = device.number(f"{measure}_full"), device.number(f"{measure}_full_design")
            if full is not None or design is not None:
                break
        cycles = device.number("cycle_count")
        cells.append(Cell(full, design, measure, cycles if cycles and cycles > 0 else None))
    return tuple(cells)


def decide(facts: MachineFacts, found: Findings) -> None:
    """Fill the fields `battery_*` of the Unit: all batteries together, the most worn one's cycles."""
    cells = facts.batteries
    if not cells:
        portable = found.values.get("form_factor") in PORTABLE
        reason = "no battery is fitted, or its gauge does not answer" if portable else "no battery was found"
        if cells is None:
            reason = facts.why.get("battery_health_pct", "the source does not list power supplies")
        found.leave(("battery_health_pct", "battery_cycles"), reason)
        return
    cycles = max((cell.cycles for cell in cells if cell.cycles), default=None)
    found.tell("battery_cycles", cycles, "the battery does not count its cycles")
    known = [
        (one.full, one.design) for one in cells if one.full is not None and one.design and one.full >= 0 < one.design
    ]
    health = None
    if len(known) < len(cells):
        reason = "the battery does not state its capacity, full and as designed"
    elif len({cell.measure for cell in cells}) > 1:
        reason = "one battery states its energy, another its charge: they do not add up"
    else:
        health = 100 * sum(full for full, _ in known) / sum(design for _, design in known)
        reason = f"the battery claims {health:.0f} % of its design capacity"
        if health == 0:
            found.why["battery_health_pct"] = (
                "the battery states that it holds nothing when full: it is dead, or its gauge is"
            )
    found.tell("battery_health_pct", round(health, 1) if health is not None and health <= 150 else None, reason)
