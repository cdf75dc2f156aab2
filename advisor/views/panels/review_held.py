"""What the models were made from, and how they did on what they had not seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from advisor.files import datasets
from advisor.views import charts
from advisor.views.markup import Markup, el, known, labelled, number, text
from advisor.views.panels.review_learnt import kept
from advisor.views.panels.rows import table
from advisor.views.review import LEVEL, Review, provenance, trained_on

if TYPE_CHECKING:
    from advisor.timing.report import Report


def basis(review: Review) -> Markup:
    """Show what the models were trained on.

    Parameters
    ----------
    review : Review

    Returns
    -------
    markupsafe.Markup
    """
    from advisor.comfort.model import model as comfort_model
    from advisor.comfort.report import bounds_line

    model = review.model()
    about = comfort_model().about
    words = about["words"]
    # The first line says what was measured; the last two, how sessions that were left out were told.
    rows = [*trained_on(model), ("Comfort figures rest on", words[0])]
    rows += [("Comfort, left out", line) for line in words[-2:]]
    rows.append(("Comfort, limits of the fit", bounds_line(about["at_bound"])))
    warning = (
        el("p", el("strong", "The timing model has learnt from the demo's log, which is invented."))
        if model.log.invented
        else None
    )
    return el(
        "div", warning, table(("What", "Said by the model"), rows, "What the models were made from"), kept(review)
    )


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
                    LEVEL * 100,
                ),
                el("p", f"The dashed line: the {LEVEL * 100:.0f} % that is promised.", class_="ba-quiet"),
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
