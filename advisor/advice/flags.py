"""Flags: what a technician must know of a unit before it takes a slot.

A flag is a rule with a code, a severity, a title, an action and a source; its test returns the rows it holds for and
the reason for each. To add one, write a function here and mark it with `@rule`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from advisor.advice.facts import Facts
from advisor.columns import holds, numbers, present, texts
from advisor.intake.said import TAG_TWICE
from advisor.unit import BootMode, StorageKind, StorageMode, Support

PRACTICE = "common practice, no source"

FLAG_COLUMNS = ("row", "code", "severity", "title", "reason", "source", "action")
"""Columns of the flags frame."""


class Severity(StrEnum):
    """How a flag changes the work."""

    STOP = "stop"
    ACT = "act"
    NOTE = "note"


Hits = tuple[Iterable[int], Callable[[int], str]]
"""Rows a rule holds for, and the sentence for one row."""


@dataclass(frozen=True)
class Rule:
    """One flag."""

    code: str
    severity: Severity
    title: str
    action: str
    source: str
    test: Callable[[Facts], Hits]


RULES: list[Rule] = []
"""Every rule, in the order in which flags are listed within a severity."""


def rule(
    code: str, severity: Severity, title: str, action: str, source: str = PRACTICE
) -> Callable[[Callable[[Facts], Hits]], Callable[[Facts], Hits]]:
    """Register a test as a flag.

    Parameters
    ----------
    code : str
        Stable short name, lower case with hyphens.
    severity : Severity
    title, action, source : str
        What is wrong in a few words; what to do; where the rule is from.
    """

    def add(test: Callable[[Facts], Hits]) -> Callable[[Facts], Hits]:
        RULES.append(Rule(code, severity, title, action, source, test))
        return test

    return add


def where(mask: np.ndarray, sentence: str | Callable[[int], str]) -> Hits:
    """Build a rule's answer from a mask.

    Parameters
    ----------
    mask : numpy.ndarray of bool, shape (n_units,)
    sentence : str or callable
        One text for all rows, or a function of the unit's position.
    """
    if callable(sentence):
        return np.flatnonzero(mask), sentence
    return np.flatnonzero(mask), lambda row: sentence


def raise_flags(facts: Facts) -> pd.DataFrame:
    """Test every rule on every unit.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    pandas.DataFrame
        Columns `FLAG_COLUMNS`, a row a flag, sorted by unit and then by severity, worst first.
    """
    found: dict[str, list[object]] = {name: [] for name in FLAG_COLUMNS}
    for one in RULES:
        rows, sentence = one.test(facts)
        for row in rows:
            for name, value in zip(
                FLAG_COLUMNS,
                (int(row), one.code, str(one.severity), one.title, sentence(int(row)), one.source, one.action),
                strict=True,
            ):
                found[name].append(value)
    frame = pd.concat([pd.DataFrame(found), _device_flags(facts)], ignore_index=True)
    rank = frame["severity"].map({str(severity): number for number, severity in enumerate(Severity)})
    order = np.lexsort((np.arange(len(frame)), rank.to_numpy(dtype=int), frame["row"].to_numpy(dtype=int)))
    return frame.iloc[order].reset_index(drop=True)


SWOLLEN = re.compile(
    r"(?<!not )(?<!no )(?<!nor )\b(?:swoll\w*|swell\w*|bulg\w*|bloat\w*|puff(?:y|ed)\w*"
    r"|leak\w* batter\w*|batter\w* leak\w*)",
    re.I,
)
"""Words in the notes that mean a battery not to be worked beside."""


def swollen(facts: Facts) -> np.ndarray:
    """Where the notes speak of a swollen or leaking battery.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    numpy.ndarray of bool, shape (n_units,)
    """
    return holds(facts.units["notes"].str.contains(SWOLLEN))


@rule(
    "battery-swollen", Severity.STOP, "Swollen or damaged battery",
    "Stop work on the unit and do not charge it; a competent person removes and stores the battery under local rules.",
)  # fmt: skip
def _swollen(facts: Facts) -> Hits:
    return where(swollen(facts), lambda row: f"the notes say: {str(facts.units['notes'].iat[row])[:80]}")


@rule(
    "no-image-boots", Severity.STOP, "No image of the shop boots on this unit",
    "Set the unit aside, or add an image that fits it to the shop's list.",
)  # fmt: skip
def _no_image(facts: Facts) -> Hits:
    def why(row: int) -> str:
        return "; ".join(dict.fromkeys(str(text) for text in facts.boots_reason.iloc[row].dropna()))

    return where(facts.image_number < 0, why)


@rule(
    "processor-unknown", Severity.STOP, "Processor not understood", "Correct the processor's name, or capture the unit."
)
def _processor_unknown(facts: Facts) -> Hits:
    problems = processor_problems(facts)
    return where(no_processor(facts), lambda row: problems[row])


def processor_problems(facts: Facts) -> list[str]:
    """Say why each unit's processor is not known.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    list of str
        A sentence a unit, of use where `no_processor` holds.
    """
    names, problems = texts(facts.units["cpu"]), texts(facts.processors["cpu_problem"])
    return [
        "the row names no processor" if name is None else problem or f"{name!r} is no processor that the tables know"
        for name, problem in zip(names, problems, strict=True)
    ]


def no_processor(facts: Facts) -> np.ndarray:
    """Where the processor's level or speed could not be told.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    numpy.ndarray of bool, shape (n_units,)
    """
    return facts.processors["cpu_level"].isna().to_numpy() | facts.processors["cpu_speed"].isna().to_numpy()


@rule(
    "memory-unknown",
    Severity.STOP,
    "Memory not known",
    "Read the memory size from the firmware's set-up page, or capture the unit.",
)
def _memory_unknown(facts: Facts) -> Hits:
    return where(facts.units["ram_gib"].isna().to_numpy(), "the edition depends on the memory, and the row gives none")


@rule("disk-unknown", Severity.ACT, "Kind of disk not known", "Look at the disk, or capture the unit.")
def _disk_unknown(facts: Facts) -> Hits:
    return where(
        facts.units["storage_kind"].isna().to_numpy(), "a spinning disk and an SSD differ in minutes and in comfort"
    )


@rule("no-disk", Severity.ACT, "No disk", "Fit a disk before the unit takes a slot.")
def _no_disk(facts: Facts) -> Hits:
    return where(holds(facts.units["storage_kind"].eq(StorageKind.NONE)), "no internal disk is fitted")


def worn(facts: Facts) -> np.ndarray:
    """Where the disk has less life left than the shop accepts.

    Parameters
    ----------
    facts : Facts

    Returns
    -------
    numpy.ndarray of bool, shape (n_units,)
    """
    return numbers(facts.units["storage_health_pct"]) < facts.shop.thresholds.storage_health_pct


@rule("disk-worn", Severity.ACT, "Disk is worn", "Replace the disk; keep nothing of value on it.")
def _worn(facts: Facts) -> Hits:
    left = facts.units["storage_health_pct"]
    limit = facts.shop.thresholds.storage_health_pct
    return where(
        worn(facts), lambda row: f"{left.iat[row]:.0f} % of the disk's life is left, below the shop's {limit:.0f} %"
    )


@rule(
    "disk-hidden", Severity.ACT, "Storage controller may hide the disk",
    "Switch the controller to AHCI/NVMe in the firmware's set-up before installing; note the old setting.",
    "linux 6.12 Documentation/admin-guide and drivers/pci/controller/vmd.c; otherwise common practice, no source",
)  # fmt: skip
def _hidden(facts: Facts) -> Hits:
    mode = facts.units["storage_mode"]
    mask = holds(mode.isin([str(StorageMode.RAID), str(StorageMode.VMD)])) & ~_disk_seen(facts)
    return where(mask, lambda row: f"the controller is in {str(mode.iat[row]).upper()} mode")


def _disk_seen(facts: Facts) -> np.ndarray:
    """Where a running system has read the disk's own model: its controller hides nothing from that kernel."""
    there = ~facts.units["storage_kind"].isin([str(StorageKind.NONE)]).to_numpy()
    return there & present(facts.units["storage_kind"].to_numpy()) & present(facts.units["storage_model"].to_numpy())


@rule(
    "controller-mode", Severity.NOTE, "Controller in RAID or VMD mode",
    "Nothing, if this is the disk to install to; a second disk may stay hidden until the mode is AHCI/NVMe.",
    "linux 6.12 drivers/pci/controller/vmd.c; otherwise common practice, no source",
)  # fmt: skip
def _mode(facts: Facts) -> Hits:
    mode, model = facts.units["storage_mode"], facts.units["storage_model"]
    mask = holds(mode.isin([str(StorageMode.RAID), str(StorageMode.VMD)])) & _disk_seen(facts)
    return where(
        mask,
        lambda row: f"the controller is in {str(mode.iat[row]).upper()} mode, yet the disk {model.iat[row]} was seen",
    )


@rule("32-bit-only", Severity.NOTE, "Processor has no 64-bit mode",
      "Use the 32-bit image; Debian 13 offers none to install.",
      "Debian 13 release notes, 'i386 is no longer supported as a regular architecture'")  # fmt: skip
def _i686(facts: Facts) -> Hits:
    return where(holds(facts.processors["cpu_level"].eq("i686")), "the processor's level is i686")


@rule("uefi-32-bit", Severity.NOTE, "32-bit UEFI on this unit",
      "Use an image whose boot menu has a 32-bit UEFI loader (Debian's amd64 images carry one).",
      "Debian Installation Guide, 'UEFI support'")  # fmt: skip
def _uefi32(facts: Facts) -> Hits:
    mask = holds(facts.units["boot_mode"].eq(BootMode.UEFI32))
    return where(mask, "the firmware is 32-bit UEFI; a stick with only a 64-bit loader does not start")


@rule(
    "image-foreign",
    Severity.ACT,
    "Image on the row is not the shop's",
    "Correct the image's name, or add it to the shop file.",
)
def _foreign(facts: Facts) -> Hits:
    names = ", ".join(image.name for image in facts.shop.images)
    image = facts.units["image"]
    return where(facts.chosen["foreign"].to_numpy(), lambda row: f"{image.iat[row]!r} is none of: {names}")


@rule("other-image", Severity.NOTE, "Use another stick than usual", "Take the named stick.")
def _other_image(facts: Facts) -> Hits:
    mask = holds(facts.chosen["image_used"].ne(facts.chosen["image_wanted"]))
    used, wanted = texts(facts.chosen["image_used"]), texts(facts.chosen["image_wanted"])
    blocked = facts.boots_reason.astype(object).to_numpy()
    columns = {name: number for number, name in enumerate(facts.boots.columns)}

    def why(row: int) -> str:
        asked, taken = columns[wanted[row]], columns[used[row]]
        instead = f"{used[row]} instead of {wanted[row]}"
        if pd.notna(blocked[row, asked]):
            return f"{instead}: {blocked[row, asked]}"
        better = [
            f"{kind} {matrix[row, asked]} there, {matrix[row, taken]} here"
            for kind, matrix in facts.support.items()
            if matrix[row, asked] != matrix[row, taken]
        ]
        return f"{instead}: {'; '.join(better) or 'its devices fare better'}"

    return where(mask, why)


@rule("wireless-unknown", Severity.ACT, "Wi-Fi chip not known", "Read the chip's name or id, or capture the unit.")
def _wireless_unknown(facts: Facts) -> Hits:
    words = facts.support_of("wireless")
    text = facts.units["wireless"]
    mask = np.equal(words, Support.UNKNOWN) | (facts.portable & ~present(words) & text.isna().to_numpy())

    chips = facts.devices[facts.devices["kind"].eq("wireless") & facts.devices["support"].eq(Support.UNKNOWN)]
    reasons = dict(zip(chips["row"], chips["reason"], strict=True))
    missing = "the row names no Wi-Fi chip, and the unit is one that is carried about"
    return where(mask, lambda row: str(reasons.get(row, missing)))


@rule("battery-weak", Severity.NOTE, "Battery is weak", "Tell the recipient, or fit another battery.")
def _battery(facts: Facts) -> Hits:
    health = facts.units["battery_health_pct"]
    limit = facts.shop.thresholds.battery_health_pct
    return where(
        numbers(health) < limit,
        lambda row: f"{health.iat[row]:.0f} % of the design capacity is left, below the shop's {limit:.0f} %",
    )


@rule("secure-boot-module", Severity.ACT, "Secure Boot and a separately built driver",
      "Enrol the key that signs the module at the next start, or switch Secure Boot off.",
      "Debian package shim-signed and dkms, README.Debian: modules built on the unit need an enrolled key")  # fmt: skip
def _secure_boot(facts: Facts) -> Hits:
    mask = facts.having(facts.devices["support"].eq(Support.SEPARATE_DRIVER))
    return where(
        mask & holds(facts.units["secure_boot"]),
        "the driver is built on the unit, and Secure Boot refuses unsigned modules",
    )


@rule(
    "below-comfort",
    Severity.ACT,
    "No edition is comfortable as it stands",
    "See the ladder and the part that would help.",
)
def _below(facts: Facts) -> Hits:
    mask = facts.choice.isna().to_numpy() & (facts.image_number >= 0) & ~no_processor(facts)
    mask &= facts.units["ram_gib"].notna().to_numpy() & ~facts.units["storage_kind"].eq(StorageKind.NONE).fillna(
        False
    ).to_numpy(dtype=bool)
    why = facts.ladder.lightest()[2]
    return where(mask, lambda row: str(why[row]))


@rule(
    "long-slot",
    Severity.NOTE,
    "Holds a slot for long",
    "Start it first, or overnight.",
    "shop's threshold slot_max_min",
)
def _long(facts: Facts) -> Hits:
    if facts.elapsed_min is None:
        return where(np.zeros(len(facts), dtype=bool), "")
    minutes = facts.elapsed_min
    limit = facts.shop.thresholds.slot_max_min
    return where(
        numbers(minutes) > limit, lambda row: f"{minutes.iat[row]:.0f} min elapsed, above the shop's {limit:.0f} min"
    )


@rule("tag-twice", Severity.ACT, "Asset tag stands twice", "Give each unit its own tag.")
def _twice(facts: Facts) -> Hits:
    tags = facts.units["asset_tag"]
    mask = holds(tags.duplicated(keep=False) & tags.notna())
    # A batch taken in pieces: intake has compared each row with all of them.
    elsewhere = facts.problems.loc[facts.problems["problem"].str.startswith(TAG_TWICE), "row"]
    mask = mask | np.isin(np.arange(len(tags)), elsewhere.astype(int) - 1)
    return where(mask, lambda row: f"{tags.iat[row]} stands on more than one row")


@rule("value-not-understood", Severity.NOTE, "A value was not understood", "Correct the value and score the row again.")
def _not_understood(facts: Facts) -> Hits:
    found: dict[int, list[str]] = {}
    for row, column, problem in zip(
        facts.problems["row"].astype(int), facts.problems["column"], facts.problems["problem"], strict=True
    ):
        found.setdefault(row - 1, []).append(f"{column}: {problem}")

    def why(row: int) -> str:
        more = len(found[row]) - 4
        return "; ".join(found[row][:4]) + (f" (+{more} more)" if more > 0 else "")

    return sorted(found), why


_DEVICE_ACTION = {
    Support.NEEDS_FIRMWARE: "Put the package file on the stick before work starts.",
    Support.NEWER_KERNEL: "Take the stick with the newer kernel.",
    Support.SEPARATE_DRIVER: "Have the package and a wired link ready; the driver is built on the unit.",
    Support.NO_DRIVER: "Fit a part that has a driver, or do without.",
}


def _device_flags(facts: Facts) -> pd.DataFrame:
    """Flags that come from the device verdicts on the image used: one a unit, kind of device and support word."""
    rows = facts.devices[facts.devices["support"].isin(list(_DEVICE_ACTION))].copy()
    weighty = rows["kind"].isin(["storage", "graphics", "wireless", "ethernet"]) & rows["severity"].ne("degrades")
    rows = rows.assign(
        code=rows["kind"].str.replace(" ", "-") + "-" + rows["support"].str.replace(" ", "-"),
        severity=np.where(weighty, str(Severity.ACT), str(Severity.NOTE)),
        title=rows["kind"].str.capitalize() + ": " + rows["support"].astype(str),
        action=np.where(
            rows["action"].astype(str).ne(""),
            rows["action"].astype(str),
            rows["support"].astype(str).map({str(key): value for key, value in _DEVICE_ACTION.items()}),
        ),
    )
    return pd.concat([rows, _hiding(facts)]).drop_duplicates(["row", "code"])[list(FLAG_COLUMNS)]


def _hiding(facts: Facts) -> pd.DataFrame:
    """Flags of storage controllers that work, but stand between the installer and the disk."""
    told = holds(facts.units["storage_mode"].isin([str(StorageMode.RAID), str(StorageMode.VMD)])) | _disk_seen(facts)
    rows = facts.devices[
        facts.devices["kind"].eq("storage")
        & facts.devices["support"].eq(Support.WORKS)
        & facts.devices["quirk"].astype(str).ne("")
        & facts.devices["action"].astype(str).ne("")
    ]
    rows = rows[~told[rows["row"].to_numpy(dtype=int)]]
    return rows.assign(
        code="disk-hidden",
        severity=np.where(rows["severity"].eq("blocks"), str(Severity.ACT), str(Severity.NOTE)),
        title="Storage controller may hide the disk",
    )
