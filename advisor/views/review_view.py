"""The model review: what the numbers rest on, how good they were, and whether the shop has moved away from them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from advisor.errors import AdvisorError, InputError
from advisor.files import datasets
from advisor.shop import Shop, default_shop
from advisor.views import charts
from advisor.views.markup import Markup, el, known, labelled, notices, number, text
from advisor.views.notices import error_notice, notice
from advisor.views.review import LEVEL, Review, coverage, drift, provenance, trained_on, verdict_on_drift

if TYPE_CHECKING:
    from advisor.timing.report import Report
    from advisor.views.surface import Surface


def layout() -> Markup:
    """Lay out the regions of the model review.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el("header", el("h1", "Model review", class_="ba-hidden"), el("div", data_region="sources")),
        notices(),
        el("main", (el("div", data_region=name) for name in ("basis", "held", "log", "tables"))),
        class_="ba-view ba-review",
    )


def regions(review: Review) -> dict[str, Markup]:
    """Write out the whole view.

    Parameters
    ----------
    review : Review

    Returns
    -------
    dict of str to markupsafe.Markup
        HTML by region, 'notice' apart.
    """
    return {
        "sources": el(
            "div",
            el(
                "button",
                "Judge on the rehearsals",
                type="button",
                id="ba-judge",
                data_do="judge",
                data_first=True,
                class_="ba-main",
                title="Takes about a minute",
            ),
            el("button", "Compare with the shop's log", type="button", id="ba-log-open", data_do="log"),
            el("button", "Show with the invented demo log", type="button", id="ba-demo", data_do="demo"),
            class_="ba-sources",
        ),
        "basis": labelled("What the models were made from", basis(review), key="basis", class_="ba-card"),
        "held": held_out(review.report),
        "log": against_log(review),
        "tables": labelled("Where every table is from", sources(), key="tables", class_="ba-card"),
    }


def table(
    head: Sequence[str], rows: Iterable[Sequence[Any]], label: str, numbers: frozenset[int] = frozenset()
) -> Markup:
    """Show rows in a table that scrolls.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of rows
        The first cell names the row.
    label : str
        Accessible name.
    numbers : frozenset of int
        Positions of the columns that hold numbers.

    Returns
    -------
    markupsafe.Markup
    """
    body = (
        el(
            "tr",
            (
                el("th", cell, scope="row")
                if place == 0
                else el("td", cell, class_="ba-num" if place in numbers else None)
                for place, cell in enumerate(row)
            ),
        )
        for row in rows
    )
    return el(
        "div",
        el("table", el("thead", el("tr", (el("th", words, scope="col") for words in head))), el("tbody", body)),
        class_="ba-scroll",
        tabindex="0",
        role="group",
        aria_label=label,
    )


def basis(review: Review) -> Markup:
    """Show what the models were trained on.

    Parameters
    ----------
    review : Review

    Returns
    -------
    markupsafe.Markup
    """
    from advisor import tables

    model = review.model()
    comfort = tables.load("comfort/physics")
    rows = [*trained_on(model), ("Comfort figures rest on", f"{comfort.source} ({comfort.date})")]
    warning = (
        el("p", el("strong", "The timing model has learnt from the demo's log, which is invented."))
        if model.log.invented
        else None
    )
    return el("div", warning, table(("What", "Said by the model"), rows, "What the models were made from"))


def held_out(report: Report | None) -> Markup:
    """Show how the timing model did on rehearsals it had not seen.

    Parameters
    ----------
    report : Report or None

    Returns
    -------
    markupsafe.Markup
    """
    if report is None:
        there = (datasets() / "rehearsals.jsonl").is_file()
        words = (
            "Press 'Judge on the rehearsals': every rehearsal is predicted by a model that has not seen its class of "
            "disk, its edition, or its level of processor."
            if there
            else "No rehearsals ship with this version: the coefficients are from memory, so there is nothing to judge "
            "them on yet."
        )
        return labelled("Held-out figures", el("p", words), key="held", class_="ba-card")
    from advisor.timing.report import OURS, SPLIT_TITLES

    summary = (
        (
            SPLIT_TITLES.get(one["split"], one["split"]),
            one["method"],
            number(one["rehearsals"]),
            f"{number(one['median_pct'], 1)} %",
            f"{number(one['worst_pct'])} %",
            f"{number(one['coverage_pct'])} %"
            if known(one["coverage_pct"]) and one["method"].startswith(OURS)
            else "–",
        )
        for one in report.summary.to_dict("records")
    )
    ours = report.rows[(report.rows["method"] == OURS) & (report.rows["split"] == "disk")]
    disks = list(dict.fromkeys(ours["disk"]))
    points = [
        charts.Point(
            one["actual_s"] / 60,
            one["predicted_s"] / 60,
            one["low_s"] / 60,
            one["high_s"] / 60,
            disks.index(one["disk"]),
            f"{one['name']}: took {one['actual_s'] / 60:.1f} min, predicted {one['predicted_s'] / 60:.1f}",
        )
        for one in ours.to_dict("records")
    ]
    groups = [
        charts.Bar(
            f"{one['split']} {one['group']}"[:30],
            float(one["coverage_pct"]),
            f"{one['coverage_pct']:.0f} % of {one['rehearsals']}, median error {one['median_pct']:.0f} %",
        )
        for one in report.groups.to_dict("records")
    ]
    minutes = [
        charts.Bar(
            text(one["phase"]), float(one["share_pct"]), f"{one['share_pct']:.0f} %, error {one['median_pct']:.0f} %"
        )
        for one in report.phases.to_dict("records")
    ]
    floor = report.noise_floor_pct
    noise = (
        f"Repeats of one rehearsal differ by {floor:.1f} %; no model can be better."
        if known(floor)
        else "No rehearsal was repeated, so the noise floor is not known."
    )
    return el(
        "div",
        labelled(
            "Held-out figures",
            table(
                ("Left out", "Method", "Rehearsals", "Median error", "Worst", "Interval held"),
                summary,
                "Held-out figures",
                frozenset({2, 3, 4, 5}),
            ),
            el("p", noise, class_="ba-quiet"),
            key="held",
            class_="ba-card",
        ),
        el(
            "div",
            labelled(
                "Predicted against actual",
                charts.scatter(
                    points,
                    "minutes it took",
                    "minutes predicted",
                    f"{len(points)} rehearsals, each predicted without its class of disk",
                    disks,
                ),
                el(
                    "p", "On the dashed line both are equal; the upright strokes are 80 % intervals.", class_="ba-quiet"
                ),
                key="scatter",
                class_="ba-card",
            ),
            labelled(
                "Coverage by group",
                charts.bars(
                    groups,
                    "% held",
                    f"How often the 80 % interval held, by group; {LEVEL * 100:.0f} % is promised",
                    "cover",
                ),
                key="cover",
                class_="ba-card",
            ),
            labelled(
                "Where the machine minutes go",
                charts.bars(minutes, "% of the time", "Share of the machine time by phase", "share"),
                key="share",
                class_="ba-card",
            ),
            class_="ba-pictures",
        ),
    )


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
            min(kinds.index(one["storage_kind"]), 3),
            f"{text(one['asset_tag'])}: took {one['actual_min']:.0f} min, predicted {one['predicted_min']:.0f}",
        )
        for one in compared.to_dict("records")
    ]
    names = spread if len(spread) <= 4 else [*spread[:3], "others"]
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
            el("p", f"{len(compared)} units of {review.log_name}. {verdict_on_drift(blocks)}"),
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
    top = max(10.0, float(blocks["over_pct"].abs().max()) * 1.15)
    step = (width - left - 10) / max(1, len(blocks))

    def y(value: float) -> float:
        return round(12 + (height - 40) * (1 - value / top) / 2, 1)

    shapes = [el("line", x1=left, x2=width - 10, y1=y(0), y2=y(0), class_="ba-limit")]
    for tick in charts.round_ticks(top, 2)[1:]:
        for value in (tick, -tick):
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


def sources() -> Markup:
    """Show where every table is from.

    Returns
    -------
    markupsafe.Markup
    """
    rows = ((one["table"], one["title"], one["source"], one["date"]) for one in provenance().to_dict("records"))
    return el(
        "details",
        el("summary", "Table by table"),
        table(("Table", "What", "From", "As of"), rows, "Where every table is from"),
        id="ba-provenance",
    )


class ReviewView:
    """What each message of the view does.

    Parameters
    ----------
    review : Review
    surface : Surface
        Anything with `show`.
    """

    def __init__(self, review: Review, surface: Surface) -> None:
        self.review = review
        self.surface = surface

    def handle(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        """Do what one message asks for, then show the view as it is now."""
        actions: dict[str, Callable[[], str]] = {
            "hello": lambda: "",
            "judge": self.review.judge,
            "log": self.review.open_log,
            "demo": self.review.open_demo_log,
        }
        what = str(message.get("do", ""))
        if what not in actions:
            raise InputError(f"The view asked for {what!r}, which this version does not know.", "Load the page again.")
        words = actions[what]()
        if words:
            self.surface.show(**regions(self.review), notice=notice(words))


def review(shop: Shop | None = None, state: Review | None = None) -> Surface:
    """Make the model review for a notebook cell.

    Parameters
    ----------
    shop : Shop, optional
        The workshop's settings; the built-in ones when left out.
    state : Review, optional
        State to show; by default the shop's log is compared at once.

    Returns
    -------
    Surface
        An ipywidgets widget.
    """
    from advisor.views.surface import Surface

    wrong: AdvisorError | None = None
    held = state
    if held is None:
        held = Review(shop or default_shop())
        try:
            held.open_log()
        except AdvisorError as error:
            wrong = error
    surface = Surface(layout(), lambda message, buffers: view.handle(message, buffers), **regions(held))
    view = ReviewView(held, surface)
    if wrong is not None:
        surface.show(notice=error_notice(wrong))
    return surface
