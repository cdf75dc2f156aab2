"""One device on every image: the modules that bind it, the firmware they need, and what the tables do not know.

Which ids a typed name means was settled before, by `names`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from advisor.drivers import needs, quirks, table_files
from advisor.drivers.kinds import BUS_MODULES, Kind, of_module
from advisor.drivers.needs import Lack
from advisor.drivers.quirks import Effect, Quirk
from advisor.drivers.spec import Spec
from advisor.drivers.table import BY_CLASS, NAMED, PARTLY, DriverTable
from advisor.drivers.verdict import RANK, Place, Verdict, unknown
from advisor.phrases import joined
from advisor.releases import KERNELS
from advisor.unit import Support

_STRICT = frozenset({Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET, Kind.BLUETOOTH, Kind.CAMERA})
_APPENDED = (Effect.NOTE, Effect.SHARES, Effect.SERIES, Effect.REMAPS)
_SPARE = {"xe": "i915", "snd_soc_avs": "snd_hda_intel"}
"""Modules that bind where another of the same device does not: i915 and snd_hda_intel go first in Debian's kernels."""
_LACKING = (Support.NO_DRIVER, Support.SEPARATE_DRIVER)
_STATES_BUILTIN = [kernel.name for kernel in KERNELS if kernel.builtin_aliases][-1]
"""The newest shipped table whose kernel states the aliases of built-in modules."""
_SHY_BUSES = frozenset({"pci", "usb", "sdio"})

Bound = tuple[tuple[str, Kind, int], ...]
"""Modules of one device on one kernel: name, kind, and how they fit (`table.NAMED`, `BY_CLASS`, `PARTLY`)."""


def bind(specs: Sequence[Spec], table: DriverTable) -> list[Bound]:
    """Find the modules of devices, without candidates of their own, on a kernel.

    Kernels before 6.13 or so state no aliases for what is built in; for devices that are left, those that a newer
    kernel states count, where the same module is built into this one.
    """
    found = _bound(specs, table)
    left = [at for at, bound in enumerate(found) if not bound]
    if left and not table.states_builtin and table_files.place(_STATES_BUILTIN) is not None:
        inside = {name for name, builtin in zip(table.modules, table.builtin.tolist(), strict=True) if builtin}
        for at, bound in zip(left, _bound([specs[at] for at in left], table_files.load(_STATES_BUILTIN)), strict=True):
            found[at] = tuple(entry for entry in bound if entry[0] in inside)
    return found


def _bound(specs: Sequence[Spec], table: DriverTable) -> list[Bound]:
    """Modules whose aliases fit."""
    found: list[list[tuple[str, Kind, int]]] = [[] for _ in specs]

    hits = table.match([(spec.bus, spec.words) if spec.words else spec.modalias or "" for spec in specs])
    for row, module, how in zip(hits.rows.tolist(), hits.modules.tolist(), hits.how.tolist(), strict=True):
        name = table.modules[module]
        found[row].append((name, of_module(table.paths[module], name), how))
    return [tuple(row) for row in found]


def kind_of(spec: Spec, bounds: Sequence[Bound]) -> Kind:
    """Kind of a device: what its class or the lists say, else what the modules that bind it are for."""
    if spec.kind is not Kind.OTHER or _chipset(spec):
        return spec.kind
    for bound in bounds:
        for _, kind, _ in bound:
            if kind is not Kind.OTHER:
                return kind
    return Kind.OTHER


def _chipset(spec: Spec) -> bool:
    code = spec.class_code
    return code is not None and spec.bus == "pci" and code >> 16 in (0x05, 0x06, 0x08, 0x0B)


def working(bound: Bound, spec: Spec, table: DriverTable, found: Sequence[Quirk]) -> list[tuple[str, int]]:
    """Modules that do the work of a device.

    Left out are those of a bus, those that Debian forbids to load, those of another kind where the kind is telling,
    those that take a whole class of graphics chips where another names this chip or where their files show that they
    do not know it, and those that only serve where another does not.
    """
    kind = spec.kind
    barred = BUS_MODULES | quirks.forbidden()
    modules = [(name, how) for name, of, how in bound if name not in barred and (kind not in _STRICT or of is kind)]
    if kind is Kind.GRAPHICS:
        best = min((how for _, how in modules), default=NAMED)
        modules = [
            (name, how)
            for name, how in modules
            if (how != BY_CLASS or best == BY_CLASS) and needs.knows(table, name, spec)
        ]
    names = {name for name, _ in modules}
    modules = [(name, how) for name, how in modules if _SPARE.get(name) not in names]
    if any(how == PARTLY for _, how in modules) and any(quirk.effect is Effect.SEPARATE for quirk in found):
        modules = [(name, how) for name, how in modules if how != PARTLY]
    if any(name in BUS_MODULES for name, _, _ in bound):
        modules += [(quirk.module, NAMED) for quirk in through(found) if quirk.module in table.numbers]
    return modules


def through(found: Sequence[Quirk]) -> list[Quirk]:
    """Quirks that name the driver behind a bus."""
    return [quirk for quirk in found if quirk.effect is Effect.THROUGH]


def judge(spec: Spec, bounds: Sequence[Bound], places: Sequence[Place]) -> list[Verdict]:
    """Judge one device on every image.

    Parameters
    ----------
    spec : Spec
        Its kind settled (`kind_of`).
    bounds : sequence of Bound
        Its modules on each image's kernel.
    places : sequence of Place
        The images, in the same order.
    """
    found = quirks.of_device(spec)
    verdicts = [_alone(spec, bound, place, found) for bound, place in zip(bounds, places, strict=True)]
    return [
        newer(verdict, place, list(zip(places, verdicts, strict=True))) if lacking(verdict) else verdict
        for verdict, place in zip(verdicts, places, strict=True)
    ]


def lacking(verdict: Verdict) -> bool:
    """Whether nothing that could be put on the stick makes the device work on this image."""
    return verdict.support in _LACKING or (verdict.support is Support.NEEDS_FIRMWARE and not verdict.cure)


def _alone(spec: Spec, bound: Bound, place: Place, found: Sequence[Quirk]) -> Verdict:
    if second := _first(found, Effect.SECOND):
        return Verdict(Support.WORKS, reason=second.reason, source=second.source, quirk=second.code)
    modules = working(bound, spec, place.table, found)
    source = f"module aliases of {place.table.version}"
    if not modules:
        return _without(spec, bound, place, found, source)
    names = " ".join(sorted({name for name, _ in modules}))
    caveat = ""
    best = min(how for _, how in modules)
    if best == PARTLY:
        caveat = f" Covered for some subsystems only: {names} asks for subsystem ids, which are not known here."
    elif best == BY_CLASS and spec.assumed and spec.kind not in (Kind.GRAPHICS, Kind.BLUETOOTH):
        caveat = f" It goes by class, and the class is taken from what it is listed as: {spec.assumed}."
    verdict = _firmware(spec, modules, names, place, found, source)
    if verdict.support is Support.WORKS and (doubt := _first(found, Effect.DOUBTFUL)):
        verdict = replace(verdict, support=Support.UNKNOWN, severity=Lack.DEGRADES, source=source).by(doubt)
    verdict = replace(verdict, reason=verdict.reason + caveat)
    for quirk in found:
        if quirk.effect is Effect.SHARES and (spec.kind is not Kind.BLUETOOTH or not verdict.firmware_packages):
            continue
        if quirk.effect is Effect.REMAPS:
            verdict = replace(verdict, severity=Lack.BLOCKS)
        if quirk.effect in _APPENDED:
            verdict = verdict.by(quirk)
    return verdict


def _first(found: Sequence[Quirk], *effects: Effect) -> Quirk | None:
    return next((quirk for quirk in found if quirk.effect in effects), None)


def _firmware(
    spec: Spec, modules: list[tuple[str, int]], names: str, place: Place, found: Sequence[Quirk], source: str
) -> Verdict:
    driven = f"{joined(names.split())} {'drives' if ' ' not in names else 'are for'} it."
    for quirk in through(found):
        if quirk.module in names.split():
            driven, source = quirk.reason, f"{source}; {quirk.source}"
    if fetched := _first(found, Effect.FETCHED):
        package = fetched.package(place.image.release)
        return Verdict(Support.NEEDS_FIRMWARE, names, "", Lack.BLOCKS, package, driven, source).by(fetched)
    states = [
        state
        for name, _ in modules
        if (state := needs.of_module(place.table, place.firmware, place.carried, name, spec)) is not None
    ]
    if not states:
        return Verdict(Support.WORKS, names, reason=f"{driven} It asks for no firmware.", source=source)
    source += f"; contents of the firmware packages of {place.firmware.name}"
    short = [state for state in states if state.missing or state.nowhere]
    serious = [state for state in short if state.rule.severity is not Lack.OPTIONAL]
    if not serious:
        carried = sorted({name for state in states for name in state.carried})
        text = f"Its firmware is in {joined(carried)}, which the image carries." if carried else "Firmware is optional."
        return Verdict(Support.WORKS, names, reason=f"{driven} {text}", source=source)
    worst = min(serious, key=lambda state: list(Lack).index(state.rule.severity))
    packages = sorted({name for state in serious for name in state.missing})
    source += f"; {worst.rule.source}"
    effect = f"Without firmware: {worst.rule.effect}."
    if not packages:
        reason = f"{driven} {effect} No package of {place.firmware.name} ships the file that {worst.module} asks for."
        return Verdict(Support.NEEDS_FIRMWARE, names, "", worst.rule.severity, "", reason, source)
    sizes = [
        f"{name} ({place.firmware.by_name[name].size / 2**20:.1f} MiB, {place.firmware.by_name[name].area})"
        for name in packages
    ]
    which = (
        ""
        if worst.certain or len(packages) == 1
        else f" {worst.module} names files for several chips; which of them is asked for is not told."
    )
    reason = f"{driven} {effect} Put on the stick: {joined(sizes)}.{which}"
    return Verdict(
        Support.NEEDS_FIRMWARE, names, " ".join(packages), worst.rule.severity, packages[0], reason, source,
        action=f"Copy {joined(packages)} to the stick.",
    )  # fmt: skip


def _without(spec: Spec, bound: Bound, place: Place, found: Sequence[Quirk], source: str) -> Verdict:
    buses = sorted({name for name, _, _ in bound if name in BUS_MODULES})
    others = sorted({name for name, _, _ in bound if name not in BUS_MODULES})
    bus = " ".join(buses)
    aside = f" {joined(buses)} binds it, which only opens a bus." if buses else ""
    barred = sorted(quirks.forbidden().intersection(others))
    if barred:
        aside = f" {joined(barred)} would bind it, but Debian forbids that it is loaded."
    elif others and not buses:
        aside = f" {joined(others)} binds it, which does not make it work as a {spec.kind} device."
    for quirk in found:
        package = quirk.package(place.image.release)
        because = f"{source}; {quirk.source}"
        if quirk.effect is Effect.SEPARATE and package:
            return Verdict(
                Support.SEPARATE_DRIVER, bus, "", Lack.BLOCKS, package,
                quirk.reason + aside, because, quirk.code, quirk.action,
            )  # fmt: skip
        if quirk.effect is Effect.USERSPACE and package:
            return Verdict(
                Support.WORKS, reason=f"{quirk.reason} It is in package {package}.", source=quirk.source,
                quirk=quirk.code, action=quirk.action,
            )  # fmt: skip
    if spec.kind is Kind.OTHER and _chipset(spec):
        return Verdict(Support.WORKS, reason="Part of the chipset; it needs no driver of its own.", source="PCI class")
    if not found and _by_class_alone(spec):
        return unknown(
            f"No module of kernel {place.table.version} names it; drivers of many such devices go by class, and of "
            "this one only the id is known.",
            source,
        )
    severity = "" if spec.kind is Kind.OTHER else str(Lack.BLOCKS)
    reason = f"No module of kernel {place.table.version} is for it.{aside}"
    if spec.kind is Kind.GRAPHICS:
        severity = Lack.DEGRADES
        reason += " A plain picture from the firmware's framebuffer is likely, without acceleration."
    elif spec.kind in (Kind.FINGERPRINT, Kind.CARD_READER, Kind.CAMERA):
        severity = Lack.DEGRADES
    elif spec.kind is Kind.OTHER and spec.bus not in _SHY_BUSES:
        reason += " Many devices of this kind need none."
    verdict = Verdict(Support.NO_DRIVER, bus, "", severity, "", reason, source)
    about = _first(found, Effect.NO_DRIVER, Effect.SEPARATE, Effect.USERSPACE, Effect.HIDES_DISK)
    return verdict.by(about) if about else verdict


def _by_class_alone(spec: Spec) -> bool:
    """Whether a driver may bind by a class that is not known here."""
    if spec.bus not in ("pci", "usb") or spec.modalias is not None or spec.assumed:
        return False
    return spec.kind not in (Kind.WIRELESS, Kind.GRAPHICS, Kind.ETHERNET) or (
        spec.bus == "usb" and spec.kind is Kind.ETHERNET
    )


def newer(verdict: Verdict, place: Place, others: Sequence[tuple[Place, Verdict]], ours: bool = True) -> Verdict:
    """Look for an image that drives what this one does not.

    Parameters
    ----------
    verdict : Verdict
        On this image.
    place : Place
        This image.
    others : sequence of (Place, Verdict)
        Images, and what each does with the same device.
    ours : bool
        False when `others` are kernels that none of the shop's images has.

    Returns
    -------
    Verdict
        The same when no image of this architecture is better.
    """
    better = [
        (other, seen)
        for other, seen in others
        if (seen.support is Support.WORKS or (seen.support is Support.NEEDS_FIRMWARE and seen.cure))
        and other.image.architecture == place.image.architecture
        and other.image.kernel != place.image.kernel
    ]
    if not better:
        return verdict
    later = [pair for pair in better if pair[0].version > place.version]
    other, seen = min(
        later or better, key=lambda pair: (RANK[pair[1].support], not pair[0].image.on_hand, pair[0].version)
    )
    word = "newer" if later else "older"
    if verdict.support is Support.NEEDS_FIRMWARE:
        lack = f"{verdict.reason} The"
    else:
        lack = f"No module of kernel {place.table.version} is for it; the"
    where = f"of image {other.image.name}" if ours else f"(table {other.image.name}), which no image of the shop has,"
    reason = f"{lack} {word} kernel {other.table.version} {where} has {seen.modules or 'what it needs'}."
    if seen.support is Support.NEEDS_FIRMWARE:
        reason += f" There it needs firmware: {seen.firmware_packages or seen.cure}."
    if not later:
        return replace(verdict, cure=verdict.cure or other.image.name, reason=reason)
    action = f"Use image {other.image.name}." if ours else f"Make an image with kernel {other.image.name}."
    return replace(
        verdict, support=Support.NEWER_KERNEL, modules=seen.modules, firmware_packages="", cure=other.image.name,
        reason=reason, source=f"{verdict.source}; module aliases of {other.table.version}", action=action, quirk="",
    )  # fmt: skip
