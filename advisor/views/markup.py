"""Building HTML and SVG so that every value is escaped: untrusted text can only ever become text."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache
from typing import Any

import pandas as pd
from markupsafe import Markup, escape

VOID = frozenset({"br", "hr", "img", "input", "line", "rect", "circle", "path", "use", "polyline", "polygon"})
"""Elements without content; they are written closed, which HTML and SVG both accept."""

UNKNOWN = "unknown"
"""Word shown for a fact that is not known."""

Child = Any
"""What may stand inside an element: text, markup, a number, None (nothing), or an iterable of these."""


def el(name: str, /, *children: Child, **attributes: Any) -> Markup:
    """Build one element.

    Parameters
    ----------
    name : str
        Element name, written by this package, never by input.
    *children : str, Markup, number, None or iterable of these
        Text is escaped; Markup stands as it is; None is left out.
    **attributes : any
        `class_` gives `class`, `data_row` gives `data-row`; True gives a bare attribute; None and False leave it out.

    Returns
    -------
    markupsafe.Markup
    """
    parts = [f"<{name}"]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        label = _label(key)
        parts.append(f" {label}" if value is True else f' {label}="{escape(str(value))}"')
    if name in VOID and not children:
        return Markup("".join(parts) + "/>")
    parts.append(">")
    _join(children, parts)
    parts.append(f"</{name}>")
    return Markup("".join(parts))


@cache
def _label(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def join(children: Iterable[Child]) -> Markup:
    """Put children one after the other, escaping what is text.

    Parameters
    ----------
    children : iterable

    Returns
    -------
    markupsafe.Markup
    """
    out: list[str] = []
    _join(children, out)
    return Markup("".join(out))


def _join(children: Iterable[Child], out: list[str]) -> None:
    for child in children:
        if isinstance(child, Markup):
            out.append(child)
        elif isinstance(child, (str, int, float)):
            if child is not False:
                out.append(escape(str(child)))
        elif child is not None:
            _join(child, out)


def known(value: object) -> bool:
    """Tell whether a value is known: not None, not NA and not blank text.

    Parameters
    ----------
    value : object

    Returns
    -------
    bool
    """
    if value is None or value is pd.NA:
        return False
    if isinstance(value, float) and math.isnan(value):
        return False
    return not (isinstance(value, str) and not value.strip())


def text(value: object, missing: str = UNKNOWN) -> str:
    """Write a value for reading: white space folded, whole numbers without decimals.

    Parameters
    ----------
    value : object
    missing : str
        What stands for an unknown value.

    Returns
    -------
    str
    """
    if not known(value):
        return missing
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"
    return " ".join(str(value).split())


def number(value: object, digits: int = 0, missing: str = "–") -> str:
    """Write a number with a fixed count of decimals.

    Parameters
    ----------
    value : object
    digits : int
    missing : str
        What stands for an unknown value.

    Returns
    -------
    str
    """
    return f"{float(value):.{digits}f}" if known(value) else missing  # type: ignore[arg-type]


def duration(minutes: object, missing: str = "not known") -> str:
    """Write minutes as a person says them: '35 min', '1 h 05 min'.

    Parameters
    ----------
    minutes : object
        A number [min], or unknown.
    missing : str

    Returns
    -------
    str
    """
    if not known(minutes):
        return missing
    whole = round(float(minutes))  # type: ignore[arg-type]
    if whole < 60:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02d} min"


def labelled(title: str, /, *children: Child, key: str, level: int = 3, **attributes: Any) -> Markup:
    """Build a section whose heading is its accessible name.

    Parameters
    ----------
    title : str
    *children
    key : str
        Makes the heading's id.
    level : int
        Heading level.
    **attributes

    Returns
    -------
    markupsafe.Markup
    """
    heading = el(f"h{level}", title, id=f"ba-{key}-title")
    return el("section", heading, *children, aria_labelledby=f"ba-{key}-title", **attributes)


def notices() -> Markup:
    """Lay out the place where every view speaks to the person: what it has to say, and what the page itself says.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el("div", data_region="notice"),
        el("div", data_local=True, role="status"),
        class_="ba-notices",
        aria_live="polite",
    )
