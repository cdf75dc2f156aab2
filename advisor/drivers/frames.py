"""Verdicts for a whole frame of units: each distinct device is judged once, then spread over units and images."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.drivers import store
from advisor.drivers.judge import bind, judge, kind_of, lacking, newer
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import Spec, find
from advisor.drivers.verdict import RANK, Place, Verdict, place_of, together, unknown
from advisor.errors import InputError
from advisor.shop import Image
from advisor.unit import Support

_KINDS = list(Kind)


@dataclass(frozen=True)
class DeviceVerdicts:
    """What every image does with every device of every unit.

    Attributes
    ----------
    devices : pandas.DataFrame
        A row a device and image: row (unit position), image, kind, device (canonical id, or what was typed), name,
        support, modules, firmware_packages (to add), severity ('blocks', 'degrades' or ''), cure (image or package),
        reason, source, quirk (code), action, problem, candidates, taken_as (what a typed name was taken as, where no
        list has it as it stands). Text columns are categorical.
    kinds : pandas.DataFrame
        A row a unit, image and kind: row, image, kind, support (the worst of its devices), firmware_packages (of all
        its devices), severity (the worst), device, cure, reason (of the worst).
    """

    devices: pd.DataFrame
    kinds: pd.DataFrame


def assess(units: pd.DataFrame, images: Sequence[Image]) -> DeviceVerdicts:
    """Judge the devices of every unit on every image.

    Parameters
    ----------
    units : pandas.DataFrame
        A Unit frame.
    images : sequence of Image
        At least one.

    Raises
    ------
    InputError
        When no image is given.
    TableError
        When an image's driver table is missing or damaged.
    """
    if not images:
        raise InputError("No image was given to judge devices on.", "List at least one image in the shop's settings.")
    places = [place_of(image) for image in images]
    found = find(units)
    specs, verdicts = judge_all(found.specs, places)
    spec, row = _once(found.spec, found.row, specs, verdicts)
    spec, row = _named_beside(spec, row, specs)
    return _frames(row, spec, specs, verdicts, [image.name for image in images])


def judge_all(specs: Sequence[Spec], places: Sequence[Place]) -> tuple[list[Spec], list[list[Verdict]]]:
    """Judge distinct devices on every image.

    Returns
    -------
    specs : list of Spec
        With the kind that the modules told where nothing else did.
    verdicts : list of list of Verdict
        For each device, one an image.
    """
    flat = [one for spec in specs for one in spec.candidates or (spec,)]
    flat, each = _judge(flat, places)
    out: list[list[Verdict]] = []
    judged: list[Spec] = []
    at = 0
    for spec in specs:
        count = len(spec.candidates) or 1
        ones, lists = flat[at : at + count], each[at : at + count]
        at += count
        if not spec.candidates:
            judged.append(ones[0])
            out.append(lists[0])
        elif spec.exact:
            kept, verdicts = together(spec, lists)
            judged.append(kept)
            out.append(verdicts)
        else:
            judged.append(spec)
            out.append([unknown(_sentence(spec.problem))] * len(places))
        if spec.taken:
            out[-1] = [replace(one, reason=f"{_sentence(spec.taken)} {one.reason}") for one in out[-1]]
    return judged, out


def _judge(specs: list[Spec], places: Sequence[Place]) -> tuple[list[Spec], list[list[Verdict]]]:
    """Judge devices, and look in the kernels that no image has for those that no image drives."""
    bounds = list(zip(*(bind(specs, place.table) for place in places), strict=True))
    settled: list[Spec] = []
    verdicts: list[list[Verdict]] = []
    for spec, bound in zip(specs, bounds, strict=True):
        if spec.problem and not spec.words:
            settled.append(spec)
            verdicts.append([unknown(_sentence(spec.problem))] * len(places))
            continue
        kind = kind_of(spec, bound)
        settled.append(spec if kind is spec.kind else replace(spec, kind=kind))
        verdicts.append(judge(settled[-1], bound, places))
    left = [
        at
        for at, each in enumerate(verdicts)
        if specs[at].words and (settled[at].kind is not Kind.OTHER) and all(lacking(verdict) for verdict in each)
    ]
    absent = _elsewhere(places) if left else []
    if absent:
        again = [settled[at] for at in left]
        for at, bound in zip(left, zip(*(bind(again, place.table) for place in absent), strict=True), strict=True):
            kind = kind_of(settled[at], bound)
            settled[at] = settled[at] if kind is settled[at].kind else replace(settled[at], kind=kind)
            seen = list(zip(absent, judge(settled[at], bound, absent), strict=True))
            verdicts[at] = [newer(v, place, seen, ours=False) for v, place in zip(verdicts[at], places, strict=True)]
    return settled, verdicts


def _elsewhere(places: Sequence[Place]) -> list[Place]:
    """Kernels whose tables are there although no image has them, as images with free firmware and what Debian adds."""
    used = {place.image.kernel for place in places}
    found = []
    for name in store.SHIPPED:
        if name not in used and store.place(name) is not None:
            release = name.split("-")[1]
            i386 = name.endswith("-i386")
            image = Image(
                name=name, release=release, kernel=name, architecture="i386" if i386 else "amd64", on_hand=False
            )
            found.append(place_of(image))
    return found


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _once(
    spec: NDArray[np.intp], row: NDArray[np.intp], specs: list[Spec], verdicts: list[list[Verdict]]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Keep one entry of a device that a unit lists by several interfaces: the one that is served best."""
    if not len(spec):
        return spec, row
    names: dict[tuple[str, Kind], int] = {}
    group = np.array([names.setdefault((one.text, one.kind), len(names)) for one in specs], dtype=np.int64)
    rank = np.array([min(RANK[v.support] for v in each) for each in verdicts], dtype=np.int64)
    order = np.lexsort((np.arange(len(spec)), rank[spec], group[spec], row))
    first = np.ones(len(order), dtype=bool)
    same = (row[order][1:] == row[order][:-1]) & (group[spec[order]][1:] == group[spec[order]][:-1])
    first[1:] = ~same
    kept = np.sort(order[first])
    return spec[kept], row[kept]


def _named_beside(
    spec: NDArray[np.intp], row: NDArray[np.intp], specs: list[Spec]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Leave out a typed name that no list knows where the unit lists a device of that kind by its id.

    Only the modules tell the kind of some ids, so that this cannot be seen before the devices are judged. What the
    list of devices itself holds stays, malformed or not: it is reported.
    """
    kind = np.array([_KINDS.index(one.kind) for one in specs], dtype=np.int64)
    nameless = np.array([not one.bus and one.kind is not Kind.OTHER for one in specs], dtype=bool)
    if not len(spec) or not nameless.any():
        return spec, row
    key = row.astype(np.int64) * len(_KINDS) + kind[spec]
    kept = ~nameless[spec] | ~np.isin(key, key[~nameless[spec]])
    return spec[kept], row[kept]


def _frames(
    row: NDArray[np.intp], spec: NDArray[np.intp], specs: list[Spec], verdicts: list[list[Verdict]], images: list[str]
) -> DeviceVerdicts:
    count = len(images)
    flat = [verdict for each in verdicts for verdict in each]
    number = (spec[:, None] * count + np.arange(count)).ravel()
    image = np.tile(np.arange(count), len(spec))
    where = np.repeat(row, count)
    which = np.repeat(spec, count)
    frame = pd.DataFrame({"row": where})
    frame["image"] = pd.Categorical.from_codes(image, categories=pd.Index(images, dtype="str"))
    kind = np.array([_KINDS.index(one.kind) for one in specs], dtype=np.int8)
    frame["kind"] = pd.Categorical.from_codes(
        _take(kind, which), categories=pd.Index([str(k) for k in _KINDS], dtype="str")
    )
    frame["device"] = _column([one.text for one in specs], which)
    frame["name"] = _column([one.name for one in specs], which)
    support = np.array([RANK[verdict.support] for verdict in flat], dtype=np.int8)
    frame["support"] = pd.Categorical.from_codes(
        _take(support, number), categories=pd.Index([str(s) for s in Support], dtype="str"), ordered=True
    )
    for name in ("modules", "firmware_packages", "severity", "cure", "reason", "source", "quirk", "action"):
        frame[name] = _column([getattr(verdict, name) for verdict in flat], number)
    frame["problem"] = _column([one.problem for one in specs], which)
    frame["candidates"] = _column(["; ".join(c.text for c in one.candidates) for one in specs], which)
    frame["taken_as"] = _column([one.taken for one in specs], which)
    return DeviceVerdicts(frame, _by_kind(frame, _take(support, number), flat, number, count))


def _take(values: NDArray[np.int8], at: NDArray[np.intp]) -> NDArray[np.int8]:
    return values[at] if len(values) else np.zeros(0, dtype=np.int8)


def _column(values: list[str], at: NDArray[np.intp]) -> pd.Categorical:
    """A text column from its distinct values."""
    categories: dict[str, int] = {}
    code = np.array([categories.setdefault(value, len(categories)) for value in values], dtype=np.int32)
    return pd.Categorical.from_codes(
        code[at] if len(code) else np.zeros(0, dtype=np.int32), categories=pd.Index(list(categories), dtype="str")
    )


def _by_kind(
    frame: pd.DataFrame, support: NDArray[np.int8], flat: list[Verdict], number: NDArray[np.intp], images: int
) -> pd.DataFrame:
    """The worst of each unit's devices of a kind, on each image."""
    harm_of = {"": 0, "degrades": 1, "blocks": 2}
    harm = np.array([harm_of[verdict.severity] for verdict in flat], dtype=np.int8)
    harm = _take(harm, number)
    key = (frame["row"].to_numpy() * images + frame["image"].cat.codes.to_numpy()) * len(_KINDS) + frame[
        "kind"
    ].cat.codes.to_numpy().astype(np.int64)
    order = np.lexsort((-harm, -support, key))
    first = np.ones(len(order), dtype=bool)
    first[1:] = key[order][1:] != key[order][:-1]
    worst = order[first]
    out = frame.iloc[worst][
        ["row", "image", "kind", "support", "severity", "device", "cure", "quirk", "reason"]
    ].reset_index(drop=True)
    packages: dict[int, set[str]] = {}
    named = np.array([bool(verdict.firmware_packages) for verdict in flat], dtype=bool)
    some = np.flatnonzero(named[number]) if len(number) else np.zeros(0, dtype=np.intp)
    group = np.cumsum(first) - 1
    place = np.empty(len(order), dtype=np.intp)
    place[order] = group
    pairs = pd.DataFrame({"at": place[some], "verdict": number[some]}).drop_duplicates()
    lone = ~pairs["at"].duplicated(keep=False)
    text = np.full(len(out), "", dtype=object)
    distinct = {n: flat[n].firmware_packages for n in pairs["verdict"].unique().tolist()}
    text[pairs.loc[lone, "at"].to_numpy()] = pairs.loc[lone, "verdict"].map(distinct).to_numpy(dtype=object)
    for at, verdict in pairs.loc[~lone, ["at", "verdict"]].to_numpy().tolist():
        packages.setdefault(at, set()).update(distinct[verdict].split())
    for at, names in packages.items():
        text[at] = " ".join(sorted(names))
    out["firmware_packages"] = pd.Categorical(text)
    return out
