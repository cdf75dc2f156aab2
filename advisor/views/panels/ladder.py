"""The ladder of editions: how each would feel on this unit, against the shop's limits."""

from __future__ import annotations

import math

from advisor.comfort.rungs import LONGEST_SAID_S
from advisor.views.findings import Findings, Rung
from advisor.views.markup import Markup, el, number


def ladder(found: Findings) -> Markup:
    """Show the editions, richest first, with their seconds and what stands against each.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    markupsafe.Markup
    """
    limits = found.thresholds
    top = _scale(found.rungs, limits.desktop_s)
    head = el(
        "tr",
        (
            el("th", label, scope="col")
            for label in ("Edition", "Verdict", "Desktop usable", "Browser", "Memory left", "Disk left")
        ),
    )
    rows = (
        el(
            "tr",
            el(
                "th",
                el("span", "▸ " if rung.edition == found.edition else "", aria_hidden="true"),
                rung.edition,
                scope="row",
            ),
            el("td", standing(rung, found), class_="ba-words"),
            el(
                "td",
                _seconds(rung.desktop_s, rung.desktop_high_s),
                seconds_bar(rung.desktop_s, rung.desktop_high_s, limits.desktop_s, top),
                class_="ba-num",
            ),
            el("td", _seconds(rung.browser_s, rung.browser_high_s), class_="ba-num"),
            el("td", _memory(rung.memory_left_pct), class_="ba-num"),
            el("td", number(rung.disk_left_gib), " GiB" if rung.disk_left_gib is not None else None, class_="ba-num"),
            class_="ba-chosen" if rung.edition == found.edition else None,
        )
        for rung in found.rungs
    )
    caption = (
        f"Comfortable here means: desktop within {limits.desktop_s:g} s of login and browser within "
        f"{limits.browser_s:g} s, with {limits.certainty * 100:.0f} % certainty (figure after 'up to'), "
        f"{limits.memory_left_pct:g} % of memory and "
        f"{limits.disk_left_pct:g} % of disk left. The bar's upright line is the desktop limit."
    )
    return el(
        "div",
        el("table", el("caption", caption), el("thead", head), el("tbody", rows)),
        class_="ba-scroll",
        tabindex="0",
        role="group",
        aria_label="Ladder of editions",
    )


def standing(rung: Rung, found: Findings) -> str:
    """Say in words where an edition stands.

    Parameters
    ----------
    rung : Rung
    found : Findings

    Returns
    -------
    str
    """
    advised = ""
    if rung.edition == found.edition:
        advised = f"; advised once {found.part} is fitted" if found.part else "; advised"
    if rung.comfortable:
        return f"comfortable{advised}"
    if rung.unknown or rung.gate < 0:
        return f"cannot be told: {rung.out or 'a fact that decides is missing'}{advised}"
    return f"{'not comfortable' if rung.gate else 'ruled out'}: {rung.out}{advised}"


def _seconds(middle: float | None, high: float | None) -> Markup:
    if middle is None:
        return el("span", "–")
    if middle > LONGEST_SAID_S:
        return el("span", f"over {LONGEST_SAID_S:.0f} s")
    # Rounded to the side that the reasons round to, so that one figure is said everywhere.
    more = el("span", f" up to {_figure(math.ceil(high))}", class_="ba-quiet") if high is not None else None
    return el("span", f"{_figure(middle)} s", more)


def _memory(left: float | None) -> str:
    return "–" if left is None else f"{math.floor(left)} %"


def _figure(value: float) -> str:
    return f"{value:.0f}" if value >= 10 or value == int(value) else f"{value:.1f}"


def _scale(rungs: tuple[Rung, ...], limit: float) -> float:
    highs = [rung.desktop_high_s for rung in rungs if rung.desktop_high_s is not None]
    return min(max([limit * 1.5, *highs]), limit * 3)


def seconds_bar(middle: float | None, high: float | None, limit: float, top: float) -> Markup | None:
    """Draw seconds as a bar with its careful end as a whisker and the limit as an upright line.

    Parameters
    ----------
    middle, high : float or None
        Seconds, and their careful end [s].
    limit, top : float
        The shop's limit, and the right edge of the drawing [s].

    Returns
    -------
    markupsafe.Markup or None
        None when nothing is known.
    """
    if middle is None:
        return None
    width, height = 150, 12

    def x(seconds: float) -> float:
        return round(min(seconds / top, 1) * (width - 2), 1)

    end = x(high) if high is not None else x(middle)
    return el(
        "svg",
        el("rect", x=0, y=3, width=x(middle), height=6, class_="ba-fill"),
        el("line", x1=x(middle), x2=end, y1=6, y2=6, class_="ba-whisker"),
        el("line", x1=end, x2=end, y1=2, y2=10, class_="ba-whisker"),
        el("line", x1=x(limit), x2=x(limit), y1=0, y2=12, class_="ba-limit"),
        viewBox=f"0 0 {width} {height}",
        width=width,
        height=height,
        aria_hidden="true",
        class_="ba-bar",
    )
