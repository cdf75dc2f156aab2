"""Make the demo's bench log: 400 units of an invented workshop. No number in it was measured.

The log is only for trying the program. Its minutes come from the small model below, whose constants are plausible
guesses ('from memory'), not the package's own timing model, so that learning from it has something to find:

* machine minutes of a phase are work over rate: bytes over the decompression and disk rates, files times the disk's
  access time, packages over the processor's speed, downloads over the link;
* hands-on minutes are a typical time for the phase, times a factor of the technician;
* every phase is multiplied by exp(normal noise), and the unit as a whole by one more such factor;
* while a technician is busy elsewhere the unit waits: a lognormal number of minutes that belongs to no phase, so the
  phases of a row add up to somewhat less than `elapsed_min`;
* the outcome follows from how long the desktop takes to come up on the unit, again with noise.

Over the year the workshop changes: on IMAGE_CHANGE the usual image becomes debian-13, on LINK_CHANGE the link gets
faster, and technician T starts on T_STARTS, slower at first.

Only `random.Random.random` draws numbers, which Python promises to keep the same for a seed; all shapes are made
from it here, so that every Python writes the same bytes.

Run `python datasets/demo/generate.py`; it writes bench_log.csv beside itself.
"""

from __future__ import annotations

import csv
import io
import math
import random
from datetime import date, timedelta
from pathlib import Path
from statistics import NormalDist

SEED = 20_260_911
ROWS = 400
FIRST_DAY = date(2025, 6, 2)
LAST_DAY = date(2026, 9, 4)
IMAGE_CHANGE = date(2025, 9, 1)
LINK_CHANGE = date(2026, 2, 2)
T_STARTS = date(2026, 1, 5)

PHASES = (
    "prepare", "boot", "installer", "copy", "first_boot", "refresh", "base", "updates", "restart", "second_refresh",
    "customise", "skeleton", "seal", "check",
)  # fmt: skip

COLUMNS = (
    "asset_tag", "date", "technician", "maker", "model", "cpu", "ram_gib", "storage_kind", "storage_gib", "link_mbps",
    "image", "edition", "hands_on_min", "elapsed_min", *(f"{phase}_min" for phase in PHASES), "outcome", "reason",
    "provenance",
)  # fmt: skip

# maker, model, processor, speed (invented reference = 1), cores, usual memory [GiB], usual disks, weight
MODELS = (
    ("Lenovo", "ThinkPad T460", "Intel Core i5-6300U", 1.00, 2, (4, 8, 8, 16), ("sata ssd", "spinning disk"), 9),
    ("Lenovo", "ThinkPad T440s", "Intel Core i5-4300U", 0.88, 2, (4, 8), ("spinning disk", "sata ssd"), 6),
    ("Lenovo", "ThinkPad X250", "Intel Core i5-5300U", 0.92, 2, (4, 8), ("sata ssd", "spinning disk"), 5),
    ("Dell", "Latitude E6420", "Intel Core i5-2520M", 0.80, 2, (4, 4, 8), ("spinning disk", "sata ssd"), 6),
    ("Dell", "Latitude E6430", "Intel Core i5-3320M", 0.86, 2, (4, 8), ("spinning disk", "sata ssd"), 6),
    ("Dell", "Latitude 5490", "Intel Core i5-8350U", 1.25, 4, (8, 16), ("sata ssd", "nvme"), 5),
    ("Dell", "Latitude 5420", "Intel Core i5-1145G7", 1.75, 4, (8, 16), ("nvme",), 3),
    ("HP", "EliteBook 840 G3", "Intel Core i5-6200U", 0.98, 2, (4, 8), ("sata ssd", "spinning disk"), 7),
    ("HP", "EliteBook 840 G5", "Intel Core i5-8250U", 1.20, 4, (8, 16), ("nvme", "sata ssd"), 4),
    ("HP", "250 G8", "Intel Core i3-1115G4", 1.65, 2, (4, 8), ("nvme",), 3),
    ("HP", "Compaq 6730b", "Intel Core 2 Duo P8400", 0.45, 2, (2, 4), ("spinning disk",), 2),
    ("Lenovo", "G50-30", "Intel Celeron N2830", 0.32, 2, (2, 4), ("spinning disk",), 3),
    ("Acer", "Aspire 1 A114-32", "Intel Celeron N4020", 0.55, 2, (4,), ("emmc",), 3),
    ("Toshiba", "Satellite L750D", "AMD E-450", 0.26, 2, (4,), ("spinning disk",), 2),
    ("HP", "255 G8", "AMD Ryzen 5 5500U", 1.60, 6, (8, 16), ("nvme",), 3),
    ("Dell", "OptiPlex 780", "Intel Core 2 Duo E8400", 0.58, 2, (2, 4), ("spinning disk",), 4),
    ("Dell", "OptiPlex 3010", "Intel Core i3-3220", 0.90, 2, (4, 8), ("spinning disk", "sata ssd"), 6),
    ("HP", "Compaq 8200 Elite", "Intel Core i5-2400", 0.90, 4, (4, 8), ("spinning disk", "sata ssd"), 6),
    ("Lenovo", "ThinkCentre M93p", "Intel Core i5-4570T", 1.05, 2, (8,), ("sata ssd", "spinning disk"), 5),
    ("Dell", "OptiPlex 7050", "Intel Core i5-7500T", 1.12, 4, (8, 16), ("sata ssd", "nvme"), 5),
    ("HP", "EliteDesk 800 G4", "Intel Core i5-8500", 1.45, 6, (8, 16), ("nvme", "sata ssd"), 4),
    ("HP", "22-b0 all-in-one", "Intel Celeron J3060", 0.40, 2, (4,), ("spinning disk",), 2),
    ("HP", "t620", "AMD GX-415GA", 0.30, 4, (4,), ("sata ssd",), 2),
)

# disk: rate [MiB/s], access [ms], usual sizes [GiB]
DISKS = {
    "spinning disk": (75.0, 13.0, (232, 298, 466, 466)),
    "sata ssd": (380.0, 0.15, (119, 223, 238)),
    "nvme": (1300.0, 0.08, (238, 238, 477)),
    "emmc": (95.0, 0.9, (58,)),
}

# edition: installed [MiB], files [thousands], packages of base set and their download [MiB], how heavy at login
EDITIONS = {
    "GNOME": (4300, 165, 60, 170, 1.30),
    "KDE Plasma": (4600, 172, 60, 180, 1.20),
    "Cinnamon": (4000, 158, 58, 160, 1.05),
    "MATE": (3600, 150, 56, 150, 0.90),
    "Xfce": (3400, 146, 55, 145, 0.75),
    "LXQt": (3250, 142, 54, 140, 0.65),
    "LXDE": (3000, 136, 52, 130, 0.55),
}

TECHNICIANS = {"K": 0.92, "M": 1.00, "T": 1.22}


class Dice:
    """Draws of every shape, from one promised source."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._normal = NormalDist()

    def even(self) -> float:
        """Draw between 0 and 1, neither of them."""
        return min(max(self._random.random(), 1e-12), 1 - 1e-12)

    def pick(self, choices, weights=None):
        """Draw one of several."""
        weights = weights or [1] * len(choices)
        mark = self.even() * sum(weights)
        for choice, weight in zip(choices, weights, strict=True):
            mark -= weight
            if mark <= 0:
                return choice
        return choices[-1]

    def noise(self, sigma: float) -> float:
        """Draw exp(normal), of median 1."""
        return math.exp(sigma * self._normal.inv_cdf(self.even()))


def workdays() -> list[date]:
    """All workdays of the log."""
    days = (FIRST_DAY + timedelta(days=number) for number in range((LAST_DAY - FIRST_DAY).days + 1))
    return [day for day in days if day.weekday() < 5]


def edition_for(speed: float, ram: int, disk: str, dice: Dice) -> str:
    """Edition as a technician of the workshop picks it by feel."""
    feel = speed * (0.6 if disk == "spinning disk" else 0.75 if disk == "emmc" else 1.0) * min(ram / 6, 1.3)
    feel *= dice.noise(0.18)
    for limit, edition in ((1.35, "GNOME"), (1.15, "KDE Plasma"), (0.70, "Cinnamon"), (0.50, "MATE"), (0.30, "Xfce")):
        if feel > limit:
            return edition
    return dice.pick(["LXQt", "LXDE"])


def phase_minutes(speed, cores, disk, link, edition, months_old, factor, dice) -> tuple[dict, dict]:
    """Hands-on and machine minutes of every phase; `months_old` is the age of the image."""
    rate, access, _ = DISKS[disk]
    installed, files, packages, download, _ = EDITIONS[edition]
    unpack = 58.0 * speed
    updates = 30 + 22 * months_old
    fetch = 8.4 / link
    machine = {
        "boot": (35 + 45 / speed) / 60,
        "copy": (max(installed / unpack, installed / rate) + 0.2 * files * access) / 60,
        "first_boot": (20 + 25 / speed + 4.5 * access) / 60,
        "refresh": (12 + 45 * fetch + 9 / speed) / 60,
        "base": (download * fetch + packages * (1.1 / speed + 70 * access / 1000)) / 60,
        "updates": (updates * 1.5 * fetch + updates * (1.0 / speed + 70 * access / 1000) + 40 / speed / cores**0.3)
        / 60,
        "restart": (25 + 20 / speed + 3.5 * access) / 60,
        "second_refresh": (10 + 4 * fetch + 6 / speed) / 60,
        "check": 0.5,
    }
    hands = {
        "prepare": 4.0, "boot": 1.5, "installer": 4.5, "copy": 0.2, "first_boot": 1.5, "refresh": 0.8, "base": 0.7,
        "updates": 0.5, "restart": 0.3, "second_refresh": 0.5, "customise": 4.0, "skeleton": 1.5, "seal": 2.0,
        "check": 4.0,
    }  # fmt: skip
    hands = {phase: minutes * factor * dice.noise(0.22) for phase, minutes in hands.items()}
    machine = {phase: machine.get(phase, 0.0) * dice.noise(0.10) for phase in PHASES}
    return hands, machine


def outcome_for(speed: float, ram: int, disk: str, edition: str, dice: Dice) -> tuple[str, str]:
    """What came of the unit: fine, slow or returned, and why."""
    access = DISKS[disk][1]
    start = (7 / speed + 1.25 * access) * EDITIONS[edition][4] * dice.noise(0.2)
    start *= 1.8 if ram < 4 and edition in ("GNOME", "KDE Plasma", "Cinnamon") else 1.0
    if start > 30:
        return "slow", dice.pick(["desktop takes long to come up", "browser drags", "disk never quiet"])
    if dice.even() < 0.035:
        return "returned", dice.pick(["battery died", "Wi-Fi drops", "screen flickers", "owner wanted another system"])
    return "fine", ""


def rows() -> list[dict[str, str]]:
    """All rows of the log, by date."""
    dice = Dice(SEED)
    days = workdays()
    chosen = sorted(days[int(dice.even() * len(days))] for _ in range(ROWS))
    out = []
    for number, day in enumerate(chosen):
        maker, model, cpu, speed, cores, memories, disks, _ = dice.pick(MODELS, [entry[-1] for entry in MODELS])
        ram = dice.pick(memories)
        disk = dice.pick(disks)
        size = dice.pick(DISKS[disk][2]) if model != "t620" else 30
        link = 25.0 if day < LINK_CHANGE else 40.0
        image, since = ("debian-12", date(2024, 12, 1)) if day < IMAGE_CHANGE else ("debian-13", IMAGE_CHANGE)
        technicians = [name for name in TECHNICIANS if name != "T" or day >= T_STARTS]
        technician = dice.pick(technicians)
        factor = TECHNICIANS[technician]
        if technician == "T":
            factor *= 1 + 0.25 * math.exp(-(day - T_STARTS).days / 45)
        edition = edition_for(speed, ram, disk, dice)
        hands, machine = phase_minutes(
            speed, cores, disk, link * dice.noise(0.12), edition, (day - since).days / 30.4, factor, dice
        )
        whole = dice.noise(0.06)
        by_phase = {phase: (hands[phase] + machine[phase]) * whole for phase in PHASES}
        waiting = 3.0 * dice.noise(0.9)
        outcome, reason = outcome_for(speed, ram, disk, edition, dice)
        row = {
            "asset_tag": f"OM-{number + 1:04d}L", "date": day.isoformat(), "technician": technician, "maker": maker,
            "model": model, "cpu": cpu, "ram_gib": str(ram), "storage_kind": disk, "storage_gib": str(size),
            "link_mbps": f"{link:g}", "image": image, "edition": edition,
            "hands_on_min": f"{sum(hands.values()) * whole:.0f}",
            "elapsed_min": f"{sum(by_phase.values()) + waiting:.0f}",
            "outcome": outcome, "reason": reason, "provenance": "invented",
        }  # fmt: skip
        with_phases, no_hands, no_outcome = dice.even() < 0.35, dice.even() < 0.06, dice.even() < 0.08
        row |= {f"{phase}_min": f"{by_phase[phase]:.1f}" if with_phases else "" for phase in PHASES}
        if no_hands:
            row["hands_on_min"] = ""
        if no_outcome:
            row["outcome"] = row["reason"] = ""
        out.append(row)
    return out


def content() -> str:
    """Text of bench_log.csv."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows())
    return text.getvalue()


if __name__ == "__main__":
    (Path(__file__).resolve().parent / "bench_log.csv").write_text(content(), encoding="utf-8", newline="")
