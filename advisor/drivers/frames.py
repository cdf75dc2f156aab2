"""Verdicts for a whole frame of units: each distinct device is judged once, then spread over units and images."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import runs
from advisor.drivers import table_files
from advisor.drivers.ids import KINDS
from advisor.drivers.judge import bind, judge, kind_of, lacking, newer
from advisor.drivers.kinds import Kind
from advisor.drivers.spec import Spec, find
from advisor.drivers.verdict import HARM, RANK, Place, Verdict, place_of, together, unknown
from advisor.errors import InputError
from advisor.phrases import sentence
from advisor.releases import KERNELS
from advisor.shop import Image
from advisor.unit import Support

VERDICT_COLUMNS = (
    "support", "modules", "firmware_packages", "severity", "cure", "reason", "source", "quirk", "action",
)  # fmt: skip
"""Columns of a device that hang on the image."""


@dataclass(frozen=True)
class DeviceVerdicts:
    """What every image does with every device of every unit."""

    # row, spec: Unit position, and position in `specs`, of each device of each unit, shape (n_devices,).
    row: NDArray[np.intp]
    spec: NDArray[np.intp]
    specs: list[Spec]  # The distinct devices
    verdicts: list[list[Verdict]]  # Of each distinct device, one an image
    images: list[str]

    def take(self, at: NDArray[np.intp]) -> DeviceVerdicts:
        """The devices of some units, numbered anew, repeated where asked twice."""
        order = np.argsort(self.row, kind="stable")
        first, last = (np.searchsorted(self.row[order], at, side) for side in ("left", "right"))
        row, place = runs(first, last - first)
        return replace(self, row=row, spec=self.spec[order[place]])

    def on(self, image: NDArray[np.intp] | None = None) -> PlacedDevices:
        """The devices on the image that each unit uses (its position, -1 for none); on every image when left out."""
        count = len(self.images)
        if image is None:
            row, spec, used = np.repeat(self.row, count), np.repeat(self.spec, count), np.arange(count)
            return PlacedDevices(self, row, spec, np.tile(used, len(self.row)))
        some = image[self.row] >= 0
        return PlacedDevices(self, self.row[some], self.spec[some], image[self.row[some]])

    @cached_property
    def by_verdict(self) -> dict[str, NDArray[Any]]:
        """Columns of all verdicts, the images of a device side by side; texts as objects."""
        flat = [verdict for each in self.verdicts for verdict in each]
        texts = {name: np.array([str(getattr(one, name)) for one in flat], dtype=object) for name in VERDICT_COLUMNS}
        return {**texts, "rank": np.array([RANK[one.support] for one in flat], dtype=np.int8)}

    @cached_property
    def by_spec(self) -> dict[str, NDArray[Any]]:
        """Columns of all distinct devices as objects."""
        columns = {
            "kind": [str(one.kind) for one in self.specs], "device": [one.text for one in self.specs],
            "name": [one.name for one in self.specs], "problem": [one.problem for one in self.specs],
            "candidates": ["; ".join(c.text for c in one.candidates) for one in self.specs],
            "taken_as": [one.taken for one in self.specs],
        }  # fmt: skip
        return {name: np.array(texts, dtype=object) for name, texts in columns.items()}

    @cached_property
    def devices(self) -> pd.DataFrame:
        """A row a device and image.

        Columns: row (unit position), image, kind, device (canonical id, or what was typed), name, support, modules,
        firmware_packages (to add), severity ('blocks', 'degrades' or ''), cure (image or package), reason, source,
        quirk (code), action, problem, candidates, taken_as (what a typed name was taken as, where no list has it as it
        stands). Text columns are categorical.
        """
        every = self.on()
        texts = {name: _categories(self.by_spec[name], every.spec) for name in self.by_spec if name != "kind"}
        texts |= {name: _categories(self.by_verdict[name], every.verdict) for name in VERDICT_COLUMNS}
        kinds, supports = ([str(one) for one in closed] for closed in (Kind, Support))
        image = pd.Categorical.from_codes(every.image, categories=pd.Index(self.images, dtype="str"))
        texts["kind"] = pd.Categorical(every["kind"], categories=pd.Index(kinds, dtype="str"))
        texts["support"] = pd.Categorical(every["support"], categories=pd.Index(supports, dtype="str"), ordered=True)
        order = ("kind", "device", "name", *VERDICT_COLUMNS, "problem", "candidates", "taken_as")
        return pd.DataFrame({"row": every.row, "image": image, **{name: texts[name] for name in order}})

    @cached_property
    def kinds(self) -> pd.DataFrame:
        """A row a unit, image and kind: the worst of its devices.

        Columns: row, image, kind, support, severity, device, cure, quirk, reason (of the worst), firmware_packages
        (of all its devices).
        """
        every = self.on()
        count = len(self.images)
        kind = np.array([KINDS.index(one.kind) for one in self.specs], dtype=np.int64)
        key = (every.row * count + every.image) * len(KINDS) + kind[every.spec]
        harm = np.array([HARM[severity] for severity in self.by_verdict["severity"]], dtype=np.int8)
        order = np.lexsort((-harm[every.verdict], -self.by_verdict["rank"][every.verdict], key))
        _, first, group = np.unique(key[order], return_index=True, return_inverse=True)
        place = np.empty(len(order), dtype=np.intp)
        place[order], first = group, order[first]
        worst = replace(every, row=every.row[first], spec=every.spec[first], image=every.image[first])
        columns = {name: worst[name] for name in ("kind", "support", "severity", "device", "cure", "quirk", "reason")}
        names = np.array(self.images, dtype=object)[worst.image]
        packages = _united(place, every["firmware_packages"], len(first))
        return pd.DataFrame({"row": worst.row, "image": names, **columns, "firmware_packages": packages})


@dataclass(frozen=True)
class PlacedDevices:
    """Devices of units, each on one image; all of shape (n,). `placed[name]` is a column of texts, as objects."""

    of: DeviceVerdicts
    # row, spec, image: Unit position, position among the distinct devices, and among the images.
    row: NDArray[np.intp]
    spec: NDArray[np.intp]
    image: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.row)

    @property
    def verdict(self) -> NDArray[np.intp]:
        """Position of each verdict in `DeviceVerdicts.by_verdict`."""
        return self.spec * len(self.of.images) + self.image

    def __getitem__(self, name: str) -> NDArray[Any]:
        if name == "image":
            return np.array(self.of.images, dtype=object)[self.image]
        columns, at = (self.of.by_spec, self.spec) if name in self.of.by_spec else (self.of.by_verdict, self.verdict)
        return columns[name][at]

    def records(self, columns: Sequence[str]) -> dict[int, list[dict[str, Any]]]:
        """Each unit's devices as dictionaries with these columns."""
        out: dict[int, list[dict[str, Any]]] = {}
        rows = zip(self.row.tolist(), *(self[name].tolist() for name in columns), strict=True)
        for row, *values in rows:
            out.setdefault(row, []).append(dict(zip(columns, values, strict=True)))
        return out


def _categories(values: NDArray[Any], at: NDArray[np.intp]) -> pd.Categorical:
    """A text column from its distinct values."""
    codes, categories = pd.factorize(values)
    return pd.Categorical.from_codes(codes[at], categories=pd.Index(categories, dtype="str"))


def _united(group: NDArray[np.intp], packages: NDArray[Any], count: int) -> NDArray[Any]:
    """Packages of each group's devices, each once, sorted where there are several."""
    text = np.full(count, "", dtype=object)
    for at, names in dict.fromkeys((int(group[one]), packages[one]) for one in np.flatnonzero(packages != "")):
        text[at] = " ".join(sorted({*text[at].split(), *names.split()})) if text[at] else names
    return text


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
    return DeviceVerdicts(row, spec, specs, verdicts, [image.name for image in images])


def judge_all(specs: Sequence[Spec], places: Sequence[Place]) -> tuple[list[Spec], list[list[Verdict]]]:
    """Judge distinct devices on every image: the specs with the kind that the modules told, a verdict an image."""
    flat = [one for spec in specs for one in spec.candidates or (spec,)]
    pairs = iter(zip(*_judge(flat, places), strict=True))
    out: list[list[Verdict]] = []
    judged: list[Spec] = []
    for spec in specs:
        ones, lists = zip(*islice(pairs, len(spec.candidates) or 1), strict=True)
        if not spec.candidates:
            judged.append(ones[0])
            out.append(lists[0])
        elif spec.exact:
            kept, verdicts = together(spec, lists)
            judged.append(kept)
            out.append(verdicts)
        else:
            judged.append(spec)
            out.append([unknown(sentence(spec.problem))] * len(places))
        if spec.taken:
            out[-1] = [replace(one, reason=f"{sentence(spec.taken)} {one.reason}") for one in out[-1]]
    return judged, out


def _judge(specs: list[Spec], places: Sequence[Place]) -> tuple[list[Spec], list[list[Verdict]]]:
    """Judge devices, and look in the kernels that no image has for those that no image drives."""
    settled, verdicts = _on_kernels(specs, places)
    left = [
        at
        for at, each in enumerate(verdicts)
        if specs[at].words and (settled[at].kind is not Kind.OTHER) and all(lacking(verdict) for verdict in each)
    ]
    if left and (absent := _elsewhere(places)):
        again, theirs = _on_kernels([settled[at] for at in left], absent)
        for at, spec, each in zip(left, again, theirs, strict=True):
            settled[at], seen = spec, list(zip(absent, each, strict=True))
            verdicts[at] = [newer(v, place, seen, ours=False) for v, place in zip(verdicts[at], places, strict=True)]
    return settled, verdicts


def _on_kernels(specs: list[Spec], places: Sequence[Place]) -> tuple[list[Spec], list[list[Verdict]]]:
    """Devices with the kind that the modules told, and a verdict an image."""
    settled: list[Spec] = []
    verdicts: list[list[Verdict]] = []
    for spec, bound in zip(specs, zip(*(bind(specs, place.table) for place in places), strict=True), strict=True):
        if spec.problem and not spec.words:
            settled.append(spec)
            verdicts.append([unknown(sentence(spec.problem))] * len(places))
            continue
        kind = kind_of(spec, bound)
        settled.append(spec if kind is spec.kind else replace(spec, kind=kind))
        verdicts.append(judge(settled[-1], bound, places))
    return settled, verdicts


def _elsewhere(places: Sequence[Place]) -> list[Place]:
    """Kernels whose tables are there although no image has them, as images with free firmware and what Debian adds."""
    used = {place.image.kernel for place in places}
    found = []
    for one in KERNELS:
        if one.name not in used and table_files.place(one.name) is not None:
            image = {"name": one.name, "release": one.release, "kernel": one.name, "architecture": one.architecture}
            found.append(place_of(Image.model_validate({**image, "on_hand": False})))
    return found


def _once(
    spec: NDArray[np.intp], row: NDArray[np.intp], specs: list[Spec], verdicts: list[list[Verdict]]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Keep one entry of a device that a unit lists by several interfaces: the one that is served best."""
    if not len(spec):
        return spec, row
    names: dict[tuple[str, Kind], int] = {}
    group = np.array([names.setdefault((one.text, one.kind), len(names)) for one in specs], dtype=np.int64)
    rank = np.array([min(RANK[v.support] for v in each) for each in verdicts], dtype=np.int64)
    key = row.astype(np.int64) * len(names) + group[spec]
    order = np.lexsort((rank[spec], key))
    kept = np.sort(order[np.unique(key[order], return_index=True)[1]])
    return spec[kept], row[kept]


def _named_beside(
    spec: NDArray[np.intp], row: NDArray[np.intp], specs: list[Spec]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Leave out a typed name that no list knows where the unit lists a device of that kind by its id.

    Only the modules tell the kind of some ids, so that this cannot be seen before the devices are judged. What the
    list of devices itself holds stays, malformed or not: it is reported.
    """
    kind = np.array([KINDS.index(one.kind) for one in specs], dtype=np.int64)
    nameless = np.array([not one.bus and one.kind is not Kind.OTHER for one in specs], dtype=bool)
    if not len(spec) or not nameless.any():
        return spec, row
    key = row.astype(np.int64) * len(KINDS) + kind[spec]
    kept = ~nameless[spec] | ~np.isin(key, key[~nameless[spec]])
    return spec[kept], row[kept]
