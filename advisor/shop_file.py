"""Reading the shop's settings: every closed word checked against the tables before anything is scored by it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from advisor import drivers, tables
from advisor.drivers import table_files
from advisor.editions.catalogue import lacking
from advisor.errors import InputError
from advisor.files import datasets, opened, parse_toml, user_data
from advisor.nearest import choose, fold
from advisor.releases import CODENAMES
from advisor.shop import Architecture, Image, Part, PartKind, Person, Shop, Thresholds, default_shop
from advisor.unit import BootMode

MAX_BYTES = 1 << 20
"""Largest shop file read [bytes]; one of a hundred images has some ten thousand."""

AREAS = ("main", "contrib", "non-free", "non-free-firmware")
"""Archive areas of Debian (Debian Policy 2.2, as of Debian 12)."""

_ARCHITECTURES = {"x86_64": Architecture.AMD64, "x86-64": Architecture.AMD64, "i686": Architecture.I386}
_POINT_RELEASE = re.compile(r"(?:debian )?([0-9]+)(?:\.[0-9]+)?")
_FORMS = ("DIMM", "SODIMM")
_DISK_FITS = ("sata", "nvme")
_ADAPTER_FITS = ("usb", "m.2", "mini pcie")
_COMPARE = "Compare it with datasets/demo/shop.toml."
_NO_FILES = "A package that only asks for others, such as firmware-linux, holds no files: name those."
_OWN_KERNEL = "The table of a kernel of your own is built with: advisor tables build --tree DIR --name NAME."


def default_shop_file() -> Path:
    """Where every command looks for the shop's settings unless told otherwise: ADVISOR_SHOP, else the user's data."""
    return Path(os.environ.get("ADVISOR_SHOP") or user_data() / "shop.toml")


def the_shop(path: str | Path | None = None) -> Shop:
    """The shop of a file, else of `default_shop_file`, else the built-in settings; raises as `read_shop`."""
    file = Path(path) if path else default_shop_file()
    return read_shop(file) if path or os.environ.get("ADVISOR_SHOP") or file.exists() else default_shop()


def read_shop(path: str | Path) -> Shop:
    """Read a shop's settings.

    Parameters
    ----------
    path : path-like
        A TOML file; what it leaves out keeps its default, and a shop that lists no images keeps the built-in ones.
        Names of editions, releases (or their code names), kernels, firmware, boot modes and parts are taken whatever
        their case.

    Raises
    ------
    InputError
        When the file cannot be read, is not TOML, or a value is not acceptable; the message names the setting, the
        nearest word and what is accepted.
    """
    file = Path(path)
    content = parse_toml(_text(file), f"The shop file {file}", hint=_COMPARE)
    if "images" not in content and file.resolve() != (datasets() / "shop" / "default.toml").resolve():
        content["images"] = [image.model_dump(mode="json") for image in default_shop().images]
    _settings(content, f"The shop file {file}")
    return checked(content, f"The shop file {file}")


def _text(file: Path) -> str:
    with opened(file, lambda said, hint: InputError(f"The shop file {said}", hint)) as handle:
        data = handle.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise InputError(
            f"The shop file {file} is larger than {MAX_BYTES >> 10} KiB.", "A shop's settings take a few KiB."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"The shop file {file} is not UTF-8: line {line}, byte {data[error.start]:#04x}.", "Save it as UTF-8."
        ) from error


def checked(content: dict[str, Any], where: str) -> Shop:
    """Make a shop of settings whose words are matched already, and see that its images can be scored.

    Raises
    ------
    InputError
    """
    try:
        shop = Shop.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        setting = ".".join(str(part) for part in first["loc"]) or "the file as a whole"
        value = "" if first["type"] in ("missing", "value_error") else f" ({str(first['input'])[:60]})"
        message = first["msg"].removeprefix("Value error, ")
        raise InputError(f"{where}, {setting}{value}: {message}.", "See datasets/demo/shop.toml.") from error
    _possible(shop, where)
    return shop


def _settings(content: dict[str, Any], where: str) -> None:
    """Match every closed word of the file, in place; what is of the wrong type is left to the model."""
    _keys(content, Shop, where)
    editions = _editions()
    _each(content, "richness", lambda word, at: choose(word, editions, at), where)
    _one(content, "default_edition", lambda word, at: choose(word, editions, at), where)
    if isinstance(content.get("thresholds"), dict):
        _keys(content["thresholds"], Thresholds, f"{where}, thresholds")
    for number, image in enumerate(_tables(content, "images"), 1):
        at = f"{where}, image {_name(image, number)}"
        _keys(image, Image, at)
        _image(image, at, editions)
    names = [image["name"] for image in _tables(content, "images") if isinstance(image.get("name"), str)]
    if names:
        _one(content, "default_image", lambda word, at: choose(word, names, at), where)
    for number, part in enumerate(_tables(content, "stock"), 1):
        at = f"{where}, part {_name(part, number)}"
        _keys(part, Part, at)
        _part(part, at)
    for number, person in enumerate(_tables(content, "technicians"), 1):
        _keys(person, Person, f"{where}, technician {_name(person, number)}")
    for what in ("images", "stock"):
        _twice([one["name"] for one in _tables(content, what) if isinstance(one.get("name"), str)], f"{where}, {what}")


def _image(image: dict[str, Any], where: str, editions: list[str]) -> None:
    catalogue = tables.load("editions/catalogue").frame
    if isinstance(image.get("release"), int | float) and not isinstance(image["release"], bool):
        image["release"] = str(image["release"])
    releases = sorted(set(catalogue["release"].dropna()))
    _one(image, "release", lambda word, at: _release(word, releases, at), where)
    _one(image, "kernel", lambda word, at: choose(_numbered(word), table_files.names(), at, more=_OWN_KERNEL), where)
    architectures = sorted(set(catalogue["architecture"].dropna()))
    _one(image, "architecture", lambda word, at: choose(word, architectures, at, _ARCHITECTURES), where)
    _each(image, "editions", lambda word, at: choose(word, editions, at), where)
    _each(image, "boots", lambda word, at: choose(word, [str(mode) for mode in BootMode], at), where)
    kernel = image.get("kernel")
    if isinstance(kernel, str):
        _each(image, "firmware", lambda word, at: _firmware(word, kernel, at), where)


def _release(word: str, releases: list[str], where: str) -> str:
    numbers = {name: number for number, name in CODENAMES.items()}
    point = _POINT_RELEASE.fullmatch(fold(word))
    if point and fold(word) not in map(fold, releases):
        word = point[1]
    return choose(word, releases, where, {name: number for name, number in numbers.items() if number in releases})


def _numbered(word: str) -> str:
    """A kernel's name with the release's number for its code name: debian-trixie is debian-13."""
    for number, name in CODENAMES.items():
        word = re.sub(rf"\b{name}\b", number, word, flags=re.IGNORECASE)
    return word


def _firmware(word: str, kernel: str, where: str) -> str:
    """An archive area, or a package of the firmware table that goes with the image's kernel."""
    start, colon, area = word.partition(":")
    if colon and fold(start) == "area":
        return f"area:{choose(area, AREAS, where)}"
    if fold(word) in AREAS:
        return f"area:{fold(word)}"
    packages = drivers.load_firmware(str(drivers.load(kernel).about.get("firmware"))).by_name
    return choose(word, packages, where, more=f"Or an area: area:{', area:'.join(AREAS)}. {_NO_FILES}")


def _part(part: dict[str, Any], where: str) -> None:
    _one(part, "kind", lambda word, at: choose(word, list(PartKind), at), where)
    kind = part.get("kind")
    types = sorted(set(tables.load("advice/memory_types").frame["type"].dropna()))
    fits: dict[str, list[str]] = {
        PartKind.MEMORY: [f"{one} {form}" for one in types for form in _FORMS],
        PartKind.SSD: list(_DISK_FITS),
        PartKind.WIRELESS: list(_ADAPTER_FITS),
    }
    if not isinstance(kind, str) or kind not in fits:
        return
    if kind != PartKind.WIRELESS and not part.get("fits"):
        raise InputError(f"{where}: what it fits is not given.", f"Write fits = one of: {', '.join(fits[kind])}.")
    if part.get("fits"):
        _one(part, "fits", lambda word, at: choose(word, fits[kind], at), where)
    if kind == PartKind.WIRELESS:
        _one(part, "device", _device, where)
        if not part.get("device"):
            raise InputError(f"{where}: its device id is not given.", "Write device = an id such as 'usb:0bda:c811'.")
    elif not part.get("gib"):
        raise InputError(f"{where}: its size is not given.", "Write gib = its size in GiB.")


def _device(word: str, where: str) -> str:
    from advisor.intake import device_ids

    found, problem = device_ids.item(word)
    if not found:
        raise InputError(f"{where}: {problem}.", f"Accepted: {device_ids.ACCEPTED}.")
    return found


def _possible(shop: Shop, where: str) -> None:
    """Refuse a shop whose editions the catalogue cannot judge on its images, or that no image installs."""
    if not shop.images:
        raise InputError(f"{where}, images: there is none.", "Leave images out for the built-in ones.")
    for image in shop.images:
        at = f"{where}, image {image.name!r}"
        lacks = lacking(image)
        if lacks:
            raise InputError(f"{at}: {lacks[0]}", lacks[1])
        if not set(image.editions) & set(shop.richness):
            raise InputError(
                f"{at}: none of its editions is in richness, so it could be advised for no unit.",
                f"Its editions: {', '.join(image.editions) or 'none'}; richness: {', '.join(shop.richness)}.",
            )
    wanted = shop.default_edition
    if wanted is not None and not any(wanted in image.editions for image in shop.images):
        raise InputError(
            f"{where}, default_edition: {wanted} is on none of the images.", "Add it to the editions of an image."
        )


def _editions() -> list[str]:
    """Editions of the catalogue, the user's own rows included, in its order."""
    return list(dict.fromkeys(tables.load("editions/catalogue").frame["edition"].dropna()))


def _keys(table: dict[str, Any], model: type[BaseModel], where: str) -> None:
    """Match the names of the settings themselves."""
    _twice(list(table), where)
    for key in list(table):
        table[choose(key, model.model_fields, f"{where}, setting")] = table.pop(key)


def _tables(content: dict[str, Any], key: str) -> Iterable[dict[str, Any]]:
    found = content.get(key)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _name(table: dict[str, Any], number: int) -> str:
    return repr(table["name"][:60]) if isinstance(table.get("name"), str) else str(number)


def _one(table: dict[str, Any], key: str, match: Callable[[str, str], str], where: str) -> None:
    if isinstance(table.get(key), str):
        table[key] = match(table[key], f"{where}, {key}")


def _each(table: dict[str, Any], key: str, match: Callable[[str, str], str], where: str) -> None:
    if isinstance(table.get(key), list):
        at = f"{where}, {key}"
        table[key] = [match(word, at) if isinstance(word, str) else word for word in table[key]]
        _twice([word for word in table[key] if isinstance(word, str)], at)


def _twice(words: list[str], where: str) -> None:
    folded = [fold(word) for word in words]
    twice = [word for place, word in enumerate(words) if folded[place] in folded[:place]]
    if twice:
        raise InputError(f"{where}: {twice[0][:60]!r} is listed twice.", "Name each once.")
