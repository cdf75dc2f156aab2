"""What a unit, a record and a batch look like in a notebook: HTML that needs nothing beside it, escaped throughout."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from html import escape
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from advisor.advice import Batch, fixed
from advisor.advice.record import ADVICE_MARK, Record
from advisor.phrases import counted, inside, titled
from advisor.shop import Shop
from advisor.unit import LABELS, Advice, Unit, frame
from advisor.views import labels

HERE = Path(__file__).resolve().parent

FIRST_ROWS = 12
"""Units of a batch shown before it is asked for more."""

FIRST_PAGES = 3
"""Sheets shown before they are saved: each takes most of a megabyte of a notebook."""


@cache
def _template(name: str) -> Any:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    from advisor.sheet.marks import mark

    environment.globals.update(mark=mark, advice_mark=ADVICE_MARK, severities=fixed.SEVERITIES, said=labels.minutes)
    return getattr(environment.get_template("show.html.j2").module, name)


@cache
def style() -> str:
    """The one style sheet."""
    return (HERE / "look.css").read_text(encoding="utf-8")


def framed(body: str) -> str:
    """A display that stands alone, with its style."""
    return f'<style>{style()}</style><div class="ba">{body}</div>'


def labelled(svg: str, says: str) -> str:
    """A drawn picture that stands in a page, with the sentence that a screen reader speaks."""
    name = f'class="picture" role="img" aria-label="{escape(says)}"'
    return svg[svg.index("<svg") :].replace("<svg ", f"<svg {name} ", 1)


def side_by_side(*pictures: Any) -> str:
    """Pictures of `plots` beside each other."""
    return "<div class='cols'>" + "".join(one.figure_html() for one in pictures) + "</div>"


def html(thing: Any) -> str:
    """The rich display of a record, a batch or a unit."""
    if isinstance(thing, Record):
        return framed(part("record", thing))
    return framed(batch_html(thing) if isinstance(thing, Batch) else unit_html(thing))


def part(name: str, *given: Any) -> str:
    """One macro of `show.html.j2`, such as the head of a record."""
    return str(_template(name)(*given))


def unit_html(unit: Unit) -> str:
    """A unit's known facts, and which of those that decide are not known."""
    unknown = [inside(LABELS[name]) for name in labels.FIRST if getattr(unit, name) is None and name != "notes"]
    title = titled(unit.maker, unit.model)
    facts = [(label, value[:300]) for label, value in labels.facts_of(unit)]
    tag = unit.asset_tag or "no tag yet"
    return part("unit", {"tag": tag, "title": title, "facts": facts, "unknown": unknown})


def batch_html(batch: Batch, rows: int = FIRST_ROWS) -> str:
    """A batch summed up, with its first units."""
    scored = batch.scored
    counts = scored["advice"].value_counts()
    total = scored[["elapsed_min", "hands_on_min"]].sum()
    unread = int(scored["status"].eq("unreadable").sum())
    shown = []
    for at in range(min(rows, len(batch))):
        row = scored.iloc[at]
        maker, model = batch.understood.units[["maker", "model"]].iloc[at].fillna("")
        minutes = row["elapsed_min"]
        shown.append({
            "tag": batch.tags[at], "title": titled(maker, model), "headline": row["do_first"],
            "mark": ADVICE_MARK[row["advice"]],
            "elapsed": None if pd.isna(minutes) else float(minutes),
        })  # fmt: skip
    return part("batch", {
        "counted": counted(len(batch), "unit"), "shop": batch.shop.name,
        "advice": [(str(word), int(counts[str(word)])) for word in Advice if str(word) in counts],
        "elapsed": labels.minutes(float(total["elapsed_min"])), "hands": labels.minutes(float(total["hands_on_min"])),
        "kept": counted(int(batch.drawer["kept"].sum()), "part") + " kept from the drawer",
        "buy": f"{int(batch.drawer['to_buy'].sum())} to buy",
        "problems": f"{counted(unread, 'row')} could not be read" if unread else "",
        "rows": shown, "more": counted(len(batch) - rows, "more unit") if len(batch) > rows else "",
    })  # fmt: skip


@dataclass(frozen=True)
class Page:
    """The printed pages of some units."""

    records: tuple[Record, ...]

    @cached_property
    def html(self) -> str:
        """As one HTML file with nothing beside it."""
        from advisor.sheet import render_html

        return str(render_html(self.records))

    @cached_property
    def pdf(self) -> bytes:
        """As PDF, a page a unit."""
        from advisor.sheet import render_pdf

        return bytes(render_pdf(self.records))

    def save(self, path: str | Path) -> Path:
        """Write to a file ending in .pdf, .html or .txt."""
        from advisor.files import write_whole
        from advisor.sheet import written

        return write_whole(path, written(self.records, path))

    def _repr_html_(self) -> str:
        from advisor.sheet import figures

        more = len(self.records) - FIRST_PAGES
        rest = f"<p>{counted(more, 'more page')}: save them as PDF.</p>" if more > 0 else ""
        return framed(figures(self.records[:FIRST_PAGES]) + rest) if self.records else ""

    def __repr__(self) -> str:
        from advisor.sheet import render_text

        return "\n".join(render_text(one) for one in self.records)


def page(what: Iterable[Record] | Sequence[Unit], shop: Shop | None = None) -> Page:
    """The printed pages of records, or of units as `shop` (the built-in settings when left out) would prepare them."""
    from advisor.advice import assess

    some: list[Any] = list(what)
    return Page(tuple(assess(frame(some), shop) if some and isinstance(some[0], Unit) else some))
