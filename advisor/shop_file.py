"""Reading the shop's settings: every closed word checked against the tables before anything is scored by it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from advisor import drivers, tables
from advisor.drivers import table_files
from advisor.editions.catalogue import lacking
from advisor.errors import InputError
from advisor.files import LARGEST_SETTINGS, datasets, parse_toml, read_text, user_data
from advisor.nearest import choose, fold
from advisor.releases import CODENAMES
from advisor.shop import Architecture, Image, Part, PartKind, Person, Shop, Thresholds, default_shop
from advisor.unit import BootMode

AREAS = ("main", "contrib", "non-free", "non-free-firmware")
"""Archive areas of Debian (Debian Policy 2.2, as of Debian 12)."""

MOST = {"images": 100, "stock": 1000, "technicians": 1000}
"""Most of each that a shop may have: common practice, no source; every unit is judged on every image."""

Match = Callable[[str, str], str]
"""The right word for one that somebody wrote; the second text says where."""

_ARCHITECTURES = {"x86_64": Architecture.AMD64, "x86-64": Architecture.AMD64, "i686": Architecture.I386}
_POINT_RELEASE = re.compile(r"(?:debian )?([0-9]+)(?:\.[0-9]+)?")
_FORMS = ("DIMM", "SODIMM")
_DISK_FITS = ("sata", "nvme", "msata", "m.2 sata")
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
    text = read_text(file, LARGEST_SETTINGS, lambda said, hint: InputError(f"The shop file {said}", hint))
    content = parse_toml(text, f"The shop file {file}", hint=_COMPARE)
    if "images" not in content and file.resolve() != (datasets() / "shop" / "default.toml").resolve():
        content["images"] = [image.model_dump(mode="json") for image in default_shop().images]
    _settings(content, f"The shop file {file}")
    return checked(content, f"The shop file {file}")


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
    for what, most in MOST.items():
        if len(found := _tables(content, what)) > most:
            raise InputError(f"{where}, {what}: there are {len(found)}; {most} are accepted.", "Leave some out.")
    edition = _word(_of_catalogue("edition"))
    _match(content, where, richness=edition, default_edition=edition)
    if isinstance(content.get("thresholds"), dict):
        _keys(content["thresholds"], Thresholds, f"{where}, thresholds")
    for number, image in enumerate(_tables(content, "images"), 1):
        at = f"{where}, image {_name(image, number)}"
        _keys(image, Image, at)
        _image(image, at, edition)
    names = [image["name"] for image in _tables(content, "images") if isinstance(image.get("name"), str)]
    if names:
        _match(content, where, default_image=_word(names))
    for number, part in enumerate(_tables(content, "stock"), 1):
        at = f"{where}, part {_name(part, number)}"
        _keys(part, Part, at)
        _part(part, at)
    for number, person in enumerate(_tables(content, "technicians"), 1):
        _keys(person, Person, f"{where}, technician {_name(person, number)}")
    for what in ("images", "stock"):
        _twice([one["name"] for one in _tables(content, what) if isinstance(one.get("name"), str)], f"{where}, {what}")


def _image(image: dict[str, Any], where: str, edition: Match) -> None:
    if isinstance(image.get("release"), int | float) and not isinstance(image["release"], bool):
        image["release"] = str(image["release"])
    _match(
        image,
        where,
        release=_release,
        kernel=lambda word, at: choose(_numbered(word), table_files.names(), at, more=_OWN_KERNEL),
        architecture=_word(sorted(_of_catalogue("architecture")), _ARCHITECTURES),
        editions=edition,
        boots=_word(BootMode),
    )
    kernel = image.get("kernel")
    if isinstance(kernel, str):
        _match(image, where, firmware=lambda word, at: _firmware(word, kernel, at))


def _release(word: str, where: str) -> str:
    releases = sorted(_of_catalogue("release"))
    point = _POINT_RELEASE.fullmatch(fold(word))
    if point and fold(word) not in map(fold, releases):
        word = point[1]
    return choose(word, releases, where, {name: number for number, name in CODENAMES.items() if number in releases})


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
    _match(part, where, kind=_word(PartKind))
    kind = part.get("kind")
    types = sorted({row["type"] for row in tables.dicts("advice/memory_types") if row["type"]})
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
        _match(part, where, fits=_word(fits[kind]))
    if kind == PartKind.WIRELESS:
        _match(part, where, device=_device)
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


def _of_catalogue(column: str) -> list[str]:
    """Words of a column of the catalogue of editions, the user's own rows included, in its order."""
    return list(dict.fromkeys(row[column] for row in tables.dicts("editions/catalogue") if row[column]))


def _word(accepted: Iterable[str], also: Mapping[str, str] | None = None) -> Match:
    words = list(map(str, accepted))
    return lambda word, where: choose(word, words, where, also)


def _keys(table: dict[str, Any], model: type[BaseModel], where: str) -> None:
    """Match the names of the settings themselves."""
    _twice(list(table), where)
    for key in list(table):
        table[choose(key, model.model_fields, f"{where}, setting")] = table.pop(key)


def _tables(content: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = content.get(key)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _name(table: dict[str, Any], number: int) -> str:
    return repr(table["name"][:60]) if isinstance(table.get("name"), str) else str(number)


def _match(table: dict[str, Any], where: str, **matches: Match) -> None:
    """Put the right words in the place of those of some settings, each a text or a list of texts."""
    for key, match in matches.items():
        found, at = table.get(key), f"{where}, {key}"
        if isinstance(found, str):
            table[key] = match(found, at)
        elif isinstance(found, list):
            table[key] = [match(word, at) if isinstance(word, str) else word for word in found]
            _twice([word for word in table[key] if isinstance(word, str)], at)


def _twice(words: list[str], where: str) -> None:
    seen: set[str] = set()
    for word in words:
        if fold(word) in seen:
            raise InputError(f"{where}: {word[:60]!r} is listed twice.", "Name each once.")
        seen.add(fold(word))
