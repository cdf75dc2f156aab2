"""The parts that would change the answer."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

from advisor.views.findings import Findings, word
from advisor.views.markup import Markup, el, number, text


def parts(found: Findings) -> Markup:
    """Show each part that helps, what it changes, and whether it lies in the drawer.

    Parameters
    ----------
    found : Findings

    Returns
    -------
    markupsafe.Markup
    """
    if not len(found.parts):
        return el(
            "p", text(found.scored["best_fix"], "none needed").capitalize(), ". No part in the list changes the answer."
        )
    head = el(
        "tr", (el("th", label, scope="col") for label in ("Part", "In the drawer", "Changes", "To fit", "Check first"))
    )
    rows = (
        el(
            "tr",
            el("th", one["part"], scope="row"),
            el("td", "yes" if one["in_stock"] else "no"),
            el("td", change(one)),
            el("td", number(one["fit_min"]), " min", class_="ba-num"),
            el("td", word(one["check"]) or "–"),
        )
        for one in found.parts.to_dict("records")
    )
    return el(
        "div",
        el("p", "Best: ", el("strong", text(found.scored["best_fix"]))),
        el(
            "div",
            el("table", el("thead", head), el("tbody", rows)),
            class_="ba-scroll",
            tabindex="0",
            role="group",
            aria_label="Parts that change the answer",
        ),
    )


def change(one: Mapping[Hashable, Any]) -> str:
    """Say what a part changes.

    Parameters
    ----------
    one : mapping
        A row of the parts frame.

    Returns
    -------
    str
    """
    before = text(one["edition_before"], "no comfortable edition")
    after = text(one["edition_after"], "no comfortable edition")
    words = [f"{before} → {after}"] if before != after else []
    if one["cures"]:
        words.append("cures what blocks the unit")
    return "; ".join(words) or "no change"
