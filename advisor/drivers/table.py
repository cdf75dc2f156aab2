"""The driver table of one kernel: alias patterns, modules, the firmware files they name, and the look-up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from advisor.drivers.kinds import BUS_MODULES, Kind, of_module
from advisor.drivers.matching import Indices, PackedIndex, TextIndex, normalise
from advisor.drivers.packing import BY_BUS, Known, Words, pack, pattern_text

NAMED, BY_CLASS, PARTLY = 0, 1, 2
"""How a module fits: an alias names the device; an alias names its class; an alias also asks for what is not known."""


@dataclass(frozen=True)
class Hits:
    """Modules of many modaliases at once."""

    rows: Indices  # Position of the modalias, rising; one without a module does not occur
    modules: Indices  # Module number (index of `DriverTable.modules`), rising within a row, each once
    how: NDArray[np.int64]  # `NAMED`, `BY_CLASS` or `PARTLY`, the best of the patterns that match


@dataclass(frozen=True, eq=False)
class DriverTable:
    """What one kernel's modules bind to.

    Attributes
    ----------
    name : str
        Such as 'debian-13'.
    version : str
        The kernel's release, such as '6.12.118+deb13-amd64'.
    about : dict
        The meta file: packages with versions and checksums, date, source.
    modules, paths : list of str
        Each module's name and folder below the tree.
    builtin : ndarray of bool
    arrays : dict of str to ndarray
        The stored form: see `advisor.lab.tables.arrays`.
    """

    name: str
    version: str
    modules: list[str]
    paths: list[str]
    builtin: NDArray[np.bool_]
    arrays: Mapping[str, NDArray[Any]]
    about: dict[str, Any] = field(default_factory=dict)

    @cached_property
    def numbers(self) -> dict[str, int]:
        """Module number by name; a loadable one goes before a built-in one of the same name."""
        return {name: number for number, name in reversed(list(enumerate(self.modules)))}

    @cached_property
    def states_builtin(self) -> bool:
        """Whether the kernel states aliases of PCI drivers that are built into it."""
        return bool(self.builtin[self.arrays["pci_module"]].any())

    @cached_property
    def _packed(self) -> dict[str, tuple[PackedIndex, NDArray[np.int64]]]:
        """Each packed bus's patterns, and the module of each."""
        out = {}
        for bus, layout in BY_BUS.items():
            a, b, masks, of, module = (self.arrays[f"{bus}_{part}"] for part in ("a", "b", "masks", "mask", "module"))
            mask = masks[of.astype(np.intp)]
            out[bus] = PackedIndex(layout, _words(a), _words(b), mask[:, 0], mask[:, 1]), module.astype(np.int64)
        return out

    def kinds_by_id(self, bus: str) -> dict[tuple[int, int], Kind]:
        """Kinds of the devices that modules name by vendor and device, those of kind `OTHER` left out."""
        index, module = self._packed[bus]
        named = np.flatnonzero(index.named)
        kinds = [of_module(path, name) for path, name in zip(self.paths, self.modules, strict=True)]
        found = {}
        for a, number in zip(index.a[named].tolist(), module[named].tolist(), strict=True):
            if kinds[number] is not Kind.OTHER and self.modules[number] not in BUS_MODULES:
                found[a >> 48, a >> 32 & 0xFFFF] = kinds[number]
        return found

    @cached_property
    def _text(self) -> tuple[TextIndex, NDArray[np.int64]]:
        return TextIndex(_lines(self.arrays["text"])), self.arrays["text_module"].astype(np.int64)

    @cached_property
    def _every(self) -> tuple[TextIndex, NDArray[np.int64]]:
        """All patterns as text, for modaliases of the packed buses that are not canonical."""
        patterns: list[str] = []
        for bus, (index, _) in self._packed.items():
            columns = (index.a, index.b, index.mask_a, index.mask_b)
            patterns += [pattern_text(BY_BUS[bus], *row) for row in zip(*(c.tolist() for c in columns), strict=True)]
        text, module = self._text
        return TextIndex([*patterns, *text.patterns]), np.concatenate(
            [*(of for _, of in self._packed.values()), module]
        )

    def match(self, devices: Sequence[Known | str]) -> Hits:
        """Find the modules of devices.

        Parameters
        ----------
        devices : sequence of Known or str
            Packed (`packing.pack`, or of which only some bits are known), or a modalias that cannot be.

        Returns
        -------
        Hits
            As kmod answers: built-in modules only where no loadable one matches. `how` is `PARTLY` for a module that
            depends on unknown bits, such as subsystem ids. An alias that names the very device is taken whatever its
            class or interface: those tell which function of it is meant. An alias that goes by a class is left out
            where the class is not known.
        """
        by_bus: dict[str, list[int]] = {}
        rows, modules, how = [], [], []
        for position, device in enumerate(devices):
            if not isinstance(device, str):
                by_bus.setdefault(device[0], []).append(position)
                continue
            found = self._of_text(device)
            rows.append(np.full(len(found), position, dtype=np.intp))
            modules.append(found)
            how.append(np.full(len(found), NAMED))
        for bus, positions in by_bus.items():
            index, module = self._packed[bus]
            words = np.array([devices[position][1] for position in positions], dtype=np.uint64)
            a, b, known_a, known_b = np.ascontiguousarray(words.T)
            row, pattern = index.candidates(a, b, known_a, known_b)
            named = index.named[pattern]
            kept = named | (index.mask_b[pattern] & ~known_b[row] == 0)
            beyond = index.mask_a[pattern] & ~known_a[row] != 0
            rows.append(np.array(positions)[row[kept]])
            modules.append(module[pattern[kept]])
            how.append(np.where(beyond, PARTLY, np.where(named, NAMED, BY_CLASS))[kept])
        return self._gather(rows, modules, how)

    def _of_text(self, modalias: str) -> NDArray[np.int64]:
        clean = normalise(modalias)
        if clean is None:
            return np.zeros(0, dtype=np.int64)
        named = self.numbers.get(clean, -1)
        if named >= 0 and not self.builtin[named]:
            return np.array([named])
        index, module = self._every if clean.partition(":")[0] in BY_BUS else self._text
        found = module[index.matches(clean)]
        return np.array([named]) if named >= 0 and self.builtin[found].all() else found

    def _gather(self, rows: list[Indices], modules: list[NDArray[np.int64]], how: list[NDArray[np.int64]]) -> Hits:
        if not rows:
            return Hits(*np.zeros((3, 0), dtype=np.intp))
        key = np.concatenate(rows) * (4 * len(self.modules)) + 4 * np.concatenate(modules) + np.concatenate(how)
        key.sort()
        key = key[np.unique(key >> 2, return_index=True)[1]]
        row, module, best = (key >> 2) // len(self.modules), (key >> 2) % len(self.modules), key & 3
        late = self.builtin[module]
        good = ~late | (np.bincount(row, ~late)[row] == 0)
        return Hits(row[good], module[good], best[good])

    def resolve(self, modaliases: Sequence[str]) -> list[list[str]]:
        """Name the modules that the kernel loads for each modalias.

        Parameters
        ----------
        modaliases : sequence of str
            Whole modaliases, such as 'pci:v00008086d000024F3sv00008086sd00001010bc02sc80i00', of any bus.

        Returns
        -------
        list of list of str
            Sorted module names; empty where nothing matches. Built-in modules are named only where no loadable
            one matches, as kmod does.
        """
        hits = self.match([pack(text) or text for text in modaliases])
        out: list[list[str]] = [[] for _ in modaliases]
        names = self.modules
        for row, module in zip(hits.rows.tolist(), hits.modules.tolist(), strict=True):
            out[row].append(names[module])
        return out

    @cached_property
    def aliases(self) -> list[tuple[str, str]]:
        """Every alias as (pattern, module), those with brackets written out."""
        index, module = self._every
        return [(text, self.modules[number]) for text, number in zip(index.patterns, module.tolist(), strict=True)]

    @cached_property
    def _firmware(self) -> tuple[list[str], NDArray[np.int64], NDArray[np.int64]]:
        names = _lines(self.arrays["firmware"])
        return names, self.arrays["firmware_start"].astype(np.int64), self.arrays["firmware_of"].astype(np.int64)

    def firmware(self, module: str) -> list[str]:
        """Firmware files that a module itself names, wildcards as it writes them, sorted."""
        names, start, of = self._firmware
        number = self.numbers.get(module)
        return [] if number is None else [names[at] for at in of[start[number] : start[number + 1]].tolist()]

    def depends(self, module: str) -> list[str]:
        """Modules that a module needs at once, as it states them."""
        number = self.numbers.get(module)
        if number is None:
            return []
        start = self.arrays["depends_start"]
        return [self.modules[at] for at in self.arrays["depends_of"][start[number] : start[number + 1]].tolist()]


def _words(planes: NDArray[np.uint8]) -> Words:
    words: Words = np.ascontiguousarray(planes.T).view("<u8").ravel().astype(np.uint64)
    return words


def _lines(blob: NDArray[np.uint8]) -> list[str]:
    text = blob.tobytes().decode("utf-8")
    return text.split("\n") if text else []


def table_of(
    name: str, version: str, arrays: Mapping[str, NDArray[Any]], about: dict[str, Any] | None = None
) -> DriverTable:
    """Make a driver table of its arrays.

    Parameters
    ----------
    arrays : dict of str to ndarray
        As they are stored.
    about : dict, optional
        The meta file's content.
    """
    paths = _lines(arrays["path"])
    return DriverTable(
        name, version, _lines(arrays["module"]), [paths[at] for at in arrays["path_of"].tolist()],
        arrays["builtin"].astype(bool), arrays, about or {},
    )  # fmt: skip
