"""The verdict on a device: its record, the image it is about, and the verdict on a name that fits several ids."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from advisor.drivers import table_files
from advisor.drivers.firmware import FirmwareTable
from advisor.drivers.needs import Lack
from advisor.drivers.quirks import Quirk
from advisor.drivers.spec import Spec
from advisor.drivers.table import DriverTable
from advisor.phrases import few, sentence
from advisor.shop import Image
from advisor.unit import Support

RANK: dict[Support, int] = {support: rank for rank, support in enumerate(Support)}
"""Best first, as `Support` lists them."""
HARM: dict[str, int] = {"": 0, Lack.DEGRADES: 1, Lack.BLOCKS: 2}
"""How bad each severity is."""


@dataclass(frozen=True)
class Verdict:
    """What one image does with one device."""

    support: Support
    modules: str = ""  # Modules that would drive it, space between
    firmware_packages: str = ""  # Packages to add to the image, space between
    severity: str = ""  # `Lack.BLOCKS`, `Lack.DEGRADES` or ''
    cure: str = ""  # An image's name, a package or ''
    reason: str = ""
    source: str = ""
    quirk: str = ""  # Code of the knowledge that was used; '' when the tables alone decided
    action: str = ""  # What to do about it; '' when nothing

    def by(self, quirk: Quirk) -> Verdict:
        """The same with what a quirk says behind it."""
        return replace(
            self, reason=f"{self.reason} {quirk.reason}", source=f"{self.source}; {quirk.source}",
            quirk=self.quirk or quirk.code, action=self.action or quirk.action,
        )  # fmt: skip


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
        found = re.match(r"\d+(?:\.\d+)*", self.table.version)
        return tuple(int(part) for part in found[0].split(".")) if found else (0,)


def place_of(image: Image) -> Place:
    """Load what an image's verdicts need; TableError when a table is missing or damaged."""
    table = table_files.load(image.kernel)
    firmware = table_files.load_firmware(str(table.about.get("firmware", image.kernel)))
    return Place(image, table, firmware, firmware.carried(image.firmware))


def unknown(reason: str, source: str = "the intake") -> Verdict:
    """The verdict when the device is not known well enough."""
    return Verdict(Support.UNKNOWN, reason=reason, source=source, action="Read its id with lspci -nn or lsusb.")


def together(spec: Spec, lists: Sequence[list[Verdict]]) -> tuple[Spec, list[Verdict]]:
    """Judge a name that fits several ids: what holds for all of them stands.

    Parameters
    ----------
    spec : Spec
        With candidates.
    lists : sequence of list of Verdict
        Verdicts of each candidate on every image.

    Returns
    -------
    spec : Spec
        Without the candidates that are strays of the list: ids of a chip that no kernel drives, while it drives others
        of the same vendor.
    verdicts : list of Verdict
        The common verdict where all get the same; firmware for some of them where the others work without; the worst
        where none of them works; else unknown.
    """
    strays = _strays(spec, lists)
    kept = [at for at in range(len(lists)) if at not in strays]
    ids = [spec.candidates[at].text for at in kept]
    aside = ""
    if strays:
        shown = few([spec.candidates[at].text for at in sorted(strays)], 4, ", …")
        aside = f" Left aside: {shown}, which no kernel drives."
    out = []
    for verdicts in zip(*(lists[at] for at in kept), strict=True):
        one = verdicts[0] if len(kept) == 1 else _common(ids, verdicts)
        out.append(replace(one, reason=one.reason + aside) if aside else one)
    return replace(spec, candidates=tuple(spec.candidates[at] for at in kept)), out


def _strays(spec: Spec, lists: Sequence[list[Verdict]]) -> set[int]:
    """Candidates without a driver on every image, of which nothing is known, beside driven ones of the same vendor."""
    if not spec.chip:
        return set()
    barren = {at for at, each in enumerate(lists) if all(v.support is Support.NO_DRIVER and not v.quirk for v in each)}
    driven = {spec.candidates[at].vendor for at in range(len(lists)) if at not in barren}
    return {at for at in barren if spec.candidates[at].vendor in driven}


def _common(ids: Sequence[str], verdicts: Sequence[Verdict]) -> Verdict:
    """What can be said of all ids of a name on one image."""
    first = verdicts[0]
    fits = f"The name fits {len(ids)} ids ({few(ids, 6, ', …')})"
    modules = " ".join(sorted({name for v in verdicts for name in v.modules.split()}))
    if len({(v.support, v.firmware_packages, v.severity, v.cure) for v in verdicts}) == 1:
        return replace(first, modules=modules, reason=f"{fits}, all with this verdict. {first.reason}")
    more = _by_words(ids, verdicts)
    packages = sorted({name for v in verdicts for name in v.firmware_packages.split()})
    worst = max(verdicts, key=lambda v: (HARM[v.severity], RANK[v.support]))
    curable = (v.support is Support.NEEDS_FIRMWARE and bool(v.firmware_packages) for v in verdicts)
    if all(v.support is Support.WORKS or there for v, there in zip(verdicts, curable, strict=True)):
        listed = " and ".join(packages)
        return replace(
            worst, modules=modules, firmware_packages=" ".join(packages), cure=packages[0] if packages else "",
            reason=f"{fits}; with {listed} on the stick all of them work. {more}" if packages else f"{fits}. {more}",
            action=f"Copy {listed} to the stick." if packages else worst.action,
        )  # fmt: skip
    if all(v.severity == worst.severity and v.severity and v.support is not Support.WORKS for v in verdicts):
        cures = {v.cure for v in verdicts if v.support is worst.support}
        return replace(
            worst, modules=modules, firmware_packages="", cure=worst.cure if len(cures) == 1 else "",
            reason=f"{fits}, and none of them works on this image as it is. {more}",
            action="Read its id with lspci -nn or lsusb: what helps differs.",
        )  # fmt: skip
    return unknown(f"{fits} with different verdicts. {more}", first.source)


def _by_words(ids: Sequence[str], verdicts: Sequence[Verdict]) -> str:
    """Verdicts with the ids that get each."""
    per: dict[str, list[str]] = {}
    for one, v in zip(ids, verdicts, strict=True):
        words = str(v.support) + (f" ({v.firmware_packages or v.cure})" if v.firmware_packages or v.cure else "")
        per.setdefault(words, []).append(one)
    return sentence("; ".join(f"{words}: {few(texts, 4, ', …')}" for words, texts in per.items()))
