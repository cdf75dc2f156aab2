"""The batch view: a whole sheet of units at a glance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from advisor.errors import InputError
from advisor.shop import Shop, default_shop
from advisor.views.batch import Batch, Scored
from advisor.views.markup import Markup, el, labelled, notices
from advisor.views.notices import notice
from advisor.views.panels import batch_columns, batch_pictures, batch_table, verdict
from advisor.views.triage_view import gather

if TYPE_CHECKING:
    from advisor.views.surface import Surface


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
        "section",
        batch_columns.columns(scored),
        class_="ba-card ba-tight",
        aria_label="How the columns were understood",
    )
    out["pictures"] = batch_pictures.pictures(scored)
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
        "glance": batch_table.glance(batch),
        "one": one,
        "table": labelled("Units", batch_table.tools(batch), batch_table.units(batch), key="units", class_="ba-card"),
    }


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
        self.batch.choice = self.batch.choice.sorted_by(
            _one_of(message["column"], [column.name for column in batch_table.COLUMNS])
        )
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
