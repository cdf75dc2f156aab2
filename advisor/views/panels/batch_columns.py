"""How the columns of a batch's sheet were understood, and which rows were not."""

from __future__ import annotations

import pandas as pd

from advisor.views.batch import Scored
from advisor.views.findings import word
from advisor.views.markup import Markup, el, number, text


def columns(scored: Scored) -> Markup:
    """Show what each column was taken for, and which rows were not understood.

    Parameters
    ----------
    scored : Scored

    Returns
    -------
    markupsafe.Markup
    """
    frame = scored.understood.columns
    lost = int(frame["not_understood"].sum())
    unknown = int(frame["field"].isna().sum())
    head = el(
        "tr",
        (
            el("th", label, scope="col")
            for label in ("Column", "Taken as", "How", "Understood", "Empty", "Not understood", "Rows")
        ),
    )
    body = (
        el(
            "tr",
            el("th", text(one["header"], "no header"), scope="row"),
            el("td", text(one["field"], "carried through")),
            el("td", word(one["how"])),
            el("td", number(one["understood"]), class_="ba-num"),
            el("td", number(one["empty"]), class_="ba-num"),
            el("td", number(one["not_understood"]), class_="ba-num"),
            el("td", word(one["rows"])),
        )
        for one in frame.to_dict("records")
    )
    words = (
        f"{len(frame)} columns; {unknown} are none of ours and are carried through; {lost} cells were not understood."
    )
    grid = el(
        "div",
        el("table", el("thead", head), el("tbody", body)),
        class_="ba-scroll",
        tabindex="0",
        role="group",
        aria_label="Columns of the sheet",
    )
    return el(
        "details",
        el("summary", "How the columns were understood: ", el("span", words, class_="ba-quiet")),
        grid,
        _problems(scored.understood.problems),
        id="ba-columns",
    )


def _problems(problems: pd.DataFrame, most: int = 20) -> Markup | None:
    if not len(problems):
        return None
    items = (
        el(
            "li",
            f"Row {one['row']}, {word(one['column'])}: ",
            el("q", word(one["value"])),
            f" {word(one['problem'])}; accepted: {word(one['accepted'])}",
        )
        for one in problems.head(most).to_dict("records")
    )
    more = (
        el(
            "p",
            f"{len(problems) - most} more; each stands in the column 'problem' of the scored CSV.",
            class_="ba-quiet",
        )
        if len(problems) > most
        else None
    )
    return el("div", el("ul", items, class_="ba-plain-list"), more)
