"""A batch in pictures: bench hours, advice by storage and memory, parts that pay."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from advisor.views import charts
from advisor.views.batch import Scored, advice_grid, hours_by_advice, parts_that_pay, summary
from advisor.views.markup import Markup, el, labelled
from advisor.views.panels.badges import advice_badge, mark


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
    from advisor.advice.record import ADVICE_MARK

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
