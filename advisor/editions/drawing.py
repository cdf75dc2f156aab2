"""Who draws a unit's desktop: its graphics chip, or the processor."""

from __future__ import annotations

import re
from collections.abc import Callable
from enum import StrEnum
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from advisor import tables
from advisor.columns import holds, numbers
from advisor.drivers import ids
from advisor.drivers.kinds import Kind, names_none

SURE_DRAWING_YEAR = 2008
"""PCs from this year on come with graphics that Mesa draws on, with few exceptions; common practice, no source."""


class Drawing(StrEnum):
    """What composes the desktop's picture: a graphics chip, or the processor."""

    HARDWARE = "hardware"
    SOFTWARE = "software"


FROM_YEAR = "year of the processor"


def least_year(processors: pd.DataFrame) -> np.ndarray:
    """Year of each processor, that of the oldest where its name leaves several open; NaN for unknown."""
    year = numbers(processors["cpu_year"])
    if "cpu_year_least" not in processors:
        return year
    return np.where(np.isnan(year), numbers(processors["cpu_year_least"]), year)


@cache
def _patterns() -> tuple[list[tuple[str, str | None]], list[tuple[str, str | None]]]:
    rows = tables.dicts("editions/graphics")
    by_id, by_name = (
        [(row["pattern"], row["drawing"] or None) for row in rows if row["match"] == match] for match in ("id", "name")
    )
    return by_id, by_name


_DISPLAY_ALIAS = re.compile(r"pci:v0000([0-9a-f]{4})d0000([0-9a-f]{4})\S*?bc03", re.IGNORECASE)
_SHORT_ID = re.compile(r"(?<![0-9a-f])([0-9a-f]{4}):([0-9a-f]{4})(?![0-9a-f])", re.IGNORECASE)


def _of_id(vendor: str, device: str) -> str | None:
    """Who draws with an id, by its row, or by the id list's name where the row leaves it open."""
    by_id, _ = _patterns()
    draws = next(
        (draws for pattern, draws in by_id if tables.compiled(pattern).fullmatch(f"{vendor}:{device}".lower())), None
    )
    return draws or _of_words(ids.load("pci").name(int(vendor, 16), int(device, 16)))


def _of_words(text: str) -> str | None:
    _, by_name = _patterns()
    lowered = text.lower().replace("(r)", "").replace("(tm)", "")
    return next((draws for pattern, draws in by_name if tables.compiled(pattern).search(lowered)), None)


def _best(found: set[str | None]) -> str:
    """'hardware' goes before 'software', and that before '': the best of several chips draws."""
    return next((word for word in Drawing if word in found), "")


def _chip(text: str) -> str:
    """Say 'hardware', 'software' or '' for ids and, where these do not tell, for the text."""
    found = _DISPLAY_ALIAS.findall(text)
    if "modalias:" not in text:
        found += _SHORT_ID.findall(text)
    return _best({_of_id(vendor, device) for vendor, device in found}) or _of_words(text) or ""


@lru_cache(maxsize=65_536)
def _typed(text: str) -> str:
    """'hardware', 'software' or '' for typed text, by its name's ids, else by words; a maker alone does not tell."""
    if _SHORT_ID.search(text):
        return _chip(text)
    if names_none(text):
        return ""
    from advisor.drivers.splitting import apart

    return _best({_named(part) for part in apart(text, Kind.GRAPHICS)})


def _named(text: str) -> str | None:
    """Who draws with one chip, None when its name does not tell: as one of several ids may, or the maker's others."""
    from advisor.drivers import names
    from advisor.drivers.splitting import only_maker
    from advisor.drivers.wording import makers

    [found] = names.match([text], Kind.GRAPHICS)
    entries = list(found.entries) if found.exact else []
    if not entries and only_maker(text, Kind.GRAPHICS):
        whose = makers(text, Kind.GRAPHICS)
        entries = [one for one in names.index(Kind.GRAPHICS).entries if one.vendor in whose]
    if not entries:
        return _of_words(text)
    drawn = {_of_id(f"{one.vendor:04x}", f"{one.device:04x}") for one in entries if one.bus == "pci"}
    return drawn.pop() if len(drawn) == 1 else None


def drawing(units: pd.DataFrame, processors: pd.DataFrame) -> pd.DataFrame:
    """Tell whether a unit's graphics chip draws, or its processor has to.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
        A Unit frame; `graphics` and `devices` are read.
    processors : pandas.DataFrame, shape (n_units, ...)
        From `identify.processors`; `cpu_graphics` and `cpu_year` are read.

    Returns
    -------
    pandas.DataFrame, shape (n_units, 2)
        `drawing` ('hardware', 'software', NA when it cannot be told) and `drawing_from` ('graphics', 'devices',
        'processor', 'year of the processor', NA).
    """
    answer = np.full(len(units), "", dtype=object)
    origin = np.full(len(units), "", dtype=object)
    display = units["devices"]
    if display.notna().any():
        # Only the aliases of display controllers say something of graphics.
        codes, distinct = pd.factorize(display)
        short = [
            " ".join(["modalias:", *(m.group(0) for m in _DISPLAY_ALIAS.finditer(str(value)))]) for value in distinct
        ]
        display = pd.Series(np.array([*short, None], dtype=object)[codes])
    columns: tuple[tuple[str, pd.Series, Callable[[str], str]], ...] = (
        ("graphics", units["graphics"], _typed),
        ("devices", display, _chip),
        ("processor", processors["cpu_graphics"], _chip),
    )
    for name, column, draws in columns:
        codes, distinct = pd.factorize(column)
        words = np.array([*(draws(str(value)) for value in distinct), ""], dtype=object)[codes]
        fresh = (answer == "") & (words != "")
        answer[fresh], origin[fresh] = words[fresh], name
    late = (answer == "") & (np.nan_to_num(least_year(processors), nan=0) >= SURE_DRAWING_YEAR)
    answer[late], origin[late] = Drawing.HARDWARE, FROM_YEAR
    made = {"drawing": answer, "drawing_from": origin}
    return pd.DataFrame(
        {name: pd.array([word or None for word in words], dtype="string") for name, words in made.items()},
        index=units.index,
    )


def chip_draws(drawn: pd.Series[str]) -> np.ndarray:
    """Where a graphics chip is known to draw, by the first column of `drawing`; shape (n_units,)."""
    return holds(drawn.eq(Drawing.HARDWARE))
