"""The table of a batch: what stands on it, how it is narrowed, and its advice in one line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from advisor.unit import Advice, Status
from advisor.views.batch import Batch
from advisor.views.findings import word
from advisor.views.markup import Markup, el, known, number, text
from advisor.views.paged import Column, table
from advisor.views.panels.badges import advice_badge

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


def tools(batch: Batch) -> Markup:
    """Show the controls that narrow the table: words, advice, edition, how the row was read."""
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


def units(batch: Batch) -> Markup:
    """Show the page of the table in view."""
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
