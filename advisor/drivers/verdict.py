"""The verdict on a device: its record, the image it is about, and the verdict on a name that fits several ids."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from advisor.drivers import store
from advisor.drivers.firmware import FirmwareTable
from advisor.drivers.spec import Spec
from advisor.drivers.table import DriverTable
from advisor.shop import Image
from advisor.unit import Support

RANK: dict[Support, int] = {support: rank for rank, support in enumerate(Support)}
"""Best first, as `Support` lists them."""


@dataclass(frozen=True)
class Verdict:
    """What one image does with one device.

    Attributes
    ----------
    support : Support
    modules : str
        Modules that would drive it, space between.
    firmware_packages : str
        Packages to add to the image, space between.
    severity : str
        'blocks', 'degrades' or ''.
    cure : str
        An image's name, a package or ''.
    reason, source : str
    quirk : str
        Code of the knowledge that was used; '' when the tables alone decided.
    action : str
        What to do about it; '' when nothing.
    """

    support: Support
    modules: str = ""
    firmware_packages: str = ""
    severity: str = ""
    cure: str = ""
    reason: str = ""
    source: str = ""
    quirk: str = ""
    action: str = ""


@dataclass(frozen=True)
class Place:
    """An image with its tables loaded."""

    image: Image
    table: DriverTable
    firmware: FirmwareTable
    carried: frozenset[str]

    @property
    def version(self) -> tuple[int, ...]:
        """The kernel's version as numbers, for comparing."""
        return version_of(self.table)


def version_of(table: DriverTable) -> tuple[int, ...]:
    """A kernel's version as numbers."""
    found = re.match(r"\d+(?:\.\d+)*", table.version)
    return tuple(int(part) for part in found[0].split(".")) if found else (0,)


def place_of(image: Image) -> Place:
    """Load what an image's verdicts need.

    Raises
    ------
    TableError
        When its driver or firmware table is missing or damaged.
    """
    table = store.load(image.kernel)
    firmware = store.load_firmware(str(table.about.get("firmware", image.kernel)))
    return Place(image, table, firmware, firmware.carried(image.firmware))


def unknown(reason: str, source: str = "the intake") -> Verdict:
    """The verdict when the device is not known well enough."""
    return Verdict(Support.UNKNOWN, reason=reason, source=source, action="Read its id with lspci -nn or lsusb.")


def together(spec: Spec, lists: Sequence[list[Verdict]]) -> list[Verdict]:
    """Judge a name that fits several ids: where all of them get the same verdict it stands.

    Parameters
    ----------
    spec : Spec
        With candidates.
    lists : sequence of list of Verdict
        Verdicts of each candidate on every image.

    Returns
    -------
    list of Verdict
    """
    out = []
    count = len(spec.candidates)
    shown = ", ".join(one.text for one in spec.candidates[:6]) + (", …" if count > 6 else "")
    for verdicts in zip(*lists, strict=True):
        first = verdicts[0]
        if all(
            (v.support, v.firmware_packages, v.severity, v.cure)
            == (first.support, first.firmware_packages, first.severity, first.cure)
            for v in verdicts
        ):
            modules = " ".join(sorted({name for v in verdicts for name in v.modules.split()}))
            reason = f"The name fits {count} ids ({shown}), all with this verdict. {first.reason}"
            out.append(replace(first, modules=modules, reason=reason))
            continue
        per: dict[str, list[str]] = {}
        for one, v in zip(spec.candidates, verdicts, strict=True):
            words = str(v.support) + (f" ({v.firmware_packages or v.cure})" if v.firmware_packages or v.cure else "")
            per.setdefault(words, []).append(one.text)
        told = "; ".join(
            f"{words}: {', '.join(texts[:4])}{', …' if len(texts) > 4 else ''}" for words, texts in per.items()
        )
        out.append(unknown(f"The name fits {count} ids with different verdicts: {told}.", first.source))
    return out
