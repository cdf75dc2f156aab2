"""A table that sorts, narrows and turns pages on the program's side: ten thousand rows cost the browser one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from advisor.views.markup import Markup, el

PAGE = 25
"""Rows on a page."""


@dataclass(frozen=True)
class Column:
    """One column as it is shown.

    Attributes
    ----------
    name : str
        Column of the frame.
    label : str
        Words on its head.
    number : bool
        Shown and sorted as a number.
    """

    name: str
    label: str
    number: bool = False


@dataclass(frozen=True)
class Choice:
    """What the table shows now.

    Attributes
    ----------
    sort : str
        Column sorted by, '' for the order of the sheet.
    falling : bool
        From the largest down.
    words : str
        Rows must hold these words somewhere.
    only : mapping of str to str
        Column to the one value its rows must have.
    page : int
        Counted from 0.
    """

    sort: str = ""
    falling: bool = False
    words: str = ""
    only: Mapping[str, str] | None = None
    page: int = 0

    def sorted_by(self, column: str) -> Choice:
        """The same, sorted by a column: rising, then falling, then as in the sheet."""
        if self.sort != column:
            return replace(self, sort=column, falling=False, page=0)
        return replace(self, sort="" if self.falling else column, falling=not self.falling, page=0)

    def narrowed(self, words: str) -> Choice:
        """The same, with other words."""
        return replace(self, words=words, page=0)

    def only_where(self, column: str, value: str) -> Choice:
        """The same, with a column held to a value; '' lets it go."""
        others = {name: kept for name, kept in (self.only or {}).items() if name != column}
        return replace(self, only=others | ({column: value} if value else {}), page=0)


def search_text(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[str]:
    """Make one line a row to look words up in.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n_rows, any)
    columns : sequence of str

    Returns
    -------
    pandas.Series of str, shape (n_rows,)
        Folded to lower case.
    """
    line = pd.Series("", index=frame.index, dtype="string")
    for name in columns:
        line = line.str.cat(frame[name].astype("string").fillna(""), sep=" ")
    return line.str.casefold()


def chosen(frame: pd.DataFrame, searched: pd.Series[str], choice: Choice) -> np.ndarray:
    """Positions of the rows that are shown, in order, over all pages.

    Parameters
    ----------
    frame : pandas.DataFrame, shape (n_rows, any)
    searched : pandas.Series of str, shape (n_rows,)
        From `search_text`.
    choice : Choice

    Returns
    -------
    numpy.ndarray of int
        Unknown values stand last whichever way the table is sorted; equal ones keep the sheet's order.
    """
    mask = np.ones(len(frame), dtype=bool)
    for word in choice.words.casefold().split():
        mask &= searched.str.contains(word, regex=False).to_numpy(dtype=bool)
    for name, value in (choice.only or {}).items():
        mask &= frame[name].astype("string").eq(value).fillna(False).to_numpy(dtype=bool)
    rows = np.flatnonzero(mask)
    if not choice.sort:
        return rows
    column = frame[choice.sort].iloc[rows].reset_index(drop=True)
    if not pd.api.types.is_numeric_dtype(column):
        column = column.astype("string").str.casefold()
    order = column.sort_values(ascending=not choice.falling, kind="stable", na_position="last").index
    return rows[order.to_numpy()]


def table(
    shown: Sequence[Sequence[Any]],
    columns: Sequence[Column],
    choice: Choice,
    count: int,
    label: str,
    keys: Sequence[int],
) -> Markup:
    """Show one page.

    Parameters
    ----------
    shown : sequence of rows
        Cells of this page in the order of `columns`; text or Markup.
    columns : sequence of Column
    choice : Choice
    count : int
        Rows over all pages.
    label : str
        Accessible name of the table.
    keys : sequence of int
        Position of each row; its first cell becomes a button that sends it.

    Returns
    -------
    markupsafe.Markup
    """
    pages = max(1, -(-count // PAGE))
    head = el("tr", (_head(column, choice) for column in columns))
    body = (
        el(
            "tr",
            el(
                "th",
                el("button", cells[0], type="button", data_do="row", data_row=key, id=f"ba-row-{key}"),
                scope="row",
            ),
            (
                el("td", cell, class_="ba-num" if column.number else None)
                for cell, column in zip(cells[1:], columns[1:], strict=True)
            ),
        )
        for cells, key in zip(shown, keys, strict=True)
    )
    return el(
        "div",
        el(
            "div",
            el("table", el("thead", head), el("tbody", body), class_="ba-paged"),
            class_="ba-scroll",
            tabindex="0",
            role="group",
            aria_label=label,
            data_keep_scroll="paged",
        ),
        el("p", "No row fits.") if not count else None,
        _turner(choice.page, pages, count),
    )


def _head(column: Column, choice: Choice) -> Markup:
    here = choice.sort == column.name
    state = ("descending" if choice.falling else "ascending") if here else "none"
    mark = {"descending": "▼", "ascending": "▲", "none": "↕"}[state]
    return el(
        "th",
        el(
            "button",
            column.label,
            el("span", f" {mark}", aria_hidden="true"),
            type="button",
            data_do="sort",
            data_column=column.name,
            id=f"ba-sort-{column.name}",
            class_="ba-sort",
        ),
        scope="col",
        aria_sort=state,
        data_title=column.label,
    )


def _turner(page: int, pages: int, count: int) -> Markup:
    def turn(words: str, to: int, key: str) -> Markup:
        off = not 0 <= to < pages or to == page
        return el(
            "button",
            words,
            type="button",
            data_do="page",
            data_page=to,
            id=f"ba-page-{key}",
            aria_disabled="true" if off else None,
        )

    first = page * PAGE + 1 if count else 0
    return el(
        "div",
        turn("First", 0, "first"),
        turn("Back", page - 1, "back"),
        el("span", f"Rows {first} to {min(count, (page + 1) * PAGE)} of {count}"),
        turn("Next", page + 1, "next"),
        turn("Last", pages - 1, "last"),
        class_="ba-turner",
        role="group",
        aria_label="Pages",
    )
