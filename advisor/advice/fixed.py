"""The fixed words of the sheet: hand-over checks, cautions, legends."""

from __future__ import annotations

from collections.abc import Sequence

from advisor.drivers.kinds import Kind
from advisor.unit import Advice, Severity

CAUTIONS: tuple[str, ...] = (
    "Erasing is final. Before the installer's erase step, confirm the right to erase this disk and the shop's "
    "data-sanitisation rule.",
    "A swollen or damaged battery stops work on the unit: do not charge, press or open it.",
    "Mains and power-supply work is for a competent person under local rules. Electrical safety testing and lithium "
    "disposal follow local law.",
    "Static kills parts: power off, unplug, ground yourself before you open the case.",
)
"""Cautions every sheet carries."""

CHECKS: tuple[str, ...] = (
    "Settings of the bench account copied to /etc/skel, for every new account; nothing private among them",
    "Bench account, its home and its password removed; the root password is not the shop's",
    "No Wi-Fi password, browser profile, shell history, mail or file of the bench left",
    "Machine id and SSH host keys are made anew; host name says nothing of the shop or the giver",
    "Package lists fresh, no update pending, no package half set up",
    "First start asks the recipient for language, keyboard, time zone, name and password",
)
"""Hand-over checks of every unit that is installed."""

PORTABLE_CHECK = "Sleeps when the lid is closed and wakes; charges; keys for brightness and sound do their work"
TRIED_CHECK = "Tried on the installed system: {kinds}"
ALWAYS_TRIED: tuple[str, ...] = ("sound", "a film in the browser")

KINDS_TRIED: dict[str, str] = {
    Kind.WIRELESS: "Wi-Fi", Kind.ETHERNET: "wired network", Kind.CAMERA: "camera", Kind.BLUETOOTH: "Bluetooth",
    Kind.CARD_READER: "card reader", Kind.FINGERPRINT: "fingerprint reader",
}  # fmt: skip
"""Kind of device to the word in the check; listed only where the unit has one that works."""

STOPPED_CHECKS: tuple[str, ...] = (
    "No install is advised: the unit takes no slot",
    "Before the unit leaves the shop in any direction, its disk is dealt with by the shop's data-sanitisation rule",
)
"""Stand in the place of the hand-over checks on a sheet for a unit that is set aside."""

HOLD_CHECKS: tuple[str, ...] = ("Write in what you find out, correct the intake row, and score it again",)

LIMITS = "usual–most in {certainty} %; limits {desktop} s, {browser} s, {memory} MiB"
"""What the seconds of the ladder are, and what counts as comfortable, beside its title."""

SEVERITIES: dict[str, str] = {Severity.STOP: "stop work", Severity.ACT: "act first", Severity.NOTE: "note"}
"""Severity of a flag as printed."""

ACROSS = "Devices on each image"
"""Title of the picture of devices against images."""


def no_boot(images: Sequence[str]) -> str:
    """Say which images do not boot on the unit, '' when all do; below that picture."""
    return f"Does not boot on this unit: {', '.join(images)}." if images else ""


def everywhere(shown: int, hidden: int) -> str:
    """Say that devices without a row of their own work on every image.

    Parameters
    ----------
    shown, hidden : int
        Devices with a row and without one.

    Returns
    -------
    str
        '' when every device has its row.
    """
    if not hidden:
        return ""
    if not shown:
        return "Every device works on every image."
    return f"{hidden} more {'devices work' if hidden > 1 else 'device works'} on every image."


CSV_HINT = "see the scored CSV"
"""Where the rest stands when a section was cut short."""

CHECKS_TITLE: dict[str, str] = {
    Advice.SET_ASIDE: "Before it leaves the bench", Advice.HOLD: "Then", "other": "Hand-over checks",
}  # fmt: skip
"""Title over the checks, by advice."""
