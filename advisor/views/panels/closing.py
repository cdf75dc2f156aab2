"""The end of the work on a unit: its sheet, and the minutes it really took."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from advisor.views.findings import Findings
from advisor.views.laps import Watches, titles
from advisor.views.log_port import OUTCOMES
from advisor.views.markup import Markup, el


def actions(found: Findings, made: bool) -> Markup:
    """Show the buttons that end the work on a unit.

    Parameters
    ----------
    found : Findings
    made : bool
        The sheet was made already.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el(
            "button",
            "Make the sheet again" if made else "Make the sheet",
            type="button",
            id="ba-make",
            data_do="sheet",
            class_="ba-main",
        ),
        el("button", "Done: log the minutes", type="button", id="ba-done", data_do="done"),
        el("button", "Take off the queue", type="button", id="ba-remove", data_do="remove", class_="ba-plain"),
        class_="ba-actions",
    )


def sheet_view(page: str, tag: str) -> Markup:
    """Show a finished sheet.

    Parameters
    ----------
    page : str
        The sheet as an HTML page of its own; it is shown in a frame that may run no script.
    tag : str

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el(
            "p",
            "The sheet was handed to the browser as a PDF. Its code holds the asset tag: scan it into the 'Find' box "
            "and the unit is back.",
            class_="ba-quiet",
        ),
        el(
            "div",
            el(
                "button",
                "Print",
                type="button",
                id="ba-print",
                data_do="print",
                data_frame="ba-sheet-frame",
                class_="ba-main",
            ),
            el("button", "Save the PDF again", type="button", data_do="sheet"),
            class_="ba-actions",
        ),
        el(
            "iframe",
            srcdoc=page,
            id="ba-sheet-frame",
            sandbox="allow-same-origin allow-modals",
            title=f"Sheet of {tag}",
            class_="ba-sheet-frame",
        ),
    )


def log_form(found: Findings, editions: Sequence[str], logged: str, watches: Watches, key: int) -> Markup:
    """Ask for the minutes that the unit really took.

    Parameters
    ----------
    found : Findings
    editions : sequence of str
    logged : str
        What was logged before, in words; '' for nothing.
    watches : Watches
        What the stopwatches counted stands in the boxes.
    key : int
        Names the unit: what was typed stays while the view is drawn again for the same one.

    Returns
    -------
    markupsafe.Markup
    """

    def box(key: str, label: str, hint: str = "", **more: object) -> Markup:
        return el(
            "div",
            el("label", label, for_=f"ba-log-{key}"),
            el("input", type="text", id=f"ba-log-{key}", name=key, autocomplete="off", placeholder=hint, **more),
            class_="ba-field",
        )

    return el(
        "form",
        el("p", logged) if logged else None,
        el(
            "fieldset",
            el("legend", "What it really took"),
            box(
                "elapsed_min",
                "Minutes in the slot",
                "such as 75 or 1:15",
                inputmode="numeric",
                aria_required="true",
                value=_counted(watches.slot_min),
            ),
            box("hands_on_min", "Hands-on minutes", "may be left out", inputmode="numeric"),
            _choice("edition", "Edition installed", ("", *editions), found.edition),
            box("parts", "Parts fitted", "none", value=found.part or None),
            _choice("outcome", "First-boot check", OUTCOMES, OUTCOMES[0]),
            box("note", "Remark", "may be left out"),
        ),
        _by_phase(box, watches),
        el("button", "Log it", type="submit", class_="ba-main"),
        data_do="log",
        data_keep=key,
        class_="ba-log",
    )


def _counted(minutes: float | None) -> str | None:
    """Minutes as they stand in a box; a slip of a second on the stopwatch counts as nothing."""
    return f"{minutes:.1f}".removesuffix(".0") if minutes and minutes >= 0.05 else None


def _by_phase(box: Callable[..., Markup], watches: Watches) -> Markup:
    timed = watches.timed()
    summary = "Minutes by phase" + (f": {len(timed)} counted by stopwatch" if timed else ", if you know them")
    return el(
        "details",
        el("summary", summary),
        el(
            "fieldset",
            el("legend", "Minutes by phase"),
            (
                box(f"phase_{name}", title, "may be left out", inputmode="numeric", value=_counted(timed.get(name)))
                for name, title in titles().items()
            ),
        ),
        id="ba-log-phases",
        open=bool(timed),
    )


def _choice(key: str, label: str, options: Sequence[str], chosen: str) -> Markup:
    return el(
        "div",
        el("label", label, for_=f"ba-log-{key}"),
        el(
            "select",
            (el("option", one or "not said", value=one, selected=one == chosen) for one in options),
            id=f"ba-log-{key}",
            name=key,
        ),
        class_="ba-field",
    )
