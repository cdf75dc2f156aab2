"""Flags: what a technician must know of a unit before it takes a slot.

A flag is a rule with a code, a severity, a title, an action and a source; its test takes the `Cases` and returns the
positions it holds for and the reason for each. To add one, write a function here and mark it with `@rule`. What notes
say and what a model is known for are flags too; they come from the tables of those rooms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from advisor.advice.cases import Cases, shortfall
from advisor.advice.facts import PRACTICE
from advisor.advice.options import COMFORTABLE
from advisor.columns import among, holds, numbers, present
from advisor.drivers.kinds import Kind
from advisor.drivers.needs import Lack
from advisor.editions.gates import ASSUMED_DRAWING
from advisor.unit import BootMode, Severity, Support, worst_first

FLAG_COLUMNS = ("row", "code", "severity", "title", "reason", "source", "action")
"""Columns of the flags frame."""


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
    test: Callable[[Cases], Hits]


RULES: list[Rule] = []
"""Every rule, in the order in which flags are listed within a severity."""


def rule(
    code: str, severity: Severity, title: str, action: str, source: str = PRACTICE
) -> Callable[[Callable[[Cases], Hits]], Callable[[Cases], Hits]]:
    """Register a test as a flag.

    Parameters
    ----------
    code : str
        Stable short name, lower case with hyphens.
    title, action, source : str
        What is wrong in a few words; what to do; where the rule is from.
    """

    def add(test: Callable[[Cases], Hits]) -> Callable[[Cases], Hits]:
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


def raise_flags(cases: Cases, elapsed_min: np.ndarray) -> pd.DataFrame:
    """Test every rule on every case (minutes [min], NaN for none): `FLAG_COLUMNS`, by case, the worst first."""
    found: dict[str, list[object]] = {name: [] for name in FLAG_COLUMNS}
    for one in RULES:
        rows, sentence = one.test(cases)
        hit = [int(row) for row in rows]
        told = {
            "row": hit, "code": one.code, "severity": str(one.severity), "title": one.title,
            "reason": [sentence(row) for row in hit], "source": one.source, "action": one.action,
        }  # fmt: skip
        for name, value in told.items():
            found[name] += value if isinstance(value, list) else [value] * len(hit)
    said = cases.facts.conditions[list(FLAG_COLUMNS)]
    frame = pd.concat(
        [pd.DataFrame(found), said, _device_flags(cases), _long_slot(cases, elapsed_min)], ignore_index=True
    ).astype({"row": "int64"})
    return worst_first(frame).reset_index(drop=True)


@rule(
    "no-image-boots", Severity.STOP, "No image of the shop boots on this unit",
    "Set the unit aside, or add an image that fits it to the shop's list.",
)  # fmt: skip
def _no_image(cases: Cases) -> Hits:
    return where(cases.image < 0, cases.why_no_image)


@rule(
    "processor-unknown", Severity.STOP, "Processor not understood", "Correct the processor's name, or capture the unit."
)
def _processor_unknown(cases: Cases) -> Hits:
    facts = cases.facts
    foreign = facts.conditions["row"][facts.conditions["code"].eq("other-architecture")]
    return where(
        facts.no_processor & ~np.isin(np.arange(len(facts)), foreign), lambda row: facts.processor_problems[row]
    )


@rule("processor-open", Severity.NOTE, "Processor not told apart", "Write the whole number, or capture the unit.")
def _processor_open(cases: Cases) -> Hits:
    facts = cases.facts
    problems = facts.processors["cpu_problem"].notna().to_numpy()
    return where(problems & ~facts.no_processor, lambda row: facts.processor_problems[row])


@rule(
    "memory-unknown",
    Severity.STOP,
    "Memory not known",
    "Read the memory size from the firmware's set-up page, or capture the unit.",
)
def _memory_unknown(cases: Cases) -> Hits:
    facts = cases.facts
    return where(facts.units["ram_gib"].isna().to_numpy(), "the edition depends on the memory, and the row gives none")


@rule("disk-unknown", Severity.ACT, "Kind of disk not known", "Look at the disk, or capture the unit.")
def _disk_unknown(cases: Cases) -> Hits:
    facts = cases.facts
    return where(
        facts.units["storage_kind"].isna().to_numpy(), "a spinning disk and an SSD differ in minutes and in comfort"
    )


@rule("no-disk", Severity.ACT, "No disk", "Fit a disk before the unit takes a slot.")
def _no_disk(cases: Cases) -> Hits:
    facts = cases.facts
    return where(facts.no_disk, "no internal disk is fitted")


@rule("disk-worn", Severity.ACT, "Disk is worn", "Replace the disk; keep nothing of value on it.")
def _worn(cases: Cases) -> Hits:
    facts = cases.facts
    left = facts.units["storage_health_pct"]
    limit = facts.shop.thresholds.storage_health_pct
    return where(
        facts.worn, lambda row: f"{left.iat[row]:.0f} % of the disk's life is left, below the shop's {limit:.0f} %"
    )


@rule(
    "disk-hidden", Severity.ACT, "Storage controller may hide the disk",
    "Switch the controller to AHCI/NVMe in the firmware's set-up before installing; note the old setting.",
    "linux 6.12 Documentation/admin-guide and drivers/pci/controller/vmd.c; otherwise common practice, no source",
)  # fmt: skip
def _hidden(cases: Cases) -> Hits:
    facts = cases.facts
    mode = facts.units["storage_mode"]
    mask = facts.hidden_mode & ~facts.disk_seen
    return where(mask, lambda row: f"the controller is in {str(mode.iat[row]).upper()} mode")


@rule(
    "controller-mode", Severity.NOTE, "Controller in RAID or VMD mode",
    "Nothing, if this is the disk to install to; a second disk may stay hidden until the mode is AHCI/NVMe.",
    "linux 6.12 drivers/pci/controller/vmd.c; otherwise common practice, no source",
)  # fmt: skip
def _mode(cases: Cases) -> Hits:
    facts = cases.facts
    mode, model = facts.units["storage_mode"], facts.units["storage_model"]
    mask = facts.hidden_mode & facts.disk_seen
    return where(
        mask,
        lambda row: f"the controller is in {str(mode.iat[row]).upper()} mode, yet the disk {model.iat[row]} was seen",
    )


@rule("32-bit-only", Severity.NOTE, "Processor has no 64-bit mode",
      "Use the 32-bit image; Debian 13 offers none to install.",
      "Debian 13 release notes, 'i386 is no longer supported as a regular architecture'")  # fmt: skip
def _i686(cases: Cases) -> Hits:
    facts = cases.facts
    return where(holds(facts.processors["cpu_level"].eq("i686")), "the processor's level is i686")


@rule("uefi-32-bit", Severity.NOTE, "32-bit UEFI on this unit",
      "Use an image whose boot menu has a 32-bit UEFI loader (Debian's amd64 images carry one).",
      "Debian Installation Guide, 'UEFI support'")  # fmt: skip
def _uefi32(cases: Cases) -> Hits:
    facts = cases.facts
    mask = holds(facts.units["boot_mode"].eq(BootMode.UEFI32))
    return where(mask, "the firmware is 32-bit UEFI; a stick with only a 64-bit loader does not start")


@rule(
    "image-foreign",
    Severity.ACT,
    "Image on the row is not the shop's",
    "Correct the image's name, or add it to the shop file.",
)
def _foreign(cases: Cases) -> Hits:
    names = ", ".join(image.name for image in cases.facts.shop.images)
    image = cases.facts.units["image"]
    return where(image.notna().to_numpy() & (cases.named < 0), lambda row: f"{image.iat[row]!r} is none of: {names}")


@rule("other-image", Severity.NOTE, "Use another stick than usual", "Take the named stick.")
def _other_image(cases: Cases) -> Hits:
    return where((cases.image >= 0) & (cases.image != cases.wanted), cases.why_other_stick)


@rule("slow", Severity.ACT, "Stays slow", "Tell the recipient, or find it another use; see the other options.",
      "comfort model against the shop's thresholds")  # fmt: skip
def _slow(cases: Cases) -> Hits:
    return where(cases.works & (cases.level > COMFORTABLE), lambda case: shortfall(cases.rows[case], cases.facts, case))


@rule("likely-value", Severity.NOTE, "A missing fact was taken as likely", "Look at it before the unit takes a slot.")
def _likely(cases: Cases) -> Hits:
    found: dict[int, list[str]] = {}
    for row, reason in zip(cases.facts.likely["row"].astype(int), cases.facts.likely["reason"], strict=True):
        found.setdefault(row, []).append(str(reason))
    return sorted(found), lambda row: "; ".join(found[row])


@rule("wireless-unknown", Severity.ACT, "Wi-Fi chip not known", "Read the chip's name or id, or capture the unit.")
def _wireless_unknown(cases: Cases) -> Hits:
    words, text = cases.wireless, cases.facts.units["wireless"]
    mask = np.equal(words, Support.UNKNOWN) | (cases.facts.portable & ~present(words) & text.isna().to_numpy())
    devices = cases.devices
    chips = np.flatnonzero((devices["kind"] == Kind.WIRELESS) & (devices["support"] == Support.UNKNOWN))
    reasons = dict(zip(devices.row[chips].tolist(), devices["reason"][chips], strict=True))
    missing = "the row names no Wi-Fi chip, and the unit is one that is carried about"
    return where(mask, lambda row: str(reasons.get(row, missing)))


@rule("graphics-assumed", Severity.NOTE, "Graphics chip not known", "Try the desktop's effects before handing over.")
def _graphics(cases: Cases) -> Hits:
    assumed = cases.facts.assumed_drawing
    named = cases.facts.units["graphics"]
    unknown = cases.facts.drawing.isna().to_numpy() & named.notna().to_numpy()
    return where(
        assumed | unknown,
        lambda row: ASSUMED_DRAWING if assumed[row] else f"{named.iat[row]!r} is taken not to draw",
    )


@rule("battery-weak", Severity.NOTE, "Battery is weak", "Tell the recipient, or fit another battery.")
def _battery(cases: Cases) -> Hits:
    facts = cases.facts
    health = facts.units["battery_health_pct"]
    limit = facts.shop.thresholds.battery_health_pct
    return where(
        numbers(health) < limit,
        lambda row: f"{health.iat[row]:.0f} % of the design capacity is left, below the shop's {limit:.0f} %",
    )


@rule("secure-boot-module", Severity.ACT, "Secure Boot and a separately built driver",
      "Enrol the key that signs the module at the next start, or switch Secure Boot off.",
      "Debian package shim-signed and dkms, README.Debian: modules built on the unit need an enrolled key")  # fmt: skip
def _secure_boot(cases: Cases) -> Hits:
    built = np.zeros(len(cases), dtype=bool)
    built[cases.devices.row[cases.devices["support"] == Support.SEPARATE_DRIVER]] = True
    return where(
        built & holds(cases.facts.units["secure_boot"]),
        "the driver is built on the unit, and Secure Boot refuses unsigned modules",
    )


@rule("bring-network", Severity.ACT, "Needs a wired network at the bench",
      "Connect a cable, or another adapter, before the package is installed.",
      "packages firmware-b43-installer and broadcom-sta-dkms: they fetch, or build with what they fetch")  # fmt: skip
def _network(cases: Cases) -> Hits:
    mask = np.array([any(one.network and one.decides for one in each) for each in cases.bring], dtype=bool)
    return where(
        mask,
        lambda row: (
            ", ".join(one.package for one in cases.bring[row] if one.network)
            + " fetch what they need, or build on the unit"
        ),
    )


def _long_slot(cases: Cases, elapsed_min: np.ndarray) -> pd.DataFrame:
    """Units that hold a slot for longer than the shop likes."""
    limit = cases.facts.shop.thresholds.slot_max_min
    rows = np.flatnonzero(elapsed_min > limit)
    return pd.DataFrame(
        {
            "row": rows, "code": "long-slot", "severity": str(Severity.NOTE), "title": "Holds a slot for long",
            "reason": [f"{elapsed_min[row]:.0f} min elapsed, above the shop's {limit:.0f} min" for row in rows],
            "source": "shop's threshold slot_max_min", "action": "Start it first, or overnight.",
        }
    )  # fmt: skip


@rule("tag-twice", Severity.ACT, "Asset tag stands twice", "Give each unit its own tag.")
def _twice(cases: Cases) -> Hits:
    facts = cases.facts
    return where(facts.twice, "the tag stands on more than one row")


@rule("value-not-understood", Severity.NOTE, "A value was not understood", "Correct the value and score the row again.")
def _not_understood(cases: Cases) -> Hits:
    facts = cases.facts
    found: dict[int, list[str]] = {}
    for row, column, problem in zip(
        facts.problems["row"].astype(int), facts.problems["column"], facts.problems["problem"], strict=True
    ):
        found.setdefault(row - 1, []).append(f"{column}: {problem}")

    def why(row: int) -> str:
        more = len(found[row]) - 4
        return "; ".join(found[row][:4]) + (f" (+{more} more)" if more > 0 else "")

    return sorted(found), why


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
    for at in np.flatnonzero(among(support, _DEVICE_ACTION)):
        code = f"{kind[at]}-{support[at]}".replace(" ", "-")
        weighty = kind[at] in _WEIGHTY and severity[at] != Lack.DEGRADES
        row = int(devices.row[at])
        rows.setdefault((row, code), (
            row, code, str(Severity.ACT if weighty else Severity.NOTE), f"{kind[at].capitalize()}: {support[at]}",
            reason[at], source[at], action[at] or _DEVICE_ACTION[support[at]],
        ))  # fmt: skip
    for at in np.flatnonzero(hiding):
        row = int(devices.row[at])
        rows.setdefault((row, "disk-hidden"), (
            row, "disk-hidden", str(Severity.ACT if severity[at] == Lack.BLOCKS else Severity.NOTE),
            "Storage controller may hide the disk", reason[at], source[at], action[at],
        ))  # fmt: skip
    return pd.DataFrame(list(rows.values()), columns=list(FLAG_COLUMNS))
