"""Flags: what a technician must know of a unit before it takes a slot.

A flag's severity, title, action and source are a row of `datasets/advice/flags.csv`; where it holds, and the reason for
one unit, is an entry of `_of_unit` or `_of_work` under its code. What notes say and what a model is known for are flags
too; they come from the tables of those rooms.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from advisor import tables
from advisor.advice.cases import Cases, shortfall
from advisor.advice.options import COMFORTABLE
from advisor.columns import among, by_row, holds, numbers, present
from advisor.drivers.kinds import Kind
from advisor.drivers.needs import Lack
from advisor.editions.gates import ASSUMED_DRAWING
from advisor.unit import BootMode, Severity, Support, worst_first

FLAG_COLUMNS = ("row", "code", "severity", "title", "reason", "source", "action")
"""Columns of the flags frame."""

Hits = tuple[np.ndarray, str | Callable[[int], str]]
"""Where a flag holds (bool, shape (n_cases,)), and the sentence for all, or for one by its position."""


def raise_flags(cases: Cases, elapsed_min: np.ndarray) -> pd.DataFrame:
    """Ask for every flag of every case (minutes [min], NaN for none): `FLAG_COLUMNS`, by case, the worst first."""
    limit = cases.facts.shop.thresholds.slot_max_min
    long_slot: Hits = (
        elapsed_min > limit, lambda row: f"{elapsed_min[row]:.0f} min elapsed, above the shop's {limit:.0f} min"
    )  # fmt: skip
    pieces = [
        _told(_of_unit(cases) | _of_work(cases)), cases.facts.conditions[list(FLAG_COLUMNS)], _device_flags(cases),
        _told({"long-slot": long_slot}),
    ]  # fmt: skip
    frame = pd.concat(pieces, ignore_index=True).astype({"row": "int64"})
    return worst_first(frame).reset_index(drop=True)


def _told(hits: Mapping[str, Hits]) -> pd.DataFrame:
    """Flags with the words of the table, in its order."""
    rows: list[tuple[object, ...]] = []
    for about in tables.dicts("advice/flags"):
        code = about["code"]
        mask, sentence = hits.get(code, (np.zeros(0, dtype=bool), ""))
        for row in np.flatnonzero(mask).tolist():
            reason = sentence(row) if callable(sentence) else sentence
            rows.append((row, code, about["severity"], about["title"], reason, about["source"], about["action"]))
    return pd.DataFrame(rows, columns=list(FLAG_COLUMNS))


def _of_unit(cases: Cases) -> dict[str, Hits]:
    """Flags that the facts of a unit raise, whatever is done with it."""
    facts, units, limits = cases.facts, cases.facts.units, cases.facts.shop.thresholds
    at = np.arange(len(facts))
    foreign = np.isin(at, facts.conditions["row"][facts.conditions["code"].eq("other-architecture")])
    open_cpu = facts.processors["cpu_problem"].notna().to_numpy()
    mode, model, graphics = units["storage_mode"].str.upper(), units["storage_model"], units["graphics"]
    health, battery = numbers(units["storage_health_pct"]), numbers(units["battery_health_pct"])
    likely = by_row(facts.likely["row"], facts.likely["reason"].astype(str))
    problems = by_row(facts.problems["row"] - 1, facts.problems["column"] + ": " + facts.problems["problem"])
    assumed = facts.assumed_drawing
    why_processor: Callable[[int], str] = lambda row: facts.processor_problems[row]  # noqa: E731
    return {
        "processor-unknown": (facts.no_processor & ~foreign, why_processor),
        "processor-open": (open_cpu & ~facts.no_processor, why_processor),
        "memory-unknown": (
            units["ram_gib"].isna().to_numpy(), "the edition depends on the memory, and the row gives none"
        ),
        "disk-unknown": (
            units["storage_kind"].isna().to_numpy(), "a spinning disk and an SSD differ in minutes and in comfort"
        ),
        "no-disk": (facts.no_disk, "no internal disk is fitted"),
        "disk-worn": (
            facts.worn,
            lambda row: f"{health[row]:.0f} % of the disk's life is left, "
            f"below the shop's {limits.storage_health_pct:.0f} %",
        ),
        "disk-hidden": (
            facts.hidden_mode & ~facts.disk_seen, lambda row: f"the controller is in {mode.iat[row]} mode"
        ),
        "controller-mode": (
            facts.hidden_mode & facts.disk_seen,
            lambda row: f"the controller is in {mode.iat[row]} mode, yet the disk {model.iat[row]} was seen",
        ),
        "32-bit-only": (holds(facts.processors["cpu_level"].eq("i686")), "the processor's level is i686"),
        "uefi-32-bit": (
            holds(units["boot_mode"].eq(BootMode.UEFI32)),
            "the firmware is 32-bit UEFI; a stick with only a 64-bit loader does not start",
        ),
        "likely-value": (np.isin(at, list(likely)), lambda row: "; ".join(likely[row])),
        "graphics-assumed": (
            assumed | (facts.drawing.isna() & graphics.notna()).to_numpy(),
            lambda row: ASSUMED_DRAWING if assumed[row] else f"{graphics.iat[row]!r} is taken not to draw",
        ),
        "battery-weak": (
            battery < limits.battery_health_pct,
            lambda row: f"{battery[row]:.0f} % of the design capacity is left, "
            f"below the shop's {limits.battery_health_pct:.0f} %",
        ),
        "tag-twice": (facts.twice, "the tag stands on more than one row"),
        "value-not-understood": (
            np.isin(at, list(problems)),
            lambda row: "; ".join(problems[row][:4]) + f" (+{len(problems[row]) - 4} more)" * (len(problems[row]) > 4),
        ),
    }  # fmt: skip


def _of_work(cases: Cases) -> dict[str, Hits]:
    """Flags that the stick, the desktop and the devices on that stick raise."""
    units, shop, devices, words = cases.facts.units, cases.facts.shop, cases.devices, cases.wireless
    image, names = units["image"], ", ".join(one.name for one in shop.images)
    unknown = (devices["kind"] == Kind.WIRELESS) & (devices["support"] == Support.UNKNOWN)
    chips = dict(zip(devices.row[unknown].tolist(), devices["reason"][unknown], strict=True))
    unnamed = cases.facts.portable & ~present(words) & units["wireless"].isna().to_numpy()
    built = np.zeros(len(cases), dtype=bool)
    built[devices.row[devices["support"] == Support.SEPARATE_DRIVER]] = True
    fetching = [[one.package for one in each if one.network] for each in cases.bring]
    return {
        "no-image-boots": (cases.image < 0, cases.why_no_image),
        "image-foreign": (
            image.notna().to_numpy() & (cases.named < 0), lambda row: f"{image.iat[row]!r} is none of: {names}"
        ),
        "other-image": ((cases.image >= 0) & (cases.image != cases.wanted), cases.why_other_stick),
        "slow": (
            cases.works & (cases.level > COMFORTABLE), lambda case: shortfall(cases.rows[case], cases.facts, case)
        ),
        "wireless-unknown": (
            np.equal(words, Support.UNKNOWN) | unnamed,
            lambda row: chips.get(row, "the row names no Wi-Fi chip, and the unit is one that is carried about"),
        ),
        "secure-boot-module": (
            built & holds(units["secure_boot"]),
            "the driver is built on the unit, and Secure Boot refuses unsigned modules",
        ),
        "bring-network": (
            cases.needs_network,
            lambda row: f"installing {', '.join(fetching[row])} fetches what is lacking, or builds it on the unit",
        ),
    }  # fmt: skip


_WEIGHTY = (Kind.STORAGE, Kind.GRAPHICS, Kind.WIRELESS, Kind.ETHERNET)
_DEVICE_ACTION: dict[str, str] = {
    Support.NEEDS_FIRMWARE: "Put the package file on the stick before work starts.",
    Support.NEWER_KERNEL: "Take the stick with the newer kernel.",
    Support.SEPARATE_DRIVER: "Have the package and a wired link ready; the driver is built on the unit.",
    Support.NO_DRIVER: "Fit a part that has a driver, or do without.",
}


def _device_flags(cases: Cases) -> pd.DataFrame:
    """Flags that come from the device verdicts on the image used: one a unit, kind of device and support word."""
    devices = cases.devices
    support, kind, severity, action = (devices[name] for name in ("support", "kind", "severity", "action"))
    quirk, reason, source = devices["quirk"], devices["reason"], devices["source"]
    told = (cases.facts.hidden_mode | cases.facts.disk_seen)[devices.row]
    # Storage controllers that work, but stand between the installer and the disk.
    hiding = (kind == Kind.STORAGE) & (support == Support.WORKS) & (quirk != "") & (action != "") & ~told
    rows: dict[tuple[int, str], tuple[object, ...]] = {}
    for at in (*np.flatnonzero(among(support, _DEVICE_ACTION)), *np.flatnonzero(hiding)):
        row, code = int(devices.row[at]), f"{kind[at]}-{support[at]}".replace(" ", "-")
        title, act = f"{kind[at].capitalize()}: {support[at]}", kind[at] in _WEIGHTY and severity[at] != Lack.DEGRADES
        if hiding[at]:
            code, title, act = "disk-hidden", "Storage controller may hide the disk", severity[at] == Lack.BLOCKS
        todo = action[at] or _DEVICE_ACTION[support[at]]
        if kind[at] == Kind.WIRELESS and cases.adapter[row]:
            act, todo = False, f"The adapter takes its place; without one: {todo[0].lower()}{todo[1:]}"
        rows.setdefault((row, code), (
            row, code, str(Severity.ACT if act else Severity.NOTE), title, reason[at], source[at], todo,
        ))  # fmt: skip
    return pd.DataFrame(list(rows.values()), columns=list(FLAG_COLUMNS))
