"""Driver, firmware and id tables in the form that is stored: arrays in a .npz, what is known of them beside it."""

from __future__ import annotations

import hashlib
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import NDArray

from advisor.drivers import kinds, table_files
from advisor.drivers.firmware import FirmwarePackage
from advisor.drivers.ids import KINDS
from advisor.drivers.kinds import Kind
from advisor.drivers.matching import normalise
from advisor.drivers.packing import BY_BUS, LAYOUTS, BusLayout, Words, pack_pattern
from advisor.files import write_whole
from advisor.lab.tables.modtree import ModuleTree

_ENDING = re.compile(r"\.(xz|zst)$")


def driver_arrays(tree: ModuleTree) -> dict[str, NDArray[Any]]:
    """Put a kernel's modules in arrays; text lists are UTF-8 bytes, a line an entry.

    `module`, `path`, `path_of`, `builtin` per module; for each packed bus `_a`, `_b` (64-bit words by byte plane),
    `_masks`, `_mask`, `_module`; `text`, `text_module`; `firmware`, `firmware_start`, `firmware_of`; `depends_start`,
    `depends_of`.
    """
    modules = sorted(tree.modules, key=lambda module: (module.builtin, module.name))
    paths = sorted({module.path for module in modules})
    numbers = {module.name: number for number, module in reversed(list(enumerate(modules)))}
    out: dict[str, NDArray[Any]] = {
        "module": blob([module.name for module in modules]),
        "path": blob(paths),
        "path_of": np.array([paths.index(module.path) for module in modules], dtype=np.uint16),
        "builtin": np.array([module.builtin for module in modules], dtype=bool),
    }
    packed: dict[str, set[tuple[int, int, int, int, int]]] = {layout.bus: set() for layout in LAYOUTS}
    texts: set[tuple[str, int]] = set()
    for number, module in enumerate(modules):
        for alias in module.aliases:
            layout = BY_BUS.get(alias.partition(":")[0])
            entries = pack_pattern(layout, alias) if layout else None
            if layout and entries is not None:
                packed[layout.bus].update((*entry, number) for entry in entries)
            else:
                clean = normalise(alias)
                if clean is not None:
                    texts.add((clean, number))
    for layout in LAYOUTS:
        out |= _packed_arrays(layout, packed[layout.bus])
    listed = sorted(texts)
    out["text"] = blob([text for text, _ in listed])
    out["text_module"] = np.array([number for _, number in listed], dtype=np.uint16)
    files = sorted({name for module in modules for name in module.firmware})
    places = {name: place for place, name in enumerate(files)}
    out["firmware"] = blob(files)
    out["firmware_start"], out["firmware_of"] = _rows(
        [sorted({places[name] for name in module.firmware}) for module in modules]
    )
    out["depends_start"], out["depends_of"] = _rows(
        [[numbers[name] for name in module.depends if name in numbers] for module in modules]
    )
    return out


def _packed_arrays(layout: BusLayout, entries: set[tuple[int, int, int, int, int]]) -> dict[str, NDArray[Any]]:
    masks = sorted({entry[2:4] for entry in entries})
    numbers = {mask: number for number, mask in enumerate(masks)}
    rows = sorted((numbers[entry[2:4]], entry[0], entry[1], entry[4]) for entry in entries)
    mask, first, second, module = np.array(rows, dtype=np.uint64).reshape(-1, 4).T
    return {
        f"{layout.bus}_a": _planes(first),
        f"{layout.bus}_b": _planes(second),
        f"{layout.bus}_masks": np.array(masks, dtype=np.uint64).reshape(-1, 2),
        f"{layout.bus}_mask": mask.astype(np.uint16),
        f"{layout.bus}_module": module.astype(np.uint16),
    }


def _planes(words: Words) -> NDArray[np.uint8]:
    """Words as byte planes, which pack better."""
    return np.ascontiguousarray(words.astype("<u8").view(np.uint8).reshape(-1, 8).T)


def _rows(lists: list[list[int]]) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    start = np.zeros(len(lists) + 1, dtype=np.uint32)
    start[1:] = np.cumsum([len(row) for row in lists])
    return start, np.array([value for row in lists for value in row], dtype=np.uint16)


def blob(lines: Iterable[str]) -> NDArray[np.uint8]:
    """Lines of text as bytes."""
    return np.frombuffer("\n".join(lines).encode(), dtype=np.uint8)


def firmware_arrays(packages: Sequence[FirmwarePackage], files: Iterable[tuple[str, int]]) -> dict[str, NDArray[Any]]:
    """Put a suite's firmware, as paths below lib/firmware and package numbers, in arrays; .xz and .zst are dropped."""
    listed = sorted({(_ENDING.sub("", path), number) for path, number in files})
    return {
        "package": blob([f"{p.name}\t{p.version}\t{p.area}\t{p.size}" for p in packages]),
        "file": blob([path for path, _ in listed]),
        "package_of": np.array([number for _, number in listed], dtype=np.uint16),
    }


def read_ids(
    path: Path,
) -> tuple[dict[int, str], list[tuple[int, int, str]], list[tuple[int, int, int, int, str]], str]:
    """Read pci.ids or usb.ids: vendors, (vendor, device, name), subsystems with names, the version."""
    vendors: dict[int, str] = {}
    devices: list[tuple[int, int, str]] = []
    subsystems: list[tuple[int, int, int, int, str]] = []
    version = ""
    vendor = device = -1
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        if line.startswith("#"):
            found = re.match(r"#\s+Version:\s*(\S+)", line)
            version = found[1] if found else version
        elif match := re.match(r"([0-9a-f]{4})\s+(.+)", line):
            vendor, device = int(match[1], 16), -1
            vendors[vendor] = match[2].strip()
        elif match := re.match(r"\t([0-9a-f]{4})\s+(.+)", line):
            if vendor >= 0:
                device = int(match[1], 16)
                devices.append((vendor, device, match[2].strip()))
        elif match := re.match(r"\t\t([0-9a-f]{4}) ([0-9a-f]{4})\s+(.+)", line):
            if device >= 0:
                subsystems.append((vendor, device, int(match[1], 16), int(match[2], 16), match[3].strip()))
        elif line[:1] not in ("\t", ""):
            vendor = device = -1
    return vendors, devices, subsystems, version


def id_arrays(bus: str, path: Path, bound: dict[tuple[int, int], Kind]) -> tuple[dict[str, NDArray[Any]], str]:
    """Put an id list in arrays, and give its version as the file states it.

    `vendor`, `vendor_name`, `id`, `name`, `kind` (number in `kinds`); `sub_of` (position of the device), `sub`
    (subvendor and subdevice), `sub_name` for network devices. `bound` is what the modules of the kernels drive, which
    goes before what a name tells; an id that is only there gets no name. A vendor that bears the number and the name of
    another vendor's device is that device, written without its tab (pci.ids of June 2025 has one), and is left out.
    """
    vendors, devices, subsystems, version = read_ids(path)
    strays = {device for vendor, device, name in devices if vendors.get(device) == name and vendor != device}
    vendors = {vendor: name for vendor, name in vendors.items() if vendor not in strays}
    named = {vendor << 16 | device: name for vendor, device, name in devices if vendor not in strays}
    driven = {vendor << 16 | device: kind for (vendor, device), kind in bound.items()}
    rows = sorted({**dict.fromkeys(driven, ""), **named}.items())
    kind = [
        KINDS.index(
            driven.get(key) or kinds.of_name(f"{vendors.get(key >> 16, '')} {name}", key >> 16 if bus == "pci" else -1)
        )
        for key, name in rows
    ]
    wireless = {key: at for at, (key, _) in enumerate(rows) if KINDS[kind[at]] is Kind.WIRELESS}
    subs = sorted(
        {
            (wireless[v << 16 | d], sv << 16 | sd): name
            for v, d, sv, sd, name in subsystems
            if v not in strays and v << 16 | d in wireless
        }.items()
    )
    held = sorted(vendors.items())
    return {
        "vendor": np.array([vendor for vendor, _ in held], dtype=np.uint16),
        "vendor_name": blob(name for _, name in held),
        "id": np.array([key for key, _ in rows], dtype=np.uint32),
        "name": blob(name for _, name in rows),
        "kind": np.array(kind, dtype=np.uint8),
        "kinds": blob(str(one) for one in KINDS),
        "sub_of": np.array([of for (of, _), _ in subs], dtype=np.uint32),
        "sub": np.array([sub for (_, sub), _ in subs], dtype=np.uint32),
        "sub_name": blob(name for _, name in subs),
    }, version


def save(folder: Path, kind: str, name: str, arrays: dict[str, NDArray[Any]], about: dict[str, Any]) -> Path:
    """Write a table and its meta file, with format and checksum; `kind` is 'kernel', 'firmware' or 'ids'."""
    folder.mkdir(parents=True, exist_ok=True)
    buffer = io.BytesIO()
    stamp = np.frombuffer(f"{kind} {name}".encode(), dtype=np.uint8)
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for key, array in {"format": np.array(table_files.FORMAT), "stamp": stamp, **arrays}.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, np.asanyarray(array), allow_pickle=False)
            archive.writestr(
                zipfile.ZipInfo(f"{key}.npy", (1980, 1, 1, 0, 0, 0)), member.getvalue(), zipfile.ZIP_DEFLATED
            )
    content = buffer.getvalue()
    path = folder / f"{kind}-{name}.npz"
    facts = {"format": table_files.FORMAT, **about, "sha256": hashlib.sha256(content).hexdigest()}
    write_whole(path.with_suffix(".meta.toml"), tomlkit.dumps(facts))
    write_whole(path, content)
    table_files.forget()
    return path
