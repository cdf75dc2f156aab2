"""Drawings in SVG: readable in grey, labelled in words, in the colours of the page's theme."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from advisor.views.markup import Markup, el

WIDTH = 640
"""Width of a drawing in its own units; it scales with the page."""

_ROW = 34
_LETTER = 7.6
"""Width of a letter of the axis, on the safe side, in the drawing's own units."""


@dataclass(frozen=True)
class Bar:
    """One bar.

    Attributes
    ----------
    label : str
    value : float
        Length.
    note : str
        Words behind the bar.
    low, high : float or None
        Ends of its interval.
    part : float or None
        Length of the hatched first part.
    """

    label: str
    value: float
    note: str
    low: float | None = None
    high: float | None = None
    part: float | None = None


def round_ticks(top: float, most: int = 6) -> list[float]:
    """Choose round marks from 0 to a value.

    Parameters
    ----------
    top : float
        Right end, above 0.
    most : int
        Most steps.

    Returns
    -------
    list of float
        Steps of 1, 2 or 5 times a power of ten.
    """
    power = 1e-6
    while True:
        for factor in (1, 2, 5):
            if top / (factor * power) <= most:
                step = factor * power
                return [round(step * number, 9) for number in range(int(top / step + 1e-9) + 1)]
        power *= 10


def bars(rows: Sequence[Bar], unit: str, label: str, key: str, limit: float | None = None) -> Markup:
    """Draw bars, one below the other, with their intervals as whiskers.

    Parameters
    ----------
    rows : sequence of Bar
    unit : str
        Unit of the axis, in words.
    label : str
        What the drawing says, for those who do not see it.
    key : str
        Makes its hatching's name unique on the page.
    limit : float, optional
        Where a dashed line stands.

    Returns
    -------
    markupsafe.Markup
    """
    top = max([*(row.value for row in rows), *(row.high or 0 for row in rows), limit or 0, 1e-9])
    before = min(260.0, 24 + _LETTER * max([8, *(len(row.label) for row in rows)]))
    behind = min(280.0, 24 + _LETTER * max([8, *(len(row.note) for row in rows)]))
    inner = WIDTH - before - behind

    def x(value: float) -> float:
        return round(before + inner * value / top, 1)

    shapes: list[Markup] = [hatching(f"ba-hatch-{key}")]
    for number, row in enumerate(rows):
        y = 8 + number * _ROW
        shapes.append(el("text", row.label, x=before - 10, y=y + 17, text_anchor="end", class_="ba-axis"))
        shapes.append(
            el("rect", x=before, y=y + 3, width=round(x(row.value) - before, 1), height=18, class_="ba-plain-bar")
        )
        if row.part:
            shapes.append(
                el(
                    "rect",
                    x=before,
                    y=y + 3,
                    width=round(x(row.part) - before, 1),
                    height=18,
                    fill=f"url(#ba-hatch-{key})",
                    class_="ba-part-bar",
                )
            )
        end = row.value
        if row.low is not None and row.high is not None:
            left, right, middle = x(row.low), x(row.high), y + 12
            shapes.append(
                el(
                    "path",
                    d=f"M{left} {middle}H{right}M{left} {middle - 6}v12M{right} {middle - 6}v12",
                    class_="ba-whisker",
                )
            )
            end = max(end, row.high)
        end = max(end, limit or 0.0)
        shapes.append(el("text", row.note, x=x(end) + 8, y=y + 17, class_="ba-axis"))
    base = 8 + len(rows) * _ROW
    shapes.append(el("line", x1=before, x2=WIDTH - behind, y1=base, y2=base, class_="ba-axis-line"))
    for tick in round_ticks(top):
        shapes.append(el("line", x1=x(tick), x2=x(tick), y1=base, y2=base + 5, class_="ba-axis-line"))
        shapes.append(el("text", f"{tick:g}", x=x(tick), y=base + 19, text_anchor="middle", class_="ba-axis"))
    if limit is not None:
        shapes.append(el("line", x1=x(limit), x2=x(limit), y1=2, y2=base, class_="ba-limit"))
    shapes.append(
        el("text", unit, x=round((before + WIDTH - behind) / 2, 1), y=base + 38, text_anchor="middle", class_="ba-axis")
    )
    return drawing(shapes, base + 46, label)


def hatching(name: str) -> Markup:
    """Define the hatching of a drawing.

    Parameters
    ----------
    name : str
        Its id on the page.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "defs",
        el(
            "pattern",
            el("rect", width=6, height=6, class_="ba-hatch-ground"),
            el("path", d="M-1 7 7 -1M-1 1 1 -1M5 7 7 5", class_="ba-hatch-line"),
            id=name,
            width=6,
            height=6,
            patternUnits="userSpaceOnUse",
        ),
    )


def drawing(shapes: Sequence[Markup], height: float, label: str, width: float = WIDTH) -> Markup:
    """Put shapes on a page of their own, with what they say in words.

    Parameters
    ----------
    shapes : sequence of Markup
    height : float
    label : str
    width : float

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "svg",
        el("title", label),
        shapes,
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        aria_label=label,
        class_="ba-drawing",
    )


@dataclass(frozen=True)
class Point:
    """One mark of a scatter.

    Attributes
    ----------
    x, y : float
    low, high : float or None
        Interval in y.
    group : int
        0 to 5; each has a shape of its own.
    words : str
        Shown when pointed at.
    """

    x: float
    y: float
    low: float | None = None
    high: float | None = None
    group: int = 0
    words: str = ""


def scatter(
    points: Sequence[Point], x_label: str, y_label: str, label: str, groups: Sequence[str] = (), diagonal: bool = True
) -> Markup:
    """Draw marks on two axes of one scale, with the line on which both are equal.

    Parameters
    ----------
    points : sequence of Point
    x_label, y_label, label : str
    groups : sequence of str
        Names of the groups, at most six.
    diagonal : bool
        Draw the line of equality.

    Returns
    -------
    markupsafe.Markup
    """
    width, height, left, top_edge, bottom = 520.0, 440.0, 64.0, 14.0, 56.0
    top = max([*(max(point.x, point.high if point.high is not None else point.y) for point in points), 1e-9]) * 1.04
    low = min([*(min(point.x, point.low if point.low is not None else point.y) for point in points), top])
    # Marks far from nothing get the room that a scale from 0 would leave empty; the axes say where they start.
    base = max([0.0, *(tick for tick in round_ticks(top, 12) if tick <= low)]) if low > 0.2 * top else 0.0

    def x(value: float) -> float:
        return round(left + (width - left - 14) * (value - base) / (top - base), 1)

    def y(value: float) -> float:
        return round(height - bottom - (height - bottom - top_edge) * (min(value, top) - base) / (top - base), 1)

    shapes: list[Markup] = []
    for tick in [base, *(one for one in round_ticks(top, 6 if base == 0 else 10) if one > base)]:
        shapes.append(el("line", x1=x(tick), x2=x(tick), y1=y(base), y2=y(base) + 5, class_="ba-axis-line"))
        shapes.append(el("line", x1=x(base) - 5, x2=x(base), y1=y(tick), y2=y(tick), class_="ba-axis-line"))
        shapes.append(el("text", f"{tick:g}", x=x(tick), y=y(base) + 19, text_anchor="middle", class_="ba-axis"))
        shapes.append(el("text", f"{tick:g}", x=x(base) - 9, y=y(tick) + 4, text_anchor="end", class_="ba-axis"))
    shapes.append(el("path", d=f"M{x(base)} {y(top)}V{y(base)}H{x(top)}", class_="ba-axis-line", fill="none"))
    if diagonal:
        shapes.append(el("line", x1=x(base), y1=y(base), x2=x(top), y2=y(top), class_="ba-limit"))
    for point in points:
        if point.low is not None and point.high is not None:
            shapes.append(el("line", x1=x(point.x), x2=x(point.x), y1=y(point.low), y2=y(point.high), class_="ba-thin"))
    for point in points:
        shapes.append(
            el("g", el("title", point.words) if point.words else None, spot(x(point.x), y(point.y), point.group))
        )
    shapes.append(el("text", x_label, x=(left + width) / 2, y=height - 16, text_anchor="middle", class_="ba-axis"))
    middle = round((height - bottom + top_edge) / 2)
    shapes.append(
        el(
            "text",
            y_label,
            x=0,
            y=0,
            transform=f"translate(15 {middle}) rotate(-90)",
            text_anchor="middle",
            class_="ba-axis",
        )
    )
    picture = drawing(shapes, height, label, width)
    if not groups:
        return picture
    keys = (
        el("span", el("svg", spot(8, 8, number), width=16, height=16, aria_hidden="true"), f" {name}   ")
        for number, name in enumerate(groups)
    )
    return el("div", picture, el("p", keys, class_="ba-key"))


def spot(x: float, y: float, group: int) -> Markup:
    """Draw the mark of a group.

    Parameters
    ----------
    x, y : float
    group : int

    Returns
    -------
    markupsafe.Markup
    """
    kind = group % 6
    if kind == 0:
        return el("circle", cx=x, cy=y, r=4, class_="ba-spot")
    if kind == 1:
        return el("rect", x=x - 4, y=y - 4, width=8, height=8, class_="ba-spot-open")
    if kind == 2:
        return el("path", d=f"M{x} {y - 5}l5 9h-10z", class_="ba-spot")
    if kind == 3:
        return el("path", d=f"M{x - 4} {y - 4}l8 8m0 -8l-8 8", class_="ba-whisker")
    if kind == 4:
        return el("path", d=f"M{x} {y - 6}l6 6l-6 6l-6 -6z", class_="ba-spot-open")
    return el("path", d=f"M{x - 5} {y}h10m-5 -5v10", class_="ba-whisker")
