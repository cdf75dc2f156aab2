"""The batch view: a whole sheet of units at a glance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor.errors import InputError
from advisor.shop import Shop, default_shop
from advisor.unit import Advice, Status
from advisor.views import charts
from advisor.views.batch import Batch, Scored, advice_grid, hours_by_advice, parts_that_pay, summary
from advisor.views.findings import word
from advisor.views.markup import Markup, el, known, labelled, notices, number, text
from advisor.views.notices import notice
from advisor.views.paged import Column, table
from advisor.views.panels import verdict
from advisor.views.panels.badges import advice_badge, mark
from advisor.views.triage_view import gather

if TYPE_CHECKING:
    from advisor.views.surface import Surface

COLUMNS = (
    Column("tag", "Tag"),
    Column("machine", "Machine"),
    Column("advice", "Advice"),
    Column("edition", "Edition"),
    Column("image_used", "Image"),
    Column("hands_on_min", "Hands-on", True),
    Column("elapsed_min", "In the slot", True),
    Column("reasons", "Why"),
    Column("best_fix", "Best part"),
)
"""Columns of the table."""


def layout() -> Markup:
    """Lay out the regions of the batch view.

    Returns
    -------
    markupsafe.Markup
    """
    return el(
        "div",
        el("header", el("h1", "Batch scoring", class_="ba-hidden"), el("div", data_region="sources")),
        notices(),
        el("div", data_region="progress"),
        el("main", (el("div", data_region=name) for name in ("columns", "glance", "one", "table", "pictures"))),
        class_="ba-view ba-batch",
    )


def regions(batch: Batch) -> dict[str, Markup]:
    """Write out the whole view.

    Parameters
    ----------
    batch : Batch

    Returns
    -------
    dict of str to markupsafe.Markup
        HTML by region, 'notice' apart.
    """
    scored = batch.scored
    out = {"sources": _sources(scored), "progress": Markup("")}
    if scored is None:
        empty = el(
            "section",
            el("h2", "No sheet yet"),
            el("p", "Open an intake sheet: CSV, TSV or Excel, with at least a tag and a processor on a row."),
            class_="ba-card ba-welcome",
        )
        return out | {"columns": empty} | dict.fromkeys(("glance", "one", "table", "pictures"), Markup(""))
    out["columns"] = el(
        "section", columns(scored), class_="ba-card ba-tight", aria_label="How the columns were understood"
    )
    out["pictures"] = pictures(scored)
    return out | moving(batch)


def moving(batch: Batch) -> dict[str, Markup]:
    """Write out what changes when the table is sorted, narrowed or turned.

    Parameters
    ----------
    batch : Batch

    Returns
    -------
    dict of str to markupsafe.Markup
    """
    found = batch.found()
    one = Markup("")
    if found is not None:
        one = el(
            "section",
            el("h2", verdict.title(found), id="ba-one-title", tabindex="-1"),
            verdict.verdict(found),
            el("button", "Close", type="button", data_do="close-row", id="ba-close-row"),
            aria_labelledby="ba-one-title",
            class_="ba-card",
        )
    return {
        "glance": glance(batch),
        "one": one,
        "table": labelled("Units", _tools(batch), _table(batch), key="units", class_="ba-card"),
    }


def glance(batch: Batch) -> Markup:
    """Show the batch in one line: each advice with its units and hours, a press away from its rows.

    Parameters
    ----------
    batch : Batch

    Returns
    -------
    markupsafe.Markup
    """
    assert batch.scored is not None
    view = batch.scored.view
    held = (batch.choice.only or {}).get("advice", "")

    def chip(advice: str, rows: pd.DataFrame) -> Markup:
        pressed = held == advice
        hours = rows["elapsed_min"].sum() / 60
        return el(
            "button",
            advice_badge(advice),
            el("span", el("strong", len(rows)), f" · {hours:.0f} h" if hours else None),
            type="button",
            id=f"ba-chip-{advice.replace(' ', '-')}",
            data_do="only",
            data_field="advice",
            data_value="" if pressed else advice,
            aria_pressed="true" if pressed else "false",
            title="Units, and hours in slots; press to see only these",
            class_="ba-chip",
        )

    parts = [(str(advice), view[view["advice"].eq(str(advice)).fillna(False)]) for advice in Advice]
    return el(
        "div",
        (chip(advice, rows) for advice, rows in parts if len(rows)),
        class_="ba-glance",
        role="group",
        aria_label="Units by advice",
    )


def _sources(scored: Scored | None) -> Markup:
    from advisor.views.panels.sources import ACCEPTS

    ready = None if scored else "true"
    return el(
        "div",
        el(
            "button",
            "Open an intake sheet",
            type="button",
            id="ba-open",
            data_do="pick-file",
            data_for="ba-file",
            data_first=True,
            class_="ba-main",
        ),
        el(
            "input",
            type="file",
            id="ba-file",
            data_do="upload",
            accept=ACCEPTS,
            class_="ba-hidden",
            tabindex="-1",
            aria_label="Sheet to open",
        ),
        el("button", "Save the scored CSV", type="button", id="ba-csv", data_do="csv", aria_disabled=ready),
        el(
            "button",
            "Save the sheets as one PDF",
            type="button",
            id="ba-pdf",
            data_do="pdf",
            aria_disabled=ready,
            title="Of the rows that the table shows, in its order",
        ),
        class_="ba-sources",
        data_drop="upload",
    )


def progress_bar(done: int, count: int, what: str) -> Markup:
    """Show how far a long piece of work is.

    Parameters
    ----------
    done, count : int
    what : str

    Returns
    -------
    markupsafe.Markup
    """
    words = f"{what}: {done} of {count}"
    return el(
        "div",
        el("label", words, for_="ba-progress"),
        el("progress", words, id="ba-progress", value=done, max=max(count, 1)),
        class_="ba-progress",
        role="status",
    )


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


def _tools(batch: Batch) -> Markup:
    only = batch.choice.only or {}

    def choose(name: str, label: str, values: list[str]) -> Markup:
        return el(
            "span",
            el("label", label, for_=f"ba-only-{name}"),
            el(
                "select",
                el("option", "all", value=""),
                (el("option", value, value=value, selected=only.get(name) == value) for value in values),
                id=f"ba-only-{name}",
                name=name,
                data_edit="only",
            ),
            class_="ba-tool",
        )

    return el(
        "form",
        el(
            "span",
            el("label", "Narrow to words", for_="ba-words"),
            el(
                "input",
                type="text",
                id="ba-words",
                name="words",
                value=batch.choice.words,
                data_live="words",
                autocomplete="off",
                placeholder="tag, model, edition, reason",
            ),
            class_="ba-tool",
        ),
        choose("advice", "Advice", [str(one) for one in Advice]),
        choose("edition", "Edition", list(batch.shop.richness)),
        choose("status", "Row", [str(one) for one in Status]),
        data_do="words",
        class_="ba-tools",
    )


def _table(batch: Batch) -> Markup:
    assert batch.scored is not None
    view, rows = batch.scored.view, batch.rows()
    on_page = batch.page()
    records = view.iloc[on_page].to_dict("records")
    shown = [
        (
            text(one["tag"], f"row {row + 1}"),
            text(one["machine"], "–"),
            advice_badge(word(one["advice"])),
            text(one["edition"], "–"),
            text(one["image_used"], "–"),
            number(one["hands_on_min"]),
            _slot(one),
            _short(one["reasons"]),
            _short(one["best_fix"], 70),
        )
        for one, row in zip(records, on_page, strict=True)
    ]
    return table(shown, COLUMNS, batch.choice, len(rows), "Units of the sheet", [int(row) for row in on_page])


def _slot(one: Mapping[Any, Any]) -> Markup | str:
    if not known(one["elapsed_min"]):
        return "–"
    return el(
        "span",
        number(one["elapsed_min"]),
        el("span", f" ({number(one['elapsed_low_min'])}–{number(one['elapsed_high_min'])})", class_="ba-quiet"),
    )


def _short(reasons: object, most: int = 110) -> Markup:
    words = text(reasons, "–")
    return el(
        "span", words if len(words) <= most else words[: most - 1] + "…", title=words if len(words) > most else None
    )


def pictures(scored: Scored) -> Markup:
    """Show the batch in pictures.

    Parameters
    ----------
    scored : Scored

    Returns
    -------
    markupsafe.Markup
    """
    hours = hours_by_advice(scored.view)
    pay = parts_that_pay(scored.pieces)
    said = "; ".join(f"{bar.label}: {bar.note}" for bar in hours)
    paid = "; ".join(f"{bar.label}: {bar.note} units" for bar in pay)
    return el(
        "div",
        labelled(
            "Bench hours by advice",
            el("p", summary(scored.view)),
            charts.bars(hours, "hours", f"Hours in slots by advice. {said}.", "hours"),
            el(
                "p",
                "Hatched: hands-on. The whisker sums the units' 80 % ends; it is right when their errors go "
                "together, and too wide otherwise.",
                class_="ba-quiet",
            ),
            key="hours",
            class_="ba-card",
        ),
        labelled(
            "Advice by storage and memory",
            grid(advice_grid(scored.units(), scored.view["advice"])),
            key="grid",
            class_="ba-card",
        ),
        labelled(
            "Parts that pay",
            charts.bars(pay, "units helped", f"Units that each part helps. {paid}.", "parts")
            if pay
            else el("p", "No part in the list changes an answer."),
            el(
                "p",
                "Hatched: units that it cures of what blocks them. A unit may count for several parts.",
                class_="ba-quiet",
            )
            if pay
            else None,
            key="pay",
            class_="ba-card",
        ),
        class_="ba-pictures",
    )


def grid(counts: pd.DataFrame) -> Markup:
    """Show counts by storage and memory, each advice with its shape.

    Parameters
    ----------
    counts : pandas.DataFrame
        From `advice_grid`.

    Returns
    -------
    markupsafe.Markup
    """
    from advisor.sheet.model import ADVICE_MARK

    held: dict[Any, dict[str, int]] = {
        key: {str(name): int(count) for name, count in row.items() if count}
        for key, row in counts.to_dict("index").items()
    }
    filled = [key for key, row in held.items() if row]
    storages = [name for name in dict.fromkeys(one for one, _ in held) if any(key[0] == name for key in filled)]
    memories = [name for name in dict.fromkeys(one for _, one in held) if any(key[1] == name for key in filled)]
    advices = [str(name) for name in counts.columns if counts[name].sum()]
    top = max(1, *(sum(row.values()) for row in held.values()))

    def cell(storage: str, memory: str) -> Markup:
        row = held.get((storage, memory))
        if not row:
            return el("td", el("span", "–", class_="ba-quiet"))
        parts = (
            el(
                "span",
                mark(ADVICE_MARK[name]),
                el("span", f"{name} ", class_="ba-hidden"),
                count,
                class_="ba-count",
                title=f"{name}: {count}",
            )
            for name, count in row.items()
        )
        return el("td", parts, style=f"--ba-share:{round(100 * np.sqrt(sum(row.values()) / top))}%", class_="ba-cell")

    head = el(
        "tr",
        el("th", "Storage", scope="col"),
        (el("th", f"{name} GiB" if name != "unknown" else name, scope="col") for name in memories),
    )
    body = (
        el("tr", el("th", storage, scope="row"), (cell(storage, memory) for memory in memories)) for storage in storages
    )
    legend = (el("span", advice_badge(name), "  ") for name in advices)
    return el(
        "div",
        el(
            "div",
            el(
                "table",
                el("caption", "Units by their advice; a darker cell holds more."),
                el("thead", head),
                el("tbody", body),
                class_="ba-grid",
            ),
            class_="ba-scroll",
            tabindex="0",
            role="group",
            aria_label="Advice by storage and memory",
        ),
        el("p", legend, class_="ba-legend"),
    )


class BatchView:
    """What each message of the view does.

    Parameters
    ----------
    batch : Batch
    surface : Surface
        Anything with `show`, `focus` and `download`.
    """

    def __init__(self, batch: Batch, surface: Surface) -> None:
        self.batch = batch
        self.surface = surface
        self._pieces: dict[str, list[bytes]] = {}

    def handle(self, message: Mapping[str, Any], buffers: list[bytes]) -> None:
        """Do what one message asks for, then show what changed."""
        what = str(message.get("do", ""))
        action: Callable[[Mapping[str, Any], list[bytes]], dict[str, Any]] | None = getattr(
            self, f"_do_{what.replace('-', '_')}", None
        )
        if action is None:
            raise InputError(f"The view asked for {what!r}, which this version does not know.", "Load the page again.")
        try:
            shown = action(message, buffers)
        except Exception:
            self.surface.show(progress="")
            raise
        self.surface.show(**shown)

    def _progress(self, what: str) -> Callable[[int, int], None]:
        return lambda done, count: self.surface.show(progress=progress_bar(done, count, what))

    def _do_hello(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        return {}

    def _do_upload(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        whole = gather(self._pieces, message, buffers)
        if whole is None:
            return {}
        words = self.batch.score(str(message["name"]), whole, self._progress("Scoring"))
        self.surface.focus("ba-words")
        return {**regions(self.batch), "notice": notice(words)}

    def _do_sort(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        self.batch.choice = self.batch.choice.sorted_by(_one_of(message["column"], [column.name for column in COLUMNS]))
        return moving(self.batch)

    def _do_page(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        from dataclasses import replace

        self.batch.choice = replace(self.batch.choice, page=max(0, int(message["page"])))
        return moving(self.batch)

    def _do_words(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        self.batch.choice = self.batch.choice.narrowed(
            str(message.get("value", message.get("values", {}).get("words", "")))
        )
        return moving(self.batch)

    def _do_only(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        self.batch.choice = self.batch.choice.only_where(
            _one_of(message["field"], ["advice", "edition", "status"]), str(message["value"])
        )
        return moving(self.batch)

    def _do_row(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        self.batch.row = int(message["row"])
        self.surface.focus("ba-one-title")
        return moving(self.batch)

    def _do_close_row(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        if self.batch.row is not None:
            self.surface.focus(f"ba-row-{self.batch.row}")
        self.batch.row = None
        return moving(self.batch)

    def _do_csv(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        name, content = self.batch.csv()
        self.surface.download(name, content, "text/csv")
        return {"notice": notice(f"{name} was handed to the browser.")}

    def _do_pdf(self, message: Mapping[str, Any], buffers: list[bytes]) -> dict[str, Any]:
        name, content = self.batch.sheets(self._progress("Making sheets"))
        self.surface.download(name, content, "application/pdf")
        return {"progress": "", "notice": notice(f"{name} was handed to the browser, {len(self.batch.rows())} sheets.")}


def _one_of(value: object, allowed: list[str]) -> str:
    if value not in allowed:
        raise InputError(f"{value!r} is no column of this table.", "Load the page again.")
    return str(value)


def batch(shop: Shop | None = None, state: Batch | None = None) -> Surface:
    """Make the batch view for a notebook cell.

    Parameters
    ----------
    shop : Shop, optional
        The workshop's settings; the built-in ones when left out.
    state : Batch, optional
        State to show.

    Returns
    -------
    Surface
        An ipywidgets widget.
    """
    from advisor.views.surface import Surface

    held = state or Batch(shop or default_shop())
    surface = Surface(layout(), lambda message, buffers: view.handle(message, buffers), **regions(held))
    view = BatchView(held, surface)
    return surface
