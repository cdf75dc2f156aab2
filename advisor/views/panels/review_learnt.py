"""A shop before and after its first logged units, and the versions of the model that it has kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from advisor.views import charts
from advisor.views.markup import Markup, el, labelled, number, text
from advisor.views.panels.rows import table
from advisor.views.review import LEVEL, Review, learnt

if TYPE_CHECKING:
    import pandas as pd

NAMES = ("before, open square", "after, full dot")
"""Words for the two marks of the picture."""


def before_after(review: Review) -> Markup:
    """Show what learning from the first logged units did to the units after them.

    Parameters
    ----------
    review : Review

    Returns
    -------
    markupsafe.Markup
        Empty while the log is too short.
    """
    shift = review.shift
    if shift is None or not len(shift):
        return Markup("")
    count = int(shift.attrs["learnt_from"])
    rows = learnt(shift).to_dict("records")
    said = el("p", el("strong", "This log is invented.")) if review.invented else None
    shown = ((one["group"], number(one["units"]), *_figures(one)) for one in rows)
    head = ("Units after them", "Number", "Median error", "Interval held", "What it did")
    return el(
        "div",
        labelled(
            f"Before and after {count} logged units",
            said,
            el("p", sentence(rows[0], count)),
            table(head, shown, "Before and after learning", frozenset({1, 2, 3})),
            el(
                "p",
                f"Before: the model as it ships. After: the same, corrected by the first {count} units. Both are "
                f"judged on units that neither has seen. The interval promises {LEVEL * 100:.0f} %.",
                class_="ba-quiet",
            ),
            key="learnt",
            class_="ba-card",
        ),
        labelled("The same in a picture", picture(shift), key="learntpicture", class_="ba-card"),
        class_="ba-pictures",
    )


def sentence(one: Any, count: int) -> str:
    """Say what learning did to all units after the first ones.

    Parameters
    ----------
    one : mapping
        First row of `learnt`.
    count : int
        Units learnt from.

    Returns
    -------
    str
    """
    before, after = one["before_error_pct"], one["after_error_pct"]
    change = f"fell by {100 * (1 - after / before):.0f} %" if after < before else "did not fall"
    return (
        f"On the {one['units']} units after the first {count} the median error {change}: from {before:.0f} % to "
        f"{after:.0f} %. The interval held {one['before_covered_pct']:.0f} % of them before and "
        f"{one['after_covered_pct']:.0f} % after."
    )


def _figures(one: Any) -> tuple[str, str, str]:
    before, after = one["before_error_pct"], one["after_error_pct"]
    word = "▲ better" if after < before - 1 else "▼ worse" if after > before + 1 else "● as before"
    bias = f"; still {abs(one['after_bias_pct']):.0f} % too {'long' if one['after_bias_pct'] > 0 else 'short'}"
    return (
        f"{before:.0f} → {after:.0f} %",
        f"{one['before_covered_pct']:.0f} → {one['after_covered_pct']:.0f} %",
        word + (bias if abs(one["after_bias_pct"]) >= 3 else ""),
    )


def picture(shift: pd.DataFrame, most: int = 150) -> Markup:
    """Draw minutes predicted before and after over the minutes it took.

    Parameters
    ----------
    shift : pandas.DataFrame
    most : int
        Units drawn at most, spread over all of them.

    Returns
    -------
    markupsafe.Markup
    """
    some = shift.iloc[:: max(1, -(-len(shift) // most))]
    points = [
        charts.Point(
            float(one["actual_min"]),
            float(one[f"{name}_min"]),
            group=group,
            words=f"{text(one['asset_tag'])}: took {one['actual_min']:.0f} min, {name} {one[f'{name}_min']:.0f}",
        )
        for group, name in ((1, "before"), (0, "after"))
        for one in some.to_dict("records")
    ]
    label = f"{len(some)} units: minutes predicted before learning as open squares, after it as full dots"
    drawing = charts.scatter(points, "minutes it took", "minutes predicted", label)
    keys = (
        el("span", el("svg", charts.spot(8, 8, group), width=16, height=16, aria_hidden="true"), f" {words}   ")
        for group, words in zip((1, 0), NAMES, strict=True)
    )
    return el("div", drawing, el("p", keys, class_="ba-key"))


def kept(review: Review) -> Markup:
    """Show the versions of the timing model that are kept, and what the gate said of each.

    Parameters
    ----------
    review : Review

    Returns
    -------
    markupsafe.Markup
    """
    rows = [
        (
            one.name,
            "● serves" if one.serving else "–",
            {True: "accepted", False: "refused", None: "shipped"}[one.accepted],
            text(one.learnt, "–")[:10],
            one.problem or one.basis,
        )
        for one in review.versions()
    ]
    words = "advisor learn makes a new version; advisor learn --use VERSION goes back to another."
    return el(
        "details",
        el("summary", f"Versions kept: {len(rows)}"),
        table(("Version", "Serves now", "The gate said", "Learnt on", "Rests on"), rows, "Versions of the model"),
        el("p", words, class_="ba-quiet"),
        id="ba-versions",
    )
