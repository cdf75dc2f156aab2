"""What each image of a shop does with each device of a unit, with reasons."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from advisor.drivers import needs, quirks, store
from advisor.drivers.devices import Spec
from advisor.drivers.firmware import FirmwareTable
from advisor.drivers.kinds import Kind, of_module
from advisor.drivers.packing import pack
from advisor.drivers.quirks import BUS_MODULES, Effect, Quirk
from advisor.drivers.table import DriverTable
from advisor.shop import Image
from advisor.unit import Support

RANK: dict[Support, int] = {support: rank for rank, support in enumerate(Support)}
"""Best first, as `Support` lists them."""

_STRICT = frozenset({Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET, Kind.BLUETOOTH, Kind.CAMERA})
_FULL = 0xFFFFFFFFFFFFFFFF


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


@dataclass(frozen=True)
class Bound:
    """Modules of one device on one kernel: name, kind, and whether no unknown subsystem id decides."""

    modules: tuple[tuple[str, Kind, bool], ...]


def bind(specs: Sequence[Spec], table: DriverTable) -> list[Bound]:
    """Find the modules of devices on a kernel.

    Parameters
    ----------
    specs : sequence of Spec
        Without candidates of their own.
    table : DriverTable

    Returns
    -------
    list of Bound
    """
    found: list[list[tuple[str, Kind, bool]]] = [[] for _ in specs]
    whole = [at for at, spec in enumerate(specs) if spec.modalias is not None]
    texts = [specs[at].modalias or "" for at in whole]
    hits = table.match(pack(texts), texts)
    for row, module in zip(hits.rows.tolist(), hits.modules.tolist(), strict=True):
        found[whole[row]].append((table.modules[module], _kind_of(table, module), True))
    for bus in ("pci", "usb"):
        partly = [at for at, spec in enumerate(specs) if spec.modalias is None and spec.bus == bus and spec.words]
        if not partly:
            continue
        words = np.array([specs[at].words for at in partly], dtype=np.uint64).T
        a, b, known_a, known_b = (np.ascontiguousarray(column) for column in words)
        hits = table.match_partly(bus, a, b, known_a, known_b)
        for row, module, sure in zip(hits.rows.tolist(), hits.modules.tolist(), hits.sure.tolist(), strict=True):
            found[partly[row]].append((table.modules[module], _kind_of(table, module), sure))
    return [Bound(tuple(row)) for row in found]


@lru_cache(maxsize=65_536)
def _kind_cached(path: str, name: str) -> Kind:
    return of_module(path, name)


def _kind_of(table: DriverTable, module: int) -> Kind:
    return _kind_cached(table.paths[module], table.modules[module])


def kind_of(spec: Spec, bounds: Sequence[Bound]) -> Kind:
    """Kind of a device: what its class or the lists say, else what the modules that bind it are for."""
    if spec.kind is not Kind.OTHER or _chipset(spec):
        return spec.kind
    for bound in bounds:
        for _, kind, _ in bound.modules:
            if kind is not Kind.OTHER:
                return kind
    return Kind.OTHER


def _chipset(spec: Spec) -> bool:
    code = spec.class_code
    return code is not None and spec.bus == "pci" and code >> 16 in (0x05, 0x06, 0x08, 0x0B)


def working(bound: Bound, kind: Kind, table: DriverTable, found: Sequence[Quirk]) -> list[tuple[str, bool]]:
    """Modules that do the work of a device: not those of a bus, and of its kind where that is telling."""
    modules = [
        (name, sure)
        for name, of, sure in bound.modules
        if name not in BUS_MODULES and (kind not in _STRICT or of is kind)
    ]
    if any(name in BUS_MODULES for name, _, _ in bound.modules):
        modules += [
            (quirk.module, True) for quirk in found if quirk.effect is Effect.THROUGH and quirk.module in table.numbers
        ]
    return modules


def judge(spec: Spec, kind: Kind, bounds: Sequence[Bound], places: Sequence[Place]) -> list[Verdict]:
    """Judge one device on every image.

    Parameters
    ----------
    spec : Spec
    kind : Kind
    bounds : sequence of Bound
        Its modules on each image's kernel.
    places : sequence of Place
        The images, in the same order.

    Returns
    -------
    list of Verdict
    """
    found = quirks.of_device(spec)
    verdicts = [_alone(spec, kind, bound, place, found) for bound, place in zip(bounds, places, strict=True)]
    lacking = (Support.NO_DRIVER, Support.SEPARATE_DRIVER)
    return [
        _newer(verdict, place, places, verdicts) if verdict.support in lacking else verdict
        for verdict, place in zip(verdicts, places, strict=True)
    ]


def _alone(spec: Spec, kind: Kind, bound: Bound, place: Place, found: Sequence[Quirk]) -> Verdict:
    table = place.table
    modules = working(bound, kind, table, found)
    source = f"module aliases of {table.version}"
    if not modules:
        return _without(spec, kind, bound, place, found, source)
    names = " ".join(sorted({name for name, _ in modules}))
    caveat = ""
    if not any(sure for _, sure in modules):
        caveat = f" Covered for some subsystems: {names} asks for subsystem ids, which are not known here."
    elif spec.assumed:
        caveat = f" Known by its id alone; {spec.assumed} was taken for granted."
    verdict = _firmware(spec, kind, modules, names, place, found, source)
    reason = verdict.reason + caveat
    for quirk in found:
        if quirk.effect in (Effect.HIDES_DISK, Effect.SHARES, Effect.SERIES):
            reason += f" {quirk.reason}"
            verdict = replace(
                verdict, quirk=quirk.code, action=quirk.action, source=f"{verdict.source}; {quirk.source}",
                severity="blocks" if quirk.effect is Effect.HIDES_DISK else verdict.severity,
            )  # fmt: skip
    return replace(verdict, reason=reason)


def _firmware(
    spec: Spec,
    kind: Kind,
    modules: list[tuple[str, bool]],
    names: str,
    place: Place,
    found: Sequence[Quirk],
    source: str,
) -> Verdict:
    fetched = next((quirk for quirk in found if quirk.effect is Effect.FETCHED), None)
    if fetched is not None:
        package = fetched.package(place.image.release)
        return Verdict(
            Support.NEEDS_FIRMWARE, names, "", "blocks", package, fetched.reason,
            f"{source}; {fetched.source}", fetched.code, fetched.action,
        )  # fmt: skip
    states = [
        state
        for name, _ in modules
        if (state := needs.of_module(place.table, place.firmware, place.carried, name, spec)) is not None
    ]
    through = next((quirk for quirk in found if quirk.effect is Effect.THROUGH), None)
    driven = f"{names} drives it."
    if through is not None and through.module in names.split():
        driven, source = through.reason, f"{source}; {through.source}"
    if not states:
        return Verdict(Support.WORKS, names, reason=f"{driven} No firmware is named for it.", source=source)
    source += f"; contents of the firmware packages ({place.firmware.name})"
    lacking = [state for state in states if state.missing or state.nowhere]
    serious = [state for state in lacking if state.rule.severity is not needs.Severity.OPTIONAL]
    if not serious:
        carried = sorted({name for state in states for name in state.carried})
        if carried:
            text = f"{driven} Its firmware is in {_listed(carried)}, which the image carries."
        else:
            text = f"{driven} Firmware is optional for it."
        return Verdict(Support.WORKS, names, reason=text, source=source)
    worst = min(serious, key=lambda state: list(needs.Severity).index(state.rule.severity))
    packages = sorted({name for state in serious for name in state.missing})
    source += f"; {worst.rule.source}"
    lack = {needs.Severity.BLOCKS: "Without its firmware", needs.Severity.DEGRADES: "Without firmware"}[
        worst.rule.severity
    ]
    effect = f"{lack}: {worst.rule.effect}."
    if not packages:
        reason = f"{driven} {effect} No package of {place.firmware.name} ships the file that {worst.module} names."
        return Verdict(Support.NEEDS_FIRMWARE, names, "", str(worst.rule.severity), "", reason, source)
    areas = sorted({place.firmware.by_name[name].area for name in packages})
    sizes = ", ".join(f"{name} ({place.firmware.by_name[name].size / 2**20:.1f} MiB)" for name in packages)
    which = (
        ""
        if worst.certain
        else f" {worst.module} names files for several chips; which of them this device asks for is not told."
    )
    reason = f"{driven} {effect} Put on the stick: {sizes}, from {_listed(areas)}.{which}"
    return Verdict(
        Support.NEEDS_FIRMWARE, names, " ".join(packages), str(worst.rule.severity), packages[0], reason, source, "",
        f"Copy {_listed(packages)} to the stick.",
    )  # fmt: skip


def _listed(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def _without(spec: Spec, kind: Kind, bound: Bound, place: Place, found: Sequence[Quirk], source: str) -> Verdict:
    release = place.image.release
    buses = sorted({name for name, _, _ in bound.modules if name in BUS_MODULES})
    only_bus = f" {_listed(buses)} binds it, which is only a bus." if buses else ""
    others = sorted({name for name, _, _ in bound.modules if name not in BUS_MODULES})
    if not buses and others:
        only_bus = f" {_listed(others)} binds it, which does not make it a {kind} device."
    for quirk in found:
        package = quirk.package(release)
        if quirk.effect is Effect.SEPARATE and package:
            return Verdict(
                Support.SEPARATE_DRIVER, " ".join(buses), "", "blocks", package, f"{quirk.reason}{only_bus}",
                f"{source}; {quirk.source}", quirk.code, quirk.action,
            )  # fmt: skip
        if quirk.effect is Effect.USERSPACE and package:
            return Verdict(
                Support.WORKS,
                "",
                "",
                "",
                "",
                f"{quirk.reason} Package {package}.",
                quirk.source,
                quirk.code,
                quirk.action,
            )
    if kind is Kind.OTHER and _chipset(spec):
        return Verdict(Support.WORKS, reason="Part of the chipset; it needs no driver of its own.", source="PCI class")
    told = next(
        (quirk for quirk in found if quirk.effect in (Effect.NO_DRIVER, Effect.SEPARATE, Effect.USERSPACE)), None
    )
    reason = f"No module of kernel {place.table.version} is for it.{only_bus}"
    severity = "" if kind is Kind.OTHER else "blocks"
    if kind is Kind.GRAPHICS:
        severity = "degrades"
        reason += " A plain picture from the firmware's framebuffer is likely, without acceleration."
    if told is not None:
        return Verdict(
            Support.NO_DRIVER, " ".join(buses), "", severity, "", f"{reason} {told.reason}", f"{source}; {told.source}",
            told.code, told.action,
        )  # fmt: skip
    if spec.bus and spec.bus not in ("pci", "usb", "sdio"):
        reason += " Many devices of this kind need none."
    return Verdict(Support.NO_DRIVER, " ".join(buses), "", severity, "", reason, source)


def _newer(verdict: Verdict, place: Place, places: Sequence[Place], verdicts: Sequence[Verdict]) -> Verdict:
    """Look for an image that drives what this one does not."""
    better = [
        (other, seen)
        for other, seen in zip(places, verdicts, strict=True)
        if seen.support in (Support.WORKS, Support.NEEDS_FIRMWARE)
        and other.image.architecture == place.image.architecture
    ]
    if not better:
        return verdict
    newer = [pair for pair in better if pair[0].version > place.version]
    chosen = newer or better
    other, seen = min(chosen, key=lambda pair: (RANK[pair[1].support], not pair[0].image.on_hand, pair[0].version))
    word = "newer" if newer else "older"
    reason = (
        f"No module of kernel {place.table.version} is for it; the {word} kernel {other.table.version} of image "
        f"{other.image.name} has {seen.modules}."
    )
    if seen.support is Support.NEEDS_FIRMWARE:
        reason += f" There it needs firmware: {seen.firmware_packages or seen.cure}."
    support = Support.NEWER_KERNEL if newer else verdict.support
    if verdict.support is Support.SEPARATE_DRIVER:
        return replace(verdict, reason=f"{verdict.reason} {reason}")
    return replace(
        verdict, support=support, cure=other.image.name, reason=reason, modules=verdict.modules,
        action=f"Use image {other.image.name}.",
    )  # fmt: skip


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
