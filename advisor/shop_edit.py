"""Changing a shop's file: the wanted values alone, what stood before kept beside it, or nothing at all."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, MutableMapping
from datetime import datetime
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from advisor.errors import InputError
from advisor.files import parse_toml, read_whole, write_whole
from advisor.nearest import fold
from advisor.shop import Thresholds
from advisor.shop_file import read_shop

_BOM = "\ufeff"


def set_thresholds(path: str | Path, changes: Mapping[str, float]) -> Path:
    """Write thresholds into a shop's file.

    Parameters
    ----------
    changes : mapping of str to float
        Fields of `Thresholds`.

    Returns
    -------
    pathlib.Path
        Where the file as it was before is kept, beside it.

    Raises
    ------
    InputError
        When the file is no shop's, the values are not acceptable, or it cannot be changed without changing more; it
        is as it was then.
    """
    unknown = changes.keys() - Thresholds.model_fields.keys()
    if unknown:
        raise ValueError(f"no thresholds: {', '.join(sorted(unknown))}")
    # A link stays one: the file that it names is changed.
    file = Path(path).resolve()
    read_shop(file)
    before = read_whole(file)
    after = changed(before.decode("utf-8"), changes, f"The shop file {path}").encode("utf-8")
    kept = _free(file.with_name(f"{file.name}.before-{datetime.now():%Y%m%dT%H%M%S}"))
    write_whole(kept, before, private=True)
    shutil.copymode(file, kept)
    write_whole(file, after)
    try:
        shop = read_shop(file)
    except InputError:
        write_whole(file, before)
        raise
    wrong = [name for name, value in changes.items() if getattr(shop.thresholds, name) != value]
    if wrong:
        write_whole(file, before)
        raise _by_hand(f"The shop file {path}", changes)
    return kept


def changed(text: str, changes: Mapping[str, float], where: str) -> str:
    """Put thresholds into a shop's TOML; comments, order and line ends stay.

    Parameters
    ----------
    where : str
        What a message begins with.

    Raises
    ------
    InputError
        When the outcome, read again, differs in anything but the wanted values.
    """
    mark, body = (_BOM, text[1:]) if text.startswith(_BOM) else ("", text)
    wanted = parse_toml(body, where)
    try:
        _put(wanted, changes)
        document = tomlkit.parse(body)
        _put(document, changes)
        new = tomlkit.dumps(document)
    except (TOMLKitError, ValueError, TypeError, LookupError, AttributeError, RecursionError) as error:
        raise _by_hand(where, changes) from error
    if "\r\n" in body and not re.search(r"(?<!\r)\n", body):
        new = re.sub(r"(?<!\r)\n", "\r\n", new)
    if parse_toml(new, where) != wanted:
        raise _by_hand(where, changes)
    return mark + new


def _put(document: MutableMapping[str, Any], changes: Mapping[str, float]) -> None:
    table_key = _key(document, "thresholds")
    if table_key not in document:
        document[table_key] = {}
    table = document[table_key]
    for name, value in changes.items():
        table[_key(table, name)] = _plain(value)


def _key(table: Mapping[str, Any], name: str) -> str:
    """The setting's name as the file writes it."""
    return next((str(key) for key in table if fold(str(key)) == name), name)


def _plain(value: float) -> float | int:
    return int(value) if float(value).is_integer() else float(value)


def _by_hand(where: str, changes: Mapping[str, float]) -> InputError:
    lines = ", ".join(f"{name} = {value:g}" for name, value in changes.items())
    return InputError(
        f"{where} could not be changed without changing more than that; it is as it was.",
        f"Write below [thresholds] by hand: {lines}.",
    )


def _free(path: Path) -> Path:
    """This path, or one with a number behind it that no file has."""
    number, free = 2, path
    while free.exists():
        free = path.with_name(f"{path.name}-{number}")
        number += 1
    return free
