"""Words that carry a verdict, each with the shape that it also has on the sheet: grey print loses nothing."""

from __future__ import annotations

from functools import cache, lru_cache

from advisor.advice.record import ADVICE_MARK, SEVERITY_MARK, SUPPORT_MARK, Mark
from advisor.views.markup import Markup, el

SEVERITIES: dict[str, str] = {"stop": "Stop", "act": "Do", "note": "Note"}
"""Word for each severity of a flag."""

_TONES: dict[Mark, str] = {
    Mark.FULL: "good",
    Mark.RING: "good",
    Mark.CROSS: "bad",
    Mark.SQUARE: "bad",
    Mark.DOT: "plain",
}

_CLEAR = {"fill": "none", "stroke": "currentColor", "stroke_width": 2}
_SOLID = {"fill": "currentColor"}


@cache
def mark(shape: Mark) -> Markup:
    """Draw a shape, 16 by 16.

    Parameters
    ----------
    shape : Mark

    Returns
    -------
    markupsafe.Markup
    """
    ring = el("circle", cx=8, cy=8, r=6, **_CLEAR)
    inside = {
        Mark.FULL: el("circle", cx=8, cy=8, r=7, **_SOLID),
        Mark.RING: ring,
        Mark.HALF: [ring, el("path", d="M8 2a6 6 0 0 0 0 12z", **_SOLID)],
        Mark.UP: el("path", d="M8 1.5 15 14H1z", **_SOLID),
        Mark.DIAMOND: el("path", d="M8 1 15 8 8 15 1 8z", **_CLEAR),
        Mark.CROSS: el(
            "path", d="M2.5 2.5 13.5 13.5M13.5 2.5 2.5 13.5", fill="none", stroke="currentColor", stroke_width=3
        ),
        Mark.QUERY: [
            el(
                "path",
                d="M5 5.5a3 3 0 1 1 4.2 2.7C8.3 8.7 8 9.3 8 10.3",
                fill="none",
                stroke="currentColor",
                stroke_width=2,
            ),
            el("circle", cx=8, cy=13.3, r=1.4, **_SOLID),
        ],
        Mark.PLUS: el("path", d="M8 1.5V14.5M1.5 8H14.5", fill="none", stroke="currentColor", stroke_width=3.5),
        Mark.PAUSE: el("path", d="M3 2h3.5v12H3zM9.5 2H13v12H9.5z", **_SOLID),
        Mark.SQUARE: el("rect", x=2, y=2, width=12, height=12, **_SOLID),
        Mark.DOT: el("circle", cx=8, cy=8, r=3, **_SOLID),
    }[shape]
    return el("svg", inside, viewBox="0 0 16 16", width=16, height=16, aria_hidden="true", class_="ba-mark")


def advice_badge(advice: str, large: bool = False) -> Markup:
    """Show an advice with its shape.

    Parameters
    ----------
    advice : str
    large : bool

    Returns
    -------
    markupsafe.Markup
    """
    return _badge(advice, ADVICE_MARK.get(advice), "ba-badge ba-badge-large" if large else "ba-badge")


def support_badge(support: str) -> Markup:
    """Show a support word with its shape.

    Parameters
    ----------
    support : str

    Returns
    -------
    markupsafe.Markup
    """
    return _badge(support, SUPPORT_MARK.get(support), "ba-support")


def severity_badge(severity: str) -> Markup:
    """Show the severity of a flag with its shape.

    Parameters
    ----------
    severity : str

    Returns
    -------
    markupsafe.Markup
    """
    return _badge(SEVERITIES.get(severity, severity), SEVERITY_MARK.get(severity), "ba-severity")


@lru_cache(maxsize=256)
def _badge(words: str, shape: Mark | None, class_: str) -> Markup:
    tone = _TONES.get(shape, "mid") if shape else "plain"
    return el("span", mark(shape) if shape else None, el("span", words), class_=f"{class_} ba-tone-{tone}")
