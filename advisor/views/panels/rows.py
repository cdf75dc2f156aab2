"""Rows in a table that scrolls, with names for those who do not see it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from advisor.views.markup import Markup, el

if TYPE_CHECKING:
    pass


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
