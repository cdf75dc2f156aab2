"""Where units come from: this machine, a file, a watched folder, a row of a sheet, or typed in."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from advisor.views.markup import Markup, el, text

ACCEPTS = ".json,.txt,.log,.csv,.tsv,.xlsx,.xlsm"
"""File kinds that the file dialogue proposes; what a file is, its content decides."""


def sources(watched: str, folders: Sequence[str], watching: bool) -> Markup:
    """Show the ways to add a unit.

    Parameters
    ----------
    watched : str
        Folder that is, or would be, watched.
    folders : sequence of str
        Folders on sticks that are mounted now.
    watching : bool

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el(
            "button",
            "Capture this machine",
            type="button",
            id="ba-capture",
            data_do="capture",
            data_first=True,
            class_="ba-main",
        ),
        el(
            "button",
            "Open a file",
            type="button",
            id="ba-open",
            data_do="pick-file",
            data_for="ba-file",
            title="A capture, a listing, or an intake sheet (CSV, TSV, Excel). You can also drop it here.",
        ),
        el(
            "input",
            type="file",
            id="ba-file",
            data_do="upload",
            accept=ACCEPTS,
            multiple=True,
            class_="ba-hidden",
            tabindex="-1",
            aria_label="File to open",
        ),
        el("button", "Type one in", type="button", id="ba-type", data_do="blank"),
        el(
            "details",
            el("summary", "Watching" if watching else "Watch a folder"),
            el(
                "form",
                el("label", "Folder that captures are put in", for_="ba-folder"),
                el(
                    "input",
                    type="text",
                    id="ba-folder",
                    name="folder",
                    value=watched,
                    list="ba-folders",
                    autocomplete="off",
                    spellcheck="false",
                    placeholder="such as a folder on the stick",
                ),
                el("datalist", (el("option", value=one) for one in folders), id="ba-folders"),
                el("button", "Stop watching" if watching else "Watch", type="submit"),
                el(
                    "p",
                    "New captures in it join the queue by themselves."
                    if watching
                    else "While it is watched, new captures join the queue by themselves.",
                    class_="ba-quiet",
                ),
                data_do="unwatch" if watching else "watch",
            ),
            id="ba-watch",
            class_="ba-watch",
            data_tick="2000" if watching else None,
        ),
        el(
            "form",
            el("label", "Find a unit", for_="ba-find", class_="ba-hidden"),
            el(
                "input",
                type="text",
                id="ba-find",
                name="tag",
                placeholder="Find: tag, or scan the sheet's code",
                autocomplete="off",
                spellcheck="false",
                data_live="narrow",
            ),
            el("button", "Show", type="submit"),
            data_do="find",
            data_clear=True,
            class_="ba-find",
            role="search",
        ),
        class_="ba-sources",
        data_drop="upload",
    )


def sheet_rows(name: str, shown: pd.DataFrame, total: int, words: str, columns_note: str, most: int) -> Markup:
    """Show the rows of a loaded sheet, each with a button that takes it.

    Parameters
    ----------
    name : str
        File name.
    shown : pandas.DataFrame
        Columns: row (0-based), asset_tag, name, cpu; the rows that fit `words`, the first ones only.
    total : int
        Rows in the sheet.
    words : str
        What the list is narrowed by.
    columns_note : str
        How the columns were understood.
    most : int
        Most rows that may be taken at once.

    Returns
    -------
    markupsafe.Markup
    """
    rows = (
        el(
            "tr",
            el("td", int(one["row"]) + 1, class_="ba-num"),
            el("th", text(one["asset_tag"], "no tag"), scope="row"),
            el("td", text(one["name"], "–")),
            el("td", text(one["cpu"], "–")),
            el(
                "td",
                el(
                    "button",
                    "Take",
                    type="button",
                    data_do="take",
                    data_row=int(one["row"]),
                    aria_label=f"Take row {int(one['row']) + 1}, {text(one['asset_tag'], 'no tag')}",
                ),
            ),
        )
        for one in shown.to_dict("records")
    )
    everything = (
        el("button", f"Take all {total} rows", type="button", data_do="take-all", class_="ba-main")
        if total <= most
        else el("span", f"Too many to take at once ({total}); the batch notebook scores them all.", class_="ba-quiet")
    )
    return el(
        "div",
        el(
            "div",
            el("strong", f"{name}: {total} rows. "),
            everything,
            el(
                "form",
                el("label", "Narrow", for_="ba-narrow-rows"),
                el(
                    "input",
                    type="text",
                    id="ba-narrow-rows",
                    name="words",
                    value=words,
                    data_live="narrow-rows",
                    autocomplete="off",
                ),
                data_do="narrow-rows",
                class_="ba-inline",
            ),
            el("button", "Close the sheet", type="button", data_do="close-sheet"),
            class_="ba-sheet-bar",
        ),
        el(
            "div",
            el(
                "table",
                el(
                    "thead",
                    el(
                        "tr",
                        (
                            el("th", label, scope="col")
                            for label in ("Row", "Tag", "Machine", "Processor", "Into the queue")
                        ),
                    ),
                ),
                el("tbody", rows),
            ),
            class_="ba-scroll ba-rows",
            data_keep_scroll="rows",
            tabindex="0",
            role="group",
            aria_label="Rows of the sheet",
        ),
        el("details", el("summary", "How the columns were understood"), el("pre", columns_note), id="ba-columns"),
        class_="ba-loaded",
    )
