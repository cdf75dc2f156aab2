"""The devices of a Unit frame: what each cell names, as ids the driver tables know."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import runs
from advisor.drivers import ids, kinds
from advisor.drivers.kinds import Kind, names_none
from advisor.drivers.packing import ALL, BY_BUS, pack, pack_pattern
from advisor.unit import StorageMode

if TYPE_CHECKING:
    from advisor.drivers.names import Matched

_SHORT = re.compile(
    r"(pci|usb|sdio)[:\s]\s*(?:0x)?([0-9a-f]{4})[:\s](?:0x)?([0-9a-f]{4})(?:[:\s]([0-9a-f]{4})[:\s]([0-9a-f]{4}))?",
    re.IGNORECASE,
)
_PARTLY = re.compile(
    r"pci:v[0-9A-F]{8}d[0-9A-F]{8}sv([0-9A-F]{8}|\*)sd([0-9A-F]{8}|\*)bc[0-9A-F]{2}sc[0-9A-F]{2}i([0-9A-F]{2}|\*)"
)
_BARE = re.compile(r"(?:0x)?([0-9a-f]{4}):(?:0x)?([0-9a-f]{4})", re.IGNORECASE)
_BRACKETED = re.compile(r"[\[(]([0-9a-f]{4}):([0-9a-f]{4})[\])]", re.IGNORECASE)
_BUS = re.compile(r"[a-z][a-z0-9_-]*:")
_LONGEST = 300

TYPED: dict[str, Kind] = {
    "wireless": Kind.WIRELESS,
    "graphics": Kind.GRAPHICS,
    "ethernet": Kind.ETHERNET,
}
"""Unit columns in which a person names one kind of device, and that kind."""

_MODES = {StorageMode.RAID: 0x282A, StorageMode.VMD: 0x9A0B}
"""A usual controller of each mode that may hide a disk: pci.ids 8086:282a, 8086:9a0b."""

_ASSUMED_CLASS = {Kind.GRAPHICS: 0x030000, Kind.WIRELESS: 0x028000, Kind.ETHERNET: 0x020000, Kind.AUDIO: 0x040300}
_ASSUMED_INTERFACE = {Kind.BLUETOOTH: 0xE00101, Kind.CAMERA: 0x0E0100}


@dataclass(frozen=True)
class Spec:
    """One distinct device, as far as it is known."""

    text: str  # Canonical id such as 'pci:8086:24f3', the modalias for another bus, or what was typed
    bus: str  # 'pci', 'usb', another bus's name, or '' for a name that fits no id
    kind: Kind
    name: str = ""  # From the id lists, or what was typed
    modalias: str | None = None  # When the whole of it is known
    # vendor, device: -1 when not known.
    vendor: int = -1
    device: int = -1
    words: (
        tuple[int, int, int, int] | tuple[()]
    ) = ()  # Packed values and known bits: a, b, known a, known b; empty for other buses
    problem: str = ""  # Why it could not be understood; '' when it could
    candidates: tuple[Spec, ...] = field(default=(), repr=False)  # The devices that a name may mean, when more than one
    exact: bool = True  # False when the candidates are only near to the name: they are shown, never taken
    assumed: str = ""  # Kind of which the class was taken for granted; '' when it was not
    taken: str = ""  # What a name was taken as, where no list has it as it stands; '' otherwise
    chip: bool = False  # The candidates are ids of one chip: those that no kernel drives are strays of the list

    @property
    def subsystem(self) -> tuple[int, int] | None:
        """Subvendor and subdevice of a PCI device, None when not known."""
        if self.bus != "pci" or not self.words or self.words[2] & 0xFFFFFFFF != 0xFFFFFFFF:
            return None
        return self.words[0] >> 16 & 0xFFFF, self.words[0] & 0xFFFF

    @property
    def class_code(self) -> int | None:
        """PCI class with interface, or USB interface class, three bytes; None when not known for certain."""
        if not self.words or self.assumed or not self.words[3]:
            return None
        return self.words[1] if self.bus == "pci" else self.words[1] >> 8 & 0xFFFFFF


@dataclass(frozen=True)
class FoundDevices:
    """Devices of a frame, each distinct one once."""

    specs: list[Spec]
    # row, spec: Unit position and index in `specs`; rising by row, in the order of the cells.
    row: NDArray[np.intp]
    spec: NDArray[np.intp]


def by_id(
    bus: str, vendor: int, device: int, hint: Kind | None = None, subsystem: tuple[int, int] | None = None
) -> Spec:
    """Describe a device of bus 'pci', 'usb' or 'sdio' of which ids alone are known.

    `hint` is what the column says that it is (the id lists and the modules know better), `subsystem` subvendor and
    subdevice.
    """
    if bus == "sdio":
        return _on_sdio(vendor, device, hint)
    listed = ids.load(bus)
    kind = listed.kind(vendor, device)
    if kind is Kind.OTHER and hint is not None:
        kind = hint
    a, known_a, b, known_b = vendor << 48 | device << 32, 0xFFFFFFFF << 32, 0, 0
    if bus == "pci" and subsystem is not None:
        a, known_a = a | subsystem[0] << 16 | subsystem[1], ALL
    code = _class_of(kind, listed.name(vendor, device)) if bus == "pci" else _ASSUMED_INTERFACE.get(kind)
    if code is not None:
        shift = 0 if bus == "pci" else 8
        b, known_b = code << shift, 0xFFFFFF << shift
    return _described(bus, (a, b, known_a, known_b), kind, assumed="" if code is None else str(kind))


def _described(
    bus: str, words: tuple[int, int, int, int], kind: Kind, modalias: str | None = None, assumed: str = ""
) -> Spec:
    """Describe a device on 'pci' or 'usb' by its packed words, named by the id lists."""
    a, _, known_a, _ = words
    vendor, device = a >> 48, a >> 32 & 0xFFFF
    text = f"{bus}:{vendor:04x}:{device:04x}"
    if bus == "pci" and known_a == ALL:
        text += f":{a >> 16 & 0xFFFF:04x}:{a & 0xFFFF:04x}"
    name = ids.load(bus).name(vendor, device) or text
    return Spec(text, bus, kind, name, modalias, vendor, device, words, assumed=assumed)


def _of_pci(a: int, code: int) -> Kind:
    """Kind of a PCI device by its class and sub class, else by the id list; parts of the chipset are of none."""
    kind = kinds.of_pci_class(f"{code:04x}")
    if kind is None and not (code >> 8 in (0x05, 0x06, 0x08, 0x0B, 0x0C) and code != 0x0805):
        return ids.load("pci").kind(a >> 48, a >> 32 & 0xFFFF)
    return kind or Kind.OTHER


def _on_sdio(vendor: int, device: int, hint: Kind | None) -> Spec:
    """Describe an SDIO device: no list names these, and every one of them is of one class, 07 for wireless."""
    modalias = f"sdio:c07v{vendor:04X}d{device:04X}"
    return replace(_by_modalias(modalias), kind=hint or Kind.OTHER)


def _class_of(kind: Kind, name: str) -> int | None:
    """PCI class of a device of which kind and name alone are known; None where these do not tell."""
    if kind is Kind.STORAGE:
        if re.search(r"NVM ?e|\bSSD\b", name, re.IGNORECASE) and "RAID" not in name:
            return 0x010802
        return 0x010601 if "AHCI" in name else None
    return _ASSUMED_CLASS.get(kind)


def _by_modalias(modalias: str) -> Spec:
    """Describe a device of which a whole modalias is known."""
    packed = pack(modalias)
    if packed is None:
        return Spec(_short(modalias), modalias.partition(":")[0], Kind.OTHER, _short(modalias), modalias)
    bus, words = packed
    a, b, *_ = words
    if bus == "pci":
        return _described(bus, words, _of_pci(a, b >> 8), modalias)
    if bus == "usb":
        kind = kinds.of_usb_class(f"{b >> 32:06x}", f"{b >> 8 & 0xFFFFFF:06x}")
        return _described(bus, words, kind or ids.load(bus).kind(a >> 48, a >> 32 & 0xFFFF), modalias)
    if bus == "sdio":
        vendor, device = a >> 48, a >> 32 & 0xFFFF
        return Spec(f"sdio:{vendor:04x}:{device:04x}", bus, Kind.OTHER, modalias, modalias, vendor, device, words)
    return Spec(modalias, bus, Kind.AUDIO if bus == "hdaudio" else Kind.OTHER, modalias, modalias, words=words)


_USUAL_INTERFACE = {0x0106: 0x01, 0x0108: 0x02, 0x0C03: None, 0x0101: None, 0x0805: None}
"""Interface of a class where a listing shows none: AHCI, NVMe; None where there are several, 0 for all others (PCI
Code and ID Assignment Specification 1.11)."""
_USB_INTERFACES = (("xHCI", 0x30), ("EHCI", 0x20), ("USB2", 0x20), ("Enhanced", 0x20), ("OHCI", 0x10), ("UHCI", 0x00))


def _by_pattern(text: str) -> Spec:
    """Describe a PCI device of which a listing shows the class, but not the interface or the subsystem."""
    [(a, b, known_a, known_b)] = pack_pattern(BY_BUS["pci"], text) or [(0, 0, 0, 0)]
    code = b >> 8
    if known_b & 0xFF == 0:
        usual = _USUAL_INTERFACE.get(code, 0)
        if code == 0x0C03:
            name = ids.load("pci").name(a >> 48, a >> 32 & 0xFFFF).casefold()
            usual = next((number for word, number in _USB_INTERFACES if word.casefold() in name), None)
        if usual is not None:
            b, known_b = b | usual, known_b | 0xFF
    return _described("pci", (a, b, known_a, known_b), _of_pci(a, code))


def specs_of(texts: Sequence[str], hint: Kind | None) -> list[list[Spec]]:
    """Understand distinct device texts (an id, a modalias or a name each): an empty list where one says that there is
    none. `hint` is the kind that the column speaks of, None for the column `devices`, in which names are a problem.
    """
    out: list[list[Spec]] = []
    for raw in texts:
        text = raw.strip()
        if pack(text):
            out.append([_by_modalias(text)])
        elif _PARTLY.fullmatch(text):
            out.append([_by_pattern(text)])
        elif names_none(text):
            out.append([])
        elif match := _SHORT.fullmatch(text):
            bus, vendor, device, subvendor, subdevice = match.groups()
            sub = (int(subvendor, 16), int(subdevice, 16)) if subvendor and bus.lower() == "pci" else None
            out.append([by_id(bus.lower(), int(vendor, 16), int(device, 16), hint, sub)])
        elif match := _BRACKETED.search(text) or _BARE.fullmatch(text):
            out.append([_bare(int(match[1], 16), int(match[2], 16), hint)])
        elif (bus_match := _BUS.match(text)) and (bus := bus_match[0][:-1]) and " " not in text:
            if bus in ("pci", "usb"):
                problem = f"malformed {bus} modalias or id: {_short(text)!r}; wanted is {_form(bus)}"
                out.append([Spec(_short(text), bus, hint or Kind.OTHER, _short(text), problem=problem)])
            else:
                out.append([_by_modalias(text)])
        elif hint is None:
            problem = f"not an id: {_short(text)!r}; the list of devices holds ids such as {_form('pci')}"
            out.append([Spec(_short(text), "", Kind.OTHER, _short(text), problem=problem)])
        else:
            from advisor.drivers import names

            [meant] = names.match([text], hint)
            out.append([_of_name(_short(text), meant, hint)])
    return out


def _form(bus: str) -> str:
    return f"{bus}:8086:24f3 or a whole modalias" if bus == "pci" else f"{bus}:0bda:c811 or a whole modalias"


def _short(text: str) -> str:
    clean = "".join(letter if letter.isprintable() else "�" for letter in text)
    return clean if len(clean) <= _LONGEST else clean[: _LONGEST - 1] + "…"


def _bare(vendor: int, device: int, hint: Kind | None) -> Spec:
    """An id without its bus: PCI unless only the USB list knows it."""
    pci, usb = ids.load("pci"), ids.load("usb")
    if pci.index(vendor, device) is None and usb.index(vendor, device) is not None:
        return by_id("usb", vendor, device, hint)
    return by_id("pci", vendor, device, hint)


def _of_name(text: str, found: Matched, hint: Kind) -> Spec:
    candidates = tuple(
        replace(by_id(entry.bus, entry.vendor, entry.device, hint, entry.subsystem), kind=hint)
        for entry in found.entries
    )
    if len(candidates) == 1 and found.exact:
        [entry] = found.entries
        name = entry.name if entry.bus == "sdio" else candidates[0].name
        return replace(candidates[0], name=name, taken=found.taken)
    if not candidates:
        return Spec(text, "", hint, text, problem=found.problem)
    return Spec(
        text, candidates[0].bus, hint, text, problem=found.problem, candidates=candidates, exact=found.exact,
        taken=found.taken, chip=found.chip,
    )  # fmt: skip


def find(units: pd.DataFrame) -> FoundDevices:
    """Find the devices of every unit.

    Parameters
    ----------
    units : pandas.DataFrame
        A Unit frame.

    Returns
    -------
    FoundDevices
        What `devices` lists; then what is named in `wireless`, `graphics` and `ethernet`, unless `devices` already
        holds a device of that kind; then the storage controller, where only its mode is known and that may hide a disk.
    """
    specs: list[Spec] = []
    listed_row, listed_spec = _spread(units["devices"], np.ones(len(units), dtype=bool), specs, None)
    found = [(listed_row, listed_spec)]
    kind_of = np.array([ids.KINDS.index(spec.kind) for spec in specs], dtype=np.intp)[listed_spec]
    for column, kind in TYPED.items():
        absent = np.ones(len(units), dtype=bool)
        absent[listed_row[kind_of == ids.KINDS.index(kind)]] = False
        found.append(_spread(units[column], absent, specs, kind))
    found += _modes(units["storage_mode"], listed_row[kind_of == ids.KINDS.index(Kind.STORAGE)], specs)
    row, code = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.argsort(row, kind="stable")
    return FoundDevices(specs, row[order], code[order])


def _modes(
    cells: pd.Series, listed: NDArray[np.intp], specs: list[Spec]
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Storage controllers of units that say RAID or VMD and list no controller: a usual one stands for them."""
    for mode, device in _MODES.items():
        row = np.setdiff1d(np.flatnonzero(cells.eq(str(mode)).fillna(False).to_numpy(dtype=bool)), listed)
        if len(row):
            text = f"storage controller in {str(mode).upper()} mode"
            yield row.astype(np.intp), np.full(len(row), len(specs), dtype=np.intp)
            usual = by_id("pci", 0x8086, device, Kind.STORAGE)
            specs.append(replace(usual, text=text, name=f"{text[:1].upper()}{text[1:]}, as Intel's have it"))


def _spread(
    cells: pd.Series, among: NDArray[np.bool_], specs: list[Spec], hint: Kind | None
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Understand the devices of some cells of a column, each text once; unit position, index in `specs`."""
    positions = np.flatnonzero(cells.notna().to_numpy() & among)
    code, distinct = pd.factorize(cells.iloc[positions].astype(object))
    apart = [re.split(r"[;\n]", str(text)) if hint is None else _apart(str(text), hint) for text in distinct]
    parts = [[part.strip() for part in row if part.strip()] for row in apart]
    token, tokens = pd.factorize(np.array([part for row in parts for part in row], dtype=object))
    start_of, count_of = [], []
    for found in specs_of([str(text) for text in tokens], hint):
        start_of.append(len(specs))
        count_of.append(len(found))
        specs += found
    counts = np.array([len(row) for row in parts], dtype=np.intp)
    parts_row, parts_at = runs((np.cumsum(counts) - counts)[code], counts[code])
    token = token[parts_at]
    token_row, spec = runs(np.array(start_of, dtype=np.intp)[token], np.array(count_of, dtype=np.intp)[token])
    return positions[parts_row[token_row]].astype(np.intp), spec


def _apart(text: str, kind: Kind) -> Sequence[str]:
    """The devices that a cell names; what reads names is not needed where ids are stated or no device is there."""
    if names_none(text):
        return ()
    from advisor.drivers.splitting import apart

    return apart(text, kind)
