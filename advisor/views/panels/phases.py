"""The phases of the bench work as a time bar with its interval, and the same in figures."""

from __future__ import annotations

from itertools import accumulate

from advisor.views.findings import Findings
from advisor.views.markup import Markup, duration, el, known, number

WIDTH = 760
"""Width of the drawing in its own units; it scales with the page."""

_TOP, _HEIGHT, _LEFT, _RIGHT = 22, 34, 8, 14


def phases(found: Findings) -> Markup:
    """Show the phases as a bar and as a table.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    markupsafe.Markup
    """
    if not len(found.phases):
        return el("p", "No minutes: no edition is advised, so there is no work to time.")
    rows = found.phases.to_dict("records")
    head = el("tr", (el("th", label, scope="col") for label in ("No.", "Phase", "Hands-on", "In the slot")))
    body = (
        el(
            "tr",
            el("td", position, class_="ba-num"),
            el("th", row["title"], scope="row"),
            el("td", number(row["hands_on_min"], 1), " min", class_="ba-num"),
            el("td", number(row["machine_min"], 1), " min", class_="ba-num"),
        )
        for position, row in enumerate(rows, start=1)
    )
    scored = found.scored
    foot = el(
        "tr",
        el("td"),
        el("th", "Together", scope="row"),
        el("td", number(scored["hands_on_min"], 1), " min", class_="ba-num"),
        el("td", number(scored["elapsed_min"], 1), " min", class_="ba-num"),
    )
    return el(
        "div",
        el("div", time_bar(found), class_="ba-scroll", tabindex="0", role="group", aria_label="Time bar"),
        el("p", key()),
        el(
            "details",
            el("summary", "The same in figures"),
            el("table", el("thead", head), el("tbody", body), el("tfoot", foot)),
            id="ba-phase-table",
        ),
        el("p", f"Minutes {found.basis}." if found.basis else None, class_="ba-quiet"),
        _assumed(found),
    )


def _assumed(found: Findings) -> Markup | None:
    if not len(found.assumed):
        return None
    rows = found.assumed.to_dict("records")
    return el(
        "details",
        el("summary", f"{len(rows)} facts were assumed; they widen the interval"),
        el(
            "ul",
            (
                el("li", f"{row['fact']}: {row['value']}", el("span", f" ({row['source']})", class_="ba-quiet"))
                for row in rows
            ),
        ),
        id="ba-assumed",
    )


def key() -> Markup:
    """Explain the bar.

    Returns
    -------
    markupsafe.Markup
    """

    def swatch(class_: str) -> Markup:
        return el(
            "svg",
            _pattern("ba-hatch-key"),
            el("rect", x=1, y=1, width=22, height=12, class_=class_),
            width=24,
            height=14,
            aria_hidden="true",
            class_="ba-swatch",
        )

    return el(
        "span",
        swatch("ba-hands"),
        " hands-on   ",
        swatch("ba-machine"),
        " the machine works alone   ",
        el(
            "svg",
            el("path", d="M1 7H23M1 2V12M23 2V12", class_="ba-whisker"),
            width=24,
            height=14,
            aria_hidden="true",
            class_="ba-swatch",
        ),
        " 80 % interval of the end",
        class_="ba-key",
    )


def _pattern(name: str) -> Markup:
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


def time_bar(found: Findings) -> Markup:
    """Draw the phases one after the other on an axis of minutes.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    markupsafe.Markup
        An SVG with a text alternative that says all it shows.
    """
    rows = found.phases.to_dict("records")
    lengths = [float(row["machine_min"]) for row in rows]
    total = sum(lengths)
    low, high = found.scored["elapsed_low_min"], found.scored["elapsed_high_min"]
    top = max(total, float(high) if known(high) else total, 1.0)
    inner = WIDTH - _LEFT - _RIGHT

    def x(minutes: float) -> float:
        return round(_LEFT + inner * minutes / top, 1)

    shapes: list[Markup] = [_pattern("ba-hatch-bar")]
    starts = list(accumulate(lengths, initial=0.0))
    for position, (row, start, length) in enumerate(zip(rows, starts, lengths, strict=False), start=1):
        hands = min(float(row["hands_on_min"]), length)
        words = f"{position}. {row['title']}: {row['hands_on_min']:.1f} min hands-on, {length:.1f} min in the slot"
        width = x(start + length) - x(start)
        shapes.append(
            el(
                "g",
                el("title", words),
                el("rect", x=x(start), y=_TOP, width=round(width, 1), height=_HEIGHT, class_="ba-machine"),
                el(
                    "rect",
                    x=x(start),
                    y=_TOP,
                    width=round(x(start + hands) - x(start), 1),
                    height=_HEIGHT,
                    class_="ba-hands",
                )
                if hands > 0
                else None,
                el(
                    "text",
                    position,
                    x=round(x(start) + width / 2, 1),
                    y=_TOP - 6,
                    text_anchor="middle",
                    class_="ba-axis",
                )
                if width >= (11 if position < 10 else 18)
                else None,
            )
        )
    base = _TOP + _HEIGHT
    if known(low) and known(high):
        left, right, y = x(float(low)), x(float(high)), base + 12
        shapes.append(
            el("path", d=f"M{left} {y}H{right}M{left} {y - 5}V{y + 5}M{right} {y - 5}V{y + 5}", class_="ba-whisker")
        )
        shapes.append(el("circle", cx=x(total), cy=y, r=4, class_="ba-whisker-dot"))
    for tick in ticks(top):
        shapes.append(el("line", x1=x(tick), x2=x(tick), y1=base + 24, y2=base + 29, class_="ba-axis-line"))
        anchor = "start" if tick == 0 else "end" if x(tick) > WIDTH - 30 else "middle"
        shapes.append(
            el(
                "text",
                f"{tick:g}" + (" min" if tick == 0 else ""),
                x=x(tick),
                y=base + 42,
                text_anchor=anchor,
                class_="ba-axis",
            )
        )
    shapes.append(el("line", x1=x(0), x2=x(top), y1=base + 24, y2=base + 24, class_="ba-axis-line"))
    between = f", 80 % interval {duration(low)} to {duration(high)}" if known(low) and known(high) else ""
    return el(
        "svg",
        el("title", f"Phases over {duration(total)}{between}"),
        shapes,
        viewBox=f"0 0 {WIDTH} {base + 48}",
        role="img",
        class_="ba-timebar",
        aria_label=f"{len(rows)} phases over {duration(total)}{between}. The figures stand in the table below.",
    )


def ticks(top: float) -> list[float]:
    """Choose round marks for an axis from 0.

    Parameters
    ----------
    top : float
        Right end [min].

    Returns
    -------
    list of float
        At most nine.
    """
    for step in (1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 960):
        if top / step <= 8:
            return [float(step * number) for number in range(int(top / step) + 1)]
    return [0.0, top]
