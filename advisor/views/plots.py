"""Pictures of a batch, each from one public function; drawn as SVG that follows the page's colours."""

from __future__ import annotations

import io
import re
import zlib
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from advisor.advice import Batch
from advisor.phrases import counted
from advisor.unit import Advice
from advisor.views import labels
from advisor.views.show import framed, labelled

INK, DO, GOOD, WARN, STOP, LINE = "#010203", "#0b57a4", "#1c6b32", "#8a4b00", "#a3160f", "#aab0b6"
"""Colours; all but the last take the page's own on the screen, so that they hold in the light and in the dark."""

_VARIABLES = {INK: "currentColor", DO: "var(--do)", GOOD: "var(--good)", WARN: "var(--warn)", STOP: "var(--stop)"}
STYLE: Any = {
    "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 9.5, "text.color": INK, "axes.edgecolor": INK,
    "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlelocation": "left", "axes.titleweight": "bold", "axes.titlesize": 10, "svg.hashsalt": "advisor",
}  # fmt: skip


@dataclass(frozen=True)
class Picture:
    """A picture that shows itself: `figure` is matplotlib's, `says` the sentence that it shows."""

    figure: Figure
    says: str

    @property
    def svg(self) -> str:
        """As SVG, its colours those of the page."""
        out = io.StringIO()
        with rc_context(STYLE):
            self.figure.savefig(out, format="svg", transparent=True, bbox_inches="tight", metadata={"Date": None})
        text = re.sub(r"<metadata>.*?</metadata>", "", out.getvalue(), flags=re.S)
        # Several pictures stand on one page: each has names of its own, or one's hatching would be another's.
        prefix = f"p{zlib.crc32(self.says.encode()):x}-"
        text = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{prefix}", text)
        for colour, variable in _VARIABLES.items():
            text = text.replace(colour, variable)
        return labelled(text, self.says)

    def figure_html(self) -> str:
        """With the sentence below, without a style of its own."""
        return f"<figure>{self.svg}<figcaption>{escape(self.says)}</figcaption></figure>"

    def _repr_html_(self) -> str:
        return framed(self.figure_html())

    def __repr__(self) -> str:
        return f"<Picture: {self.says}>"


@rc_context(STYLE)
def axes(wide: float = 6.2, high: float = 2.8, columns: int = 1, rows: int = 1) -> tuple[Figure, Any]:
    """A figure with its axes, in the house's style."""
    figure = Figure(figsize=(wide, high), layout="constrained")
    return figure, figure.subplots(rows, columns)


def plain_log(*some: Axis, subs: tuple[float, ...] = (1.0, 2.0, 5.0)) -> None:
    """Plain numbers at the marks of scales in powers."""
    for axis in some:
        axis.set_major_locator(LogLocator(subs=subs, numticks=6))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())


@rc_context(STYLE)
def bars(names: list[str], values: Any, xlabel: str, colour: Any = DO, texts: list[str] | None = None) -> Figure:
    """Bars side by side, the first on top, each with its number."""
    figure, one = axes(high=0.5 + 0.28 * max(len(names), 1))
    drawn = one.barh(names, values, color=colour, height=0.65)
    one.bar_label(drawn, texts or [f"{value:.0f}" for value in values], padding=3)
    one.invert_yaxis()
    one.set_xlabel(xlabel)
    one.tick_params(axis="y", length=0)
    one.margins(x=0.12)
    return figure


class BatchPictures:
    """Pictures of a batch."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch

    def advice(self) -> Picture:
        """Units by advice."""
        counts = self.batch.scored["advice"].value_counts()
        some = [word for word in Advice if str(word) in counts]
        numbers = [int(counts[str(word)]) for word in some]
        listed = ", ".join(f"{number} {word}" for word, number in zip(some, numbers, strict=True))
        return Picture(
            bars([word.capitalize() for word in some], numbers, "units"),
            f"What to do with {counted(len(self.batch), 'unit')}: {listed}.",
        )

    @rc_context(STYLE)
    def minutes(self) -> Picture:
        """Minutes in the slot, a line a unit, shortest first, each with the range that holds 8 of 10."""
        frame = self.batch.scored[["elapsed_min", "elapsed_low_min", "elapsed_high_min"]].dropna().astype(float)
        frame = frame.sort_values("elapsed_min")
        figure, one = axes()
        place = np.arange(len(frame))
        one.vlines(place, frame["elapsed_low_min"], frame["elapsed_high_min"], color=LINE, linewidth=2)
        one.plot(place, frame["elapsed_min"], ".", color=DO, markersize=5)
        one.set_ylim(bottom=0)
        one.set(xlabel="units, shortest first", ylabel="minutes in the slot")
        half = labels.minutes(frame["elapsed_min"].median())
        summary = f"half take under {half}" if len(frame) else "none is installed"
        return Picture(figure, f"Minutes in the slot of {counted(len(frame), 'unit')}: {summary}; bars hold 8 of 10.")

    @rc_context(STYLE)
    def parts(self) -> Picture:
        """Parts of the drawer: kept for units, and to buy."""
        drawer = self.batch.drawer
        drawer = drawer[(drawer["kept"] > 0) | (drawer["to_buy"] > 0)]
        names = drawer["part"].tolist()
        figure, one = axes(high=0.7 + 0.3 * max(len(names), 1))
        one.barh(names, drawer["kept"], color=GOOD, height=0.65, label="kept from the drawer")
        one.barh(names, drawer["to_buy"], left=drawer["kept"], color=WARN, hatch="//", height=0.65, label="to buy")
        one.invert_yaxis()
        one.set_xlabel("parts")
        if names:
            one.legend(frameon=False, loc="best")
        kept, buy = int(drawer["kept"].sum()), int(drawer["to_buy"].sum())
        return Picture(figure, f"{counted(kept, 'part')} kept from the drawer, {buy} to buy.")

    @rc_context(STYLE)
    def measured(self) -> Picture:
        """Where the units lie against the installs that were measured."""
        from advisor.timing.review import placed

        here, there = placed(self.batch.timing)
        figure, one = axes()
        for some, colour, marker, label in (
            (there, LINE, "s", "measured installs"), (here, DO, "o", "this batch"),
        ):  # fmt: skip
            speeds = some["decompress_mib_s"], some["disk_read_mib_s"]
            one.scatter(*speeds, c=colour, marker=marker, s=18, label=label, alpha=0.8)
        one.set(xscale="log", yscale="log", xlabel="unpacking speed [MiB/s]", ylabel="disk read [MiB/s]")
        plain_log(one.xaxis, one.yaxis)
        one.legend(frameon=False)
        outside = int((~here["inside"]).sum())
        return Picture(figure, f"{outside} of {counted(len(here), 'unit')} lie beyond what was measured in some way.")
