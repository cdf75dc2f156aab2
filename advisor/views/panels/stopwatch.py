"""The stopwatches: one button for the phase that comes next, all phases below it, and what runs on other units."""

from __future__ import annotations

from advisor.views.findings import Findings
from advisor.views.laps import Lap, Watches, titles
from advisor.views.markup import Markup, el, number


def stopwatch(watches: Watches, tag: str, found: Findings) -> Markup:
    """Show the stopwatch of the unit in view.

    Parameters
    ----------
    watches : Watches
    tag : str
        Its asset tag, '' for none.
    found : Findings

    Returns
    -------
    markupsafe.Markup
    """
    if watches.problem:
        return el("p", el("strong", "Stopwatches cannot be read. "), watches.problem)
    if not tag:
        return el("p", "Type the asset tag first: stopwatches go by the tag.", class_="ba-quiet")
    predicted = {str(one["phase"]): one["machine_min"] for one in found.phases.to_dict("records")}
    return el("div", _now(watches), _every(watches, tag, predicted))


def _now(watches: Watches) -> Markup:
    current, following = watches.current, watches.next_phase()
    title = titles().get(following, "")
    if current is None:
        words = f"Start: {title}" if following else ""
    else:
        words = f"Stop, and start: {title}" if following else "Stop: that was the last phase"
    return el(
        "div",
        el("button", words, type="button", id="ba-go-on", data_do="go-on", class_="ba-main") if words else None,
        el(
            "span",
            el("strong", titles().get(current.phase, current.phase), " "),
            clock(current),
            _stop(current, "ba-stop-current"),
            class_="ba-inline",
        )
        if current
        else None,
        el("span", f"{watches.slot_min:.1f} min counted so far", class_="ba-quiet") if watches.slot_min else None,
        class_="ba-inline",
    )


def clock(lap: Lap) -> Markup:
    """Show how long a stopwatch has run; the page counts on by itself.

    Parameters
    ----------
    lap : Lap

    Returns
    -------
    markupsafe.Markup
    """
    return el("span", role="timer", data_since=lap.started_at, class_="ba-clock")


def _stop(lap: Lap, key: str) -> Markup:
    title = titles().get(lap.phase, lap.phase)
    return el(
        "button",
        "Stop",
        el("span", f" {title} of {lap.tag}", class_="ba-hidden"),
        type="button",
        id=key,
        data_do="stop",
        data_tag=lap.tag,
        data_phase=lap.phase,
    )


def _every(watches: Watches, tag: str, predicted: dict[str, object]) -> Markup:
    timed = watches.timed()
    runs = {one.phase: one for one in watches.laps if one.minutes is None}
    head = el("tr", (el("th", label, scope="col") for label in ("Phase", "Expected", "Counted", "Stopwatch")))
    rows = (
        el(
            "tr",
            el("th", title, scope="row"),
            el("td", number(predicted.get(name), 1), " min" if name in predicted else None, class_="ba-num"),
            el("td", number(timed.get(name), 1), " min" if name in timed else None, class_="ba-num"),
            el(
                "td",
                el("div", clock(runs[name]), _stop(runs[name], f"ba-stop-{name}"), class_="ba-inline")
                if name in runs
                else el(
                    "button",
                    "Start",
                    el("span", f" {title} of {tag}", class_="ba-hidden"),
                    type="button",
                    id=f"ba-start-{name}",
                    data_do="start",
                    data_phase=name,
                ),
            ),
        )
        for name, title in titles().items()
    )
    table = el("table", el("caption", "Several may run side by side."), el("thead", head), el("tbody", rows))
    return el(
        "details",
        el("summary", "All phases"),
        el("div", table, class_="ba-scroll", tabindex="0", role="group", aria_label="Phases and their stopwatches"),
        id="ba-all-phases",
    )


def running(watches: Watches, tag: str) -> Markup:
    """Show the stopwatches that run on other units.

    Parameters
    ----------
    watches : Watches
    tag : str
        Of the unit in view, whose own stopwatch stands beside its verdict.

    Returns
    -------
    markupsafe.Markup
        Empty when none runs.
    """
    others = [one for one in watches.running if one.tag != tag]
    if not others:
        return Markup("")
    rows = (
        el(
            "li",
            el(
                "button",
                el("strong", one.tag),
                f" {titles().get(one.phase, one.phase)}",
                type="button",
                data_do="show-tag",
                data_tag=one.tag,
                id=f"ba-running-{place}",
                class_="ba-plain",
            ),
            el("span", clock(one), _stop(one, f"ba-stop-running-{place}"), class_="ba-inline"),
        )
        for place, one in enumerate(others)
    )
    return el("div", el("h2", "Stopwatches"), el("ul", rows, class_="ba-running"))
