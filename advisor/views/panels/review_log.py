"""The bench log beside its predictions: coverage by group, and drift."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from advisor.views import charts
from advisor.views.markup import Markup, el, labelled, number, text
from advisor.views.panels.rows import table
from advisor.views.review import LEVEL, Review, coverage, drift

if TYPE_CHECKING:
    pass


def against_log(review: Review) -> Markup:
    """Show the log against the model.

    Parameters
    ----------
    review : Review

    Returns
    -------
    markupsafe.Markup
    """
    compared = review.compared
    if compared is None or not len(compared):
        words = (
            "No unit of a bench log can be compared yet. Log the actual minutes in the triage view; every entry stands "
            "here beside its prediction."
        )
        return labelled("The log against the model", el("p", words), key="log", class_="ba-card")
    blocks = drift(compared)
    kinds = list(dict.fromkeys(compared["storage_kind"]))
    spread = [f"{kind}" for kind in kinds]
    points = [
        charts.Point(
            float(one["actual_min"]),
            float(one["predicted_min"]),
            None,
            None,
            min(kinds.index(one["storage_kind"]), 5),
            f"{text(one['asset_tag'])}: took {one['actual_min']:.0f} min, predicted {one['predicted_min']:.0f}",
        )
        for one in compared.to_dict("records")
    ]
    names = spread if len(spread) <= 6 else [*spread[:5], "others"]
    head = ("Group", "Units", "Interval held", "Median error", "Predicted too long (+) or short (−)")
    cover = [
        (
            one["group"],
            number(one["units"]),
            f"{number(one['covered_pct'])} % ({number(one['covered_low_pct'])} to {number(one['covered_high_pct'])})",
            f"{number(one['median_error_pct'])} %",
            f"{one['bias_pct']:+.0f} %",
        )
        for by in ("storage_kind", "edition")
        for one in coverage(compared, by).to_dict("records")
    ]
    moved = (
        (
            f"{text(one['first'])} to {text(one['last'])}",
            number(one["units"]),
            f"{one['over_pct']:+.0f} %",
            f"{number(one['covered_pct'])} %",
            "off the prediction" if one["off"] else "as predicted",
            "changed" if one["changed"] else "as before",
        )
        for one in blocks.to_dict("records")
    )
    said = (
        el("p", el("strong", "This log is invented; it only shows what the page looks like."))
        if review.invented
        else None
    )
    return el(
        "div",
        labelled(
            "The log against the model",
            said,
            el("p", f"{len(compared)} units of {review.log_name}. {_drift_words(review)}"),
            drift_drawing(blocks),
            key="log",
            class_="ba-card",
        ),
        el(
            "div",
            labelled(
                "Predicted against logged",
                charts.scatter(points, "minutes logged", "minutes predicted", f"{len(points)} logged units", names),
                key="logged",
                class_="ba-card",
            ),
            labelled(
                "Coverage by group",
                el(
                    "p",
                    f"The interval promises {LEVEL * 100:.0f} %. In brackets: what the share may be, 95 %.",
                    class_="ba-quiet",
                ),
                table(head, cover, "Coverage by group", frozenset({1, 2, 3, 4})),
                key="logcover",
                class_="ba-card",
            ),
            class_="ba-pictures",
        ),
        labelled(
            "Block by block",
            table(
                (
                    "Days",
                    "Units",
                    "Longer (+) or shorter (−)",
                    "Interval held",
                    "Against the model",
                    "Against the blocks before",
                ),
                moved,
                "Drift",
                frozenset({1, 2, 3}),
            ),
            key="blocks",
            class_="ba-card",
        ),
    )


def _drift_words(review: Review) -> str:
    """What the test for drift says; the newest alone can call it, blocks only show where."""
    watched = review.watched
    if watched is None or not len(watched.rows):
        return "No unit could be watched for drift."
    when = set(review.compared["when"]) if review.compared is not None else set()
    words = watched.sentence().rstrip(".") + "."
    if "now" in when:
        words += " Units without a prediction of their day are predicted by the model that serves now."
    return words


def drift_drawing(blocks: pd.DataFrame) -> Markup:
    """Draw how far each block of logged units lies off the prediction.

    Parameters
    ----------
    blocks : pandas.DataFrame
        From `advisor.views.review.drift`.

    Returns
    -------
    markupsafe.Markup
    """
    width, height, left = charts.WIDTH, 190.0, 56.0
    top = max(10.0, float(blocks["over_pct"].max()) * 1.15)
    low = min(-10.0, float(blocks["over_pct"].min()) * 1.15)
    step = (width - left - 10) / max(1, len(blocks))

    def y(value: float) -> float:
        return round(12 + (height - 44) * (top - value) / (top - low), 1)

    shapes = [el("line", x1=left, x2=width - 10, y1=y(0), y2=y(0), class_="ba-limit")]
    for tick in charts.round_ticks(max(top, -low), 5)[1:]:
        for value in (one for one in (tick, -tick) if low <= one <= top):
            shapes.append(el("text", f"{value:+g} %", x=left - 8, y=y(value) + 4, text_anchor="end", class_="ba-axis"))
            shapes.append(el("line", x1=left, x2=width - 10, y1=y(value), y2=y(value), class_="ba-thin"))
    shapes.append(el("text", "0", x=left - 8, y=y(0) + 4, text_anchor="end", class_="ba-axis"))
    centres = [round(left + step * (place + 0.5), 1) for place in range(len(blocks))]
    line = " ".join(f"{x},{y(value)}" for x, value in zip(centres, blocks["over_pct"], strict=True))
    shapes.append(el("polyline", points=line, fill="none", class_="ba-whisker"))
    for x, one in zip(centres, blocks.to_dict("records"), strict=True):
        words = f"{text(one['first'])} to {text(one['last'])}: {one['over_pct']:+.0f} %, {one['units']} units"
        shapes.append(
            el("g", el("title", words), charts.spot(x, y(float(one["over_pct"])), 1 if one["changed"] else 0))
        )
    shapes.append(el("text", text(blocks["first"].iloc[0], ""), x=left, y=height - 6, class_="ba-axis"))
    shapes.append(
        el("text", text(blocks["last"].iloc[-1], ""), x=width - 10, y=height - 6, text_anchor="end", class_="ba-axis")
    )
    words = (
        f"Logged over predicted minutes, {len(blocks)} blocks of units in order; open squares differ from "
        "all blocks before them."
    )
    return el("div", charts.drawing(shapes, height, words), el("p", words, class_="ba-quiet"))
