"""How worn a disk is: NVMe, SATA and eMMC fields, what each means, and reading them without writing anything."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from functools import cache
from typing import Any

from advisor.capture.machine import KernelDevice, Machine, clean
from advisor.capture.machine_facts import Disk, Wear
from advisor.tables import damaged, dicts

SMARTCTL_SECONDS = 5
NEEDS_ROOT = "needs root (the disk's own health log)"

_EMMC_LIFE = re.compile(r"0x([0-9a-fA-F]{2})\s+0x([0-9a-fA-F]{2})")
_EMMC_SPARE = {1: "normal", 2: "warning: 80 % of the spare blocks are used", 3: "urgent: 90 % of the spare are used"}


def of(machine: Machine, device: KernelDevice, disk: Disk) -> Wear | None:
    """Read the wear of one disk, None for disks that are not the unit's own."""
    if disk.removable or disk.link in ("usb", "sd"):
        return None
    if disk.link == "mmc":
        return emmc(device.attribute("device/life_time"), device.attribute("device/pre_eol_info"))
    if disk.link in ("virtio", "ufs"):
        return Wear(said="a disk of this kind has no health log that can be read here")
    recorded = machine.text(f"/run/advisor/smartctl/{device.name}")
    if recorded:
        return smartctl(recorded, disk)
    if machine.text("/run/advisor/user") == "root":
        return Wear(said="the script found no smartctl where it ran, to ask the disk with")
    if not machine.live or os.geteuid() != 0:
        return Wear(said=NEEDS_ROOT)
    return _live(device.name, disk)


def _live(name: str, disk: Disk) -> Wear:
    from advisor.capture import passthrough

    if not re.fullmatch(r"[a-z0-9!]{2,20}", name):
        return Wear(said="the disk has a name that is not followed")
    try:
        if disk.link == "nvme":
            return nvme(passthrough.nvme_health_log(f"/dev/{name}"))
        answers = passthrough.ata_answers(f"/dev/{name}")
        if not attributes_of(answers.attributes) and not answers.endurance_page:
            raise ValueError("its SMART data is empty")
        return ata(disk, answers.attributes, answers.endurance_page, answers.failing)
    except (OSError, ValueError) as error:
        program = shutil.which("smartctl", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
        if program:
            return _run_smartctl(program, f"/dev/{name}", disk)
        return Wear(said=f"the disk did not answer ({error})")


def _run_smartctl(program: str, node: str, disk: Disk) -> Wear:
    command = [program, "-j", "-A", "-H", *(["-l", "ssd"] if disk.link == "ata" else []), node]
    try:
        done = subprocess.run(command, capture_output=True, timeout=SMARTCTL_SECONDS, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return Wear(said="the disk did not answer, nor did smartctl")
    return smartctl(done.stdout.decode("utf-8", "replace"), disk)


def nvme(log: bytes) -> Wear:
    """Read an NVMe SMART / Health Information log page.

    Parameters
    ----------
    log : bytes
        512 bytes; byte 0 critical warning, 3 available spare [%], 4 its threshold [%], 5 percentage used.

    Returns
    -------
    Wear
        Life left is 100 % less the percentage used, which is 100 when the endurance the maker rates is used up and
        may go on to 254 [1]_; 0 when the spare has fallen below its threshold or the disk is read-only.

    References
    ----------
    .. [1] NVM Express Base Specification 1.4, 5.14.1.2: SMART / Health Information (log page 02h)
    """
    if len(log) < 6:
        return Wear(said="the health log is cut short")
    return of_nvme(log[5], log[3], log[4], log[0])


def of_nvme(used: int, spare: int | None, threshold: int | None, warning: int) -> Wear:
    """Judge the figures of an NVMe health log, as `nvme` does."""
    reason = f"NVMe percentage used {used}"
    left = float(max(0, 100 - used))
    if spare is not None and threshold is not None and spare < threshold:
        return Wear(0.0, f"{reason}; spare {spare} % is below its threshold of {threshold} %", True)
    if warning & 0x0C:
        return Wear(0.0, f"{reason}; the disk warns that it is unreliable or read-only", True)
    return Wear(left, reason)


def emmc(life: str | None, spare: str | None) -> Wear:
    """Read the life time estimates of an eMMC.

    Parameters
    ----------
    life : str or None
        sysfs life_time, such as '0x02 0x01': estimates A and B in steps of a tenth of the life used; 0x0b means
        exceeded, 0x00 not defined [1]_.
    spare : str or None
        sysfs pre_eol_info: 1 normal, 2 warning, 3 urgent.

    Returns
    -------
    Wear
        Life left at the worse end of the step of the worse estimate.

    References
    ----------
    .. [1] JEDEC JESD84-B51, extended CSD bytes 267 to 269: PRE_EOL_INFO, DEVICE_LIFE_TIME_EST_TYP_A and _B
    """
    found = _EMMC_LIFE.match(life or "")
    if not found:
        return Wear(said="the eMMC states no life time (older than eMMC 5.0)")
    steps = max(int(found[1], 16), int(found[2], 16))
    reason = f"eMMC life time estimates {life}"
    state = int(spare, 16) if spare and re.fullmatch(r"0x[0-9a-fA-F]{2}", spare) else 0
    if state in (2, 3):
        reason += f", spare blocks {_EMMC_SPARE[state]}"
    if steps == 0:
        return Wear(said="the eMMC leaves its life time undefined")
    if steps > 0x0B:
        return Wear(said=f"the eMMC's life time estimate {life} is outside the standard")
    left = 0.0 if steps == 0x0B or state == 3 else float(100 - 10 * steps)
    return Wear(left, reason, state in (2, 3))


_SECTORS = {5: "reallocated", 197: "pending", 198: "uncorrectable"}
"""SMART attributes whose raw value counts bad sectors (smartmontools drivedb 7.3/5319, default attribute names)."""


@cache
def _wear_rows() -> tuple[tuple[re.Pattern[str], int, str], ...]:
    rows = [row for row in dicts("capture/disks") if row["use"] == "wear"]
    if not all(row["attribute"] for row in rows):
        raise damaged("capture/disks", "a row whose use is wear needs the number of the attribute")
    return tuple((re.compile(row["pattern"]), int(row["attribute"]), row["meaning"].partition(":")[0]) for row in rows)


def attributes_of(block: bytes) -> dict[int, tuple[int, int]]:
    """SMART attributes from the 512 bytes of SMART READ DATA.

    Parameters
    ----------
    block : bytes
        Thirty entries of 12 bytes from byte 2: id, flags (2), normalised value, worst, raw (6), reserved [1]_.

    Returns
    -------
    dict of int to (int, int)
        Attribute number to normalised and raw value.

    References
    ----------
    .. [1] SFF-8035i 2.0; ATA/ATAPI-7 (T13/1532D) leaves the area vendor specific, and makers keep to SFF-8035i
    """
    found = {}
    for at in range(2, min(len(block), 362) - 11, 12):
        number = block[at]
        if number:
            found[number] = (block[at + 3], int.from_bytes(block[at + 5 : at + 11], "little"))
    return found


def ata(disk: Disk, attributes: bytes, endurance_page: bytes | None, failing: bool | None) -> Wear:
    """Read a SATA disk's health.

    Parameters
    ----------
    attributes : bytes
        Answer to SMART READ DATA, 512 bytes.
    endurance_page : bytes or None
        Device Statistics log (04h), page 7: solid state statistics. The percentage used endurance indicator is at
        byte 8, valid when bits 7 and 6 of byte 15 are set [1]_.
    failing : bool or None
        SMART RETURN STATUS: a threshold has been exceeded.

    References
    ----------
    .. [1] T13 ATA/ATAPI Command Set 3 (ACS-3), annex A: Device Statistics, Solid State Device Statistics page (07h)
    """
    known = attributes_of(attributes)
    used = None
    if endurance_page and len(endurance_page) >= 16 and endurance_page[15] & 0xC0 == 0xC0:
        used = endurance_page[8]
    return of_ata(disk.model or "", bool(disk.spinning), known, used, failing)


def of_ata(
    model: str, spinning: bool, known: dict[int, tuple[int, int]], used: int | None, failing: bool | None
) -> Wear:
    """Judge the figures of a SATA disk: its attributes, its endurance indicator and its own verdict."""
    # Some makers pack other counts into the upper words; the count itself is in the lower four bytes.
    counts = {name: known[n][1] & 0xFFFFFFFF for n, name in _SECTORS.items() if n in known}
    sectors = f"; sectors: {', '.join(f'{count} {name}' for name, count in counts.items())}" if counts else ""
    bad = any(counts.values())
    if failing:
        return Wear(0.0, f"SMART: the disk says that it is failing{sectors}", True)
    if spinning:
        status = "its status was not answered" if failing is None else "no threshold exceeded"
        return Wear(said=f"a spinning disk keeps no wear figure; SMART: {status}{sectors}", warning=bad)
    if used is not None:
        return Wear(float(max(0, 100 - used)), f"percentage used endurance indicator {used}{sectors}", bad)
    for pattern, number, name in _wear_rows():
        if pattern.match(model) and number in known and known[number][0] <= 100:
            return Wear(float(known[number][0]), f"SMART {number} {name} {known[number][0]}{sectors}", bad)
    return Wear(said=f"the disk keeps no wear figure that is known{sectors}", warning=bad)


def smartctl(text: str, disk: Disk) -> Wear:
    """Read the output of `smartctl -j -A -H`, with `-l ssd` for SATA disks.

    Parameters
    ----------
    disk : Disk
        Its model decides which attribute is the wear: smartctl's default names fit only some makers' disks.
    """
    try:
        answer = json.loads(text)
    except (ValueError, RecursionError):
        return Wear(said="smartctl's answer is not JSON")
    return (
        smartctl_answer(answer, disk) if isinstance(answer, dict) else Wear(said="smartctl's answer is not an object")
    )


def smartctl_answer(answer: dict[str, Any], disk: Disk) -> Wear:
    """Judge smartctl's answer, parsed."""
    log = _at(answer, "nvme_smart_health_information_log")
    if isinstance(log, dict) and isinstance(log.get("percentage_used"), int):
        numbers = [log.get(name) for name in ("available_spare", "available_spare_threshold", "critical_warning")]
        spare, threshold, warning = (number if isinstance(number, int) else None for number in numbers)
        return of_nvme(log["percentage_used"], spare, threshold, warning or 0)
    passed = _at(answer, "smart_status", "passed")
    known: dict[int, tuple[int, int]] = {}
    for row in _rows(_at(answer, "ata_smart_attributes", "table")):
        number, value, raw = row.get("id"), row.get("value"), _at(row, "raw", "value")
        if isinstance(number, int) and isinstance(value, int):
            known[number] = (value, raw if isinstance(raw, int) else 0)
    used = _endurance(answer)
    if passed is None and not known and used is None:
        messages = [row.get("string") for row in _rows(_at(answer, "smartctl", "messages"))]
        return Wear(said=f"smartctl got no answer{''.join(f': {clean(m, 100)}' for m in messages[:1] if m)}")
    failing = not passed if isinstance(passed, bool) else None
    return of_ata(disk.model or "", bool(disk.spinning), known, used, failing)


def _endurance(answer: dict[str, Any]) -> int | None:
    """Percentage used endurance indicator: Device Statistics page 7, offset 8."""
    current = _at(answer, "endurance_used", "current_percent")
    if isinstance(current, int):
        return current
    for page in _rows(_at(answer, "ata_device_statistics", "pages")):
        for row in _rows(page.get("table")) if page.get("number") == 7 else ():
            if row.get("offset") == 8 and isinstance(row.get("value"), int):
                return int(row["value"])
    return None


def _rows(value: Any) -> list[dict[str, Any]]:
    return [row for row in value[:300] if isinstance(row, dict)] if isinstance(value, list) else []


def _at(value: Any, *keys: str) -> Any:
    for key in keys:
        if not isinstance(value, dict):
            return None
        value = value.get(key)
    return value
